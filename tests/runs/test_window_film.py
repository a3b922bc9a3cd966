"""A film that grows on the window is told from the light of one gas; invented counts, numpy only."""

from dataclasses import replace

import numpy as np
import pytest
from run_counts import NAMES, cleaning_counts

from glowledger.glow.results import SeriesFit
from glowledger.runs.analysing import analyse_run

FRAMES = 260
T = np.arange(float(FRAMES))


def alarms(short, long, *, seed=1, noise=0.05, **events):
    """Return the kinds of alarms of a run whose gas has such short-wave and long-wave light, shape (n,)."""
    rng = np.random.default_rng(seed)
    light = np.stack([short, long], axis=1) * np.exp(0.02 * rng.standard_normal(FRAMES))[:, None]
    made = SeriesFit(species_names=NAMES, **cleaning_counts(FRAMES, seed=seed, **events))
    error = np.full(light.shape, noise) * np.sqrt(light)
    seen = light + error * rng.standard_normal(light.shape)
    return [(a.kind, a.time_s) for a in analyse_run(replace(made, shades=seen, shades_error=error)).alarms]


def test_a_film_is_told_once_it_takes_a_fifth_of_the_short_waves():
    depth = 0.6 * T / FRAMES
    told = [at for kind, at in alarms(np.exp(-depth), np.exp(-0.2 * depth)) if kind == "window fogging"]
    assert len(told) == 1
    apart = 0.2 / (0.8 * 0.6) * FRAMES  # where the two are a fifth apart, by the formula above
    assert apart - 15 < told[0] < apart + 40


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("short_over_long", [1.0, 1.15])
def test_nothing_is_told_of_power_that_sinks_or_flickers(seed, short_over_long):
    power = 0.5 * T / FRAMES
    told = alarms(np.exp(-short_over_long * power), np.exp(-power), seed=seed, noise=0.1)
    assert "window fogging" not in [kind for kind, _ in told]


def test_nothing_is_told_where_noise_hides_it_or_the_long_waves_rise():
    depth = 0.6 * T / FRAMES
    hidden, rising = (np.exp(-depth), np.exp(-0.2 * depth), 2.0), (np.exp(-0.3 * depth), np.exp(depth), 0.05)
    for short, long, noise in (hidden, rising):
        assert "window fogging" not in [kind for kind, _ in alarms(short, long, noise=noise)]


def test_another_power_is_not_a_film():
    step = np.where(T >= 120, 0.4, 1.0), np.where(T >= 120, 0.6, 1.0)
    assert "window fogging" not in [kind for kind, _ in alarms(*step, power_at=120)]
