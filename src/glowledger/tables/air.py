"""Wavelengths in air and in vacuum: Ciddor 1996, standard air unless told otherwise."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

STANDARD_PRESSURE_PA = 101325.0
STANDARD_TEMPERATURE_C = 15.0

# Ciddor, Appl. Opt. 35, 1566 (1996), eq. 1 and appendix A: k0..k3 in µm⁻², standard air
# (dry, 15 °C, 101325 Pa, 450 ppm CO2).
_K0, _K1, _K2, _K3 = 238.0185, 5792105.0, 57.362, 167917.0


def refractivity(vacuum_nm: ArrayLike) -> NDArray[np.float64]:
    """Return n - 1 of standard air (dry, 15 °C, 101325 Pa, 450 ppm CO2).

    Parameters
    ----------
    vacuum_nm : array_like
        Vacuum wavelengths, nm. The equation was fitted to measurements from 230 to 1690 nm; it is smooth
        and used here down to 185 nm.

    Returns
    -------
    ndarray, same shape
        Refractivity, dimensionless; standard uncertainty below 2e-8 (Ciddor 1996).

    Notes
    -----
    Ciddor, Appl. Opt. 35, 1566 (1996), eq. 1, doi 10.1364/AO.35.001566.
    """
    sigma2 = (1e3 / np.asarray(vacuum_nm, dtype=np.float64)) ** 2
    return np.asarray(1e-8 * (_K1 / (_K0 - sigma2) + _K3 / (_K2 - sigma2)))


def density_factor(
    temperature_c: ArrayLike = STANDARD_TEMPERATURE_C, pressure_pa: ArrayLike = STANDARD_PRESSURE_PA
) -> NDArray[np.float64]:
    """Return the factor by which refractivity changes from standard air to the air of a room.

    Parameters
    ----------
    temperature_c, pressure_pa : array_like
        Air temperature in °C and pressure in Pa, broadcast against each other.

    Returns
    -------
    ndarray
        1 at 15 °C and 101325 Pa. Humidity is left out: 50 % at 20 °C changes n by some 5e-7, which is
        3e-4 nm at 600 nm.

    Notes
    -----
    Birch & Downs, Metrologia 31, 315 (1994), eq. for (n - 1) at t and p, scaled to 1 at standard air.
    """

    def scale(t: NDArray[np.float64], p: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(p * (1 + 1e-8 * (0.601 - 0.00972 * t) * p) / (1 + 0.0036610 * t))

    room = scale(np.asarray(temperature_c, dtype=np.float64), np.asarray(pressure_pa, dtype=np.float64))
    standard = scale(np.asarray(STANDARD_TEMPERATURE_C), np.asarray(STANDARD_PRESSURE_PA))
    return np.asarray(room / standard)


def air_from_vacuum(
    vacuum_nm: ArrayLike,
    *,
    temperature_c: float = STANDARD_TEMPERATURE_C,
    pressure_pa: float = STANDARD_PRESSURE_PA,
) -> NDArray[np.float64]:
    """Return wavelengths in air for wavelengths in vacuum.

    Parameters
    ----------
    vacuum_nm : array_like
        Vacuum wavelengths, nm; also below 200 nm, where published tables usually stay in vacuum.
    temperature_c, pressure_pa : float
        The air the spectrometer stands in. Tables use standard air; leave these alone unless the
        difference (0.005 nm from 15 to 25 °C at 600 nm) matters.

    Returns
    -------
    ndarray, same shape
        nm in air.
    """
    vacuum = np.asarray(vacuum_nm, dtype=np.float64)
    factor = density_factor(temperature_c, pressure_pa)
    return np.asarray(vacuum / (1.0 + factor * refractivity(vacuum)))


def vacuum_from_air(
    air_nm: ArrayLike,
    *,
    temperature_c: float = STANDARD_TEMPERATURE_C,
    pressure_pa: float = STANDARD_PRESSURE_PA,
) -> NDArray[np.float64]:
    """Return wavelengths in vacuum for wavelengths in air: the inverse of `air_from_vacuum` to rounding.

    Parameters
    ----------
    air_nm : array_like
        Air wavelengths, nm.
    temperature_c, pressure_pa : float
        See `air_from_vacuum`.

    Returns
    -------
    ndarray, same shape
        nm in vacuum.
    """
    air = np.asarray(air_nm, dtype=np.float64)
    factor = density_factor(temperature_c, pressure_pa)
    vacuum = air
    for _ in range(4):  # a contraction by ~1e-5 each time: four reach the last bit
        vacuum = air * (1.0 + factor * refractivity(vacuum))
    return np.asarray(vacuum)
