"""Peaks as a pattern, and the lamp at a ladder of resolutions: the two sides of the blind match."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.polynomial.chebyshev import chebder, chebval, chebvander
from numpy.typing import NDArray

from glowledger.bench.expected import LineList, merged_ladder
from glowledger.bench.hypotheses import ends_nm

Floats = NDArray[np.float64]

GRID_NM = 0.25
GRID_START_NM, GRID_END_NM = 100.0, 1300.0
GRID = np.arange(GRID_START_NM, GRID_END_NM, GRID_NM)
TABLE_REACH = 6.0  # standard deviations
LEVEL_RATIO = 1.3
CROWDS = (60.0, 150.0, 300.0, 600.0, 1200.0, 2400.0, 6000.0, 20000.0)  # nm over share of the list
MOST_TERMS = 8  # coefficients of a scale
MOST_CELLS = 30000  # of a look-up of the nearest line
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
    shown : ndarray of shape (p,)
        Most light that a line may have at each of p places evenly over the mapped axis, in the unit of `strength`;
        infinite in a flat top. Empty where nothing is known of it.
    basis, slope_basis : ndarray of shape (m, MOST_TERMS)
        Chebyshev polynomials at `u` and their derivatives; follow from `u`.
    """

    u: Floats
    u_se: Floats
    strength: Floats
    saturated: NDArray[np.bool_]
    fwhm_u: Floats
    detection: float
    shown: Floats = field(default_factory=lambda: np.zeros(0))
    basis: Floats = field(init=False)
    slope_basis: Floats = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "basis", chebvander(self.u, MOST_TERMS - 1))
        rows = [chebval(self.u, chebder(row)) for row in np.eye(MOST_TERMS)]
        object.__setattr__(self, "slope_basis", np.column_stack(rows))

    def nm(self, scale: Floats) -> Floats:
        """Return where a scale (d + 1,) puts the peaks, shape (m,)."""
        return np.asarray(self.basis[:, : len(scale)] @ scale)

    def slope(self, scale: Floats) -> Floats:
        """Return the derivative of a scale (d + 1,) by u at the peaks, shape (m,)."""
        return np.asarray(self.slope_basis[:, : len(scale)] @ scale)


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


class NearestLine:
    """Look-up of the nearest line in any of several lists: several times faster than searches for many places."""

    def __init__(self, lists: list[Floats]) -> None:
        """Divide the axis into cells, each with at most so many places where the nearest line of a list changes.

        Parameters
        ----------
        lists : list of ndarray
            Wavelengths, nm, ascending.
        """
        self.length = max(len(nm) for nm in lists)
        self.change = np.full((len(lists), self.length), np.inf)
        for row, nm in zip(self.change, lists, strict=True):
            row[: len(nm) - 1] = 0.5 * (nm[1:] + nm[:-1])
        row, place = np.nonzero(np.isfinite(self.change))
        change = self.change[row, place]
        self.start, end = float(np.min(change, initial=GRID_END_NM)), float(np.max(change, initial=GRID_START_NM))
        closest = float(np.min(np.diff(change)[row[1:] == row[:-1]], initial=GRID_NM))
        self.per_nm = 1.0 / max(closest, (end - self.start) / MOST_CELLS, 1e-9)
        self.cells = int(max(end - self.start, 0.0) * self.per_nm) + 1
        met = np.bincount(row * self.cells + self._cell(change).astype(np.intp), minlength=len(lists) * self.cells)
        met = met.reshape(len(lists), self.cells)
        self.most = int(np.max(met))
        self.known = (np.cumsum(met, axis=1) - met).astype(np.int32)  # changes before each cell

    def _cell(self, at: Floats) -> Floats:
        """Return the number of the cell of each place."""
        return np.fmin(np.fmax((at - self.start) * self.per_nm, 0.0), self.cells - 1.0)

    def __call__(self, row: NDArray[np.intp], at: Floats) -> NDArray[np.intp]:
        """Return the index (h, m) of the line nearest to each place (h, m), of the list that each row (h,) asks."""
        cell = self._cell(at).astype(np.intp)
        cell += (row * self.cells)[:, None]
        first = self.known.take(cell).astype(np.intp)
        begin = (row * self.length)[:, None]
        for _ in range(self.most):
            first += at >= self.change.take(first + begin)
        return first


def gaps_to_peaks(at: Floats, lines_nm: Floats, row: NDArray[np.intp]) -> Floats:
    """Return how far the nearest of the peaks, by scales at (h, m), is from lines (k,), each under its scale, nm."""
    apart = 1e5 * np.arange(len(at))  # nm: so that one search serves all scales
    rising = (np.sort(at, axis=1) + apart[:, None]).ravel()
    wanted = lines_nm + apart[row]
    return np.asarray(np.abs(wanted - rising[nearest(rising, wanted)]))


class Levels:
    """The lamp at a ladder of resolutions, with look-up tables of where light is expected.

    Attributes
    ----------
    fwhm_nm : ndarray of shape (k,)
        The resolutions.
    lists : list of LineList
        The lamp at each of them.
    nm, error, log10_strength, weight : ndarray of shape (k, l)
        The same side by side: wavelength and how far off it may be, nm, strength, and how likely a peak is of each
        line; filled up with lines at infinity.
    nearest : NearestLine
        Tells for levels (h,) and places (h, m), nm, the index of the nearest line (h, m).
    """

    def __init__(self, lines: LineList, narrowest_nm: float, widest_nm: float) -> None:
        """Merge the lines at every resolution from the narrowest to the widest."""
        count = max(int(np.ceil(np.log(widest_nm / narrowest_nm) / np.log(LEVEL_RATIO))), 1) + 1
        self.fwhm_nm = narrowest_nm * LEVEL_RATIO ** np.arange(count)
        self.lists = merged_ladder(lines, list(self.fwhm_nm))
        shape = (count, max(len(listed) for listed in self.lists))
        self.nm, self.error, self.log10_strength, self.weight = np.full(shape, np.inf), *np.zeros((3, *shape))
        for k, listed in enumerate(self.lists):
            row = k, slice(len(listed))
            self.nm[row], self.error[row] = listed.wavelength_nm, listed.error_nm
            self.log10_strength[row], self.weight[row] = np.log10(listed.strength), list_weight(listed)
        self.nearest = NearestLine([listed.wavelength_nm for listed in self.lists])
        self._tables: dict[float, tuple[NDArray[np.float32], NDArray[np.bool_]]] = {}

    def level(self, fwhm_nm: Floats) -> NDArray[np.intp]:
        """Return the index of the nearest resolution."""
        index = np.rint(np.log(np.maximum(fwhm_nm, 1e-6) / self.fwhm_nm[0]) / np.log(LEVEL_RATIO))
        return np.clip(index, 0, len(self.fwhm_nm) - 1).astype(np.intp)

    def kinds(self, scales: Floats, fwhm_u: float) -> NDArray[np.intp]:
        """Return for scales (h, d + 1) which table they need: resolution, and how thinly lines lie on the axis, (h,).

        The latter is the nearest of `CROWDS` to span / (share of the list within the axis).
        """
        level = self.level(np.abs(scales[:, 1]) * fwhm_u)
        ends = ends_nm(scales)
        cell = ((ends - GRID_START_NM) / GRID_NM).astype(np.intp)
        np.clip(cell, 0, self._share_below.shape[1] - 1, out=cell)
        row = level * self._share_below.shape[1]
        share = self._share_below.take(row + cell[:, 1]) - self._share_below.take(row + cell[:, 0])
        crowds = np.array(CROWDS)
        crowd, apart = np.zeros(len(scales), dtype=np.intp), (ends[:, 1] - ends[:, 0]) / np.maximum(share, 0.02)
        for middle in np.sqrt(crowds[1:] * crowds[:-1]):  # few: faster than a search
            crowd += apart > middle
        return level * len(CROWDS) + crowd

    @cached_property
    def _share_below(self) -> Floats:
        """Share of each list (k,) below the cells of the wavelength grid."""
        cells = int((GRID_END_NM - GRID_START_NM) / GRID_NM) + 1
        rows = []
        for listed in self.lists:
            cell = np.clip((listed.wavelength_nm - GRID_START_NM) / GRID_NM, 0, cells - 2).astype(np.intp)
            rows.append(np.cumsum(np.bincount(cell + 1, list_weight(listed), cells)))
        return np.array(rows)

    def tables(self, tolerance_nm: float, kinds: NDArray[np.intp]) -> NDArray[np.float32]:
        """Return log odds (kind, class of peak, wavelength grid) of a peak being there by the list.

        Parameters
        ----------
        tolerance_nm : float
            How near a line must lie, besides a part of the line width.
        kinds : ndarray of shape (k,)
            As `kinds` tells, each once: nothing is told of others.
        """
        if tolerance_nm not in self._tables:
            shape = (len(self.lists) * len(CROWDS), len(FOREIGN), len(GRID))
            self._tables[tolerance_nm] = np.empty(shape, dtype=np.float32), np.zeros(shape[0], dtype=bool)
        tables, known = self._tables[tolerance_nm]
        new = kinds[~known[kinds]]
        for level in np.unique(new // len(CROWDS)).tolist():
            of_level = new[new // len(CROWDS) == level]
            density = self._density(tolerance_nm, level)
            for kind, crowd in zip(of_level, np.array(CROWDS, dtype=np.float32)[of_level % len(CROWDS)], strict=True):
                foreign = np.array(FOREIGN, dtype=np.float32)[:, None]
                tables[kind] = np.log(foreign + (np.float32(1.0) - foreign) * crowd * density)
        known[new] = True
        return tables

    def _density(self, tolerance_nm: float, level: int) -> NDArray[np.float32]:
        """Return the density of a list, spread by a tolerance, on the wavelength grid."""
        listed, width = self.lists[level], self.fwhm_nm[level]
        sigma = np.sqrt((tolerance_nm + 0.25 * width) ** 2 + listed.error_nm**2)
        weight = list_weight(listed) / (sigma * np.sqrt(2.0 * np.pi))
        first = np.searchsorted(GRID, listed.wavelength_nm - TABLE_REACH * sigma)
        count = np.searchsorted(GRID, listed.wavelength_nm + TABLE_REACH * sigma) - first
        line = np.repeat(np.arange(len(count)), count)  # far from a line there is nothing to add
        place = np.arange(len(line)) + np.repeat(first - np.concatenate([[0], np.cumsum(count)[:-1]]), count)
        off = (GRID[place] - listed.wavelength_nm[line]) / sigma[line]
        return np.bincount(place, weight[line] * np.exp(-0.5 * off**2), len(GRID)).astype(np.float32)


class Shelf:
    """Line lists at every resolution side by side (k, l), filled up with lines at infinity, which nothing shows."""

    def __init__(self, levels: list[Levels]) -> None:
        """Put the lists of one or more ladders of resolutions side by side."""
        self.levels = levels
        self.lists = [listed for each in levels for listed in each.lists]
        self.first = np.cumsum([0, *(len(each.lists) for each in levels)])
        shape = (len(self.lists), max(len(listed) for listed in self.lists))
        self.nm, self.log_strength, self.error = np.full(shape, np.inf), np.zeros(shape), np.zeros(shape)
        self.bright, self.element = np.zeros(shape, dtype=bool), np.zeros(shape, dtype=np.intp)
        for k, listed in enumerate(self.lists):
            row = k, slice(len(listed))
            self.nm[row], self.log_strength[row] = listed.wavelength_nm, np.log(listed.strength)
            self.error[row], self.bright[row], self.element[row] = listed.error_nm, listed.bright, listed.element
        self.kinds = int(np.max(self.element)) + 1
        self.stated = np.array([np.bincount(each.element, minlength=self.kinds) > 0 for each in self.lists])

    def row(self, ladder: int, width_nm: Floats) -> NDArray[np.intp]:
        """Return which list shows what a ladder tells at line widths, same shape."""
        return np.asarray(self.first[ladder] + self.levels[ladder].level(width_nm))

    def nearest(self, row: NDArray[np.intp], at: Floats) -> NDArray[np.intp]:
        """Return the index (h, m) of the line nearest to places (h, m) of lists (h,), those of a ladder together."""
        edges = np.searchsorted(row, self.first)
        return np.concatenate([
            each.nearest(row[begin:end] - first, at[begin:end])
            for each, first, (begin, end) in zip(self.levels, self.first, pairwise(edges), strict=False)
        ])  # fmt: skip


def list_weight(listed: LineList) -> Floats:
    """Return how likely a peak taken from the lamp is of each line (sum 1); bright lines are seen more often."""
    root = np.sqrt(listed.strength)
    return root / np.sum(root)
