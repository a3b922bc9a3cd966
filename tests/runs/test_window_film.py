"""A film that grows on the window is told from the light of one gas; invented counts, numpy only."""

from dataclasses import replace

import numpy as np
import pytest
from run_counts import NAMES, cleaning_counts

from glowledger.glow.results import SeriesFit
from glowledger.runs.analysing import analyse_run

FRAMES = 260
T = np.arange(float(FRAMES))


def run_with(short, long, *, seed=1, noise=0.05, **events):
    """Return what a run says whose gas has such short-wave and long-wave light, shape (n,)."""
    rng = np.random.default_rng(seed)
    light = np.stack([short, long], axis=1) * np.exp(0.02 * rng.standard_normal(FRAMES))[:, None]
    made = SeriesFit(species_names=NAMES, **cleaning_counts(FRAMES, seed=seed, **events))
    error = np.full(light.shape, noise) * np.sqrt(light)
    seen = light + error * rng.standard_normal(light.shape)
    return analyse_run(replace(made, shades=seen, shades_error=error))


def alarms(short, long, **how):
    """Return the kinds of alarms of the same, and their times."""
    return [(a.kind, a.time_s) for a in run_with(short, long, **how).alarms]


def test_a_film_is_told_once_it_takes_a_fifth_of_the_short_waves():
    depth = 0.6 * T / FRAMES
    told = [at for kind, at in alarms(np.exp(-depth), np.exp(-0.2 * depth)) if kind == "window fogging"]
    assert len(told) == 1
    apart = 0.2 / (0.8 * 0.6) * FRAMES  # where the two are a fifth apart, by the formula above
    assert apart - 15 < told[0] < apart + 40


@pytest.mark.parametrize("seed", range(4))
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


def test_an_end_that_is_reached_behind_a_film_says_so():
    depth = 0.8 * T / FRAMES
    behind, clear = (run_with(np.exp(-part * depth), np.exp(-0.1 * part * depth)).endpoint for part in (1.0, 0.0))
    assert behind.verdict == clear.verdict == "reached"
    assert "film" in behind.reason
    assert "film" not in clear.reason
    said = int(behind.reason.partition("short-wave light fell by ")[2].partition(" %")[0])
    assert said == pytest.approx(100 * (1 - np.exp(-0.9 * 0.8)), abs=4)  # at the last frame, by the formula above
    assert behind.time_s == pytest.approx(clear.time_s)  # it is doubted, not moved
