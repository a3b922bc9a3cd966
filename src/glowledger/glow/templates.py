"""Lines to pixels: every emitter's lines spread by the instrument and summed into its pixels.

The line width varies over the range, so lines are placed on a coordinate in which it does not:
u(λ) = ∫ dλ / FWHM(λ). There one convolution with the unit line-spread serves all lines at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glowledger.bench.model import LineSpread

STEP = 0.1  # of u, in FWHM: the linear sharing of a line between nodes widens it by 0.5 %, which is taken out
SHARED_WIDTH2 = 8 * np.log(2) * STEP**2 / 6  # FWHM² that sharing between two nodes adds on average
REACH = 8.0  # FWHM kept on either side of the range, so that wings of lines beyond the edge count


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

    def to_u(self, nm: ArrayLike) -> NDArray[np.float64]:
        """Return u at the wavelengths."""
        return np.interp(np.asarray(nm, dtype=float), self.nm, self.u)


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
    """Light on the u grid as running totals, ready for any pixel grid.

    Attributes
    ----------
    scale : WidthScale
        Where the grid lies.
    running : ndarray of shape (m, q)
        Light of each emitter below each grid edge.
    """

    scale: WidthScale
    running: NDArray[np.float64]

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
        # node i holds the light between its half-way points, so running totals belong to those points
        position = self.scale.to_u(edges_nm) / STEP + 0.5
        index = np.clip(np.floor(position).astype(int), 0, self.running.shape[1] - 2)
        part = np.clip(position - index, 0.0, 1.0)[:, None]
        running = self.running.T
        total = running[index] * (1 - part) + running[index + 1] * part
        return np.diff(total, axis=0)


    def row(self, number: int) -> SpreadLines:
        """Return one row alone."""
        return SpreadLines(self.scale, self.running[number : number + 1])


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
        from scipy.fft import irfft

        length = _transform_length(self)
        spread = irfft(_density_transform(self) * _kernel_transform(shape, length), length, axis=1)
        return SpreadLines(self.scale, _running(spread[:, : self.density.shape[1]]))

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
            With k rows.
        """
        from scipy.fft import irfft, rfft

        length = _transform_length(self)
        total = rfft(amounts @ self.density, length)
        kernels = np.stack([_kernel_transform(shape, length) for shape in shapes])
        spread = irfft(total * kernels, length, axis=1)
        return SpreadLines(self.scale, _running(spread[:, : self.density.shape[1]]))


def _running(spread: NDArray[np.float64]) -> NDArray[np.float64]:
    running = np.zeros((spread.shape[0], spread.shape[1] + 1))
    np.cumsum(spread, axis=1, out=running[:, 1:])
    return running


def _transform_length(grid: EmissionGrid) -> int:
    from scipy.fft import next_fast_len

    return int(next_fast_len(grid.density.shape[1] + 2 * int(REACH / STEP) + 1, real=True))


@lru_cache(maxsize=2)
def _density_transform(grid: EmissionGrid) -> NDArray[np.complex128]:
    from scipy.fft import rfft

    return np.asarray(rfft(grid.density, _transform_length(grid), axis=1))


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
    scale = width_scale(line_spread, low_nm, high_nm)
    nodes = int(np.ceil(scale.u[-1] / STEP)) + 2
    density = np.zeros((len(rates), nodes))
    for row, (nm, rate) in enumerate(zip(wavelengths_nm, rates, strict=True)):
        inside = (nm > scale.nm[0]) & (nm < scale.nm[-1])
        position = scale.to_u(nm[inside]) / STEP
        index = position.astype(int)
        part = position - index
        density[row] += np.bincount(index, rate[inside] * (1 - part), nodes)[:nodes]
        density[row] += np.bincount(index + 1, rate[inside] * part, nodes)[:nodes]
    return EmissionGrid(scale, density)


def pixel_edges(axis_nm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the edges between pixels of shape (p + 1,), half-way between the centres of shape (p,)."""
    middle = 0.5 * (axis_nm[1:] + axis_nm[:-1])
    first = axis_nm[0] - (middle[0] - axis_nm[0])
    last = axis_nm[-1] + (axis_nm[-1] - middle[-1])
    return np.concatenate([[first], middle, [last]])
