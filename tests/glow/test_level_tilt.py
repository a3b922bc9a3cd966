"""Atoms that are excited otherwise than typical: their high levels are theirs, not another species'."""

import numpy as np
import pytest
from glow_emission import Nature
from glow_instrument import random_instrument
from glow_simulator import simulate

from glowledger.glow import plan
from glowledger.glow.identifying import identify_frame
from glowledger.glow.level_tilt import level_tilt
from glowledger.spectra.frames import frames_from_arrays


def hot_argon(seed):
    """Fit argon with populations at kT = 1 eV as a random spectrometer sees it."""
    bench = random_instrument(np.random.RandomState(seed))
    counts, nm, _ = simulate({"Ar I": 1e7 / bench.counts_per_e}, bench, seed, nature=Nature(excitation_ev=1.0))
    fit = identify_frame(frames_from_arrays(nm, counts))
    return fit.mismatch, {e.name: e.verdict for e in fit.species if e.verdict in ("present", "possible")}


def test_argon_twice_as_hot_as_typical_fits_and_little_else_is_seen(monkeypatch):
    """With levels tied to 0.5 eV lines fit half as well, and twice as much that is not there is `possible`."""
    seeds = range(70, 76)
    ours = [hot_argon(seed) for seed in seeds]
    monkeypatch.setattr(plan, "level_tilt", lambda *levels: 0.0)
    tied = [hot_argon(seed) for seed in seeds]
    assert all(seen["Ar I"] == "present" for _, seen in ours)
    # one in a hundred has magnesium for a line of argon that no table lists (seeds 70 to 180)
    assert sum(list(seen.values()).count("present") - 1 for _, seen in ours) <= 1
    assert np.median([mismatch for mismatch, _ in ours]) < 0.05
    assert np.median([mismatch for mismatch, _ in ours]) < 0.75 * np.median([mismatch for mismatch, _ in tied])
    assert sum(len(seen) - 1 for _, seen in ours) < 0.75 * sum(len(seen) - 1 for _, seen in tied)


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
    """A straight line runs through any two points."""
    energy = np.array([13.0, 15.0, np.nan])
    assert level_tilt(energy, np.ones(3), np.array([1.0, 9.0, 9.0]), np.full(3, 0.01)) == 0.0
