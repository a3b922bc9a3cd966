"""Electron density from the width of H beta: only where the spectrometer could resolve it."""

from __future__ import annotations

import warnings

import numpy as np
from numpy.typing import NDArray

from glowledger.diagnose.state import StateReading, untold
from glowledger.glow.results import Fit

NAME = "electron density from H beta"
SOURCES = (
    "Gigosos, González & Cardeñoso, Spectrochim. Acta B 58, 1489 (2003): FWHM(H beta) = "
    "4.8 nm (n_e / 1e23 m^-3)^0.68116, from memory",
    "Voigt width: Olivero & Longbothum, J. Quant. Spectrosc. Radiat. Transfer 17, 233 (1977)",
)
_WIDTH_NM, _DENSITY_M3, _POWER = 4.8, 1e23, 0.68116
GLOW_M3 = (1e15, 1e17)  # electron density of low-pressure glows (common practice, no source)
HBETA_NM = 486.135  # nm in air (NIST ASD)
BRIGHT = 10.0  # the line's peak over its noise: fainter ones have no width worth giving
WIDTHS, FURTHER_NM = 2.0, 0.6  # line widths, and nm for what Stark may add, to either side that are fitted
WIDTH_ERROR = 0.05  # of the spectrometer's width from place to place: common practice, no source
FAST_ATOMS = "Fast hydrogen atoms in a cathode fall also broaden H beta (Doppler), and are no sign of density."


def stark_fwhm(density_m3: float) -> float:
    """Return the Stark FWHM of H beta in nm (Gigosos et al. 2003)."""
    return float(_WIDTH_NM * (density_m3 / _DENSITY_M3) ** _POWER)


def density_of_stark(fwhm_nm: float) -> float:
    """Return the electron density in m^-3 of a Stark FWHM in nm; zero for no width."""
    return float(_DENSITY_M3 * (max(fwhm_nm, 0.0) / _WIDTH_NM) ** (1 / _POWER))


def doppler_fwhm(kelvin: float, wavelength_nm: float = 486.133, mass_u: float = 1.00784) -> float:
    """Return the Doppler FWHM in nm: 7.162e-7 λ √(T/M) (CODATA constants)."""
    return float(7.1623e-7 * wavelength_nm * np.sqrt(kelvin / mass_u))


def voigt_fwhm(gauss_nm: float, lorentz_nm: float) -> float:
    """Return the FWHM of a Voigt profile (Olivero & Longbothum 1977, good to 0.02 %)."""
    return float(0.5346 * lorentz_nm + np.sqrt(0.2166 * lorentz_nm**2 + gauss_nm**2))


def lorentz_part(total_nm: float, gauss_nm: float) -> float:
    """Return the Lorentz FWHM of a Voigt profile of given total and Gauss FWHM; zero if there is no room."""
    if total_nm <= gauss_nm:
        return 0.0
    # (t - 0.5346 l)² = 0.2166 l² + g²  is a quadratic in l
    a = 0.5346**2 - 0.2166
    b = -2 * 0.5346 * total_nm
    c = total_nm**2 - gauss_nm**2
    return float((-b - np.sqrt(b**2 - 4 * a * c)) / (2 * a))


def hbeta_density(
    fwhm_nm: float,
    standard_error_nm: float,
    instrument_nm: float,
    instrument_error_nm: float,
    gas_kelvin: float = 500.0,
) -> StateReading:
    """Read an electron density from the width of H beta, or say what density it would take.

    Parameters
    ----------
    fwhm_nm, standard_error_nm : float
        Measured FWHM of H beta and its standard error.
    instrument_nm, instrument_error_nm : float
        FWHM of the spectrometer at 486 nm and its standard error; its shape is taken as Gaussian.
    gas_kelvin : float
        For the Doppler width.

    Returns
    -------
    StateReading
        In m^-3.
    """
    gauss = float(np.hypot(instrument_nm, doppler_fwhm(gas_kelvin)))
    error = float(np.hypot(standard_error_nm, instrument_error_nm))
    least = density_of_stark(lorentz_part(gauss + 3 * error, gauss))
    low, high = (density_of_stark(lorentz_part(fwhm_nm + side * 1.959964 * error, gauss)) for side in (-1.0, 1.0))
    if fwhm_nm - gauss < 3 * error:
        return untold(
            NAME, "m^-3",
            f"Cannot tell: H beta is as wide as the spectrometer makes it ({instrument_nm:.2f} nm). At least "
            f"{least:.1e} m^-3 would be needed to show; low-pressure glows have {GLOW_M3[0]:.0e} to "
            f"{GLOW_M3[1]:.0e}.",
            interval=(0.0, max(high, least)), cautions=(FAST_ATOMS,), sources=SOURCES,
        )  # fmt: skip
    value = density_of_stark(lorentz_part(fwhm_nm, gauss))
    return StateReading(
        name=NAME,
        value=value,
        standard_error=(high - low) / (2 * 1.959964),
        interval=(low, high),
        unit="m^-3",
        told=True,
        reason="Width of H beta beyond the spectrometer's and Doppler's, taken as Stark broadening.",
        cautions=(
            FAST_ATOMS,
            *(() if value > 1e19 else ("So small a density is below what this relation was made for.",)),
        ),
        sources=SOURCES,
    )


def hbeta_in_fit(fit: Fit) -> StateReading | None:
    """Measure H beta in a fitted spectrum against how wide the spectrometer makes it.

    Parameters
    ----------
    fit : Fit
        With ``H I``; all other species are subtracted as fitted.

    Returns
    -------
    StateReading or None
        None where the line is out of range, masked or too faint to have a width.

    Notes
    -----
    A Gaussian is fitted to the measured line and, in the same pixels, to the line as the fit blurred it; so the shape
    of the line-spread cancels to first order.
    """
    line = fit.species_model.get("H I")
    reach = WIDTHS * fit.fwhm_nm + FURTHER_NM
    near = np.abs(fit.axis_nm - HBETA_NM) < reach
    if line is None or near.sum() < 6 or not fit.used[near].all():
        return None
    if not fit.axis_nm[0] < HBETA_NM - reach < HBETA_NM + reach < fit.axis_nm[-1]:
        return None
    x, sd = fit.axis_nm[near], fit.standard_deviation[near]
    measured = (fit.data - fit.model + line)[near]
    if np.max(measured / sd) < BRIGHT or np.max(line[near]) <= 0:
        return None
    found, expected = _gauss_width(x, measured, sd, fit.fwhm_nm), _gauss_width(x, line[near], sd, fit.fwhm_nm)
    if found is None or expected is None:
        return None
    return hbeta_density(found[0], found[1], expected[0], WIDTH_ERROR * expected[0])


def _gauss_width(
    x: NDArray[np.float64], y: NDArray[np.float64], sd: NDArray[np.float64], about_nm: float
) -> tuple[float, float] | None:
    """Return the FWHM of a Gaussian on a level and its standard error; None if there is no such line."""
    from scipy.optimize import OptimizeWarning, curve_fit

    def line(at: NDArray[np.float64], height: float, centre: float, width: float, level: float) -> NDArray[np.float64]:
        return np.asarray(height * np.exp(-4 * np.log(2) * ((at - centre) / width) ** 2) + level)

    start = (float(np.max(y)), HBETA_NM, about_nm, 0.0)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", OptimizeWarning)
            found, covariance = curve_fit(line, x, y, start, sigma=sd, absolute_sigma=True)
    except (RuntimeError, OptimizeWarning):
        return None
    return abs(float(found[2])), float(np.sqrt(covariance[2, 2]))
