"""Glows of carbon dioxide: the bands of its ion lie beside those of CN, N2, SiH and many lines."""

import pytest
from glow_instrument import Instrument
from glow_simulator import simulate

from glowledger.glow.identifying import identify_frame
from glowledger.spectra.frames import frames_from_arrays

PHOTONS = 2e7


def verdicts(mixture, instrument, seed):
    photons = {name: share * PHOTONS / instrument.counts_per_e for name, share in mixture.items()}
    counts, nm, _ = simulate(photons, instrument, seed)
    return {e.name: e.verdict for e in identify_frame(frames_from_arrays(nm, counts)).species}


@pytest.mark.parametrize("seed", range(4))
def test_bands_of_carbon_dioxide_ions_are_its_own(seed):
    """Known by four heads, its other bands passed for CN, CO+ and silicon."""
    instrument = Instrument(range_nm=(250.0, 900.0), fwhm_nm=(1.2, 1.4))
    mixture = {"Ar I": 0.6, "CO": 0.15, "CO2+": 0.2, "O I": 0.05}
    found = verdicts(mixture, instrument, seed)
    assert found["CO2+"] == "present"
    assert {name for name, verdict in found.items() if verdict == "present"} <= {*mixture, "Ar II"}


@pytest.mark.parametrize("seed", range(4))
def test_carbon_dioxide_ions_are_not_made_of_nitrogen_and_cyanogen(seed):
    instrument = Instrument(range_nm=(250.0, 900.0), fwhm_nm=(1.2, 1.4))
    found = verdicts({"N2": 0.7, "N2+": 0.2, "CN": 0.1}, instrument, seed)
    assert found["CN"] == "present"
    assert found["CO2+"] != "present"
