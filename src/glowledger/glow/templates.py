"""Lines to pixels: every emitter's lines spread by the instrument and summed into its pixels.

The line width varies over the range, so lines are placed on a coordinate in which it does not:
u(λ) = ∫ dλ / FWHM(λ). There one convolution with the unit line-spread serves all lines at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glowledger.bench.model import LineSpread

STEP = 0.06  # of u, in FWHM: the linear sharing of a line between nodes widens it by 0.1 %
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


@dataclass(frozen=True, slots=True, eq=False)
class SpreadLines:
    """Emitters spread by the line-spread on the u grid, as running totals ready for any pixel grid.

    Attributes
    ----------
    scale : WidthScale
        Where the grid lies.
    edges_u : ndarray of shape (q,)
        Grid of u.
    running : ndarray of shape (m, q)
        Light of each emitter below each grid value.
    """

    scale: WidthScale
    edges_u: NDArray[np.float64]
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
        position = (self.scale.to_u(edges_nm) - self.edges_u[0]) / STEP
        index = np.clip(np.floor(position).astype(int), 0, self.edges_u.size - 2)
        part = np.clip(position - index, 0.0, 1.0)
        total = self.running[:, index] * (1 - part) + self.running[:, index + 1] * part
        return np.ascontiguousarray(np.diff(total, axis=1).T)


def spread_lines(
    wavelengths_nm: list[NDArray[np.float64]],
    rates: list[NDArray[np.float64]],
    line_spread: LineSpread,
    low_nm: float,
    high_nm: float,
) -> SpreadLines:
    """Spread the lines of every emitter.

    Parameters
    ----------
    wavelengths_nm, rates : list of m ndarrays
        Line positions, nm in air, and their light; lines out of reach of the range are left out.
    line_spread : LineSpread
        Width and shape.
    low_nm, high_nm : float
        The range of the spectrum.

    Returns
    -------
    SpreadLines
    """
    from scipy.signal import fftconvolve

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
    half = int(REACH / STEP)
    kernel = unit_profile(
        np.arange(-half, half + 1) * STEP, line_spread.lorentz_fraction, line_spread.asymmetry
    )
    spread = fftconvolve(density, kernel[None, :], mode="same", axes=1)
    running = np.concatenate([np.zeros((len(rates), 1)), np.cumsum(spread, axis=1)], axis=1)
    # node i holds the light between its half-way points, so running totals belong to those points
    return SpreadLines(scale, (np.arange(nodes + 1) - 0.5) * STEP, running)


def pixel_edges(axis_nm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the edges between pixels of shape (p + 1,), half-way between the centres of shape (p,)."""
    middle = 0.5 * (axis_nm[1:] + axis_nm[:-1])
    first = axis_nm[0] - (middle[0] - axis_nm[0])
    last = axis_nm[-1] + (axis_nm[-1] - middle[-1])
    return np.concatenate([[first], middle, [last]])
