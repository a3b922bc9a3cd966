"""Guesses at a wavelength scale: three peaks taken for three lines, with bounded bending."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.polynomial.chebyshev import chebvander
from numpy.typing import NDArray

Floats = NDArray[np.float64]


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
    twist, ripple : float
        The same for the third and fourth coefficient.
    """

    start_nm: tuple[float, float] = (150.0, 530.0)
    end_nm: tuple[float, float] = (570.0, 1220.0)
    bend: float = 0.014
    twist: float = 0.0045
    ripple: float = 0.0008

    @property
    def max_bend(self) -> float:
        """Largest second coefficient over the span that is tried."""
        return 2.6 * self.bend

    @property
    def max_twist(self) -> float:
        """Largest third coefficient over the span that is tried."""
        return 2.7 * self.twist


def triples(
    u: Floats, peaks: NDArray[np.intp], lines_nm: Floats, prior: Prior, min_extent: float
) -> Floats:
    """Return quadratic scales through three peaks each, that the prior allows.

    Parameters
    ----------
    u : ndarray of shape (m,)
        Peak positions on the axis mapped to -1..1.
    peaks : ndarray of shape (k,)
        Indices of the peaks to combine.
    lines_nm : ndarray of shape (l,)
        Wavelengths to combine them with.
    prior : Prior
        Bounds.
    min_extent : float
        Least distance in u between the outer two of three peaks.

    Returns
    -------
    ndarray of shape (h, 4)
        Chebyshev coefficients c0..c3 with c3 scanned over the prior; negative c1 where the axis runs from red to
        blue.
    """
    chosen = np.sort(u[peaks])
    triple_u = np.array([t for t in combinations(chosen, 3) if t[2] - t[0] >= min_extent]).reshape(-1, 3)
    triple_nm = np.array(list(combinations(np.sort(lines_nm), 3))).reshape(-1, 3)
    if len(triple_u) == 0 or len(triple_nm) == 0:
        return np.zeros((0, 4))
    inverse = np.linalg.inv(chebvander(triple_u, 2))
    shift = np.einsum("pij,pj->pi", inverse, chebvander(triple_u, 3)[..., 3])
    found = []
    for direction in (1.0, -1.0):
        targets = triple_nm if direction > 0 else triple_nm[:, ::-1]
        scale = np.einsum("pij,lj->pli", inverse, targets)
        c0, c1, c2 = scale[..., 0], scale[..., 1] * direction, scale[..., 2]
        span = 2.0 * c1
        slack = 0.02 * span
        low, high = c0 - c1 + c2, c0 + c1 + c2
        allowed = (c1 > 0) & (np.abs(c2) < prior.max_bend * 1.3 * span)
        allowed &= (low > prior.start_nm[0] - slack) & (low < prior.start_nm[1] + slack)
        allowed &= (high > prior.end_nm[0] - slack) & (high < prior.end_nm[1] + slack)
        which, _ = np.nonzero(allowed)
        base = scale[allowed]
        for twist in np.linspace(-prior.max_twist, prior.max_twist, 7):
            c3 = twist * 2.0 * base[:, 1]
            bent = base - c3[:, None] * shift[which]
            found.append(np.column_stack([bent, c3]))
    every = np.concatenate(found)
    return every[admissible(every, prior)]


def admissible(scale: Floats, prior: Prior) -> NDArray[np.bool_]:
    """Return which scales (h, d + 1) lie within the prior and do not turn back, shape (h,)."""
    span = 2.0 * np.abs(scale[:, 1])
    ends = np.sort(scale @ chebvander(np.array([-1.0, 1.0]), scale.shape[1] - 1).T, axis=1)
    inside = (ends[:, 0] > prior.start_nm[0]) & (ends[:, 0] < prior.start_nm[1])
    inside &= (ends[:, 1] > prior.end_nm[0]) & (ends[:, 1] < prior.end_nm[1])
    inside &= (np.abs(scale[:, 2]) < prior.max_bend * span) & (np.abs(scale[:, 3]) < 1.3 * prior.max_twist * span)
    return inside
