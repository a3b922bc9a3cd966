"""The light of a tungsten lamp in photons per wavelength, with how sure that is."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glowledger.errors import CalibrationError, TableError
from glowledger.tables.tungsten import RANGE_K, emissivity

Floats = NDArray[np.float64]

C2_NM_K = 1.4387768775e7  # hc/k, exact constants of the SI
COLOUR_BANDS_NM = (
    467.0,
    655.0,
)  # blue and red between which a colour temperature is matched: common practice


def planck_photons(nm: ArrayLike, kelvin: float) -> Floats:
    """Return the photon radiance of a black body per wavelength, arbitrary scale.

    Parameters
    ----------
    nm : array_like
        Wavelengths, nm.
    kelvin : float
        Temperature, K.

    Returns
    -------
    ndarray, same shape
        Proportional to photons per area, solid angle, time and nm: λ⁻⁴ / (exp(c2/λT) - 1), λ in µm.

    Notes
    -----
    Planck's law divided by hc/λ. Air against vacuum wavelength (3e-4) is left out: it is a common factor.
    """
    wavelength = np.asarray(nm, dtype=np.float64)
    return np.asarray((wavelength * 1e-3) ** -4 / np.expm1(C2_NM_K / (wavelength * kelvin)))


def temperature_slope(nm: ArrayLike, kelvin: float) -> Floats:
    """Return d ln(photon radiance) / dT of a black body, 1/K, same shape as `nm`."""
    x = C2_NM_K / (np.asarray(nm, dtype=np.float64) * kelvin)
    return np.asarray(x / kelvin / -np.expm1(-x))


def filament_temperature(colour_k: float) -> float:
    """Return the true temperature of tungsten that looks like a black body of a colour temperature.

    Parameters
    ----------
    colour_k : float
        Colour temperature, K, as printed on lamps.

    Returns
    -------
    float
        K; lower than `colour_k`, because tungsten emits blue better than red.

    Raises
    ------
    CalibrationError
        If no tungsten filament has that colour.

    Notes
    -----
    The temperature at which ε(λ,T) P(λ,T) has the blue to red ratio of P(λ,Tc), at `COLOUR_BANDS_NM`: the
    definition of colour temperature by a ratio (Forsythe & Adams, J. Opt. Soc. Am. 35, 108 (1945), from memory).
    """
    from scipy.optimize import brentq

    bands = np.array(COLOUR_BANDS_NM)

    def redness(kelvin: float) -> float:
        value, _ = emissivity(bands, kelvin)
        blue, red = np.log(value * planck_photons(bands, kelvin))
        wanted_blue, wanted_red = np.log(planck_photons(bands, colour_k))
        return float((blue - red) - (wanted_blue - wanted_red))

    low, high = RANGE_K
    try:
        if redness(low) > 0 or redness(high) < 0:
            raise CalibrationError(
                f"no tungsten lamp has a colour temperature of {colour_k:g} K.",
                mend=f"Give it in kelvin, some {low:g} to {high:g}; a white LED is no tungsten lamp.",
            )
        return float(brentq(redness, low, high, xtol=1e-6))
    except TableError as error:
        raise CalibrationError(error.problem, mend=error.mend) from error


def lamp_photons(nm: ArrayLike, filament_k: float) -> Floats:
    """Return the photon radiance of a tungsten filament per wavelength, arbitrary scale, same shape as `nm`."""
    value, _ = emissivity(nm, filament_k)
    return value * planck_photons(nm, filament_k)


def lamp_relative_error(nm: ArrayLike, reference_nm: float, filament_k: float, filament_error_k: float) -> Floats:
    """Return the relative standard error of the lamp's light against its light at a reference wavelength.

    Parameters
    ----------
    nm : array_like
        Wavelengths, nm.
    reference_nm : float
        Where the relative light is one by definition.
    filament_k, filament_error_k : float
        True temperature and its standard error, K.

    Returns
    -------
    ndarray, same shape
        Of temperature and emissivity together.
    """
    slope = temperature_slope(nm, filament_k) - temperature_slope(reference_nm, filament_k)
    value, error = emissivity(nm, filament_k)
    # the emissivity curve is off mostly as a whole, which does not count; its tilt grows with distance
    apart = np.minimum(np.abs(np.asarray(nm, dtype=np.float64) - reference_nm) / 100.0, 1.0)
    return np.hypot(slope * filament_error_k, np.sqrt(2.0) * error / value * apart)
