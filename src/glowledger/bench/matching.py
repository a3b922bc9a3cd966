"""Blind match of a peak pattern to a lamp: every plausible scale is scored, the best ones are refined."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial.chebyshev import chebder, chebval, chebvander
from numpy.typing import NDArray
from scipy.special import ndtr

from glowledger.bench.expected import LineList, merged
from glowledger.bench.hypotheses import Prior, admissible, all_triples, triples

Floats = NDArray[np.float64]

GRID_NM = 0.25
GRID_START_NM, GRID_END_NM = 100.0, 1300.0
LEVEL_RATIO = 1.3
TOP_PEAKS, PART_PEAKS, SCORED_PEAKS = 12, 6, 36
TOP_LINES, PART_LINES = 14, 8
PARTS_NM = ((0.0, 600.0), (350.0, 700.0), (450.0, 850.0), (600.0, 1300.0))
MIN_EXTENT = 0.16  # of the mapped axis: three peaks closer than that say nothing of the rest
KEPT, SCORED, REFINED = 800, 100, 24
CROWDS = (60.0, 150.0, 300.0, 600.0, 1200.0, 2400.0, 6000.0, 20000.0)  # nm over share of the list
STRENGTH_SD = 1.1  # ln(counts) of a line over its listed strength: lamp, response, exposure; common practice
MISSING_SD = 1.5  # the same for a line that is not there: the response is unknown away from the lines seen
ABSENT_ELEMENT = 2.0  # log price of a stated element that shows no line
FOREIGN = (0.12, 0.3, 0.5)  # chance that a strong, middling, weak peak is not in the list


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Pattern:
    """Peaks as the matcher sees them; arrays of shape (m,), brightest first.

    Attributes
    ----------
    u, u_se : ndarray of shape (m,)
        Position on the axis mapped to -1..1 and its standard error.
    strength : ndarray of shape (m,)
        Counts in the line.
    saturated : ndarray of bool, shape (m,)
        True where `strength` is only a lower limit.
    fwhm_u : ndarray of shape (m,)
        Line width on the mapped axis.
    detection : float
        Strength of the weakest line that would have been found.
    """

    u: Floats
    u_se: Floats
    strength: Floats
    saturated: NDArray[np.bool_]
    fwhm_u: Floats
    detection: float


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Candidate:
    """One scale with its evidence.

    Attributes
    ----------
    scale : ndarray of shape (d + 1,)
        Chebyshev coefficients over u, nm.
    log_evidence : float
        Natural log of the odds of this scale over peaks at random places.
    peak, line : ndarray of intp, shape (k,)
        Matched pairs: index into the pattern, index into the merged list.
    listed : LineList
        Lines as merged at this resolution.
    explained : float
        Share of the light in strong peaks that the matched lines explain.
    missing : int
        Lines that should have been seen and were not.
    """

    scale: Floats
    log_evidence: float
    peak: NDArray[np.intp]
    line: NDArray[np.intp]
    listed: LineList
    explained: float
    missing: int
    parts: tuple[float, float, float] = (0.0, 0.0, 0.0)


class Levels:
    """The lamp at a ladder of resolutions, with look-up tables of where light is expected."""

    def __init__(self, lines: LineList, narrowest_nm: float, widest_nm: float) -> None:
        count = max(int(np.ceil(np.log(widest_nm / narrowest_nm) / np.log(LEVEL_RATIO))), 1) + 1
        self.fwhm_nm = narrowest_nm * LEVEL_RATIO ** np.arange(count)
        self.lists = [merged(lines, width) for width in self.fwhm_nm]

    def level(self, fwhm_nm: Floats) -> NDArray[np.intp]:
        """Return the index of the nearest resolution."""
        index = np.rint(np.log(np.maximum(fwhm_nm, 1e-6) / self.fwhm_nm[0]) / np.log(LEVEL_RATIO))
        return np.clip(index, 0, len(self.fwhm_nm) - 1).astype(np.intp)

    def tables(self, tolerance_nm: float) -> NDArray[np.float32]:
        """Return log odds (level, crowd, class of peak, wavelength grid) of a peak being there by the list.

        `crowd` counts how thinly the listed lines lie over the axis, see `crowd`.
        """
        grid = np.arange(GRID_START_NM, GRID_END_NM, GRID_NM)
        out = np.empty((len(self.lists), len(CROWDS), len(FOREIGN), len(grid)), dtype=np.float32)
        factor, foreign = np.array(CROWDS)[:, None, None], np.array(FOREIGN)[None, :, None]
        for row, (listed, width) in enumerate(zip(self.lists, self.fwhm_nm, strict=True)):
            sigma = np.sqrt((tolerance_nm + 0.25 * width) ** 2 + listed.error_nm**2)
            z = (grid[:, None] - listed.wavelength_nm) / sigma
            density = np.exp(-0.5 * z**2) @ (list_weight(listed) / sigma) / np.sqrt(2.0 * np.pi)
            out[row] = np.log(foreign + (1.0 - foreign) * factor * density)
        return out

    def crowd(self, level: NDArray[np.intp], scales: Floats) -> NDArray[np.intp]:
        """Return which of `CROWDS` is nearest to span / (share of the list within the axis), shape (h,)."""
        ends = np.sort(scales @ chebvander(np.array([-1.0, 1.0]), scales.shape[1] - 1).T, axis=1)
        share = np.empty(len(scales))
        for row in np.unique(level):
            rows = level == row
            listed = self.lists[row]
            total = np.concatenate([[0.0], np.cumsum(list_weight(listed))])
            first, last = np.searchsorted(listed.wavelength_nm, ends[rows]).T
            share[rows] = total[last] - total[first]
        wanted = np.log((ends[:, 1] - ends[:, 0]) / np.maximum(share, 0.02))
        return np.argmin(np.abs(wanted[:, None] - np.log(CROWDS)[None, :]), axis=1)


def list_weight(listed: LineList) -> Floats:
    """Return how likely a peak taken from the lamp is of each line (sum 1); bright lines are seen more often."""
    root = np.sqrt(listed.strength)
    return root / np.sum(root)


def peak_class(count: int) -> NDArray[np.intp]:
    """Return the class of each peak by rank: the brightest are most likely of the lamp."""
    rank = np.arange(count)
    return np.where(rank < 8, 0, np.where(rank < 20, 1, 2)).astype(np.intp)


def _coarse(pattern: Pattern, levels: Levels, prior: Prior) -> Floats:
    """Return the best-scoring distinct scales (KEPT, 4) out of all triples."""
    middle = levels.lists[len(levels.lists) // 2]
    scales = triples(
        pattern.u, _peak_triples(pattern), middle.wavelength_nm, all_triples(_line_choices(middle)), prior
    )
    if len(scales) == 0:
        return scales
    used = min(SCORED_PEAKS, len(pattern.u))
    basis = chebvander(pattern.u[:used], 3).astype(np.float32)
    level = levels.level(np.abs(scales[:, 1]) * float(np.median(pattern.fwhm_u)))
    tables = levels.tables(1.0)
    flat = tables.reshape(-1)
    length = tables.shape[3]
    classes = (peak_class(used) * length).astype(np.int32)
    row = ((level * tables.shape[1] + levels.crowd(level, scales)) * tables.shape[2] * length).astype(
        np.int32
    )
    score = np.empty(len(scales), dtype=np.float32)
    for first in range(0, len(scales), 20000):  # in pieces that stay in the cache
        part = slice(first, first + 20000)
        at = ((scales[part].astype(np.float32) @ basis.T) - GRID_START_NM) / GRID_NM
        np.clip(at, 0, length - 1, out=at)
        score[part] = flat[at.astype(np.int32) + classes + row[part, None]].sum(axis=1)
    return _distinct(scales, score, KEPT, 2.5)


def _quick_scores(scales: Floats, pattern: Pattern, levels: Levels) -> Floats:
    """Return a fast score (h,) of refined scales: positions, and bright lines without a peak."""
    used = min(SCORED_PEAKS, len(pattern.u))
    at = scales @ chebvander(pattern.u[:used], scales.shape[1] - 1).T
    ends = np.sort(scales @ chebvander(np.array([-1.0, 1.0]), scales.shape[1] - 1).T, axis=1)
    span = ends[:, 1] - ends[:, 0]
    fwhm = 0.5 * span * float(np.median(pattern.fwhm_u))
    level = levels.level(fwhm)
    foreign = np.array(FOREIGN)[peak_class(used)]
    out = np.empty(len(scales))
    for row in np.unique(level):
        rows = np.flatnonzero(level == row)
        listed = levels.lists[row]
        nm = listed.wavelength_nm
        near = _nearest(nm, at[rows])
        sigma2 = (
            (0.25 * fwhm[rows, None]) ** 2 + (0.0008 * span[rows, None]) ** 2 + listed.error_nm[near] ** 2
        )
        inside = (nm > ends[rows, :1]) & (nm < ends[rows, 1:])
        weight = list_weight(listed)
        share = weight[near] / np.maximum(inside @ weight, 0.02)[:, None]
        density = share * np.exp(-0.5 * (at[rows] - nm[near]) ** 2 / sigma2) / np.sqrt(2.0 * np.pi * sigma2)
        out[rows] = np.sum(np.log(foreign + (1.0 - foreign) * density * span[rows, None]), axis=1)
        gap = np.min(np.abs(at[rows][:, :, None] - nm[None, None, :]), axis=1)
        brightest = np.max(np.where(inside, listed.strength, 1e-12), axis=1, keepdims=True)
        wanted = np.clip(1.0 + 0.8 * np.log10(listed.strength / brightest), 0.0, 1.0) * inside
        out[rows] -= np.sum(wanted * (gap > 1.2 * fwhm[rows, None]), axis=1)
    return out


def _peak_triples(pattern: Pattern) -> NDArray[np.intp]:
    """Return triples of bright peaks: the brightest of all, and of each part of the axis."""
    count = len(pattern.u)
    sets = [np.arange(min(TOP_PEAKS, count))]
    for lo, hi in ((-1.0, 0.0), (-0.5, 0.5), (0.0, 1.0)):
        members = np.flatnonzero((pattern.u >= lo) & (pattern.u <= hi))[:PART_PEAKS]
        sets.append(members)
    rows = all_triples(sets)
    rows = np.take_along_axis(rows, np.argsort(pattern.u[rows], axis=1), axis=1)
    return rows[pattern.u[rows[:, 2]] - pattern.u[rows[:, 0]] > MIN_EXTENT]


def _line_choices(listed: LineList) -> list[NDArray[np.intp]]:
    """Return sets of lines to combine: the strongest of all, of each part of the spectrum, of each element.

    An instrument may be blind to the part where a lamp is brightest. In a mixed lamp the elements differ in
    brightness by any factor, but three of the brightest peaks are nearly always of one element.
    """
    names = np.array(listed.species)
    nm = listed.wavelength_nm
    order = np.argsort(-listed.strength, kind="stable")
    kinds = sorted(set(listed.species))
    sets = [order[:TOP_LINES]]
    for name in kinds:
        own = order[names[order] == name]
        sets.append(own[:TOP_LINES])
        for lo, hi in PARTS_NM:
            sets.append(own[(nm[own] >= lo) & (nm[own] < hi)][:PART_LINES])
    return sets


def _distinct(scales: Floats, score: NDArray[np.floating], count: int, cell_nm: float) -> Floats:
    """Return the best scale of each cell in (wavelength at three places), best first."""
    best = np.argsort(-score, kind="stable")[: 60 * count]
    at = scales[best] @ chebvander(np.array([-0.8, 0.0, 0.8]), scales.shape[1] - 1).T
    cells = np.floor(at / cell_nm).astype(np.int64)
    key = (cells[:, 0] * 4096 + cells[:, 1]) * 4096 + cells[:, 2]
    _, where = np.unique(key, return_index=True)
    return scales[best[np.sort(where)[:count]]]


def _nearest(sorted_nm: Floats, at: Floats) -> NDArray[np.intp]:
    """Return the index of the nearest entry of a sorted list, same shape as `at`."""
    right = np.clip(np.searchsorted(sorted_nm, at), 1, max(len(sorted_nm) - 1, 1))
    if len(sorted_nm) == 1:
        return np.zeros(at.shape, dtype=np.intp)
    left = right - 1
    return np.where(at - sorted_nm[left] < sorted_nm[right] - at, left, right)


def ridge(prior: Prior, span: Floats, terms: int) -> Floats:
    """Return the prior precision of the Chebyshev coefficients (h, terms); flat for c0, c1."""
    width = np.array([np.inf, np.inf, prior.bend, prior.twist, prior.ripple][:terms])
    return 1.0 / (width[None, :] * span[:, None]) ** 2


def refine(scales: Floats, pattern: Pattern, levels: Levels, prior: Prior) -> Floats:
    """Pull each scale towards the lines by re-weighted least squares with a shrinking tolerance.

    Parameters
    ----------
    scales : ndarray of shape (h, d + 1)
        Starting coefficients.
    pattern, levels, prior
        Peaks, lines, bounds.

    Returns
    -------
    ndarray of shape (h, d + 1)
    """
    terms = scales.shape[1]
    basis = chebvander(pattern.u, terms - 1)
    for tolerance in (2.5, 1.8, 1.2, 0.8, 0.5, 0.3, 0.2, 0.2):
        span = 2.0 * np.abs(scales[:, 1])
        level = levels.level(0.5 * span * float(np.median(pattern.fwhm_u)))
        at = scales @ basis.T
        target, spread = np.empty_like(at), np.empty_like(at)
        for row in np.unique(level):
            rows = level == row
            listed = levels.lists[row]
            near = _nearest(listed.wavelength_nm, at[rows])
            target[rows], spread[rows] = listed.wavelength_nm[near], listed.error_nm[near]
        residual = target - at
        width = 0.5 * span[:, None] * pattern.fwhm_u
        sigma2 = (tolerance * np.maximum(0.35 * width, 0.0006 * span[:, None])) ** 2 + spread**2
        sigma2 += (0.5 * span[:, None] * pattern.u_se) ** 2
        odds = np.exp(-0.5 * residual**2 / sigma2)
        weight = odds / (odds + 0.05) / sigma2
        precision = np.einsum("hm,mi,mj->hij", weight, basis, basis)
        diagonal = np.arange(terms)
        prior_precision = ridge(prior, span, terms)
        precision[:, diagonal, diagonal] += prior_precision + 1e-9
        pull = np.einsum("hm,mi->hi", weight * residual, basis) - prior_precision * scales
        scales = scales + np.linalg.solve(precision, pull[..., None])[..., 0]
    return scales


def score(scale: Floats, pattern: Pattern, levels: Levels, prior: Prior) -> Candidate:
    """Weigh one scale: positions, strengths, missing lines, foreign peaks, and the room it was chosen from.

    Parameters
    ----------
    scale : ndarray of shape (d + 1,)
        Chebyshev coefficients.
    pattern, levels, prior
        Peaks, lines, bounds.

    Returns
    -------
    Candidate
        `log_evidence` is a Laplace approximation of the log Bayes factor against peaks strewn evenly over the
        axis.
    """
    span = 2.0 * abs(float(scale[1]))
    slope = np.abs(chebval(pattern.u, chebder(scale)))
    width = slope * pattern.fwhm_u
    listed = levels.lists[int(levels.level(np.array([float(np.median(width))]))[0])]
    at = chebval(pattern.u, scale)
    near = _nearest(listed.wavelength_nm, at)
    residual = at - listed.wavelength_nm[near]
    floor = np.maximum(0.12 * width, 0.0003 * span)
    sigma = np.sqrt(floor**2 + listed.error_nm[near] ** 2 + (slope * pattern.u_se) ** 2)
    close = np.abs(residual) < np.minimum(4.0 * sigma, 0.8 * width + listed.error_nm[near])
    peak, line = _one_to_one(near, np.abs(residual) / sigma, close)
    lo, hi = np.sort(chebval(np.array([-1.0, 1.0]), scale))
    inside = (listed.wavelength_nm > lo) & (listed.wavelength_nm < hi)
    scale_ln = _factors(pattern, listed, peak, line)
    gain = _pair_gain(pattern, listed, inside, peak, line, residual, sigma, scale_ln, hi - lo)
    foreign = np.array(FOREIGN)[peak_class(len(pattern.u))]
    total = float(np.sum(np.log(foreign)))
    total += float(np.sum(np.logaddexp(np.log(foreign[peak]), gain) - np.log(foreign[peak])))
    gap = np.min(np.abs(listed.wavelength_nm[:, None] - at[None, :]), axis=1)
    cost, missing = _missing(pattern, listed, inside, gap > 1.4 * float(np.median(width)), line, scale_ln)
    room = _occam(scale, pattern, peak, sigma, prior, span)
    total += cost + room
    return Candidate(
        scale=scale,
        log_evidence=total,
        peak=peak,
        line=line,
        listed=listed,
        explained=_explained(pattern, peak),
        missing=missing,
        parts=(float(np.sum(np.logaddexp(np.log(foreign[peak]), gain) - np.log(foreign[peak]))), cost, room),
    )


def _one_to_one(
    near: NDArray[np.intp], distance: Floats, close: NDArray[np.bool_]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return pairs (peak, line) where each line keeps its nearest peak only."""
    taken: dict[int, int] = {}
    for i in np.flatnonzero(close):
        k = int(near[i])
        if k not in taken or distance[i] < distance[taken[k]]:
            taken[k] = int(i)
    pairs = sorted((i, k) for k, i in taken.items())
    return np.array([p[0] for p in pairs], dtype=np.intp), np.array([p[1] for p in pairs], dtype=np.intp)


def _factors(pattern: Pattern, listed: LineList, peak: NDArray[np.intp], line: NDArray[np.intp]) -> Floats:
    """Return ln(counts / listed strength) for each line of the list, common to the lines of one element.

    NaN for an element of which no line is matched: nothing is known of its brightness.
    """
    names = np.array(listed.species)
    out = np.full(len(listed), np.nan)
    ratio = np.log(pattern.strength[peak]) - np.log(listed.strength[line])
    for name in set(listed.species):
        own = ratio[names[line] == name]
        if len(own):
            out[names == name] = np.median(own)
    return out


def _pair_gain(
    pattern: Pattern,
    listed: LineList,
    inside: NDArray[np.bool_],
    peak: NDArray[np.intp],
    line: NDArray[np.intp],
    residual: Floats,
    sigma: Floats,
    factor: Floats,
    range_nm: float,
) -> Floats:
    """Return log odds of each pair over chance: nearness times the share of lines of that brightness."""
    seen = inside & np.isfinite(factor)
    seen[line] = True
    expected = np.log(listed.strength) + factor
    excess = np.log(pattern.strength[peak])[:, None] - expected[None, :]
    # a saturated peak may be brighter than measured, so being fainter than expected speaks against nothing
    excess = np.where(pattern.saturated[peak][:, None], np.maximum(excess, 0.0), excess)
    like = np.exp(-0.5 * (excess / STRENGTH_SD) ** 2) + 0.01
    share = like[np.arange(len(peak)), line] / np.maximum(np.sum(like[:, seen], axis=1), 1e-12)
    foreign = np.array(FOREIGN)[peak_class(len(pattern.u))][peak]
    nearness = -0.5 * (residual[peak] / sigma[peak]) ** 2 - np.log(sigma[peak] * np.sqrt(2.0 * np.pi))
    return np.log1p(-foreign) + np.log(share) + nearness + np.log(range_nm)


def _missing(
    pattern: Pattern,
    listed: LineList,
    inside: NDArray[np.bool_],
    alone: NDArray[np.bool_],
    line: NDArray[np.intp],
    factor: Floats,
) -> tuple[float, int]:
    """Return the log cost of lines that should show and do not, and how many those are.

    A line in the flank of a peak (not `alone`) may be hidden in it and costs nothing.
    """
    absent = inside & alone
    absent[line] = False
    dark = {name for name, f in zip(listed.species, factor, strict=True) if np.isnan(f)}
    absent &= np.isfinite(factor)
    price = -ABSENT_ELEMENT * len(dark)
    nm = listed.wavelength_nm[absent]
    if len(nm) == 0:
        return price, 0
    margin = np.log(listed.strength[absent]) + factor[absent] - np.log(pattern.detection)
    window = np.where(nm < 340.0, 0.4, np.where(nm > 900.0, 0.6, 0.88))  # glass and silicon end there
    chance = ndtr(margin / MISSING_SD) * window
    return price + float(np.sum(np.log1p(-chance))), int(np.sum(chance > 0.7))


def _occam(
    scale: Floats, pattern: Pattern, peak: NDArray[np.intp], sigma: Floats, prior: Prior, span: float
) -> float:
    """Return the log of posterior over prior room of the scale (a price for what was adjustable)."""
    terms = len(scale)
    prior_sd = np.array([200.0, 100.0, prior.bend * span, prior.twist * span, prior.ripple * span])[:terms]
    basis = chebvander(pattern.u[peak], terms - 1) * prior_sd
    information = (basis / sigma[peak][:, None] ** 2).T @ basis + np.eye(terms)
    bent = scale[2:] / prior_sd[2:]
    return float(-0.5 * np.linalg.slogdet(information)[1] - 0.5 * bent @ bent - np.log(2.0))


def _explained(pattern: Pattern, peak: NDArray[np.intp]) -> float:
    """Return the share of root-strength in the twelve brightest peaks that is matched."""
    weight = np.sqrt(pattern.strength[:12])
    matched = np.zeros(len(weight), dtype=bool)
    matched[peak[peak < 12]] = True
    return float(np.sum(weight[matched]) / np.sum(weight))


def match(pattern: Pattern, lines: LineList, prior: Prior) -> list[Candidate]:
    """Return distinct candidate scales for a peak pattern, best evidence first.

    Parameters
    ----------
    pattern : Pattern
        Peaks, brightest first.
    lines : LineList
        Lines of the lamp.
    prior : Prior
        Bounds on the instrument.

    Returns
    -------
    list of Candidate
        Empty when there are fewer than three peaks or lines.
    """
    if len(pattern.u) < 3 or len(lines) < 3:
        return []
    fwhm = float(np.median(pattern.fwhm_u))
    levels = Levels(lines, 0.5 * fwhm * 90.0, 0.5 * fwhm * 1070.0)
    scales = _coarse(pattern, levels, prior)
    if len(scales) == 0:
        return []
    refined = refine(scales, pattern, levels, prior)
    refined = refined[admissible(refined, prior)]
    if len(refined) == 0:
        return []
    quick = _quick_scores(refined, pattern, levels)
    refined = _distinct(refined, quick, SCORED, 0.5 * fwhm * 300.0)
    found = [score(scale, pattern, levels, prior) for scale in refined]
    found.sort(key=lambda c: -c.log_evidence)
    return _unlike(found, pattern)


def _unlike(found: list[Candidate], pattern: Pattern) -> list[Candidate]:
    """Return candidates that differ from every better one by more than a line width somewhere among peaks."""
    kept: list[Candidate] = []
    places = np.linspace(np.min(pattern.u), np.max(pattern.u), 9)
    for candidate in found:
        at = chebval(places, candidate.scale)
        width = 0.5 * 2.0 * abs(candidate.scale[1]) * float(np.median(pattern.fwhm_u))
        if all(np.max(np.abs(at - chebval(places, other.scale))) > 1.0 * width for other in kept):
            kept.append(candidate)
        if len(kept) >= REFINED:
            break
    return kept
