"""All readings of the plasma's state that one fit allows."""

from __future__ import annotations

from dataclasses import replace

from glowledger.bench.model import Response
from glowledger.diagnose.actinometry import PAIRS, ActinometerPair, actinometry
from glowledger.diagnose.boltzmann import argon_excitation
from glowledger.diagnose.line_width import hbeta_in_fit
from glowledger.diagnose.nitrogen import field_indicator
from glowledger.diagnose.rate_constants import Rates, constant_for
from glowledger.diagnose.rotation_state import rotational_readings
from glowledger.diagnose.state import StateReading
from glowledger.glow.results import Fit


def plasma_state(fit: Fit, response: Response | None = None, rates: Rates | None = None) -> tuple[StateReading, ...]:
    """Return the readings that the species in a fit allow, 'cannot tell' included.

    Parameters
    ----------
    fit : Fit
        The forward fit of one spectrum.
    response : Response, optional
        Relative response of the spectrometer, if measured.
    rates : Rates, optional
        The user's rate constants; with them and a response, actinometry gives densities relative to all gas.

    Returns
    -------
    tuple of StateReading
        Readings of species that were not seen are left out.
    """
    seen = {species.name for species in fit.species if species.verdict in ("present", "possible")}
    readings = [*rotational_readings(fit)]
    if "Ar I" in seen:
        readings.append(argon_excitation(fit, response))
        readings.extend(_actinometry(fit, pair, response, rates) for pair in PAIRS if f"{pair.name[0]} I" in seen)
    if {"N2", "N2+"} & seen:
        readings.append(field_indicator(fit))
    if "H I" in seen and (width := hbeta_in_fit(fit)) is not None:
        readings.append(width)
    return tuple(readings)


def _actinometry(fit: Fit, pair: ActinometerPair, response: Response | None, rates: Rates | None) -> StateReading:
    """Return the ratio of a pair: absolute where the user's rates and a response allow it."""
    constant = None if rates is None or response is None else constant_for(fit, pair, rates, response)
    reading = actinometry(fit, pair, constant, None if rates is None or constant is None else rates.argon_share)
    if rates is not None and constant is None:
        why = "no response of this spectrometer is known" if response is None else "rate constants of it are missing"
        return replace(reading, reason=f"Your rate constants were not used: {why}. {reading.reason}")
    return reading
