"""Spectra divided by the response before they were written: noise differs by factors along the axis."""

import numpy as np
import pytest
from glow_instrument import random_instrument
from glow_simulator import simulate

from glowledger.glow.emitters import atomic_emitters
from glowledger.glow.fitting import fit_scene
from glowledger.glow.identifying import identify
from glowledger.glow.scene import build_scene
from glowledger.glow.starting import guessed_line_spread
from glowledger.glow.uneven_noise import uneven_variance
from glowledger.spectra.frames import frames_from_arrays
from glowledger.tables.species import find_species

GAIN = 30.0


def neon(seed, corrected):
    """Neon as a detector sees it, or divided by a response that falls to a thirtieth at both ends."""
    bench = random_instrument(np.random.RandomState(seed), pixels=2048, range_nm=(300.0, 900.0))
    counts, nm, _ = simulate({"Ne I": 1e6 / bench.counts_per_e}, bench, seed)
    level = np.quantile(counts, 0.1)
    factor = np.exp(np.log(GAIN) * (np.abs(nm - 600.0) / 300.0) ** 2) if corrected else np.ones(nm.size)
    return frames_from_arrays(nm, (counts - level) * factor), factor


def fitted(frames):
    emitters = atomic_emitters(find_species(("Ne I",))[0])
    scene = build_scene(frames, emitters, guessed_line_spread(frames), None)
    return scene, fit_scene(scene)


@pytest.mark.parametrize("seed", [3, 5, 8])
def test_noise_that_was_multiplied_is_found_where_it_was(seed):
    frames, factor = neon(seed, corrected=True)
    scene, solution = fitted(frames)
    uneven = uneven_variance(scene, solution)
    places = np.arange(200, 1900, 100)
    quiet = uneven[places] + np.min(solution.levels.random_variance(solution.model))
    assert np.corrcoef(np.log(quiet), np.log(factor[places]))[0, 1] > 0.8
    assert np.median(uneven[:150]) > 10 * np.median(uneven[900:1150])


@pytest.mark.parametrize("seed", [3, 5, 8])
def test_even_noise_is_left_as_it_is(seed):
    frames, _ = neon(seed, corrected=False)
    assert not uneven_variance(*fitted(frames)).any()


@pytest.mark.parametrize("seed", [3, 5, 8])
def test_the_residuals_of_a_corrected_spectrum_are_those_expected(seed):
    frames, _ = neon(seed, corrected=True)
    fit = identify(frames).fit
    assert [e.name for e in fit.species if e.verdict == "present"] == ["Ne I"]
    assert fit.chi2_reduced < 2.0  # with one read noise and one gain for all pixels: 4 to 8
