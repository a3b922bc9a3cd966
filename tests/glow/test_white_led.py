"""A white LED in the room: the smooth light of its blue peak and its phosphor is no band of any molecule."""

import numpy as np
import pytest
from glow_emission import GRID_NM, Nature, species_photons
from glow_instrument import Instrument, detect, record

from glowledger.glow.background import blue_peak
from glowledger.glow.identifying import identify_frame
from glowledger.spectra.frames import frames_from_arrays

# peaks and widths as data sheets of white LEDs have them: common practice, no source
LEDS = [(448.0, 18.0, 560.0, 110.0, 0.7), (455.0, 24.0, 590.0, 135.0, 1.1), (460.0, 26.0, 575.0, 125.0, 0.9)]
FINE = Instrument(pixels=2048, range_nm=(350.0, 800.0), fwhm_nm=(0.8, 1.0), second_order=0.0, window="borosilicate")


def led(peak_nm, fwhm_nm, hill_nm, breadth_nm, height):
    """Photons of a white LED, its sum 1."""
    hump = np.exp(-4 * np.log(2) * ((GRID_NM - peak_nm) / fwhm_nm) ** 2)
    light = hump + height * np.exp(-4 * np.log(2) * ((GRID_NM - hill_nm) / breadth_nm) ** 2)
    return light / light.sum()


def glow(gases, seed):
    """Photons of a glow, its sum that of the weights."""
    rng = np.random.RandomState([seed, 11])
    nature = Nature(t_rot_default=450.0, excitation_ev=0.4)
    return sum(weight * species_photons(name, rng, nature)[0] for name, weight in gases.items())


def recorded(light, seed):
    """An axis and counts of light by a fine instrument."""
    return FINE.believed_nm(), record(FINE, detect(FINE, light[None] * 4e7), np.random.RandomState([seed, 12]))[0]


def found_in(light, seed):
    """Return the verdicts on light."""
    return {one.name: one.verdict for one in identify_frame(frames_from_arrays(*recorded(light, seed))).species}


@pytest.mark.parametrize("lamp", LEDS)
def test_a_white_led_beside_argon_is_no_molecule(lamp):
    found = found_in(glow({"Ar I": 0.5}, 1) + 0.8 * led(*lamp), 1)
    assert {name for name, verdict in found.items() if verdict == "present"} == {"Ar I"}


@pytest.mark.parametrize("lamp", LEDS)
def test_bands_of_oil_are_seen_on_the_light_of_a_led(lamp):
    found = found_in(glow({"Ar I": 0.5, "CH": 0.05, "C2": 0.06}, 2) + 0.8 * led(*lamp), 2)
    assert {name for name, verdict in found.items() if verdict == "present"} >= {"Ar I", "CH", "C2"}


@pytest.mark.parametrize("lamp", LEDS)
def test_the_blue_peak_is_found_where_it_is(lamp):
    nm, counts = recorded(glow({"Ar I": 0.5}, 3) + 0.8 * led(*lamp), 3)
    assert blue_peak(nm, counts, np.isfinite(counts)) == pytest.approx(lamp[0], abs=5.0)


@pytest.mark.parametrize("gas", ["N2", "C2", "CO", "H I", "Ar I", "O2+", "CN"])
def test_no_glow_has_the_blue_peak_of_a_led(gas):
    nm, counts = recorded(glow({gas: 1.0}, 4), 4)
    assert blue_peak(nm, counts, np.isfinite(counts)) is None
