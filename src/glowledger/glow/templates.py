"""Lines to pixels: every emitter's lines spread by the instrument and summed into its pixels.

On the coordinate in which all lines have the same width one convolution with the unit line-spread serves all at once.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.model import LineSpread
from glowledger.glow.line_shape import WINGS, Copy, LineShape, Skirt
from glowledger.glow.width_scale import STEP, WidthScale, pixel_sums, spline_shares, width_scale

if TYPE_CHECKING:
    from scipy.sparse import csr_array

SPLINES = 6  # sinc factors of sharing a line between nodes and of drawing light between them, three each
SINGLE, DOUBLE = np.dtype(np.float32), np.dtype(np.float64)
BLOCK = 64  # emitters spread at a time
ROUND_NM = 2.0  # the range of a grid ends at multiples of this


@dataclass(frozen=True, slots=True, eq=False)
class SpreadLines:
    """Light on the u grid, ready for any pixel grid.

    Attributes
    ----------
    scale : WidthScale
        Where the grid lies.
    light : ndarray of shape (q, m)
        Light of each emitter at each node: the amounts of quadratic B-splines.
    """

    scale: WidthScale
    light: NDArray[np.floating]

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
        return Edges.on(self.scale, edges_nm).slope(self.light[:, number])


@dataclass(frozen=True, slots=True, eq=False)
class Edges:
    """Pixel edges on the u grid.

    Attributes
    ----------
    node : ndarray of int, shape (p + 1,)
        The node next to each.
    shares : tuple of ndarray of shape (p + 1,)
        The splines of the nodes before, next to and after each, per nm.
    """

    node: NDArray[np.int64]
    shares: tuple[NDArray[np.float64], ...]

    @classmethod
    def on(cls, scale: WidthScale, edges_nm: NDArray[np.float64]) -> Edges:
        """Place pixel edges, nm, increasing, on a scale."""
        u = scale.to_u(edges_nm)
        node = np.clip(np.rint(u / STEP).astype(np.int64), 1, scale.nodes - 2)
        per_nm = np.gradient(u, edges_nm) / STEP
        return cls(node, tuple(share * per_nm for share in spline_shares(u / STEP - node)))

    def slope(self, light: NDArray[np.floating]) -> NDArray[np.float64]:
        """Return how light at the nodes, shape (q,), changes in each pixel as the edges move, per nm, shape (p,)."""
        before, here, after = self.shares
        return np.diff(before * light[self.node - 1] + here * light[self.node] + after * light[self.node + 1])


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
    _transform: dict[np.dtype[np.floating], NDArray[np.complexfloating]] = field(default_factory=dict, repr=False)

    @property
    def light(self) -> NDArray[np.float64]:
        """Light of each emitter at all nodes together, shape (m,)."""
        return _all_light(self)

    def spread(self, shape: LineShape, precision: np.dtype[np.floating] = DOUBLE) -> SpreadLines:
        """Spread every emitter by the line-spread.

        Parameters
        ----------
        shape : LineShape
            The line-spread.
        precision : dtype
            `DOUBLE`, or `SINGLE` as in `collected`.

        Returns
        -------
        SpreadLines
        """
        light = np.empty(self.density.shape[::-1], dtype=precision)
        for rows, block in self._blocks(shape, precision):
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
        return self.spread(shape).on_pixels(edges_nm)

    def collected(
        self, shape: LineShape, sums: csr_array, out: NDArray[np.float64] | None = None
    ) -> NDArray[np.float64]:
        """As `on_pixels`, with the `pixel_sums` of the edges; written to `out` if given.

        In single precision, true to some 1e-6 of an emitter's brightest pixel, which takes half the time.
        """
        light = np.empty((sums.shape[0], self.density.shape[0])) if out is None else out
        seen = sums.astype(SINGLE)
        for rows, block in self._blocks(shape, SINGLE):
            light[:, rows] = seen @ block
        return light

    def _blocks(
        self, shape: LineShape, precision: np.dtype[np.floating]
    ) -> Iterator[tuple[slice, NDArray[np.floating]]]:
        """Yield the spread light of some emitters at a time, shape (q, some): few enough to stay in the cache."""
        from scipy.fft import irfft

        transform, length = self._transformed(precision), _transform_length(self)
        kernel = _kernel_transform(shape, length).astype(transform.dtype)
        for first in range(0, self.density.shape[0], BLOCK):
            rows = slice(first, first + BLOCK)
            yield rows, irfft(transform[rows] * kernel, length, axis=1)[:, : self.density.shape[1]].T

    def _transformed(self, precision: np.dtype[np.floating]) -> NDArray[np.complexfloating]:
        """Return the Fourier transform of every row, made once."""
        from scipy.fft import rfft

        if precision not in self._transform:
            length, (m, q) = _transform_length(self), self.density.shape
            padded = np.zeros((min(BLOCK, m), length), dtype=precision)
            transform = np.empty((m, length // 2 + 1), dtype=np.result_type(precision, np.complex64))
            for first in range(0, m, BLOCK):
                rows = self.density[first : first + BLOCK]
                padded[: len(rows), :q] = rows
                transform[first : first + BLOCK] = rfft(padded[: len(rows)], axis=1)
            self._transform[precision] = transform
        return self._transform[precision]

    def spread_sum(self, amounts: NDArray[np.float64], shapes: tuple[LineShape | Copy | Skirt, ...]) -> SpreadLines:
        """Spread the sum of all emitters, in given amounts, by several line-spreads.

        Parameters
        ----------
        amounts : ndarray of shape (m,)
            Light of each emitter.
        shapes : tuple of k LineShape, Copy or Skirt
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

    def spread_sums(self, weights: NDArray[np.float64], shape: LineShape) -> SpreadLines:
        """Spread several sums of emitters, with weights of shape (b, m), by one line-spread; b columns."""
        from scipy.fft import irfft, rfft

        length = _transform_length(self)
        total = rfft(weights @ self.density, length, axis=1)
        spread = irfft(total * _kernel_transform(shape, length), length, axis=1)
        return SpreadLines(self.scale, np.ascontiguousarray(spread[:, : self.density.shape[1]].T))


@lru_cache(maxsize=4)
def _all_light(grid: EmissionGrid) -> NDArray[np.float64]:
    return np.asarray(grid.density.sum(axis=1))


def _transform_length(grid: EmissionGrid) -> int:
    from scipy.fft import next_fast_len

    return int(next_fast_len(grid.density.shape[1] + int(WINGS / STEP), real=True))  # what wraps round is not read


@lru_cache(maxsize=32)
def _kernel_transform(shape: LineShape | Copy | Skirt, length: int) -> NDArray[np.complex128]:
    """Return the transform of the line-spread, centred on the first sample so that nothing moves.

    What the splines of the grid smooth, by sinc once for each, is taken out of it: the sum over nodes is then the
    line-spread itself, as in non-uniform Fourier transforms (Dutt & Rokhlin, SIAM J. Sci. Comput. 14, 1368 (1993),
    from memory).
    """
    from scipy.fft import rfft

    kernel = shape.kernel()
    half = kernel.size // 2
    wrapped = np.zeros(length)
    wrapped[: half + 1] = kernel[half:]
    wrapped[-half:] = kernel[:half]
    return np.asarray(rfft(wrapped) * _sharpened(length))


@lru_cache(maxsize=4)
def _sharpened(length: int) -> NDArray[np.float64]:
    from scipy.fft import rfftfreq

    return np.asarray(np.sinc(rfftfreq(length)) ** -float(SPLINES))


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
    # outwards to round numbers: on an axis that was only adjusted all lines stand where they stood
    low, high = np.floor(low_nm / ROUND_NM) * ROUND_NM, np.ceil(high_nm / ROUND_NM) * ROUND_NM
    return placed(wavelengths_nm, rates, width_scale(line_spread, float(low), float(high)))


def placed(
    wavelengths_nm: list[NDArray[np.float64]], rates: list[NDArray[np.float64]], scale: WidthScale
) -> EmissionGrid:
    """As `emission_grid`, on a scale already made."""
    return EmissionGrid(scale, scale.densities(wavelengths_nm, rates))


def pixel_edges(axis_nm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the edges between pixels of shape (p + 1,), half-way between the centres of shape (p,)."""
    middle = 0.5 * (axis_nm[1:] + axis_nm[:-1])
    first = axis_nm[0] - (middle[0] - axis_nm[0])
    last = axis_nm[-1] + (axis_nm[-1] - middle[-1])
    return np.concatenate([[first], middle, [last]])
