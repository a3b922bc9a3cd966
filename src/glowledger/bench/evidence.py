"""How likely a wavelength scale is: positions, strengths, missing lines, foreign peaks, room to adjust."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.polynomial.chebyshev import chebvander
from numpy.typing import NDArray
from scipy.special import ndtr

from glowledger.bench.expected import LineList
from glowledger.bench.hypotheses import SMOOTH_SHARE, Prior, ends_nm
from glowledger.bench.pattern import FOREIGN, Pattern, Shelf, gaps_to_peaks, peak_class

Floats = NDArray[np.float64]

STRENGTH_SD = 1.1  # ln(counts) of a line over its listed strength: lamp, response, exposure; common practice
MISSING_SD = 1.5  # the same for a line that is not there: the response is unknown away from the lines seen
FAINT_MISSING_SD, FAINT_SHOWN = 2.5, 0.5  # the same for lines that a lamp only may show, and how often it does
NEARNESS = (0.12, 0.0003)  # of the FWHM, of the span: what a scale of the third degree leaves
BLENDED = 0.3  # part of the lines that lie no nearer than `NEARNESS`: pulled by neighbours; common practice
UNLIKE = 0.01  # how alike a line is that is as bright as no other
FAINTER = (0.0, 0.3, 0.6, 0.9, 1.2, 1.6, 2.0)  # by how much, ln, an element may be fainter than the lines that are seen
PLACES = 65  # of the axis between which a scale is straight enough to look up what is there
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


def scores(
    scales: Floats, pattern: Pattern, shelf: Shelf, prior: Prior, nearness: tuple[float, float] = NEARNESS
) -> list[Candidate]:
    """Weigh scales: positions, strengths, missing lines, foreign peaks, and the room each was chosen from.

    Whether a lamp shows its secondary lines depends on its pressure, current and age: either it does, or it does
    not. The evidence is that of both (of all ladders of lists), the lines are those of the better one.

    Parameters
    ----------
    scales : ndarray of shape (h, d + 1)
        Chebyshev coefficients.
    pattern, shelf, prior
        Peaks, lines, bounds.
    nearness : tuple of float
        How near a line must lie: of the FWHM, and of the span for what the scale cannot follow.

    Returns
    -------
    list of Candidate
        One of each scale. `log_evidence` is a Laplace approximation of the log Bayes factor against peaks strewn evenly
        over the axis.
    """
    width = np.abs(scales @ pattern.slope_basis[:, : scales.shape[1]].T) * pattern.fwhm_u
    typical = np.sort(width, axis=1)[:, width.shape[1] // 2]
    ladders = len(shelf.levels)
    shown_by = np.concatenate([shelf.row(ladder, typical) for ladder in range(ladders)])
    order = np.argsort(shown_by, kind="stable")  # scales of one list beside each other
    number = order % len(scales)
    trial = _Trials(scales[number], typical[number], pattern, shelf, shown_by[order])
    weighed = _weighed(trial, prior, nearness)
    evidence = np.empty(len(order))
    evidence[order] = weighed.log_evidence
    by_ladder = evidence.reshape(ladders, len(scales))
    place = np.argsort(order)[np.argmax(by_ladder, axis=0) * len(scales) + np.arange(len(scales))]
    total = np.logaddexp.reduce(by_ladder, axis=0) - np.log(ladders)
    return [weighed.candidate(*each) for each in zip(place.tolist(), total.tolist(), strict=True)]


class _Trials:
    """Scales (h, d + 1), each with a list: where they put the peaks, which line is next, what is on the axis."""

    def __init__(
        self, scales: Floats, typical_nm: Floats, pattern: Pattern, shelf: Shelf, shown_by: NDArray[np.intp]
    ) -> None:
        terms = scales.shape[1]
        self.scales, self.typical, self.pattern = scales, typical_nm, pattern
        self.shelf, self.shown_by = shelf, shown_by
        self.span = 2.0 * np.abs(scales[:, 1])
        self.slope = np.abs(scales @ pattern.slope_basis[:, :terms].T)
        self.at = scales @ pattern.basis[:, :terms].T
        edges = [0, *(np.flatnonzero(np.diff(shown_by)) + 1).tolist(), len(shown_by)]
        self.parts = [slice(*each) for each in pairwise(edges)]  # of one list each
        self.near = shelf.nearest(shown_by, self.at)
        ends = ends_nm(scales)
        self.nm = shelf.nm[shown_by]
        self.residual = self.at - np.take_along_axis(self.nm, self.near, axis=1)
        self.inside = (self.nm > ends[:, :1]) & (self.nm < ends[:, 1:])
        self.range_nm = ends[:, 1] - ends[:, 0]

    def could_hide(self, row: NDArray[np.intp], line: NDArray[np.intp]) -> Floats:
        """Return the strength (k,) that lines of trials may have at most where they show no peak."""
        most = np.full(len(row), self.pattern.detection)
        if len(self.pattern.shown) == 0:
            return most
        u = np.linspace(-1.0, 1.0, PLACES)
        nm = self.scales @ chebvander(u, self.scales.shape[1] - 1).T
        rising = np.sign(self.scales[:, 1])
        apart = 1e5 * np.arange(len(nm))  # nm: so that one look-up serves all scales
        known = (rising[:, None] * nm + apart[:, None]).ravel()
        at = np.interp(rising[row] * self.nm[row, line] + apart[row], known, np.tile(u, len(nm)))
        place = np.rint(0.5 * (at + 1.0) * (len(self.pattern.shown) - 1)).astype(np.intp)
        return np.maximum(most, self.pattern.shown[place])

    def log_strength(self, row: NDArray[np.intp], line: NDArray[np.intp]) -> Floats:
        """Return ln of the listed strength (k,) of lines of trials."""
        return np.asarray(self.shelf.log_strength[self.shown_by[row], line])

    def showing(self, row: NDArray[np.intp], line: NDArray[np.intp]) -> tuple[Floats, Floats]:
        """Return the spread of ln of the light of lines of trials, and how often they show if bright enough."""
        nm, bright = self.nm[row, line], self.shelf.bright[self.shown_by[row], line]
        window = np.where(nm < 340.0, 0.4, np.where(nm > 900.0, 0.6, 0.88))  # glass and silicon end there
        return np.where(bright, MISSING_SD, FAINT_MISSING_SD), window * np.where(bright, 1.0, FAINT_SHOWN)


class _Pairs(NamedTuple):
    """Peaks with their lines: of which trial, which peak, which line (k,), by trial and peak."""

    row: NDArray[np.intp]
    peak: NDArray[np.intp]
    line: NDArray[np.intp]


class _Absent(NamedTuple):
    """Lines without a peak: of which trial, which line, ln of the strength that could hide there (k,)."""

    row: NDArray[np.intp]
    line: NDArray[np.intp]
    log_limit: Floats


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Weighed:
    """Trial scales (h, d + 1) with their evidence: its parts, the pairs with what they gain, and how near lines lie."""

    trial: _Trials
    pairs: _Pairs
    first: NDArray[np.intp]  # pair of each trial
    log_evidence: Floats
    explained: Floats
    missing: NDArray[np.intp]
    parts: Floats  # (3, h)
    gain: Floats
    sigma_nm: Floats  # (h, m)

    def candidate(self, k: int, log_evidence: float) -> Candidate:
        """Return one of them, of such evidence in all."""
        own = slice(self.first[k], self.first[k + 1])
        peak, (gained, cost, room) = self.pairs.peak[own], self.parts[:, k].tolist()
        return Candidate(
            scale=self.trial.scales[k], log_evidence=log_evidence, peak=peak, line=self.pairs.line[own],
            listed=self.trial.shelf.lists[self.trial.shown_by[k]], explained=float(self.explained[k]),
            missing=int(self.missing[k]), parts=(gained, cost, room), gain=self.gain[own],
            sigma_nm=self.sigma_nm[k, peak],
        )  # fmt: skip


def _weighed(trial: _Trials, prior: Prior, nearness: tuple[float, float]) -> _Weighed:
    """Return trial scales with their evidence."""
    pattern = trial.pattern
    width, span = trial.slope * pattern.fwhm_u, trial.span[:, None]
    listed_error = trial.shelf.error[trial.shown_by[:, None], trial.near]
    own2 = listed_error**2 + (trial.slope * pattern.u_se) ** 2
    vague = np.sqrt(np.maximum(NEARNESS[0] * width, nearness[1] * span) ** 2 + own2)
    sharp = np.sqrt(np.maximum(nearness[0] * width, nearness[1] * span) ** 2 + own2)
    as_blend = np.log(BLENDED) + _normal(trial.residual, vague)
    as_line = np.log1p(-BLENDED) + _normal(trial.residual, sharp)
    sigma = np.where(as_blend > as_line, vague, sharp)
    close = np.abs(trial.residual) < np.minimum(4.0 * vague, 0.8 * width + listed_error)
    pairs = _one_to_one(trial.near, np.abs(trial.residual) / sigma, close)
    absent = _absent(trial, pairs)
    by_kind = _factors(trial, pairs, absent)
    factor = np.take_along_axis(by_kind, trial.shelf.element[trial.shown_by], axis=1)
    foreign = np.array(FOREIGN)[peak_class(len(pattern.u))]
    gain = _pair_gain(trial, pairs, np.logaddexp(as_line, as_blend)[pairs.row, pairs.peak], factor, foreign)
    gain = np.logaddexp(np.log(foreign[pairs.peak]), gain) - np.log(foreign[pairs.peak])
    gained = np.bincount(pairs.row, gain, len(trial.scales))
    cost, missing = _missing(trial, absent, by_kind, factor)
    room = _occam(trial, pairs, sigma, prior)
    total = float(np.sum(np.log(foreign))) + gained + cost + room
    return _Weighed(
        trial=trial, pairs=pairs, first=np.searchsorted(pairs.row, np.arange(len(trial.scales) + 1)),
        log_evidence=total, explained=_explained(trial, pairs), missing=missing, parts=np.array([gained, cost, room]),
        gain=gain, sigma_nm=sigma,
    )  # fmt: skip


def _one_to_one(near: NDArray[np.intp], distance: Floats, close: NDArray[np.bool_]) -> _Pairs:
    """Return pairs where each line keeps its nearest peak only."""
    row, peak = np.nonzero(close)
    line = near[row, peak]
    order = np.lexsort((peak, distance[row, peak], line, row))
    row, peak, line = row[order], peak[order], line[order]
    best = np.ones(len(row), dtype=bool)
    best[1:] = (np.diff(row) != 0) | (np.diff(line) != 0)
    row, peak, line = row[best], peak[best], line[best]
    order = np.lexsort((peak, row))
    return _Pairs(row[order], peak[order], line[order])


def _absent(trial: _Trials, pairs: _Pairs) -> _Absent:
    """Return the lines that show no peak: of which trial, which line, ln of the strength that could hide there (k,).

    A line in the flank of a peak may be hidden in it.
    """
    unpaired = trial.inside.copy()
    unpaired[pairs.row, pairs.line] = False
    row, line = np.nonzero(unpaired)
    absent = gaps_to_peaks(trial.at, trial.nm[row, line], row) > 1.4 * trial.typical[row]
    row, line = row[absent], line[absent]
    return _Absent(row, line, np.log(trial.could_hide(row, line)))


def _factors(trial: _Trials, pairs: _Pairs, absent: _Absent) -> Floats:
    """Return ln(counts / listed strength) of the lines of each element, (h, e).

    The likeliest one: lines that are fainter than expected are seen less often, so those that are seen alone would tell
    too bright an element. NaN for an element of which no line is matched: nothing is known of its brightness.
    """
    element, scales, kinds = trial.shelf.element, len(trial.scales), trial.shelf.kinds
    ratio = np.log(trial.pattern.strength[pairs.peak]) - trial.log_strength(pairs.row, pairs.line)
    key = pairs.row * kinds + element[trial.shown_by[pairs.row], pairs.line]
    order = np.lexsort((ratio, key))
    ratio, key, flat = ratio[order], key[order], trial.pattern.saturated[pairs.peak[order]]
    count = np.bincount(key, minlength=scales * kinds)
    first = np.concatenate([[0], np.cumsum(count)[:-1]])
    out = np.full(scales * kinds, np.nan)
    met = np.flatnonzero(count)
    out[met] = 0.5 * (ratio[first[met] + (count[met] - 1) // 2] + ratio[first[met] + count[met] // 2])
    unseen = absent.row * kinds + element[trial.shown_by[absent.row], absent.line]
    rows = np.flatnonzero(np.isfinite(out[unseen]))
    unseen, row, line = unseen[rows], absent.row[rows], absent.line[rows]
    margin = trial.log_strength(row, line) + out[unseen] - absent.log_limit[rows]
    sd, often = trial.showing(row, line)
    fits = np.array([
        np.bincount(key, _log_likeness(ratio - out[key] + fainter, flat), scales * kinds)
        + np.bincount(unseen, np.log1p(-often * ndtr((margin - fainter) / sd)), scales * kinds)
        for fainter in FAINTER
    ])  # fmt: skip
    out -= np.array(FAINTER)[np.argmax(fits, axis=0)]
    return out.reshape(scales, kinds)


def _log_likeness(excess: Floats, flat: NDArray[np.bool_]) -> Floats:
    """Return ln of how alike lines are to expected ones that they outshine by factors of exp(excess), all (k,).

    A saturated peak may be brighter than measured, so being fainter than expected speaks against nothing.
    """
    outshone = np.where(flat, np.maximum(excess, 0.0), excess)
    return np.asarray(np.log(np.exp(-0.5 * (outshone / STRENGTH_SD) ** 2) + UNLIKE))


def _pair_gain(trial: _Trials, pairs: _Pairs, position: Floats, factor: Floats, foreign: Floats) -> Floats:
    """Return log odds of each pair (k,) over chance: nearness times the share of lines of that brightness."""
    pattern = trial.pattern
    seen = trial.inside & np.isfinite(factor)
    seen[pairs.row, pairs.line] = True
    # single precision: of millions of lines, each of which tells its brightness to a factor of three
    expected = np.where(seen, trial.shelf.log_strength[trial.shown_by] + factor, np.inf).astype(np.float32)
    bright = np.log(pattern.strength[pairs.peak])
    own = bright - (trial.log_strength(pairs.row, pairs.line) + factor[pairs.row, pairs.line])
    # a saturated peak may be brighter than measured, so being fainter than expected speaks against nothing
    flat = pattern.saturated[pairs.peak]
    own[flat] = np.maximum(own[flat], 0.0)
    like = UNLIKE * np.sum(seen, axis=1)[pairs.row]
    for part in trial.parts:
        rows = slice(*np.searchsorted(pairs.row, [part.start, part.stop]))
        lines = len(trial.shelf.lists[trial.shown_by[part.start]])
        excess = bright[rows, None].astype(np.float32) - expected[pairs.row[rows], :lines]
        raised = excess[flat[rows]]
        excess[flat[rows]] = np.where(np.isfinite(raised), np.maximum(raised, 0.0), -np.inf)
        excess *= excess
        excess *= np.float32(-0.5 / STRENGTH_SD**2)
        like[rows] += np.sum(np.exp(excess), axis=1)
    share = (np.exp(-0.5 * (own / STRENGTH_SD) ** 2) + UNLIKE) / np.maximum(like, 1e-12)
    odds = np.log1p(-foreign[pairs.peak]) + np.log(share) + position
    return np.asarray(odds + np.log(trial.range_nm)[pairs.row])


def _normal(residual: Floats, sigma: Floats) -> Floats:
    """Return the log density of normal residuals, same shape."""
    return -0.5 * (residual / sigma) ** 2 - np.log(sigma * np.sqrt(2.0 * np.pi))


def _missing(
    trial: _Trials, absent: _Absent, by_kind: Floats, factor: Floats
) -> tuple[Floats, NDArray[np.intp]]:
    """Return the log cost of lines that should show and do not, and how many those are, (h,)."""
    scales = len(trial.scales)
    price = -ABSENT_ELEMENT * np.sum(np.isnan(by_kind) & trial.shelf.stated[trial.shown_by], axis=1)
    known = np.isfinite(factor[absent.row, absent.line])
    row, line = absent.row[known], absent.line[known]
    sd, often = trial.showing(row, line)
    chance = often * ndtr((trial.log_strength(row, line) + factor[row, line] - absent.log_limit[known]) / sd)
    return price + np.bincount(row, np.log1p(-chance), scales), np.bincount(row[chance > 0.7], minlength=scales)


def _occam(trial: _Trials, pairs: _Pairs, sigma: Floats, prior: Prior) -> Floats:
    """Return the log of posterior over prior room of the scales (h,) (a price for what was adjustable).

    Instruments that bend light by a plain grating, and others: the evidence is that of both.
    """
    terms = trial.scales.shape[1]
    basis = trial.pattern.basis[:, :terms]
    rate = np.zeros(sigma.shape)
    rate[pairs.row, pairs.peak] = sigma[pairs.row, pairs.peak] ** -2.0
    products = (basis[:, :, None] * basis[:, None, :]).reshape(len(basis), -1)
    precision = (rate @ products).reshape(-1, terms, terms)
    spreads = prior.spread(trial.span, terms)
    room = _room(precision, spreads) - 0.5 * np.sum((trial.scales[:, 2:] / spreads[:, 2:]) ** 2, axis=1)
    if terms > 4:
        smooth = prior.smooth_spread(trial.span, terms)
        drawn = _room(precision, smooth) - 0.5 * _cost_of_drawing(trial.scales, precision, smooth)
        room = np.logaddexp(np.log1p(-SMOOTH_SHARE) + room, np.log(SMOOTH_SHARE) + drawn)
    return np.asarray(room - np.log(2.0))


def _room(precision: Floats, prior_sd: Floats) -> Floats:
    """Return the log of posterior over prior room (h,) of scales that data hold by a precision (h, d + 1, d + 1)."""
    narrowed = precision * prior_sd[:, :, None] * prior_sd[:, None, :]
    return np.asarray(-0.5 * np.linalg.slogdet(narrowed + np.eye(prior_sd.shape[1]))[1])


def _cost_of_drawing(scales: Floats, precision: Floats, prior_sd: Floats) -> Floats:
    """Return the least chi-square (h,) of scales (h, d + 1), the data's best, drawn towards a prior."""
    rate = prior_sd**-2.0
    pull = rate * scales
    pull[:, :2] = 0.0
    held = precision + rate[:, :, None] * np.eye(rate.shape[1])
    back = np.linalg.solve(held, pull[..., None])[..., 0]
    return np.asarray(np.sum(pull[:, 2:] * scales[:, 2:], axis=1) - np.sum(pull * back, axis=1))


def _explained(trial: _Trials, pairs: _Pairs) -> Floats:
    """Return the share of root-strength in the twelve brightest peaks that is matched, (h,)."""
    weight = np.sqrt(trial.pattern.strength[:12])
    brightest = pairs.peak < 12
    matched = np.bincount(pairs.row[brightest], weight[pairs.peak[brightest]], len(trial.scales))
    return np.asarray(matched / np.sum(weight))
