"""Lines to pixels: every emitter's lines spread by the instrument and summed into its pixels.

The line width varies over the range, so lines are placed on a coordinate in which it does not:
u(λ) = ∫ dλ / FWHM(λ). There one convolution with the unit line-spread serves all lines at once.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glowledger.bench.model import LineSpread

if TYPE_CHECKING:
    from scipy.sparse import csr_array

STEP = 0.1  # of u, in FWHM: the linear sharing of a line between nodes widens it by 0.5 %, which is taken out
SHARED_WIDTH2 = 8 * np.log(2) * STEP**2 / 6  # FWHM² that sharing between two nodes adds on average
MOST_PLACED = 4096  # emitters whose places on a grid are kept
BLOCK = 32  # emitters spread at a time
REACH = 8.0  # FWHM kept on either side of the range, so that wings of lines beyond the edge count


@dataclass(slots=True, eq=False)
class _Placed:
    """Where lines stand on a grid: those within it, the node before each, and the part for the node after it.

    With it the rates last asked for and their light at every node.
    """

    nm: NDArray[np.float64]
    inside: NDArray[np.int32]
    node: NDArray[np.int32]
    part: NDArray[np.float32]
    rate: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    density: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))


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
        """Return the light at every node of lines at `nm` of strength `rate`, each shared by its two nodes.

        The hundred thousands of lines of a molecule stay where they are while their rates change with
        temperature, so places are kept.
        """
        placed = self._placed.get(id(nm))
        if placed is None or placed.nm is not nm:
            if len(self._placed) >= MOST_PLACED:
                self._placed.clear()
            placed = self._placed[id(nm)] = self._place(nm)
        if placed.rate is not rate:
            here = rate[placed.inside]
            right = here * placed.part
            found = np.bincount(placed.node, here - right, self.nodes).astype(float, copy=False)
            found[1:] += np.bincount(placed.node, right, self.nodes)[:-1]
            placed.rate, placed.density = rate, found
        return placed.density

    def _place(self, nm: NDArray[np.float64]) -> _Placed:
        inside = np.flatnonzero((nm > self.nm[0]) & (nm < self.nm[-1]))
        position = self.to_u(nm[inside]) / STEP
        node = position.astype(np.int32)
        return _Placed(nm, inside.astype(np.int32), node, (position - node).astype(np.float32))


@lru_cache(maxsize=2)
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


def unit_profile(u: NDArray[np.float64], lorentz_fraction: float, asymmetry: float) -> NDArray[np.float64]:
    """Return the pseudo-Voigt line-spread of unit FWHM, normalised to unit sum.

    Parameters
    ----------
    u : ndarray
        Distance from the line centre in FWHM, evenly spaced.
    lorentz_fraction : float
        η of the pseudo-Voigt: (1 - η) Gaussian + η Lorentzian of the same FWHM
        (Thompson, Cox & Hastings, J. Appl. Cryst. 20, 79 (1987), from memory).
    asymmetry : float
        (right half width - left half width) / FWHM, in -0.9 to 0.9.

    Returns
    -------
    ndarray
        Same shape as `u`.
    """
    scaled = u / np.where(u > 0, 1 + asymmetry, 1 - asymmetry)
    gauss = np.sqrt(4 * np.log(2) / np.pi) * np.exp(-4 * np.log(2) * scaled**2)
    lorentz = (2 / np.pi) / (1 + 4 * scaled**2)
    profile = (1 - lorentz_fraction) * gauss + lorentz_fraction * lorentz
    return np.asarray(profile / profile.sum())


@dataclass(frozen=True, slots=True, kw_only=True)
class LineShape:
    """The line-spread on the u coordinate.

    Attributes
    ----------
    width : float
        FWHM as a multiple of the one that defines u.
    lorentz_fraction, asymmetry : float
        As in `unit_profile`.
    """

    width: float = 1.0
    lorentz_fraction: float = 0.0
    asymmetry: float = 0.0

    def kernel(self) -> NDArray[np.float64]:
        """Return the shape on the grid, of unit sum."""
        half = int(REACH / STEP)
        narrower = np.sqrt(max(self.width**2 - SHARED_WIDTH2, 0.1 * self.width**2))
        u = np.arange(-half, half + 1) * STEP / narrower
        # a line stands at the middle of its half maximum, as a fit of a symmetric line would place it
        return unit_profile(u + 0.5 * self.asymmetry, self.lorentz_fraction, self.asymmetry)


@dataclass(frozen=True, slots=True, eq=False)
class SpreadLines:
    """Light on the u grid, ready for any pixel grid.

    Attributes
    ----------
    scale : WidthScale
        Where the grid lies.
    light : ndarray of shape (q, m)
        Light of each emitter at each node; it is spread evenly from half-way to half-way.
    """

    scale: WidthScale
    light: NDArray[np.float64]

    def on_pixels(self, edges_nm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return each emitter's light in each pixel.

        Parameters
        ----------
        edges_nm : ndarray of shape (p + 1,)
            Pixel edges, nm, increasing.

        Returns
        -------
        ndarray of shape (p, m)
        """
        return np.asarray(pixel_sums(self.scale, edges_nm) @ self.light)

    def slope(self, edges_nm: NDArray[np.float64], number: int) -> NDArray[np.float64]:
        """Return how one emitter's light in each pixel changes as the edges move, per nm, shape (p,)."""
        u = self.scale.to_u(edges_nm)
        per_u = np.interp(u / STEP, np.arange(self.light.shape[0]), self.light[:, number]) / STEP
        return np.diff(per_u * np.gradient(u, edges_nm))


def pixel_sums(scale: WidthScale, edges_nm: NDArray[np.float64]) -> csr_array:
    """Return what part of the light of each node falls into each pixel, sparse, shape (p, q)."""
    from scipy.sparse import csr_array

    nodes = scale.nodes
    # node i holds the light between its half-way points
    position = np.clip(scale.to_u(edges_nm) / STEP + 0.5, 0.0, nodes)
    index = np.minimum(position.astype(np.int64), nodes - 1)
    part = position - index
    count = np.diff(index) + 1
    first = np.concatenate([[0], np.cumsum(count)])
    node = np.arange(first[-1]) + np.repeat(index[:-1] - first[:-1], count)
    share = np.ones(first[-1])
    share[first[:-1]] -= part[:-1]
    share[first[1:] - 1] -= 1.0 - part[1:]
    return csr_array((share, node, first), shape=(edges_nm.size - 1, nodes))


@dataclass(frozen=True, slots=True, eq=False)
class EmissionGrid:
    """Lines of every emitter on the u grid, not yet spread.

    Attributes
    ----------
    scale : WidthScale
        Where the grid lies.
    density : ndarray of shape (m, q)
        Light of each emitter at each node.
    """

    scale: WidthScale
    density: NDArray[np.float64]

    def spread(self, shape: LineShape) -> SpreadLines:
        """Spread every emitter by the line-spread.

        Parameters
        ----------
        shape : LineShape
            The line-spread.

        Returns
        -------
        SpreadLines
        """
        light = np.empty(self.density.shape[::-1])
        for rows, block in self._blocks(shape):
            light[:, rows] = block
        return SpreadLines(self.scale, light)

    def on_pixels(self, shape: LineShape, edges_nm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return each emitter's light, spread by the line-spread, in each pixel, shape (p, m).

        Parameters
        ----------
        shape : LineShape
            The line-spread.
        edges_nm : ndarray of shape (p + 1,)
            Pixel edges, nm, increasing.
        """
        return self.collected(shape, pixel_sums(self.scale, edges_nm))

    def collected(self, shape: LineShape, sums: csr_array) -> NDArray[np.float64]:
        """As `on_pixels`, with the `pixel_sums` of the edges."""
        light = np.empty((sums.shape[0], self.density.shape[0]))
        for rows, block in self._blocks(shape):
            light[:, rows] = sums @ block
        return light

    def _blocks(self, shape: LineShape) -> Iterator[tuple[slice, NDArray[np.float64]]]:
        """Yield the spread light of some emitters at a time, shape (q, some): few enough to stay in the cache."""
        from scipy.fft import irfft

        transform, length = _density_transform(self), _transform_length(self)
        kernel = _kernel_transform(shape, length)
        for first in range(0, self.density.shape[0], BLOCK):
            rows = slice(first, first + BLOCK)
            yield rows, irfft(transform[rows] * kernel, length, axis=1)[:, : self.density.shape[1]].T

    def spread_sum(self, amounts: NDArray[np.float64], shapes: tuple[LineShape, ...]) -> SpreadLines:
        """Spread the sum of all emitters, in given amounts, by several line-spreads.

        Parameters
        ----------
        amounts : ndarray of shape (m,)
            Light of each emitter.
        shapes : tuple of k LineShape
            The line-spreads.

        Returns
        -------
        SpreadLines
            With k columns.
        """
        from scipy.fft import irfft, rfft

        length = _transform_length(self)
        lit = np.flatnonzero(amounts)
        few = 3 * lit.size < amounts.size
        total = rfft(amounts[lit] @ self.density[lit] if few else amounts @ self.density, length)
        kernels = np.stack([_kernel_transform(shape, length) for shape in shapes])
        spread = irfft(total * kernels, length, axis=1)
        return SpreadLines(self.scale, np.ascontiguousarray(spread[:, : self.density.shape[1]].T))


def _transform_length(grid: EmissionGrid) -> int:
    from scipy.fft import next_fast_len

    return int(next_fast_len(grid.density.shape[1] + 2 * int(REACH / STEP) + 1, real=True))


@lru_cache(maxsize=2)
def _density_transform(grid: EmissionGrid) -> NDArray[np.complex128]:
    from scipy.fft import rfft

    return np.asarray(rfft(grid.density, _transform_length(grid), axis=1))


@lru_cache(maxsize=2)
def _halved(scale: WidthScale) -> WidthScale:
    """Return the scale on which a line has the place of its second order on the scale given."""
    return WidthScale(scale.nm / 2, scale.u)


@lru_cache(maxsize=16)
def _kernel_transform(shape: LineShape, length: int) -> NDArray[np.complex128]:
    """Return the transform of the line-spread, centred on the first sample so that nothing moves."""
    from scipy.fft import rfft

    kernel = shape.kernel()
    half = kernel.size // 2
    wrapped = np.zeros(length)
    wrapped[: half + 1] = kernel[half:]
    wrapped[-half:] = kernel[:half]
    return np.asarray(rfft(wrapped))


def emission_grid(
    wavelengths_nm: list[NDArray[np.float64]],
    rates: list[NDArray[np.float64]],
    line_spread: LineSpread,
    low_nm: float,
    high_nm: float,
) -> EmissionGrid:
    """Place the lines of every emitter on the grid.

    Parameters
    ----------
    wavelengths_nm, rates : list of m ndarrays
        Line positions, nm in air, and their light; lines out of reach of the range are left out.
    line_spread : LineSpread
        Its FWHM defines u.
    low_nm, high_nm : float
        The range of the spectrum.

    Returns
    -------
    EmissionGrid
    """
    scale = width_scale(line_spread, float(low_nm), float(high_nm))
    return EmissionGrid(scale, _densities(scale, wavelengths_nm, rates))


def second_order_grid(
    wavelengths_nm: list[NDArray[np.float64]],
    rates: list[NDArray[np.float64]],
    line_spread: LineSpread,
    low_nm: float,
    high_nm: float,
) -> EmissionGrid:
    """As `emission_grid`, with every line at twice its wavelength, where a grating shows its second order."""
    scale = width_scale(line_spread, float(low_nm), float(high_nm))
    return EmissionGrid(scale, _densities(_halved(scale), wavelengths_nm, rates))


def _densities(
    scale: WidthScale, wavelengths_nm: list[NDArray[np.float64]], rates: list[NDArray[np.float64]]
) -> NDArray[np.float64]:
    density = np.zeros((len(rates), scale.nodes))
    for row, (nm, rate) in enumerate(zip(wavelengths_nm, rates, strict=True)):
        density[row] = scale.density(nm, rate)
    return density


def pixel_edges(axis_nm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the edges between pixels of shape (p + 1,), half-way between the centres of shape (p,)."""
    middle = 0.5 * (axis_nm[1:] + axis_nm[:-1])
    first = axis_nm[0] - (middle[0] - axis_nm[0])
    last = axis_nm[-1] + (axis_nm[-1] - middle[-1])
    return np.concatenate([[first], middle, [last]])
