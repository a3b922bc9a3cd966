"""Atoms that are excited otherwise than typical: their high levels are theirs, not another species'."""

import numpy as np
import pytest
from glow_emission import Nature
from glow_instrument import random_instrument
from glow_simulator import simulate

from glowledger.glow.identifying import identify_frame
from glowledger.glow.level_tilt import level_tilt
from glowledger.spectra.frames import frames_from_arrays


@pytest.mark.parametrize("seed", [70, 71, 76, 77])
def test_in_argon_twice_as_hot_as_typical_nothing_else_is_seen(seed):
    """Populations at kT = 1 eV, random spectrometers; with ties to 0.5 eV magnesium and aluminium were possible."""
    bench = random_instrument(np.random.RandomState(seed))
    nature = Nature(excitation_ev=1.0)
    counts, nm, _ = simulate({"Ar I": 1e7 / bench.counts_per_e}, bench, seed, nature=nature)
    fit = identify_frame(frames_from_arrays(nm, counts))
    assert [e.name for e in fit.species if e.verdict in ("present", "possible")] == ["Ar I"]
    assert fit.mismatch < 0.05


def levels(tilt, seed, noise):
    """Forty levels of a Boltzmann population with a scatter of 0.5 in its logarithm, and errors of their amounts."""
    rng = np.random.default_rng(seed)
    energy = rng.uniform(13.0, 15.5, 40)
    weight = rng.lognormal(0.0, 1.0, 40) * np.exp(-(energy - 13.0) / 0.5)
    true = 7.0 * weight * np.exp(tilt * (energy - 13.0) + 0.5 * rng.standard_normal(40))
    error = np.full(40, noise * true.max())
    return energy, weight, np.maximum(true + error * rng.standard_normal(40), 0.0), error


@pytest.mark.parametrize("noise", [1e-4, 1e-3, 5e-3])
@pytest.mark.parametrize("tilt", [-0.75, 0.0, 0.75])
def test_the_excitation_is_found_without_bias_though_faint_levels_are_not_seen(tilt, noise):
    found = [level_tilt(*levels(tilt, seed, noise)) for seed in range(40)]
    assert np.mean(found) == pytest.approx(tilt, abs=0.2)


def test_a_level_that_took_the_light_of_another_species_tells_little():
    energy, weight, amount, error = levels(0.0, 5, 1e-4)
    amount[np.argmax(energy)] *= 200.0
    assert abs(level_tilt(energy, weight, amount, error)) <= 0.25


def test_few_levels_tell_nothing():
    energy = np.array([13.0, 13.5, 15.0, np.nan])
    assert level_tilt(energy, np.ones(4), np.array([1.0, 1.0, 9.0, 9.0]), np.full(4, 0.01)) == 0.0
