"""Atoms that are excited otherwise than typical: their high levels are theirs, not another species'."""

import numpy as np
import pytest
from glow_emission import Nature
from glow_instrument import random_instrument
from glow_simulator import simulate

from glowledger.glow.identifying import identify_frame
from glowledger.glow.level_tilt import level_tilt
from glowledger.spectra.frames import frames_from_arrays


@pytest.mark.parametrize("seed", [70, 72, 74, 77])
def test_in_argon_twice_as_hot_as_typical_nothing_else_is_seen(seed):
    """Populations at kT = 1 eV, random spectrometers; with ties to 0.5 eV magnesium, SiH, CH, N2+ were possible."""
    bench = random_instrument(np.random.RandomState(seed))
    nature = Nature(excitation_ev=1.0)
    counts, nm, _ = simulate({"Ar I": 1e7 / bench.counts_per_e}, bench, seed, nature=nature)
    fit = identify_frame(frames_from_arrays(nm, counts))
    assert [e.name for e in fit.species if e.verdict in ("present", "possible")] == ["Ar I"]
    assert fit.mismatch < 0.05


def test_the_slope_of_a_boltzmann_plot_is_found_with_its_prior():
    rng = np.random.default_rng(4)
    energy = np.tile(np.linspace(13.0, 15.5, 40), 2)
    weight = rng.lognormal(0.0, 2.0, 80)
    species = np.repeat([0, 1], 40)
    slope = np.array([1.0, -0.5])[species]
    amount = 7.0 * weight * np.exp(slope * (energy - 14.0) + 0.5 * rng.standard_normal(80))
    energy[3] = np.nan
    tilt = level_tilt(energy, weight, amount, species, np.full(80, 50.0))
    assert tilt == pytest.approx([1.0, -0.5], abs=0.25)


def test_levels_that_are_not_seen_tell_nothing():
    energy = np.array([13.0, 13.5, 15.0])
    tilt = level_tilt(energy, np.ones(3), np.array([1.0, 1.0, 9.0]), np.zeros(3, int), np.array([50.0, 50.0, 1.0]))
    assert tilt == pytest.approx([0.0])
