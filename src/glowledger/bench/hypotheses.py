"""Guesses at a wavelength scale: three peaks taken for three lines, with bounded bending."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import combinations

import numpy as np
from numpy.polynomial.chebyshev import chebvander
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# fourth and fifth coefficient over the span that the grating equation gives with a flat chip behind a lens (half angles
# up to 14 degrees, the chip tilted by up to 0.3: 99 % within 0.0004 and 0.00004), and how often that is all there is:
# lenses and mirrors add to it
SMOOTH, SMOOTH_SHARE = (0.0003, 0.0001), 0.7
PIECE = 20_000  # triples of peaks and of lines that are tried at a time


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """What spectrometers for the ultraviolet to near infrared look like; deliberately wide.

    Attributes
    ----------
    start_nm, end_nm : tuple of float
        Lowest and highest wavelength of the axis may lie within these.
    bend : float
        Standard deviation of the second Chebyshev coefficient over the span (a bend of 4 % of the span at
        mid-axis is a coefficient of 0.02).
    twist, ripple, wiggle : float
        The same for the third, fourth and fifth coefficient.
    """

    start_nm: tuple[float, float] = (150.0, 530.0)
    end_nm: tuple[float, float] = (570.0, 1220.0)
    bend: float = 0.014
    twist: float = 0.0045
    ripple: float = 0.0008
    wiggle: float = 0.0005

    def spread(self, span: float | Floats, terms: int) -> Floats:
        """Return the standard deviations (..., terms) of the coefficients of instruments of spans (...), nm."""
        share = np.array([0.0, 0.0, self.bend, self.twist, self.ripple, self.wiggle][:terms])
        return np.array([200.0, 100.0, 0.0, 0.0, 0.0, 0.0][:terms]) + share * np.asarray(span)[..., None]

    def smooth_spread(self, span: float | Floats, terms: int) -> Floats:
        """Return the same (..., terms) of instruments that bend light by a plain grating only."""
        spread = self.spread(span, terms)
        smooth = np.array(SMOOTH[: max(terms - 4, 0)]) * np.asarray(span)[..., None]
        spread[..., 4:] = np.minimum(spread[..., 4:], smooth)
        return spread

    def log_density(self, scale: Floats) -> float:
        """Return ln of the density of the bends of a scale (d + 1,), over that of the flattest one."""
        span, terms = 2.0 * abs(float(scale[1])), len(scale)
        out = []
        for share, spread in (
            (1.0 - SMOOTH_SHARE, self.spread(span, terms)), (SMOOTH_SHARE, self.smooth_spread(span, terms)),
        ):  # fmt: skip
            bent = scale[2:] / spread[2:]
            out.append(float(np.log(share) - 0.5 * bent @ bent - np.sum(np.log(spread[2:] / span))))
        return float(np.logaddexp(out[0], out[1]))

    @property
    def max_bend(self) -> float:
        """Largest second coefficient over the span that is tried."""
        return 2.6 * self.bend

    @property
    def max_twist(self) -> float:
        """Largest third coefficient over the span that is tried."""
        return 2.7 * self.twist


def triples(
    u: Floats, peak_triples: NDArray[np.intp], lines_nm: Floats, line_triples: NDArray[np.intp], prior: Prior
) -> Floats:
    """Return scales through three peaks each, that the prior allows.

    Parameters
    ----------
    u : ndarray of shape (m,)
        Peak positions on the axis mapped to -1..1.
    peak_triples : ndarray of shape (k, 3)
        Indices of peaks to combine, each row ascending in u.
    lines_nm : ndarray of shape (l,)
        Wavelengths of lines, ascending.
    line_triples : ndarray of shape (t, 3)
        Indices of lines to combine, each row ascending.
    prior : Prior
        Bounds.

    Returns
    -------
    ndarray of shape (h, 4)
        Chebyshev coefficients c0..c3 with c3 scanned over the prior; negative c1 where the axis runs from red to
        blue.
    """
    if len(peak_triples) == 0 or len(line_triples) == 0:
        return np.zeros((0, 4))
    triple_u = u[peak_triples]
    inverse = np.linalg.inv(chebvander(triple_u, 2))
    shift = np.einsum("pij,pj->pi", inverse, chebvander(triple_u, 3)[..., 3])
    found = []
    piece = max(PIECE // len(line_triples), 1)
    for direction in (1.0, -1.0):
        targets = lines_nm[line_triples if direction > 0 else line_triples[:, ::-1]].T
        allowed = []
        for first in range(0, len(inverse), piece):  # in pieces that stay in the cache
            part = inverse[first : first + piece]
            bend = 2.6 * prior.max_bend * direction * (part[:, 1] @ targets)
            few = np.flatnonzero(np.abs(part[:, 2] @ targets) < bend)  # most fall here: the rest is asked of few
            allowed.append(few + first * targets.shape[1])
        which, lines = np.divmod(np.concatenate(allowed), targets.shape[1])
        base = np.einsum("hik,kh->ih", inverse[which], targets[:, lines])
        span = 2.0 * direction * base[1]
        slack = 0.02 * span
        low, high = base[0] - 0.5 * span + base[2], base[0] + 0.5 * span + base[2]
        inside = (low > prior.start_nm[0] - slack) & (low < prior.start_nm[1] + slack)
        inside &= (high > prior.end_nm[0] - slack) & (high < prior.end_nm[1] + slack)
        rows = np.flatnonzero(inside)
        base, bend = base[:, rows], shift[which[rows]].T
        for twist in np.linspace(-prior.max_twist, prior.max_twist, 7):
            c3 = twist * 2.0 * base[1]
            scales = np.array([*(base - c3 * bend), c3])
            found.append(scales[:, np.flatnonzero(admissible(scales.T, prior))])
    return np.concatenate(found, axis=1).T


def all_triples(sets: list[NDArray[np.intp]]) -> NDArray[np.intp]:
    """Return every triple (t, 3) within any of the sets, once, each row ascending."""
    codes = []
    for members in sets:
        chosen = np.sort(members)
        if len(chosen) >= 3:
            rows = chosen[_threes(len(chosen))].astype(np.int64)
            codes.append((rows[:, 0] * 4096 + rows[:, 1]) * 4096 + rows[:, 2])
    if not codes:
        return np.zeros((0, 3), dtype=np.intp)
    code = np.unique(np.concatenate(codes))
    return np.column_stack([code // 4096**2, code // 4096 % 4096, code % 4096]).astype(np.intp)


@cache
def _threes(count: int) -> NDArray[np.intp]:
    """Return every three of so many numbers (t, 3) from 0, ascending."""
    return np.array(list(combinations(range(count), 3)), dtype=np.intp)


def admissible(scale: Floats, prior: Prior) -> NDArray[np.bool_]:
    """Return which scales (h, d + 1) lie within the prior and do not turn back, shape (h,)."""
    span = 2.0 * np.abs(scale[:, 1])
    ends = ends_nm(scale)
    inside = (ends[:, 0] > prior.start_nm[0]) & (ends[:, 0] < prior.start_nm[1])
    inside &= (ends[:, 1] > prior.end_nm[0]) & (ends[:, 1] < prior.end_nm[1])
    inside &= (np.abs(scale[:, 2]) < prior.max_bend * span) & (
        np.abs(scale[:, 3]) < 1.3 * prior.max_twist * span
    )
    return inside


def ends_nm(scales: Floats) -> Floats:
    """Return the lowest and highest wavelength (h, 2) of the axis under scales (h, d + 1) that do not turn back."""
    even, odd = scales[:, 0].copy(), scales[:, 1].copy()
    for term in range(2, scales.shape[1]):  # faster than sums of few numbers along rows
        (even, odd)[term % 2][:] += scales[:, term]
    odd = np.abs(odd)
    return np.array([even - odd, even + odd]).T


def best_of_cells(scales: Floats, score: NDArray[np.floating], count: int, cell_nm: float) -> NDArray[np.intp]:
    """Return which scale is the best one of each cell in (wavelength at three places), best first."""
    where = best = np.zeros(0, dtype=np.intp)
    for most in (6 * count, 60 * count):  # a few of the best are nearly always enough
        best = _best_first(score, most)
        at = scales[best] @ chebvander(np.array([-0.8, 0.0, 0.8]), scales.shape[1] - 1).T
        cells = np.floor(at / cell_nm).astype(np.int64)
        key = (cells[:, 0] * 4096 + cells[:, 1]) * 4096 + cells[:, 2]
        where = np.unique(key, return_index=True)[1]
        if len(where) >= count or len(score) <= most:
            break
    return best[np.sort(where)[:count]]


def _best_first(score: NDArray[np.floating], most: int) -> NDArray[np.intp]:
    """Return the indices of so many of the best scores, and of those as good as the last one, best first."""
    rows = np.arange(len(score))
    if most < len(score):
        rows = np.flatnonzero(score >= np.partition(score, -most)[-most])
    return np.asarray(rows[np.argsort(-score[rows], kind="stable")])


def first_of_alike(at: Floats, width: float | Floats) -> list[int]:
    """Return the first of each group of curves, at places (h, p), that differ nowhere by more than a width, or (h,)."""
    apart = np.zeros((len(at), len(at)), dtype=bool)
    for place in at.T:
        apart |= np.abs(place - place[:, None]) > width
    kept, another = [], np.ones(len(at), dtype=bool)
    for k in range(len(at)):
        if another[k]:
            kept.append(k)
            another &= apart[k]
    return kept
