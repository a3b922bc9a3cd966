"""Rotational temperatures as readings of the plasma's state: which of them says anything of the gas."""

from __future__ import annotations

import numpy as np

from glowledger.diagnose.nitrogen import ROTATION_SOURCES, gas_temperature
from glowledger.diagnose.state import SEEN, StateReading, emitter_rows, summed_amplitude, untold
from glowledger.glow.results import Fit, Temperature

SECOND_POSITIVE = r"N2 C-B\b"  # labels of its emitters
NITROGEN = ("T_rot N2", "T_rot N2 C-B")
# What the rotation of each other molecule is good for: Bruggeman et al. 2014 (from memory) as in ROTATION_SOURCES.
_MEANING = {
    "OH": "OH that comes from broken water is born turning fast, and at low pressure meets too few molecules to slow "
    "down before it shines: an upper bound of the gas temperature at best.",
    "N2+": "N2+ takes over the rotation of the nitrogen it is made from when electrons make it, but not when "
    "metastable helium or neon does; in a cathode glow it is often hotter than the gas.",
    "N2": "It is of the red bands (B-A) alone, as the violet ones (C-B) are not seen here. Their state lives for "
    "microseconds and is also filled from above: it need not turn as the gas does.",
}
_OTHERS = "Molecules that are born by breaking larger ones keep some of the energy: not a thermometer of the gas."
ROTATION = "rotational temperature of"
NORMAL_95 = 1.959964


def rotational_readings(fit: Fit) -> tuple[StateReading, ...]:
    """Return one reading per molecule whose rotation was fitted, 'cannot tell' included.

    Parameters
    ----------
    fit : Fit
        Its `temperatures` carry 68 % intervals.

    Returns
    -------
    tuple of StateReading
        In K; of N2 as a gas temperature where that holds, of the others as what they are.
    """
    return tuple(_reading(one, fit) for one in fit.temperatures)


def _reading(temperature: Temperature, fit: Fit) -> StateReading:
    molecule = temperature.name.removeprefix("T_rot ").split()[0]
    uncertain = any(one.name == molecule and one.verdict != "present" for one in fit.species)
    if uncertain and np.isfinite(temperature.kelvin):
        why = f"Cannot tell: {molecule} itself is not certain."
        return untold(f"{ROTATION} {molecule}", "K", why, sources=ROTATION_SOURCES)
    if temperature.name in NITROGEN and _shows(fit, SECOND_POSITIVE):
        return gas_temperature(temperature, fit)
    name = f"{ROTATION} {molecule}"
    if not np.isfinite(temperature.kelvin):
        why = temperature.reason.removeprefix("cannot tell: ")
        return untold(name, "K", f"Cannot tell: {why}.", sources=ROTATION_SOURCES)
    low, high = (max(end, 1.0) for end in temperature.interval_k)
    sd = float(np.log(high / low)) / 2  # of ln T: shapes of bands tell ratios of temperatures
    spread = float(np.exp(NORMAL_95 * sd))
    return StateReading(
        name=name,
        value=temperature.kelvin,
        standard_error=temperature.kelvin * sd,
        interval=(temperature.kelvin / spread, temperature.kelvin * spread),
        unit="K",
        told=True,
        reason=f"How fast the {molecule} that shines turns, from the shape of its bands. It need not be the gas's.",
        cautions=(_MEANING.get(molecule, _OTHERS),),
        sources=ROTATION_SOURCES,
    )


def _shows(fit: Fit, pattern: str) -> bool:
    """Return whether emitters whose labels match a pattern stand out of the noise together."""
    rows = emitter_rows(fit, pattern)
    counts, variance = summed_amplitude(fit, rows)
    return bool(rows.size) and counts > SEEN * float(np.sqrt(variance))
