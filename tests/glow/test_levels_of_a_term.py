"""Levels of one term belong together: what one line of a spectrum holds is not split between free and summed ones."""

import numpy as np
from glow_instrument import Instrument
from glow_simulator import simulate

from glowledger.glow.choosing import chosen_emitters
from glowledger.glow.identifying import identify_frame
from glowledger.spectra.frames import frames_from_arrays
from glowledger.tables.species import find_species

BENCH = Instrument(pixels=2048, range_nm=(300.0, 850.0), fwhm_nm=(1.9, 2.1))


def test_all_three_levels_of_chromium_that_make_its_green_triplet_are_free():
    """a5S - z5P at 520.45, 520.60 and 520.84 nm (NIST ASD) is one line of a cheap spectrometer."""
    emitters = chosen_emitters(find_species(("Cr I",)), frozenset({"Cr I"}), {}, 300.0, 850.0)
    (faint,) = [e for e in emitters if e.summed]
    free = np.concatenate([e.wavelength_nm for e in emitters if not e.summed])
    for line in (520.45, 520.60, 520.84):
        assert np.abs(free - line).min() < 0.01
    assert np.abs(faint.wavelength_nm - 520.6).min() > 0.5


def test_chromium_beside_iron_is_measured_by_its_free_levels():
    """With two of three levels summed its counts erred by a quarter, and were given an error of as much."""
    off, errors = [], []
    for seed in range(6):
        counts, nm, truth = simulate({"Ar I": 1e6, "Cr I": 6e4, "Fe I": 6e4, "Ni I": 2e4}, BENCH, 40 + seed)
        fit = identify_frame(frames_from_arrays(nm, counts))
        found = next(e for e in fit.species if e.name == "Cr I")
        true = float(truth.expected["Cr I"][np.asarray(fit.used)].sum())
        off.append((found.counts - true) / found.standard_error)
        errors.append(found.standard_error / true)
    assert np.median(errors) < 0.2
    assert np.sqrt(np.mean(np.square(off))) < 1.5
