"""Axes: which unit they are in, and their conversion to pixel or nm in air."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from glowledger.errors import AmbiguousFile, ReadError
from glowledger.spectra.column_names import role_of, says_vacuum, unit_of

EV_NM = 1239.8419843320026  # h c / e in eV nm, exact in the SI of 2019
FEWEST_POINTS = 20  # of a spectrum; a table with fewer rows, or columns, has its axis the other way
NM_LIKELY = (
    150.0,
    1300.0,
)  # what silicon detectors see, with margin; beyond it a bare number is not taken as nm

_SPOKEN = {
    "pixel": "pixel number",
    "nm": "nm in air",
    "nm_vacuum": "nm in vacuum",
    "angstrom": "Å in air",
    "angstrom_vacuum": "Å in vacuum",
    "um": "µm in air",
    "cm-1": "wavenumber in cm⁻¹",
    "eV": "photon energy in eV",
}


def find_unit(values: NDArray[np.float64], name: str, unit_text: str, path: Path | None) -> tuple[str, str]:
    """Find out the unit of an axis.

    Parameters
    ----------
    values : ndarray of shape (p,)
        As in the file.
    name, unit_text : str
        Column name and unit as written; may be empty.
    path : Path or None
        Named in messages.

    Returns
    -------
    (str, str)
        The unit, one of `options.AXIS_UNITS`, and the reason as a sentence.

    Raises
    ------
    AmbiguousFile
        If two units are possible.
    """
    unit = unit_of(unit_text) if unit_text else None
    unit = unit or unit_of(name)
    role = role_of(name)
    vacuum = says_vacuum(f"{name} {unit_text}")
    if unit in ("nm", "angstrom"):
        return unit + ("_vacuum" if vacuum else ""), f"named '{(name + ' ' + unit_text).strip()}'"
    if unit in ("um", "cm-1", "eV", "pixel"):
        return unit, f"named '{(name + ' ' + unit_text).strip()}'"
    if role == "pixel":
        return "pixel", f"named '{name}'"
    if role == "wavenumber":
        return "cm-1", f"named '{name}'"
    if role == "energy":
        return "eV", f"named '{name}'"
    return _unit_by_values(values, name, role, vacuum, path)


def _unit_by_values(
    values: NDArray[np.float64], name: str, role: str | None, vacuum: bool, path: Path | None
) -> tuple[str, str]:
    low, high = float(np.min(values)), float(np.max(values))
    whole = bool(np.all(values == np.round(values)))
    shown = f"{low:g} to {high:g}"
    if whole and low in (0.0, 1.0):
        return "pixel", f"whole numbers from {shown}"
    if role == "wavelength":
        for unit, least, most in (("nm", 100, 2600), ("angstrom", 2600.0 - 1100, 26000), ("um", 0.1, 2.6)):
            if least <= low and high <= most and not (unit == "nm" and low > 1300):
                return unit + ("_vacuum" if vacuum and unit != "um" else ""), f"'{name}' from {shown}"
    if NM_LIKELY[0] <= low and high <= NM_LIKELY[1] and (not whole or _step(values) > 1):
        return "nm", f"numbers from {shown}"
    readings = _readings(low, high, whole)
    raise AmbiguousFile(
        f"the axis runs from {shown} and nothing names its unit: it can be {' or '.join(readings.values())}.",
        mend=f"Say which:  {'  or  '.join('--axis-unit ' + unit for unit in readings)}",
        file=path,
    )


def _step(values: NDArray[np.float64]) -> float:
    return float(np.min(np.abs(np.diff(values)))) if values.size > 1 else 0.0


def _readings(low: float, high: float, whole: bool) -> dict[str, str]:
    """Return the units in which the range is light that a spectrometer may see, with what each would mean."""
    found = {}
    if whole and low >= 0:
        found["pixel"] = "pixel numbers"
    ways: tuple[tuple[str, Callable[[float], float]], ...] = (
        ("nm", lambda v: v),
        ("angstrom", lambda v: v / 10),
        ("um", lambda v: v * 1000),
        ("cm-1", lambda v: 1e7 / v),
        ("eV", lambda v: EV_NM / v),
    )
    for unit, to_nm in ways:
        if low <= 0:
            continue
        ends = sorted((to_nm(low), to_nm(high)))
        if ends[0] >= 90 and ends[1] <= 5000:
            found[unit] = f"{_SPOKEN[unit]} ({ends[0]:.0f} to {ends[1]:.0f} nm)"
    if len(found) < 2:
        found.setdefault("pixel", "pixel numbers")
        found.setdefault("nm", "nm in air")
    return found


def to_standard(values: NDArray[np.float64], unit: str) -> tuple[NDArray[np.float64], str]:
    """Convert an axis to pixel or nm (air).

    Parameters
    ----------
    values : ndarray of shape (p,)
        In `unit`.
    unit : str
        One of `options.AXIS_UNITS`. Wavenumber and energy are in vacuum by nature.

    Returns
    -------
    (ndarray of shape (p,), str)
        The axis and a sentence on the conversion, empty where there was none.
    """
    if unit in ("pixel", "nm"):
        return values, ""
    if unit == "angstrom":
        return values / 10.0, "Divided by 10 to nm."
    if unit == "um":
        return values * 1000.0, "Times 1000 to nm."
    if np.any(values <= 0):
        raise ReadError("the axis has values of 0 or below, which are no light.", mend="Check --axis-unit.")
    if unit == "cm-1":
        vacuum_nm = 1e7 / values
    elif unit == "eV":
        vacuum_nm = EV_NM / values
    else:
        vacuum_nm = values / (10.0 if unit == "angstrom_vacuum" else 1.0)
    from glowledger.tables.air import air_from_vacuum

    return np.asarray(air_from_vacuum(vacuum_nm)), "Converted to nm in air."


def spoken(unit: str) -> str:
    """Return the unit in words."""
    return _SPOKEN[unit]


def looks_like_nm(values: NDArray[np.float64]) -> bool:
    """Return whether numbers can be the wavelengths of a spectrum in nm."""
    low, high = np.min(values), np.max(values)
    return bool(
        values.size >= FEWEST_POINTS and low >= NM_LIKELY[0] and high <= NM_LIKELY[1] and high - low > 20
    )
