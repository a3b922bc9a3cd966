"""The bench: what is known of spectrometer and window, each part with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.polynomial import Chebyshev
from numpy.typing import ArrayLike, NDArray

from glowledger.spectra.frames import Detector


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class WavelengthSolution:
    """Wavelength as a Chebyshev series in pixel (or in a rough nm axis), with covariance.

    Attributes
    ----------
    coefficients : ndarray of shape (d + 1,)
        Chebyshev coefficients, nm.
    domain : tuple of float
        Axis values mapped to -1 and 1.
    covariance : ndarray of shape (d + 1, d + 1)
        Of the coefficients, nm².
    scatter_nm : float
        Scatter of lines about the solution beyond their own errors, nm.
    covered : tuple of float
        Axis values of the outermost lines used; beyond them the solution is extrapolated.
    """

    coefficients: NDArray[np.float64]
    domain: tuple[float, float]
    covariance: NDArray[np.float64]
    scatter_nm: float
    covered: tuple[float, float]

    def nm(self, axis: ArrayLike) -> NDArray[np.float64]:
        """Return nm in air at the axis values, same shape."""
        return np.asarray(Chebyshev(self.coefficients, domain=self.domain)(np.asarray(axis, dtype=float)))

    def standard_error_nm(self, axis: ArrayLike) -> NDArray[np.float64]:
        """Return the standard error of `nm`, same shape, growing where extrapolated."""
        low, high = self.domain
        x = (2 * np.asarray(axis, dtype=float) - low - high) / (high - low)
        basis = np.polynomial.chebyshev.chebvander(x, len(self.coefficients) - 1)
        variance = np.einsum("...i,ij,...j->...", basis, self.covariance, basis)
        return np.sqrt(variance + self.scatter_nm**2)

    def extrapolated(self, axis: ArrayLike) -> NDArray[np.bool_]:
        """Return True where no used line bounds the solution, same shape."""
        axis = np.asarray(axis, dtype=float)
        return (axis < self.covered[0]) | (axis > self.covered[1])


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LineSpread:
    """Width and shape of an unresolved line over wavelength.

    Attributes
    ----------
    at_nm : ndarray of shape (k,)
        Wavelengths of the nodes, increasing; one node means constant.
    fwhm_nm, fwhm_se_nm : ndarray of shape (k,)
        Full width at half maximum and its standard error.
    lorentz_fraction : float
        Pseudo-Voigt mixing: 0 is Gaussian, 1 Lorentzian.
    asymmetry : float
        (right half width - left half width) / FWHM.
    """

    at_nm: NDArray[np.float64]
    fwhm_nm: NDArray[np.float64]
    fwhm_se_nm: NDArray[np.float64]
    lorentz_fraction: float = 0.0
    asymmetry: float = 0.0

    def fwhm(self, nm: ArrayLike) -> NDArray[np.float64]:
        """Return the FWHM at the wavelengths, nm; constant beyond the outermost nodes."""
        return np.interp(np.asarray(nm, dtype=float), self.at_nm, self.fwhm_nm)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Response:
    """Relative photon response over wavelength.

    Attributes
    ----------
    at_nm, value, relative_error : ndarray of shape (k,)
        Counts per photon relative to the maximum, and its relative standard error.
    usable_nm : tuple of float
        Range in which the response lamp gave enough light; beyond it nothing is claimed.
    includes_window : bool
        True if the response was measured through the viewport, which then must not be counted again.
    """

    at_nm: NDArray[np.float64]
    value: NDArray[np.float64]
    relative_error: NDArray[np.float64]
    usable_nm: tuple[float, float]
    includes_window: bool = True

    def at(self, nm: ArrayLike) -> NDArray[np.float64]:
        """Return the response at the wavelengths; constant beyond the outermost nodes."""
        return np.interp(np.asarray(nm, dtype=float), self.at_nm, self.value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """The viewport between plasma and spectrometer.

    Attributes
    ----------
    material : str
        A material of the window table, e.g. ``acrylic``, ``fused silica``; ``unknown`` where not stated;
        a name of one's own where the window was measured.
    thickness_mm : float
        Thickness in mm.
    at_nm, transmittance, standard_error : tuple of float
        Measured transmittance over wavelength with its error; empty where the table of materials is used.
    """

    material: str = "unknown"
    thickness_mm: float = 3.0
    at_nm: tuple[float, ...] = ()
    transmittance: tuple[float, ...] = ()
    standard_error: tuple[float, ...] = ()

    @property
    def measured(self) -> bool:
        """True if this very window was measured."""
        return bool(self.at_nm)

    def measured_at(self, nm: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the measured transmittance and its standard error at the wavelengths.

        Beyond the measured range nothing is known: the outermost value, with an error of one half.
        """
        places = np.asarray(nm, dtype=float)
        outside = (places < self.at_nm[0]) | (places > self.at_nm[-1])
        error = np.interp(places, self.at_nm, self.standard_error)
        return np.interp(places, self.at_nm, self.transmittance), np.where(outside, np.maximum(error, 0.5), error)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Bench:
    """The instrument as measured. Parts not measured are None, and the answers widen accordingly.

    Attributes
    ----------
    pixels : int
        Length of the axis the wavelength solution was made for.
    solution : WavelengthSolution or None
        Pixel to nm (air).
    line_spread : LineSpread or None
        Line width over wavelength.
    response : Response or None
        Relative response.
    window : Window
        The viewport.
    detector : Detector
        Ceiling, gain, read noise.
    hot_pixels : tuple of int
        Pixels that are high without light, counted from 0 in the order of the files.
    stray_fraction : float or None
        Light scattered inside the spectrometer and spread over all pixels, as part of all light.
    provenance : tuple of (str, str)
        Part and where it came from: lamp file with its hash, date, command.
    """

    pixels: int
    solution: WavelengthSolution | None = None
    line_spread: LineSpread | None = None
    response: Response | None = None
    window: Window = Window()
    detector: Detector = field(default_factory=Detector)
    hot_pixels: tuple[int, ...] = ()
    stray_fraction: float | None = None
    provenance: tuple[tuple[str, str], ...] = ()
