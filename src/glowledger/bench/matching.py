"""Blind match of a peak pattern to a lamp: every plausible scale is scored, the best ones are refined."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.polynomial.chebyshev import chebval, chebvander
from numpy.typing import NDArray

from glowledger.bench.evidence import NEARNESS, Candidate, Shelf, scores
from glowledger.bench.expected import LineList
from glowledger.bench.hypotheses import Prior, admissible, best_of_cells, ends_nm, first_of_alike, triples
from glowledger.bench.pattern import (
    FOREIGN,
    GRID_NM,
    GRID_START_NM,
    Levels,
    Pattern,
    gaps_to_peaks,
    list_weight,
    peak_class,
)
from glowledger.bench.triples_tried import hang_on_one, line_triples, more_line_triples, peak_triples, without

Floats = NDArray[np.float64]

SCORED_PEAKS = 36
WIDE_NM, NARROW_NM, CELL_NM = 1.0, 0.35, 2.5  # tolerances of the rough scores; scales alike to that are one
LOOKED_AT, KEPT, SCORED = 15000, 600, 70
# a first look at few peaks, lines and scales ends the search if it finds a scale of such log odds against chance, in
# all and for each peak, that explains so many of the peaks
FIRST_PEAKS, FIRST_LINES, FIRST_KEPT = (8, 3), (8, 5), 200
DECISIVE, DECISIVE_EACH, DECISIVE_SHARE = 20.0, 0.8, 0.9
# log odds against chance, and over the next scale that is quite another one, at which a second look need not look for
# others: of 154 lamps, right and wrong names, whose first look had found log odds above 0 the second one led none to
# another scale, of 88 above 10 by 10 it left none a margin below 9.6 (fleets of bench_calibration.py from 400000)
LEADING, ALIKE_NM = 10.0, 5.0
# log odds against chance of a first scale that is as good as nothing, and of one that is little for so many peaks
NOTHING, FEW_OF_MANY, MANY_PEAKS = -5.0, 5.0, 20
SAME_LINES, HOLDING = 0.6, 4  # share of the lines that one scale has; as many hold a curve of the third degree
SHORTEST_NM = 1.0  # span of an axis; where few peaks hold a scale it may run away, and must not become nothing
TOLERANCES = (2.5, 1.8, 1.2, 0.8, 0.5, 0.3, 0.2, 0.2)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Look:
    """How far a search looks: triples of peaks and of lines, how many scales are kept of each kind.

    If it is to be near a scale, at others no more than to see how that one bends.
    """

    peak_triples: NDArray[np.intp]
    line_triples: NDArray[np.intp]
    kept: int
    near: Candidate | None = None


def _coarse(pattern: Pattern, levels: Levels, prior: Prior, look: _Look) -> Floats:
    """Return the best-scoring distinct scales (2 kept, 4) out of all triples.

    A scale through three lines is off by a few nm elsewhere, or by less: the best by a wide tolerance are kept, and the
    best by a narrow one, which tells far more where lines are sharp.
    """
    middle = levels.lists[len(levels.lists) // 2]
    scales = triples(pattern.u, look.peak_triples, middle.wavelength_nm, look.line_triples, prior)
    if look.near is not None:
        scales = scales[_alike(scales, look.near, pattern)]
    if len(scales) == 0:
        return scales
    kind = levels.kinds(scales, float(np.median(pattern.fwhm_u)))
    wide = _table_scores(scales, kind, pattern, levels, WIDE_NM)
    if len(scales) > LOOKED_AT:
        best = np.argpartition(-wide, LOOKED_AT)[:LOOKED_AT]
        scales, kind, wide = scales[best], kind[best], wide[best]
    narrow = _table_scores(scales, kind, pattern, levels, NARROW_NM)
    kept = [best_of_cells(scales, wide, look.kept, CELL_NM), best_of_cells(scales, narrow, look.kept, 0.5 * CELL_NM)]
    return scales[np.unique(np.concatenate(kept))]


def _alike(scales: Floats, found: Candidate, pattern: Pattern) -> NDArray[np.bool_]:
    """Return which scales (h, 4) agree roughly with a found one in the middle, or on one side, of its matched peaks."""
    places = np.quantile(pattern.u[found.peak], [0.25, 0.5, 0.75])
    reach = ALIKE_NM + 2.0 * abs(float(found.scale[1])) * float(np.median(pattern.fwhm_u))
    off = scales @ chebvander(places, 3).T - chebval(places, found.scale)
    return np.asarray(np.count_nonzero(np.abs(off) < reach, axis=1) >= 2)


def _table_scores(
    scales: Floats, kind: NDArray[np.intp], pattern: Pattern, levels: Levels, tolerance_nm: float
) -> NDArray[np.float32]:
    """Return a rough score (h,) of scales of a kind (h,): log odds of each peak by the list, looked up."""
    used = min(SCORED_PEAKS, len(pattern.u))
    basis = (chebvander(pattern.u[:used], 3) / GRID_NM).astype(np.float32)
    met = np.flatnonzero(np.bincount(kind))
    row = np.cumsum(np.bincount(kind) > 0)[kind] - 1
    tables = levels.tables(tolerance_nm, met)
    flat = tables.reshape(-1)
    length = tables.shape[2]
    classes = (peak_class(used) * length).astype(np.int32)[:, None]
    first_of_row = (row * tables.shape[1] * length).astype(np.int32)
    start = np.float32(GRID_START_NM / GRID_NM)
    score = np.empty(len(scales), dtype=np.float32)
    for first in range(0, len(scales), 4000):  # in pieces that stay in the cache
        part = slice(first, first + 4000)
        at = basis @ scales[part].T.astype(np.float32)
        at -= start
        np.clip(at, 0, length - 1, out=at)
        place = at.astype(np.int32)
        place += classes
        place += first_of_row[part]
        score[part] = flat.take(place).sum(axis=0)
    return score


def quick_scores(scales: Floats, pattern: Pattern, levels: Levels) -> Floats:
    """Return a fast score (h,) of refined scales: positions, and bright lines without a peak."""
    used = min(SCORED_PEAKS, len(pattern.u))
    at = scales @ chebvander(pattern.u[:used], scales.shape[1] - 1).T
    ends = ends_nm(scales)
    span = ends[:, 1] - ends[:, 0]
    fwhm = 0.5 * span * float(np.median(pattern.fwhm_u))
    level = levels.level(fwhm)
    foreign = np.array(FOREIGN)[peak_class(used)]
    out = np.empty(len(scales))
    for row in np.unique(level):
        rows = np.flatnonzero(level == row)
        listed = levels.lists[row]
        nm = listed.wavelength_nm
        near = levels.nearest(int(row), at[rows])
        sigma2 = (
            (0.25 * fwhm[rows, None]) ** 2 + (0.0008 * span[rows, None]) ** 2 + listed.error_nm[near] ** 2
        )
        inside = (nm > ends[rows, :1]) & (nm < ends[rows, 1:])
        weight = list_weight(listed)
        share = weight[near] / np.maximum(inside @ weight, 0.02)[:, None]
        density = share * np.exp(-0.5 * (at[rows] - nm[near]) ** 2 / sigma2) / np.sqrt(2.0 * np.pi * sigma2)
        out[rows] = np.sum(np.log(foreign + (1.0 - foreign) * density * span[rows, None]), axis=1)
        gap = gaps_to_peaks(at[rows], nm)
        brightest = np.max(np.where(inside, listed.strength, 1e-12), axis=1, keepdims=True)
        wanted = np.clip(1.0 + 0.8 * np.log10(listed.strength / brightest), 0.0, 1.0) * inside
        out[rows] -= np.sum(wanted * (gap > 1.2 * fwhm[rows, None]), axis=1)
    return out


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
    own2 = (0.5 * pattern.u_se) ** 2
    for tolerance in tolerances:
        span = np.maximum(2.0 * np.abs(scales[:, 1]), SHORTEST_NM)
        level = levels.level(0.5 * span * float(np.median(pattern.fwhm_u)))
        at = scales @ basis.T
        residual, sigma2 = np.empty_like(at), span[:, None] ** 2 * (tolerance**2 * reach2 + own2)
        for row in np.unique(level):
            rows = np.flatnonzero(level == row)
            listed, there = levels.lists[row], at[rows]
            near = levels.nearest(int(row), there)
            residual[rows] = listed.wavelength_nm[near] - there
            sigma2[rows] += (listed.error_nm**2)[near]
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
        """Weigh scales, shape (h, d + 1).

        Whether a lamp shows its secondary lines depends on its pressure, current and age: either it does, or it does
        not. The evidence is that of both, the lines are those of the better one.
        """
        if len(scales) == 0 or self.shelf is None:
            return []
        found = []
        for scored in zip(*scores(scales, self.pattern, self.shelf, prior, nearness), strict=True):
            best = max(scored, key=lambda c: c.log_evidence)
            total = float(np.logaddexp.reduce([c.log_evidence for c in scored]) - np.log(len(scored)))
            found.append(replace(best, log_evidence=total))
        return found


def view_of(pattern: Pattern, lines: LineList) -> View:
    """Return peaks and lamp at every resolution that the instrument may have."""
    if len(pattern.u) < 3 or len(lines) < 3:
        return View(pattern=pattern, lists=[])
    narrowest, widest = 0.5 * float(np.median(pattern.fwhm_u)) * np.array([90.0, 1070.0])
    lists = [Levels(lines, narrowest, widest)]
    if np.any(lines.bright) and not np.all(lines.bright):
        lists.append(Levels(lines[lines.bright], narrowest, widest))
    return View(pattern=pattern, lists=lists)


def match(view: View, prior: Prior) -> list[Candidate]:
    """Return distinct candidate scales for a peak pattern, best evidence first.

    Parameters
    ----------
    view : View
        Peaks and lamp.
    prior : Prior
        Bounds on the instrument.

    Returns
    -------
    list of Candidate
        Empty when there are fewer than three peaks or lines.
    """
    if not view.lists:
        return []
    middle = view.lists[0].lists[len(view.lists[0].lists) // 2]
    few, of_part = FIRST_LINES
    look = _Look(
        peak_triples=peak_triples(view.pattern, *FIRST_PEAKS),
        line_triples=line_triples(middle, of_part, few), kept=FIRST_KEPT,
    )  # fmt: skip
    found = _matched(view, prior, look)
    decided = any(_decisive(candidate, len(view.pattern.u)) for candidate in found)
    if not decided:
        look = _Look(
            peak_triples=peak_triples(view.pattern), line_triples=line_triples(middle), kept=KEPT, near=_leading(found)
        )
        found += _matched(view, prior, look)
    little = _best(found) < (NOTHING if len(view.pattern.u) < MANY_PEAKS else FEW_OF_MANY)
    if little or (hang_on_one(look.peak_triples) and not decided):
        rows = without(more_line_triples(middle, len(look.peak_triples)), look.line_triples)
        found += _matched(view, prior, replace(look, line_triples=rows))
    found.sort(key=lambda c: -c.log_evidence)
    return _unlike(found, view.pattern) if found else found


def _decisive(candidate: Candidate, peaks: int) -> bool:
    """Return whether a scale explains so many of so many peaks so well that no other one can be right."""
    least = max(DECISIVE, DECISIVE_EACH * peaks)
    return candidate.log_evidence > least and len(candidate.peak) >= DECISIVE_SHARE * peaks


def _leading(found: list[Candidate]) -> Candidate | None:
    """Return the scale that leads so clearly that no other one can be right, though this one may be bent; or none."""
    best = max(found, key=lambda c: c.log_evidence, default=None)
    if best is None or best.log_evidence < LEADING:
        return None
    rivals = [c.log_evidence for c in found if c.log_evidence > best.log_evidence - LEADING and quite_unlike(c, best)]
    return None if rivals else best


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


def _best(found: list[Candidate]) -> float:
    """Return the best log odds against chance."""
    return max((candidate.log_evidence for candidate in found), default=-np.inf)


def _matched(view: View, prior: Prior, look: _Look) -> list[Candidate]:
    """Return scales through triples of lines, refined and weighed."""
    pattern, levels = view.pattern, view.lists[0]
    scales = _coarse(pattern, levels, prior, look)
    if len(scales) == 0:
        return []
    refined = refine(scales, pattern, levels, prior)
    refined = refined[admissible(refined, prior)]
    if len(refined) == 0:
        return []
    quick = quick_scores(refined, pattern, levels)
    best = best_of_cells(refined, quick, SCORED, 0.5 * float(np.median(pattern.fwhm_u)) * 300.0)
    return view.scores(refined[best], prior)


def _unlike(found: list[Candidate], pattern: Pattern) -> list[Candidate]:
    """Return candidates that differ from every better one by more than a line width somewhere among peaks."""
    places = np.linspace(np.min(pattern.u), np.max(pattern.u), 9)
    scales = np.array([candidate.scale for candidate in found], dtype=np.float64)
    at = np.asarray(scales @ chebvander(places, scales.shape[1] - 1).T, dtype=np.float64)
    return [found[k] for k in first_of_alike(at, np.abs(scales[:, 1]) * float(np.median(pattern.fwhm_u)))]
