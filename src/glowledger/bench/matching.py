"""The two sides of a blind match, and scales between them: scored quickly, pulled towards the lines, compared."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.polynomial.chebyshev import chebvander
from numpy.typing import NDArray

from glowledger.bench.evidence import NEARNESS, Candidate, scores
from glowledger.bench.expected import LineList
from glowledger.bench.hypotheses import Prior, ends_nm
from glowledger.bench.pattern import FOREIGN, Levels, Pattern, Shelf, gaps_to_peaks, peak_class

Floats = NDArray[np.float64]

SCORED_PEAKS, PIECE = 36, 200
FAINTEST = -12.0  # log10 of the strength of no line
SAME_LINES, HOLDING = 0.6, 4  # share of the lines that one scale has; as many hold a curve of the third degree
SHORTEST_NM = 1.0  # span of an axis; where few peaks hold a scale it may run away, and must not become nothing
TOLERANCES = (2.5, 1.8, 1.2, 0.8, 0.5, 0.3, 0.2, 0.2)


def quick_scores(scales: Floats, pattern: Pattern, levels: Levels) -> Floats:
    """Return a fast score (h,) of refined scales: positions, and bright lines without a peak."""
    pieces = np.split(scales, range(PIECE, len(scales), PIECE))  # that stay in the cache
    return np.concatenate([_quick_scores(piece, pattern, levels) for piece in pieces])


def _quick_scores(scales: Floats, pattern: Pattern, levels: Levels) -> Floats:
    used = min(SCORED_PEAKS, len(pattern.u))
    at = scales @ chebvander(pattern.u[:used], scales.shape[1] - 1).T
    ends = ends_nm(scales)
    span = ends[:, 1] - ends[:, 0]
    fwhm = 0.5 * span * float(np.median(pattern.fwhm_u))
    level = levels.level(fwhm)
    foreign = np.array(FOREIGN)[peak_class(used)]
    line = levels.nearest(level, at)
    line += (level * levels.nm.shape[1])[:, None]
    sigma2 = (0.25 * fwhm[:, None]) ** 2 + (0.0008 * span[:, None]) ** 2 + levels.error.take(line) ** 2
    inside = (levels.nm[level] > ends[:, :1]) & (levels.nm[level] < ends[:, 1:])
    share = levels.weight.take(line) / np.maximum(np.sum(levels.weight[level] * inside, axis=1), 0.02)[:, None]
    density = share * np.exp(-0.5 * (at - levels.nm.take(line)) ** 2 / sigma2) / np.sqrt(2.0 * np.pi * sigma2)
    score = np.sum(np.log(foreign + (1.0 - foreign) * density * span[:, None]), axis=1)
    light = np.where(inside, levels.log10_strength[level], FAINTEST)
    shows = 1.0 + 0.8 * (light - np.max(light, axis=1, keepdims=True))
    row, line = np.nonzero((shows > 0.0) & inside)
    missing = gaps_to_peaks(at, levels.nm[level[row], line], row) > 1.2 * fwhm[row]
    return np.asarray(score - np.bincount(row[missing], shows[row, line][missing], len(scales)))


def ridge(prior: Prior, span: Floats, terms: int) -> Floats:
    """Return the prior precision of the Chebyshev coefficients (h, terms); flat for c0, c1."""
    width = np.array([np.inf, np.inf, prior.bend, prior.twist, prior.ripple, prior.wiggle][:terms])
    return 1.0 / (width[None, :] * span[:, None]) ** 2


def refine(
    scales: Floats, pattern: Pattern, levels: Levels, prior: Prior, tolerances: tuple[float, ...] = TOLERANCES
) -> Floats:
    """Pull each scale towards the lines by re-weighted least squares with a shrinking tolerance.

    Parameters
    ----------
    scales : ndarray of shape (h, d + 1)
        Starting coefficients.
    pattern, levels, prior
        Peaks, lines, bounds.
    tolerances : tuple of float
        One for each step.

    Returns
    -------
    ndarray of shape (h, d + 1)
    """
    terms = scales.shape[1]
    basis = chebvander(pattern.u, terms - 1)
    products = (basis[:, :, None] * basis[:, None, :]).reshape(len(basis), -1)
    reach2 = np.maximum(0.175 * pattern.fwhm_u, 0.0006) ** 2  # of the span, as all that follows
    own2, error2 = (0.5 * pattern.u_se) ** 2, levels.error**2
    for tolerance in tolerances:
        span = np.maximum(2.0 * np.abs(scales[:, 1]), SHORTEST_NM)
        level = levels.level(0.5 * span * float(np.median(pattern.fwhm_u)))
        at = scales @ basis.T
        line = levels.nearest(level, at)
        line += (level * levels.nm.shape[1])[:, None]
        residual = levels.nm.take(line) - at
        sigma2 = span[:, None] ** 2 * (tolerance**2 * reach2 + own2) + error2.take(line)
        odds = np.exp(-0.5 * residual**2 / sigma2)
        weight = odds / ((odds + 0.05) * sigma2)
        precision = (weight @ products).reshape(-1, terms, terms)
        diagonal = np.arange(terms)
        prior_precision = ridge(prior, span, terms)
        precision[:, diagonal, diagonal] += prior_precision + 1e-9
        pull = (weight * residual) @ basis - prior_precision * scales
        scales = scales + np.linalg.solve(precision, pull[..., None])[..., 0]
    return scales


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class View:
    """The two sides of a match.

    Attributes
    ----------
    pattern : Pattern
        Peaks, brightest first.
    lists : list of Levels
        The lamp with all its lines, then (if that differs) without those that it only may show; empty when there are
        fewer than three peaks or lines.
    alike : list of Candidate
        Matched scales that are likely and not quite unlike the one that is looked at.
    shelf : Shelf or None
        All of these side by side; follows from `lists`.
    """

    pattern: Pattern
    lists: list[Levels]
    alike: list[Candidate] = field(default_factory=list)
    shelf: Shelf | None = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "shelf", Shelf(self.lists) if self.lists else None)

    def scores(self, scales: Floats, prior: Prior, nearness: tuple[float, float] = NEARNESS) -> list[Candidate]:
        """Return scales, shape (h, d + 1), weighed as told at `evidence.scores`."""
        if len(scales) == 0 or self.shelf is None:
            return []
        return scores(scales, self.pattern, self.shelf, prior, nearness)


def view_of(pattern: Pattern, lines: LineList) -> View:
    """Return peaks and lamp at every resolution that the instrument may have."""
    if len(pattern.u) < 3 or len(lines) < 3:
        return View(pattern=pattern, lists=[])
    narrowest, widest = 0.5 * float(np.median(pattern.fwhm_u)) * np.array([90.0, 1070.0])
    lists = [Levels(lines, narrowest, widest)]
    if np.any(lines.bright) and not np.all(lines.bright):
        lists.append(Levels(lines[lines.bright], narrowest, widest))
    return View(pattern=pattern, lists=lists)


def quite_unlike(other: Candidate, best: Candidate) -> bool:
    """Return whether another scale gives less than 60 % of the best one's peaks the same line, and of its own as well.

    One that agrees about most of its lines, if these are enough to hold a curve, is the same scale with an end bent
    away from the lines there: which of the two ends is right is asked line by line.
    """
    same = _same_lines(other, best)
    fewer = min(len(other.peak), len(best.peak)) if same >= HOLDING else len(best.peak)
    return same < SAME_LINES * fewer


def worth_a_look(other: Candidate, best: Candidate) -> bool:
    """Return whether another scale gives less than 60 % of the best one's peaks the same line: it may end elsewhere."""
    return _same_lines(other, best) < SAME_LINES * len(best.peak)


def _same_lines(other: Candidate, best: Candidate) -> int:
    """Return how many peaks of the best scale another one gives the same line."""
    line = np.full(int(max(np.max(best.peak, initial=0), np.max(other.peak, initial=0))) + 1, np.nan)
    line[other.peak] = other.listed.wavelength_nm[other.line]
    return int(np.count_nonzero(np.abs(line[best.peak] - best.listed.wavelength_nm[best.line]) < 1.0))
