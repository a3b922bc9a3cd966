"""The coordinate in which all lines have the same width, and how light on it falls into pixels.

The line width varies over the range, so lines are placed on a coordinate in which it does not:
u(λ) = ∫ dλ / FWHM(λ). Light on it is held by evenly spaced nodes, each the amount of a quadratic B-spline.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glowledger.bench.model import LineSpread

if TYPE_CHECKING:
    from scipy.sparse import csr_array

STEP = 0.225  # of u, in FWHM: a Gaussian has nothing left at the finest wave that nodes so far apart can carry
FEW_LINES = 256  # of an emitter: an atom's level, not a band
MOST_PLACED = 4096  # emitters whose places on a grid are kept
MOST_RATES = 3  # of each, whose light is kept
REACH = 8.0  # FWHM kept on either side of the range, so that wings of lines beyond the edge count


@dataclass(slots=True, eq=False)
class _Placed:
    """Where lines stand on a grid: those within it, the node next to each, and how far beyond it in steps.

    With it the rates last asked for and their light at every node, by the identity of the rates: molecules come at the
    temperature that is assumed first, then at those that are found.
    """

    nm: NDArray[np.float64]
    inside: slice
    node: NDArray[np.intp]
    beyond: NDArray[np.float64]
    light: dict[int, tuple[NDArray[np.float64], NDArray[np.float64]]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class WidthScale:
    """The coordinate u(λ) in which every line has unit width.

    Attributes
    ----------
    nm, u : ndarray of shape (k,)
        Matching nodes, both increasing.
    """

    nm: NDArray[np.float64]
    u: NDArray[np.float64]
    _placed: dict[int, _Placed] = field(default_factory=dict, repr=False)

    @property
    def nodes(self) -> int:
        """How many nodes a grid on this scale has."""
        return int(np.ceil(self.u[-1] / STEP)) + 2

    def node_nm(self) -> NDArray[np.float64]:
        """Return the wavelengths of the nodes."""
        return np.interp(np.arange(self.nodes) * STEP, self.u, self.nm)

    def to_u(self, nm: ArrayLike) -> NDArray[np.float64]:
        """Return u at the wavelengths."""
        return np.interp(np.asarray(nm, dtype=float), self.nm, self.u)

    def density(self, nm: NDArray[np.float64], rate: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the light at every node of lines at `nm`, increasing, of strength `rate`, each shared by three nodes.

        Those nearest to it; shares are those of a quadratic B-spline: their mean is the place of the line, their
        variance the same for all places (Hockney & Eastwood, Computer Simulation Using Particles, from memory). The
        hundred thousands of lines of a molecule stay where they are while their rates change with temperature, so
        places are kept.
        """
        placed = self._where(nm)
        known = placed.light.get(id(rate))
        if known is None or known[0] is not rate:
            if len(placed.light) >= MOST_RATES:
                del placed.light[next(iter(placed.light))]
            known = placed.light[id(rate)] = rate, self._shared(placed, rate)
        return known[1]

    def densities(
        self, wavelengths_nm: Sequence[NDArray[np.float64]], rates: Sequence[NDArray[np.float64]]
    ) -> NDArray[np.float64]:
        """Return the light at every node of each of m emitters, shape (m, q)."""
        found: NDArray[np.float64] = self.of_few_lines(wavelengths_nm, rates).toarray()
        for row in self.with_many_lines(wavelengths_nm):
            found[row] = self.density(wavelengths_nm[row], rates[row])
        return found

    def of_few_lines(
        self, wavelengths_nm: Sequence[NDArray[np.float64]], rates: Sequence[NDArray[np.float64]]
    ) -> csr_array:
        """Return `densities`, sparse, of emitters with few lines, shared out at once; no light of the others."""
        from scipy.sparse import csr_array

        few = [k for k, nm in enumerate(wavelengths_nm) if nm.size <= FEW_LINES]
        nm, rate = (np.concatenate([np.zeros(0), *(of[k] for k in few)]) for of in (wavelengths_nm, rates))
        owner = np.repeat(np.array(few, dtype=np.int32), [rates[k].size for k in few])
        here = np.flatnonzero((nm > self.nm[0]) & (nm < self.nm[-1]))
        position = self.to_u(nm[here]) / STEP
        node = np.rint(position).astype(np.int32)
        light = np.concatenate(spline_shares(position - node)) * np.tile(rate[here], 3)
        row, at = np.tile(owner[here], 3), np.concatenate([node - 1, node, node + 1])
        kept = at >= 0  # what falls before the first node is lost
        return csr_array((light[kept], (row[kept], at[kept])), shape=(len(rates), self.nodes))

    def with_many_lines(self, wavelengths_nm: Sequence[NDArray[np.float64]]) -> list[int]:
        """Return which emitters with many lines have any on the grid."""
        low, high = self.nm[0], self.nm[-1]
        return [k for k, nm in enumerate(wavelengths_nm) if nm.size > FEW_LINES and nm[0] < high and nm[-1] > low]

    def _shared(self, placed: _Placed, rate: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the light at every node, from Σ rate, Σ rate·beyond and Σ rate·beyond² of the lines next to each."""
        here = rate[placed.inside].copy()
        total = np.bincount(placed.node, here, self.nodes).astype(np.float64, copy=False)
        here *= placed.beyond
        first = np.bincount(placed.node, here, self.nodes)
        here *= placed.beyond
        second = np.bincount(placed.node, here, self.nodes)
        found = 0.75 * total - second
        found[1:] += (0.125 * total + 0.5 * (first + second))[:-1]
        found[:-1] += (0.125 * total + 0.5 * (second - first))[1:]
        return np.asarray(found)

    def _where(self, nm: NDArray[np.float64]) -> _Placed:
        placed = self._placed.get(id(nm))
        if placed is None or placed.nm is not nm:
            if len(self._placed) >= MOST_PLACED:
                self._placed.clear()
            placed = self._placed[id(nm)] = self._place(nm)
        return placed

    def _place(self, nm: NDArray[np.float64]) -> _Placed:
        inside = slice(np.searchsorted(nm, self.nm[0], side="right"), np.searchsorted(nm, self.nm[-1]))
        position = self.to_u(nm[inside]) / STEP
        node = np.rint(position).astype(np.intp)
        return _Placed(nm, inside, node, position - node)


@lru_cache(maxsize=4)
def width_scale(line_spread: LineSpread, low_nm: float, high_nm: float) -> WidthScale:
    """Return u(λ) over a range widened by the reach of the wings.

    Parameters
    ----------
    line_spread : LineSpread
        FWHM over wavelength, nm.
    low_nm, high_nm : float
        The range of the spectrum, nm.

    Returns
    -------
    WidthScale
        u = 0 at its lower end.
    """
    low = low_nm - REACH * float(line_spread.fwhm(low_nm))
    high = high_nm + REACH * float(line_spread.fwhm(high_nm))
    nm = np.linspace(low, high, 512)
    density = 1.0 / line_spread.fwhm(nm)
    u = np.concatenate([[0.0], np.cumsum(0.5 * (density[1:] + density[:-1]) * np.diff(nm))])
    return WidthScale(nm, u)


@lru_cache(maxsize=4)
def halved(scale: WidthScale) -> WidthScale:
    """Return the scale on which a line has the place of its second order on the scale given."""
    return WidthScale(scale.nm / 2, scale.u)


def spline_shares(beyond: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
    """Return the quadratic B-splines of the node before, next to, and after places so many steps beyond a node."""
    return 0.5 * (0.5 - beyond) ** 2, 0.75 - beyond**2, 0.5 * (0.5 + beyond) ** 2


def pixel_sums(scale: WidthScale, edges_nm: NDArray[np.float64]) -> csr_array:
    """Return what part of the light of each node falls into each pixel, sparse, shape (p, q)."""
    from scipy.sparse import csr_array

    last = scale.nodes - 1
    position = np.clip(scale.to_u(edges_nm) / STEP, 0.0, float(last))
    near = np.rint(position).astype(np.int32)
    count = np.diff(near) + 3  # the node next to either edge, those between, and one more on both sides
    start = np.zeros(near.size, dtype=np.int32)
    np.cumsum(count, out=start[1:])
    node = np.arange(start[-1], dtype=np.int32) + np.repeat(near[:-1] - 1 - start[:-1], count)
    below = _below(position - near)
    share = np.ones(node.size)
    for k, part in enumerate(below):
        share[start[1:] - 3 + k] = part[1:]
    for k, part in enumerate(below):
        share[start[:-1] + k] -= part[:-1]
    share[(node < 0) | (node > last)] = 0.0
    return csr_array((share, np.clip(node, 0, last), start), shape=(edges_nm.size - 1, scale.nodes))


def _below(beyond: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
    """Return the parts that lie below places so many steps beyond a node, of its light and its neighbours'.

    Of the node before, the node itself, and the one after; integrals of the quadratic B-spline.
    """
    left, right = 0.5 - beyond, 0.5 + beyond  # powers written out: those of numpy take ten times as long
    here = 0.5 + 0.75 * beyond - beyond * beyond * beyond / 3
    return 1.0 - left * left * left / 6, here, right * right * right / 6
