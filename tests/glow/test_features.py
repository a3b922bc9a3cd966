"""Features of a species: which of them count, and as how strong."""

import numpy as np
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
