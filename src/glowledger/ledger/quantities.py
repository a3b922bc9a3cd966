"""Numbers with units as people write them beside a run: ``5e-2 mbar``, ``600 V``, ``5.0 ± 0.2 Pa``."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from glowledger.errors import LedgerError

SCCM = 101325.0 * 1e-6 / 60.0  # Pa m³/s: one cm³ a minute at 0 °C and one atmosphere; by definition
# quantity -> (unit kept, unit -> factor to it); NIST SP 811 (2008), appendix B.8, but for sccm and slm
UNITS: dict[str, tuple[str, dict[str, float]]] = {
    "pressure": (
        "Pa",
        {"Pa": 1.0, "hPa": 100.0, "kPa": 1e3, "mbar": 100.0, "µbar": 0.1, "ubar": 0.1, "bar": 1e5,
         "Torr": 101325.0 / 760.0, "mTorr": 101.325 / 760.0, "atm": 101325.0},
    ),
    "flow": ("Pa m3/s", {"sccm": SCCM, "slm": 1e3 * SCCM, "Pa m3/s": 1.0, "mbar l/s": 0.1}),
    "voltage": ("V", {"V": 1.0, "kV": 1e3, "mV": 1e-3}),
    "current": ("A", {"A": 1.0, "mA": 1e-3, "µA": 1e-6, "uA": 1e-6}),
    "power": ("W", {"W": 1.0, "kW": 1e3, "mW": 1e-3}),
}  # fmt: skip
_NUMBER = r"[-+]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][-+]?\d+)?"
_PATTERN = re.compile(rf"^\s*({_NUMBER})\s*(?:(?:±|\+/-)\s*({_NUMBER})\s*)?(\D.*?)?\s*$")


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """One number of the context.

    Attributes
    ----------
    name : str
        One of `UNITS`.
    stated : str
        As written.
    value, standard_error : float
        In `unit`; the standard error is NaN where it was not given.
    unit : str
        The unit kept.
    """

    name: str
    stated: str
    value: float
    standard_error: float
    unit: str


def parse_quantity(name: str, stated: str) -> Quantity:
    """Read one number with its unit.

    Parameters
    ----------
    name : str
        One of `UNITS`.
    stated : str
        E.g. ``5e-2 mbar``, ``0,05 mbar``, ``5.0 ± 0.2 Pa``.

    Returns
    -------
    Quantity

    Raises
    ------
    LedgerError
        If there is no number, no unit, or a unit of something else.
    """
    unit, factors = UNITS[name]
    found = _PATTERN.match(str(stated))
    example = f"Write it as a number and a unit: {name} = \"5 {next(iter(factors))}\"."
    if not found:
        raise LedgerError(f"{name} is '{stated}', expected a number and a unit.", mend=example)
    given = " ".join((found[3] or "").split())
    known = factors.get(given, factors.get(_any_case(given, factors), math.nan))
    if math.isnan(known):
        what = f"the unit '{given}'" if given else "no unit"
        raise LedgerError(f"{name} is '{stated}', with {what}.", mend=f"Units known: {', '.join(factors)}.")
    error = _number(found[2]) * known if found[2] else math.nan
    return Quantity(
        name=name, stated=str(stated), value=_number(found[1]) * known, standard_error=error, unit=unit
    )


def _number(text: str) -> float:
    return float(text.replace(",", "."))


def _any_case(given: str, factors: dict[str, float]) -> str:
    """Return the unit that differs in case alone, if there is only one; mega is never taken for milli."""
    same = [unit for unit in factors if unit.lower() == given.lower() and not given.startswith("M")]
    return same[0] if len(same) == 1 else given
