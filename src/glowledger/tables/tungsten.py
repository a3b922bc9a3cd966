"""Emissivity of tungsten: the bundled table, interpolated."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glowledger.errors import TableError
from glowledger.tables.folder import read_table

RANGE_NM = (250.0, 1100.0)
RANGE_K = (1600.0, 3500.0)  # the table ends at 2800 K; it is nearly linear there and continued to halogen lamps


@cache
def _grid() -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], float]:
    _, columns = read_table("tungsten_emissivity.csv")
    try:
        kelvin = np.unique(np.array(columns["temperature_k"], dtype=np.float64))
        nm = np.unique(np.array(columns["wavelength_nm"], dtype=np.float64))
        value = np.array(columns["emissivity"], dtype=np.float64).reshape(kelvin.size, nm.size)
        error = float(np.max(np.array(columns["standard_error"], dtype=np.float64)))
    except (KeyError, ValueError) as problem:
        raise TableError(f"the tungsten table is damaged ({problem}).", mend="Install glowledger again.") from problem
    return kelvin, nm, value, error


def emissivity(nm: ArrayLike, kelvin: float) -> tuple[NDArray[np.float64], float]:
    """Return the spectral emissivity of clean tungsten, and its standard error.

    Parameters
    ----------
    nm : array_like
        Wavelengths in nm; beyond 250 to 1100 nm the outermost values hold.
    kelvin : float
        True temperature of the metal, K, within `RANGE_K`; the slope from 2600 to 2800 K goes on above.

    Returns
    -------
    ndarray, same shape as `nm`
        Emissivity.
    float
        Its standard error: of the measurement, and of a filament that is no polished ribbon.

    Raises
    ------
    TableError
        If the temperature is outside `RANGE_K`.

    Notes
    -----
    de Vos, Physica 20, 690 (1954), doi 10.1016/S0031-8914(54)80181-8, as reprinted in handbooks, from memory.
    """
    low, high = RANGE_K
    if not low <= kelvin <= high:
        raise TableError(
            f"tungsten at {kelvin:g} K is outside the table ({low:g} to {high:g} K).",
            mend="Give the temperature of the filament in kelvin.",
        )
    temperatures, places, value, error = _grid()
    i = int(np.clip(np.searchsorted(temperatures, kelvin) - 1, 0, temperatures.size - 2))
    part = (kelvin - temperatures[i]) / (temperatures[i + 1] - temperatures[i])
    row = (1 - part) * value[i] + part * value[i + 1]
    return np.interp(np.asarray(nm, dtype=np.float64), places, row), error
