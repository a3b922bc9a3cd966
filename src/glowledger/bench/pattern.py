"""Peaks as a pattern, and the lamp at a ladder of resolutions: the two sides of the blind match."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial.chebyshev import chebvander
from numpy.typing import NDArray

from glowledger.bench.expected import LineList, merged_ladder

Floats = NDArray[np.float64]

GRID_NM = 0.25
GRID_START_NM, GRID_END_NM = 100.0, 1300.0
TABLE_REACH = 6.0  # standard deviations
LEVEL_RATIO = 1.3
CROWDS = (60.0, 150.0, 300.0, 600.0, 1200.0, 2400.0, 6000.0, 20000.0)  # nm over share of the list
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


def peak_class(count: int) -> NDArray[np.intp]:
    """Return the class of each peak by rank: the brightest are most likely of the lamp."""
    rank = np.arange(count)
    return np.where(rank < 8, 0, np.where(rank < 20, 1, 2)).astype(np.intp)


def nearest(sorted_nm: Floats, at: Floats) -> NDArray[np.intp]:
    """Return the index of the nearest entry of a sorted list, same shape as `at`."""
    right = np.clip(np.searchsorted(sorted_nm, at), 1, max(len(sorted_nm) - 1, 1))
    if len(sorted_nm) == 1:
        return np.zeros(at.shape, dtype=np.intp)
    left = right - 1
    return np.where(at - sorted_nm[left] < sorted_nm[right] - at, left, right)


class Levels:
    """The lamp at a ladder of resolutions, with look-up tables of where light is expected."""

    def __init__(self, lines: LineList, narrowest_nm: float, widest_nm: float) -> None:
        """Merge the lines at every resolution from the narrowest to the widest."""
        count = max(int(np.ceil(np.log(widest_nm / narrowest_nm) / np.log(LEVEL_RATIO))), 1) + 1
        self.fwhm_nm = narrowest_nm * LEVEL_RATIO ** np.arange(count)
        self.lists = merged_ladder(lines, list(self.fwhm_nm))

    def level(self, fwhm_nm: Floats) -> NDArray[np.intp]:
        """Return the index of the nearest resolution."""
        index = np.rint(np.log(np.maximum(fwhm_nm, 1e-6) / self.fwhm_nm[0]) / np.log(LEVEL_RATIO))
        return np.clip(index, 0, len(self.fwhm_nm) - 1).astype(np.intp)

    def tables(self, tolerance_nm: float, chosen: NDArray[np.intp]) -> NDArray[np.float32]:
        """Return log odds (chosen level, crowd, class of peak, wavelength grid) of a peak being there by the list.

        `crowd` counts how thinly the listed lines lie over the axis, see `crowd`.
        """
        grid = np.arange(GRID_START_NM, GRID_END_NM, GRID_NM)
        out = np.empty((len(chosen), len(CROWDS), len(FOREIGN), len(grid)), dtype=np.float32)
        factor, foreign = np.array(CROWDS)[:, None, None], np.array(FOREIGN)[None, :, None]
        for row, level in enumerate(chosen):
            listed, width = self.lists[level], self.fwhm_nm[level]
            sigma = np.sqrt((tolerance_nm + 0.25 * width) ** 2 + listed.error_nm**2)
            weight = list_weight(listed) / (sigma * np.sqrt(2.0 * np.pi))
            density = np.zeros(len(grid))
            first = np.searchsorted(grid, listed.wavelength_nm - TABLE_REACH * sigma)
            last = np.searchsorted(grid, listed.wavelength_nm + TABLE_REACH * sigma)
            for k, (a, b) in enumerate(zip(first, last, strict=True)):  # far from a line there is nothing to add
                density[a:b] += weight[k] * np.exp(-0.5 * ((grid[a:b] - listed.wavelength_nm[k]) / sigma[k]) ** 2)
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
