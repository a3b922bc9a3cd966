"""Features of a species: which of them count, and as how strong."""

from dataclasses import replace

import numpy as np
import pytest
from glow_instrument import Instrument
from glow_simulator import simulate

from glowledger.glow.identifying import identify_frame
from glowledger.spectra.frames import frames_from_arrays


def test_the_strongest_line_that_can_be_told_counts_as_the_strongest():
    """Oxygen with 777 nm cut off at the ceiling is known by 844 nm, far fainter here at the edge."""
    bench = Instrument(pixels=1024, range_nm=(300.0, 844.9), fwhm_nm=(1.3, 1.4), bend=(2.0, 0.3))
    counts, nm, _ = simulate({"O I": 3e6}, bench, 5)
    counts[np.abs(nm - 777.3) < 4] = np.nan
    oxygen = next(e for e in identify_frame(frames_from_arrays(nm, counts)).species if e.name == "O I")
    assert oxygen.verdict == "present", oxygen.reason


def test_flanks_of_a_line_that_is_cut_off_are_not_those_of_its_neighbour():
    """Oxygen's 777 nm at the ceiling, argon's 772 nm as bright beside its flank, lines 2.5 nm wide."""
    bench = Instrument(pixels=512, range_nm=(300.0, 1000.0), fwhm_nm=(2.5, 2.6))
    counts, nm, truth = simulate({"Ar I": 1.2e7, "O I": 8e6}, bench, 3)
    counts[np.abs(truth.true_nm - 777.3) < 2.4] = np.nan
    oxygen = next(e for e in identify_frame(frames_from_arrays(nm, counts)).species if e.name == "O I")
    assert oxygen.verdict == "present", oxygen.reason
    assert any(feature.clean and abs(feature.wavelength_nm - 777.3) < 2 for feature in oxygen.features)


BENCH = Instrument(
    pixels=2048, range_nm=(340.0, 1020.0), fwhm_nm=(1.5, 1.5), bend=(0.0, 0.0), slit_share=0.3, tail=0.0, wing=0.005
)


def with_a_line(base, place_nm, seed, part=0.15):
    """A spectrum of a gas and one line that no table holds, as bright as a part of the brightest, and its fit."""
    counts, nm, truth = simulate({base: 4e7}, BENCH, seed, background_share=0.01)
    top = part * np.nanmax(counts)
    added = top * np.exp(-4 * np.log(2) * ((truth.true_nm - place_nm) / 1.5) ** 2)
    counts = counts + np.random.RandomState(seed).poisson(added)
    return {one.name: one for one in identify_frame(frames_from_arrays(nm, counts)).species}


@pytest.mark.parametrize(
    ("place_nm", "named"),
    [(425.1, "Cr I"), (686.1, "F I"), (760.61, "Kr I")],
)
def test_a_line_between_or_beside_those_of_a_species_does_not_make_it_present(place_nm, named):
    found = with_a_line("He I", place_nm, 1)
    assert found["He I"].verdict == "present"
    assert found[named].verdict != "present", found[named].reason


def test_one_line_is_not_counted_as_two_of_a_species_that_has_one_in_its_place():
    tungsten = with_a_line("He I", 429.3, 1)["W I"]
    assert sum(one.clean and 424 < one.wavelength_nm < 434 for one in tungsten.features) <= 1, tungsten.reason


@pytest.mark.parametrize("shift_nm", [-0.7, 0.0, 0.6])
@pytest.mark.parametrize("named", ["Cr I", "Cu I", "Mn I"])
def test_lines_in_their_places_make_it_present_on_a_wrong_axis_as_well(named, shift_nm):
    bench = replace(BENCH, axis_error_nm=(shift_nm, 0.3 * shift_nm, 0.0))
    counts, nm, _ = simulate({"He I": 4e7, named: 4e6}, bench, 2, background_share=0.01)
    found = next(one for one in identify_frame(frames_from_arrays(nm, counts)).species if one.name == named)
    assert found.verdict == "present", found.reason
    if named == "Cr I":  # at 1.5 nm 425.4 and 427.5 overlap, and are two all the same
        assert sum(one.clean and 424 < one.wavelength_nm < 429 for one in found.features) >= 2
