"""What a pressure gauge means in a gas other than the one it was calibrated for (nitrogen or air).

Thermal-conductivity gauges (Pirani, thermocouple) read heat carried off by the gas, ionisation gauges read ions
made from it; both depend on the gas. A capacitance gauge weighs the gas and does not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from glowledger.diagnose.feed import Feed
from glowledger.errors import LedgerError

# True pressure over reading where conductivity grows in proportion to pressure. From memory, as commonly given
# in gauge manuals and vacuum handbooks; they differ among makes by what stands behind each, one standard
# deviation as part of the factor.
THERMAL: dict[str, tuple[float, float]] = {
    "N2": (1.0, 0.0), "air": (1.0, 0.0), "O2": (1.0, 0.05), "CO": (1.0, 0.05), "Ar": (1.65, 0.07),
    "He": (0.9, 0.15), "H2": (0.55, 0.12), "D2": (0.8, 0.2), "Ne": (1.4, 0.08), "Kr": (2.4, 0.08),
    "Xe": (3.0, 0.08), "CO2": (0.9, 0.08), "H2O": (0.6, 0.25), "CH4": (0.65, 0.2),
}  # fmt: skip
# Reading over true pressure of hot-cathode ionisation gauges, nitrogen 1. From memory, as commonly given.
IONISATION: dict[str, tuple[float, float]] = {
    "N2": (1.0, 0.0), "air": (1.0, 0.02), "O2": (0.95, 0.1), "CO": (1.05, 0.08), "Ar": (1.3, 0.08),
    "He": (0.18, 0.12), "H2": (0.45, 0.1), "D2": (0.4, 0.15), "Ne": (0.3, 0.12), "Kr": (1.9, 0.1),
    "Xe": (2.8, 0.1), "CO2": (1.4, 0.08), "H2O": (1.1, 0.2), "CH4": (1.5, 0.12),
}  # fmt: skip
COLD_CATHODE_EXTRA = 0.15  # cold-cathode gauges follow the same factors less closely; common practice, no source
HIGHEST_THERMAL_PA = 100.0  # above some 1 mbar conduction saturates and convection begins; common practice

# kind -> (plain name, accuracy of a reading in its own gas as one standard deviation; common practice, no source)
GAUGES: dict[str, tuple[str, float]] = {
    "pirani": ("Pirani gauge", 0.15),
    "thermocouple": ("thermocouple gauge", 0.25),
    "hot cathode": ("hot-cathode ionisation gauge", 0.10),
    "cold cathode": ("cold-cathode ionisation gauge", 0.30),
    "capacitance": ("capacitance gauge", 0.01),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TruePressure:
    """The pressure behind a reading; NaN and a reason where it cannot be told.

    Attributes
    ----------
    reading_pa, pressure_pa, standard_error_pa : float
        As displayed; of the gas; of `pressure_pa`.
    factor : float
        `pressure_pa` over `reading_pa`.
    reason : str
        One plain sentence.
    """

    reading_pa: float
    pressure_pa: float
    standard_error_pa: float
    factor: float
    reason: str

    def __post_init__(self) -> None:
        if not self.reason:
            raise ValueError("a corrected pressure needs its reason")


def known_gauge(name: str) -> str:
    """Return the kind of gauge that a user means.

    Raises
    ------
    LedgerError
        If it is none of `GAUGES`.
    """
    wanted = " ".join(name.lower().replace("-", " ").replace("_", " ").split()).removesuffix(" gauge")
    if wanted in GAUGES:
        return wanted
    raise LedgerError(f"the gauge '{name}' is not known.", mend=f"Use one of {', '.join(GAUGES)}.")


def true_pressure(
    reading_pa: float, gauge: str, feed: Feed | None, *, reading_error_pa: float = math.nan
) -> TruePressure:
    """Correct a gauge reading for the gas.

    Parameters
    ----------
    reading_pa : float
        As displayed by a gauge set to nitrogen or air, Pa.
    gauge : str
        One of `GAUGES`.
    feed : Feed or None
        The gas, with fractions where it is a mixture.
    reading_error_pa : float
        Standard error of the reading; NaN takes what is usual for the gauge.

    Returns
    -------
    TruePressure

    Raises
    ------
    LedgerError
        If the gauge is not known.

    Notes
    -----
    Partial pressures act on their own: a reading is the sum of p·x_i/K_i (thermal, molecular flow) or p·x_i·S_i
    (ionisation); common practice, from memory.
    """
    kind = known_gauge(gauge)
    name, accuracy = GAUGES[kind]
    relative = reading_error_pa / reading_pa if math.isfinite(reading_error_pa) and reading_pa > 0 else accuracy
    if kind == "capacitance":
        return _corrected(reading_pa, 1.0, relative, f"A {name} reads the same in every gas.")
    problem = _why_not(reading_pa, kind, feed)
    if problem or feed is None:
        return TruePressure(
            reading_pa=reading_pa, pressure_pa=math.nan, standard_error_pa=math.nan, factor=math.nan,
            reason=f"Cannot tell: {problem}",
        )  # fmt: skip
    factor, spread = _factor(kind, _fractions(feed))
    reason = (
        f"A {name} set to nitrogen reads {1 / factor:.2g} of the pressure of {feed}: multiplied by {factor:.3g}, "
        f"which is uncertain by {100 * spread:.0f} % (factors from memory, as commonly given)."
    )
    return _corrected(reading_pa, factor, math.hypot(relative, spread), reason)


def _corrected(reading_pa: float, factor: float, relative: float, reason: str) -> TruePressure:
    pressure = reading_pa * factor
    return TruePressure(
        reading_pa=reading_pa, pressure_pa=pressure, standard_error_pa=pressure * relative, factor=factor,
        reason=reason,
    )  # fmt: skip


def _why_not(reading_pa: float, kind: str, feed: Feed | None) -> str:
    """Return why a reading cannot be corrected, or an empty string."""
    name = GAUGES[kind][0]
    if feed is None:
        return f"a {name} depends on the gas, and the gas is not stated."
    table = THERMAL if kind in ("pirani", "thermocouple") else IONISATION
    missing = [gas for gas in feed.gases if gas not in table]
    if missing:
        return f"there is no factor of a {name} for {', '.join(missing)}."
    if len(feed.parts) > 1 and any(math.isnan(x) for x in _fractions(feed).values()):
        return f"a {name} depends on the mixture, and its fractions are not stated."
    if table is THERMAL and reading_pa > HIGHEST_THERMAL_PA and feed.gases not in (("N2",), ("air",)):
        return (
            f"above about {HIGHEST_THERMAL_PA:g} Pa a {name} no longer follows one factor in a gas other than "
            "nitrogen; use the curve of its maker."
        )
    return ""


def _fractions(feed: Feed) -> dict[str, float]:
    """Return mole fractions that add up to one; a single gas is all of it."""
    if len(feed.parts) == 1:
        return {feed.parts[0][0]: 1.0}
    open_gases = [gas for gas, x in feed.parts if math.isnan(x)]
    known = {gas: x for gas, x in feed.parts if not math.isnan(x)}
    if len(open_gases) == 1:
        known[open_gases[0]] = max(0.0, 1.0 - sum(known.values()))
    elif open_gases:
        return {gas: math.nan for gas in feed.gases}
    whole = sum(known.values())
    return {gas: x / whole for gas, x in known.items()}


def _factor(kind: str, fractions: dict[str, float]) -> tuple[float, float]:
    """Return the factor of a mixture and its relative standard error."""
    thermal = kind in ("pirani", "thermocouple")
    response, variance = 0.0, 0.0
    for gas, x in fractions.items():
        value, spread = (THERMAL if thermal else IONISATION)[gas]
        own = x / value if thermal else x * value
        response += own
        variance += (own * spread) ** 2
    relative = math.sqrt(variance) / response
    if kind == "cold cathode" and set(fractions) != {"N2"}:
        relative = math.hypot(relative, COLD_CATHODE_EXTRA)
    return 1.0 / response, relative
