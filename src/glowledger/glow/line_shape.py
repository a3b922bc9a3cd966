"""The shape of one line on the coordinate in which all lines have the same width."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.width_scale import STEP

WINGS = 30.0  # FWHM on either side to which a line is drawn: a bright one is seen farther than most lines stand apart
FADING = 0.5  # of that, from where it fades: an edge would look like the head of a band
SKIRT_WIDTHS = 4.0  # FWHM of the light that a grating scatters around a line, of that of the line
BESIDE_WIDTHS = (-3.0, -2.0, -1.25, 1.25, 2.0, 3.0)  # of the FWHM: where light may stand beside a line


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
    beside : tuple of float
        Part of the light that stands in each `Copy` at `BESIDE_WIDTHS`.
    skirt : float
        Part of the light in the `Skirt`.
    """

    width: float = 1.0
    lorentz_fraction: float = 0.0
    asymmetry: float = 0.0
    beside: tuple[float, ...] = (0.0,) * len(BESIDE_WIDTHS)
    skirt: float = 0.0

    def kernel(self) -> NDArray[np.float64]:
        """Return the shape on the grid, of unit sum."""
        # a line stands at the middle of its half maximum, as a fit of a symmetric line would place it
        line = _faded(unit_profile(_grid() / self.width + 0.5 * self.asymmetry, self.lorentz_fraction, self.asymmetry))
        for part, off in zip(self.beside, BESIDE_WIDTHS, strict=True):
            if part:
                line += part * (Copy(off).kernel() - line)
        return line + self.skirt * (Skirt().kernel() - line)


@dataclass(frozen=True, slots=True)
class Copy:
    """Light beside a line: a Gaussian of the FWHM that defines u.

    Attributes
    ----------
    off : float
        Its distance from the line, of that FWHM.
    """

    off: float

    def kernel(self) -> NDArray[np.float64]:
        """Return the shape on the grid, of unit sum."""
        return _copy_kernel(self.off)


@dataclass(frozen=True, slots=True)
class Skirt:
    """Light that a grating scatters around a line: a wide Lorentzian, as far off it falls with the square."""

    def kernel(self) -> NDArray[np.float64]:
        """Return the shape on the grid, of unit sum."""
        return _skirt_kernel()


def _grid() -> NDArray[np.float64]:
    half = int(WINGS / STEP)
    return np.arange(-half, half + 1, dtype=np.float64) * STEP


def _faded(profile: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a profile on the grid that ends in nothing, of unit sum."""
    faded = profile * _fading()
    return np.asarray(faded / faded.sum())


@lru_cache(maxsize=1)
def _fading() -> NDArray[np.float64]:
    past = np.clip((np.abs(_grid()) / WINGS - FADING) / (1 - FADING), 0.0, 1.0)
    return np.asarray(np.cos(0.5 * np.pi * past) ** 2)


@lru_cache(maxsize=1)
def _skirt_kernel() -> NDArray[np.float64]:
    return _faded(unit_profile(_grid() / SKIRT_WIDTHS, 1.0, 0.0))


@lru_cache(maxsize=16)
def _copy_kernel(off: float) -> NDArray[np.float64]:
    return unit_profile(_grid() - off, 0.0, 0.0)
