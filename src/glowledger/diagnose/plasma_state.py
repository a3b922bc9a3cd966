"""All readings of the plasma's state that one fit allows."""

from __future__ import annotations

from glowledger.bench.model import Response
from glowledger.diagnose.actinometry import PAIRS, actinometry
from glowledger.diagnose.boltzmann import argon_excitation
from glowledger.diagnose.nitrogen import field_indicator, gas_temperature
from glowledger.diagnose.state import StateReading
from glowledger.glow.results import Fit

NITROGEN_ROTATION = ("T_rot N2", "T_rot N2 C-B")


def plasma_state(fit: Fit, response: Response | None = None) -> tuple[StateReading, ...]:
    """Return the readings that the species in a fit allow, 'cannot tell' included.

    Parameters
    ----------
    fit : Fit
        The forward fit of one spectrum.
    response : Response, optional
        Relative response of the spectrometer, if measured.

    Returns
    -------
    tuple of StateReading
        Readings of species that were not seen are left out.
    """
    seen = {species.name for species in fit.species if species.verdict in ("present", "possible")}
    readings = []
    for temperature in fit.temperatures:
        if temperature.name in NITROGEN_ROTATION:
            readings.append(gas_temperature(temperature, fit))
    if "Ar I" in seen:
        readings.append(argon_excitation(fit, response))
        readings.extend(actinometry(fit, pair) for pair in PAIRS if f"{pair.name[0]} I" in seen)
    if {"N2", "N2+"} & seen:
        readings.append(field_indicator(fit))
    return tuple(readings)
