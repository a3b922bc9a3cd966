"""How likely a wavelength scale is: positions, strengths, missing lines, foreign peaks, room to adjust."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.polynomial.chebyshev import chebval
from numpy.typing import NDArray
from scipy.special import ndtr

from glowledger.bench.expected import LineList
from glowledger.bench.hypotheses import Prior
from glowledger.bench.pattern import FOREIGN, Levels, Pattern, nearest, peak_class

Floats = NDArray[np.float64]

STRENGTH_SD = 1.1  # ln(counts) of a line over its listed strength: lamp, response, exposure; common practice
MISSING_SD = 1.5  # the same for a line that is not there: the response is unknown away from the lines seen
FAINT_MISSING_SD, FAINT_SHOWN = 2.5, 0.5  # the same for lines that a lamp only may show, and how often it does
NEARNESS = (0.12, 0.0003)  # of the FWHM, of the span: what a scale of the third degree leaves
BLENDED = 0.3  # part of the lines that lie no nearer than `NEARNESS`: pulled by neighbours; common practice
ABSENT_ELEMENT = 2.0  # log price of a stated element that shows no line


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
    parts : tuple of float
        Log odds of the pairs, cost of missing lines, price of what was adjustable.
    gain, sigma_nm : ndarray of shape (k,)
        Log odds of each pair, and how near the line must lie.
    """

    scale: Floats
    log_evidence: float
    peak: NDArray[np.intp]
    line: NDArray[np.intp]
    listed: LineList
    explained: float
    missing: int
    parts: tuple[float, float, float] = (0.0, 0.0, 0.0)
    gain: Floats = field(default_factory=lambda: np.zeros(0))
    sigma_nm: Floats = field(default_factory=lambda: np.zeros(0))


def score(
    scale: Floats, pattern: Pattern, levels: Levels, prior: Prior, nearness: tuple[float, float] = NEARNESS
) -> Candidate:
    """Weigh one scale: positions, strengths, missing lines, foreign peaks, and the room it was chosen from.

    Parameters
    ----------
    scale : ndarray of shape (d + 1,)
        Chebyshev coefficients.
    pattern, levels, prior
        Peaks, lines, bounds.
    nearness : tuple of float
        How near a line must lie: of the FWHM, and of the span for what the scale cannot follow.

    Returns
    -------
    Candidate
        `log_evidence` is a Laplace approximation of the log Bayes factor against peaks strewn evenly over the
        axis.
    """
    span = 2.0 * abs(float(scale[1]))
    slope = np.abs(pattern.slope(scale))
    width = slope * pattern.fwhm_u
    typical = float(np.sort(width)[len(width) // 2])
    listed = levels.lists[int(levels.level(np.array([typical]))[0])]
    at = pattern.nm(scale)
    near = nearest(listed.wavelength_nm, at)
    residual = at - listed.wavelength_nm[near]
    own2 = listed.error_nm[near] ** 2 + (slope * pattern.u_se) ** 2
    vague = np.sqrt(np.maximum(NEARNESS[0] * width, nearness[1] * span) ** 2 + own2)
    sharp = np.sqrt(np.maximum(nearness[0] * width, nearness[1] * span) ** 2 + own2)
    blend = np.log(BLENDED) + _normal(residual, vague) > np.log1p(-BLENDED) + _normal(residual, sharp)
    sigma = np.where(blend, vague, sharp)
    close = np.abs(residual) < np.minimum(4.0 * vague, 0.8 * width + listed.error_nm[near])
    peak, line = _one_to_one(near, np.abs(residual) / sigma, close)
    position = np.logaddexp(np.log1p(-BLENDED) + _normal(residual, sharp), np.log(BLENDED) + _normal(residual, vague))
    lo, hi = np.sort(chebval(np.array([-1.0, 1.0]), scale))
    inside = (listed.wavelength_nm > lo) & (listed.wavelength_nm < hi)
    scale_ln = _factors(pattern, listed, peak, line)
    gain = _pair_gain(pattern, listed, inside, peak, line, position, scale_ln, hi - lo)
    foreign = np.array(FOREIGN)[peak_class(len(pattern.u))]
    total = float(np.sum(np.log(foreign)))
    gain = np.logaddexp(np.log(foreign[peak]), gain) - np.log(foreign[peak])
    total += float(np.sum(gain))
    rising = np.sort(at)
    gap = np.abs(listed.wavelength_nm - rising[nearest(rising, listed.wavelength_nm)])
    cost, missing = _missing(pattern, listed, inside, gap > 1.4 * typical, line, scale_ln)
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
        parts=(float(np.sum(gain)), cost, room),
        gain=gain,
        sigma_nm=sigma[peak],
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
    element = listed.element
    out = np.full(int(np.max(element)) + 1, np.nan)
    ratio = np.log(pattern.strength[peak]) - np.log(listed.strength[line])
    mine = element[line]
    for number in set(mine.tolist()):
        own = np.sort(ratio[mine == number])
        out[number] = 0.5 * (own[(len(own) - 1) // 2] + own[len(own) // 2])
    return out[element]


def _pair_gain(
    pattern: Pattern,
    listed: LineList,
    inside: NDArray[np.bool_],
    peak: NDArray[np.intp],
    line: NDArray[np.intp],
    position: Floats,
    factor: Floats,
    range_nm: float,
) -> Floats:
    """Return log odds of each pair over chance: nearness times the share of lines of that brightness."""
    seen = inside & np.isfinite(factor)
    seen[line] = True
    expected = np.log(listed.strength) + factor
    bright = np.log(pattern.strength[peak])
    excess, own = bright[:, None] - expected[None, seen], bright - expected[line]
    # a saturated peak may be brighter than measured, so being fainter than expected speaks against nothing
    flat = pattern.saturated[peak]
    if np.any(flat):
        excess[flat], own[flat] = np.maximum(excess[flat], 0.0), np.maximum(own[flat], 0.0)
    like = np.sum(np.exp(-0.5 * (excess / STRENGTH_SD) ** 2), axis=1) + 0.01 * np.count_nonzero(seen)
    share = (np.exp(-0.5 * (own / STRENGTH_SD) ** 2) + 0.01) / np.maximum(like, 1e-12)
    foreign = np.array(FOREIGN)[peak_class(len(pattern.u))][peak]
    return np.log1p(-foreign) + np.log(share) + position[peak] + np.log(range_nm)


def _normal(residual: Floats, sigma: Floats) -> Floats:
    """Return the log density of normal residuals, same shape."""
    return -0.5 * (residual / sigma) ** 2 - np.log(sigma * np.sqrt(2.0 * np.pi))


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
    dark = set(listed.element[np.isnan(factor)].tolist())
    absent &= np.isfinite(factor)
    price = -ABSENT_ELEMENT * len(dark)
    nm = listed.wavelength_nm[absent]
    if len(nm) == 0:
        return price, 0
    margin = np.log(listed.strength[absent]) + factor[absent] - np.log(pattern.detection)
    window = np.where(nm < 340.0, 0.4, np.where(nm > 900.0, 0.6, 0.88))  # glass and silicon end there
    bright = listed.bright[absent]
    chance = ndtr(margin / np.where(bright, MISSING_SD, FAINT_MISSING_SD)) * window
    chance *= np.where(bright, 1.0, FAINT_SHOWN)
    return price + float(np.sum(np.log1p(-chance))), int(np.sum(chance > 0.7))


def _occam(
    scale: Floats, pattern: Pattern, peak: NDArray[np.intp], sigma: Floats, prior: Prior, span: float
) -> float:
    """Return the log of posterior over prior room of the scale (a price for what was adjustable)."""
    terms = len(scale)
    prior_sd = prior.spread(span, terms)
    basis = pattern.basis[peak, :terms] * prior_sd
    information = (basis / sigma[peak][:, None] ** 2).T @ basis + np.eye(terms)
    bent = scale[2:] / prior_sd[2:]
    return float(-0.5 * np.linalg.slogdet(information)[1] - 0.5 * bent @ bent - np.log(2.0))


def _explained(pattern: Pattern, peak: NDArray[np.intp]) -> float:
    """Return the share of root-strength in the twelve brightest peaks that is matched."""
    weight = np.sqrt(pattern.strength[:12])
    matched = np.zeros(len(weight), dtype=bool)
    matched[peak[peak < 12]] = True
    return float(np.sum(weight[matched]) / np.sum(weight))
