"""What nitrogen bands say of the plasma: field indicator, and gas temperature from rotation."""

from __future__ import annotations

import numpy as np

from glowledger.diagnose.state import SEEN, StateReading, emitter_rows, ratio_in_fit, summed_amplitude, untold
from glowledger.glow.results import Fit, Temperature

FIELD = "N2+/N2 band ratio"
FIELD_SOURCES = (
    "Paris et al., J. Phys. D 38, 3894 (2005) and Obrusník et al., Plasma Sources Sci. Technol. 27, 085013 "
    "(2018): calibrations hold near atmospheric pressure and differ widely",
)
FIELD_CAUTION = (
    "Thresholds 18.75 against 11.03 eV: it rises with fast electrons (negative glow, falling pressure, "
    "magnet moved). Published calibrations to a field strength are for air near one atmosphere, with its "
    "quenching; at low pressure use it only to compare frames of one run."
)
# B_0 of X 1Σg+ and of C 3Πu, cm^-1: Huber & Herzberg 1979, from memory; they map T_rot(C) to T_rot(X).
B_GROUND, B_C = 1.98957, 1.8149
ROTATION_SOURCES = ("Bruggeman et al., Plasma Sources Sci. Technol. 23, 023001 (2014)",)
ARGON_HEAVY = 3.0  # Ar counts over N2 counts above which metastable transfer is to be feared


def field_indicator(fit: Fit) -> StateReading:
    """Read N2+ B-X over N2 C-B (both v'=0) from a fit, as an indicator within one run.

    Parameters
    ----------
    fit : Fit
        With emitters per upper vibrational level.

    Returns
    -------
    StateReading
        A ratio of counts.
    """
    dark = [one.name for one in fit.species if one.name in ("N2", "N2+") and one.verdict not in ("present", "possible")]
    if dark:
        return untold(FIELD, "1", f"Cannot tell: {dark[0]} is not seen.", sources=FIELD_SOURCES)
    ion = emitter_rows(fit, r"N2\+ B-X v'=0\b")
    neutral = emitter_rows(fit, r"N2 C-B v'=0\b")
    for rows, what in ((neutral, "N2 337.1 (C-B)"), (ion, "N2+ 391.4 (B-X)")):
        if not rows.size:
            return untold(FIELD, "1", f"Cannot tell: {what} was not fitted.", sources=FIELD_SOURCES)
    counts, variance = summed_amplitude(fit, neutral)
    if counts <= SEEN * np.sqrt(variance):
        return untold(FIELD, "1", "Cannot tell: N2 C-B does not stand out of the noise.", sources=FIELD_SOURCES)
    ratio = ratio_in_fit(fit, ion, neutral)
    return StateReading(
        name=FIELD, value=ratio.value, standard_error=ratio.standard_error, interval=ratio.interval, unit="1",
        told=True,
        reason="Ratio of counts of nitrogen ions to nitrogen: larger where electrons are faster. Its size "
        "depends on the spectrometer; its changes within a run do not.",
        cautions=(FIELD_CAUTION,), sources=FIELD_SOURCES,
    )  # fmt: skip


def gas_temperature(temperature: Temperature, fit: Fit) -> StateReading:
    """Turn the rotational temperature of N2 C-B into one of the gas, where that holds.

    Parameters
    ----------
    temperature : Temperature
        ``T_rot N2 C-B`` of the fit, 68 % interval.
    fit : Fit
        For the other gases.

    Returns
    -------
    StateReading
        In K.

    Notes
    -----
    At low pressure the C state (37 ns) keeps the ground state's pattern of J over few collisions, so that
    T_gas ≈ T_rot(C) B_X / B_C.
    """
    name = "gas temperature from N2 C-B"
    if not np.isfinite(temperature.kelvin):
        why = temperature.reason.removeprefix("cannot tell: ")
        return untold(name, "K", f"Cannot tell: {why}.", sources=ROTATION_SOURCES)
    counts = {species.name: species.counts for species in fit.species}
    if counts.get("Ar I", 0.0) > ARGON_HEAVY * counts.get("N2", 0.0) > 0:
        return untold(
            name, "K",
            "Cannot tell: argon outshines nitrogen, and metastable argon hands N2 more rotation than the gas "
            "has.",
            sources=ROTATION_SOURCES,
        )  # fmt: skip
    scale = B_GROUND / B_C
    half = 1.96 * (temperature.interval_k[1] - temperature.interval_k[0]) / 2 * scale
    value = temperature.kelvin * scale
    return StateReading(
        name=name,
        value=value,
        standard_error=half / 1.96,
        interval=(max(value - half, 0.0), value + half),
        unit="K",
        told=True,
        reason="The band of nitrogen is shaped by how fast its molecules turn, which at low pressure follows the gas.",
        cautions=("An error of 5 % in the line width moves it by tens of kelvin: measure the width in place.",),
        sources=ROTATION_SOURCES,
    )
