"""Light that falls fast but smoothly is no change of conditions; a step within it still is one."""

import numpy as np
import pytest
from run_counts import NAMES, cleaning_counts

from glowledger.glow.results import SeriesFit
from glowledger.runs.analysing import analyse_run
from glowledger.runs.endpoint import judge_series
from glowledger.runs.screening import CLEAR, MAIN_STEP
from glowledger.runs.smooth_change import step_size

CO = NAMES.index("CO")


def bright_carbon_monoxide(tau_s, seed, power_at=None):
    """CO that gives most of the light at first and falls within a few frames; no flicker, that would hide it."""
    run = cleaning_counts(200, seed=seed, clean=True, power_at=power_at)
    more = 50000.0 * np.exp(-run["time_s"] / tau_s)
    run["counts"][:, CO] += more
    run["total_counts"] += more
    run["standard_error"][:, CO] = np.sqrt(run["standard_error"][:, CO] ** 2 + more)
    return analyse_run(SeriesFit(species_names=NAMES, **run))


@pytest.mark.parametrize("tau_s", [4.0, 6.0, 10.0])
@pytest.mark.parametrize("seed", [1, 2])
def test_a_fast_decay_of_most_of_the_light_is_no_step_and_its_end_is_where_it_is(tau_s, seed):
    result = bright_carbon_monoxide(tau_s, seed)
    assert [r.why for r in result.regimes] == ["start of the run"]  # before: 'all light stepped by a factor 0.7'
    end = result.endpoint
    assert end.verdict == "reached"
    assert end.interval_s[0] <= tau_s * np.log(20) <= end.interval_s[1]  # before: later by the frames cut off


@pytest.mark.parametrize("tau", [1.0, 2.0, 4.0])
@pytest.mark.parametrize("frames", [100, 240])
def test_the_end_of_a_fast_decay_stays_where_it_is_however_long_the_run_goes_on(tau, frames):
    """Time constants below a fortieth of the run were not tried: the end moved, its interval without it."""
    t = np.arange(float(frames))
    noise = 0.003 * np.random.default_rng(frames).standard_normal(frames)
    said = judge_series(t, 0.05 + np.exp(-t / tau) + noise)
    for end in (said[60], said[-1]):
        assert end.verdict == "reached"
        assert end.interval_s[0] <= tau * np.log(20) <= end.interval_s[1]
        assert end.interval_s[1] - end.interval_s[0] < 0.2 * tau * np.log(20)


def test_power_that_steps_within_a_fast_decay_is_found():
    result = bright_carbon_monoxide(8.0, 4, power_at=9)
    assert len(result.regimes) == 2
    assert 9.0 <= result.regimes[1].start_s <= 11.0  # before argon is known to be the reference: a few frames late


@pytest.mark.parametrize("tau", [1.5, 4.0, 9.0, 30.0])
def test_an_exponential_has_no_step_and_one_added_to_it_is_measured(tau):
    rng = np.random.default_rng(int(10 * tau))
    t = np.arange(11.0)
    plain, stepped, told = [], [], []
    for _ in range(200):
        y = 1.0 + 1.5 * np.exp(-t / tau) + 0.01 * rng.standard_normal(11)
        size, error = step_size(t, y, 5)
        plain.append(abs(size) > max(CLEAR * error, MAIN_STEP))
        size, error = step_size(t, y + np.where(t >= 5, 0.3, 0.0), 5)
        stepped.append(size)
        told.append(size > max(CLEAR * error, MAIN_STEP))
    assert np.mean(plain) < 0.03
    assert np.mean(told) > 0.9
    assert np.median(stepped) == pytest.approx(0.3, abs=0.06)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_nitrogen_that_comes_in_slowly_is_told_and_cuts_nothing(seed):
    run = cleaning_counts(260, seed=seed)
    more = 5000.0 * (1 - np.exp(-np.maximum(run["time_s"] - 100, 0) / 6.0))
    run["counts"][:, NAMES.index("N2")] += more
    run["total_counts"] += more
    result = analyse_run(SeriesFit(species_names=NAMES, **run))
    assert [a.kind for a in result.alarms] == ["possible air leak"]
    assert 100.0 <= result.alarms[0].time_s <= 106.0
    assert result.endpoint.interval_s[0] <= 60 * np.log(20) <= result.endpoint.interval_s[1]


def test_glare_of_arcs_that_ends_is_no_plasma_that_goes_out():
    """Arcs in most frames at first: of all light next to none is left when they stop, of the lines all."""
    run = cleaning_counts(300, seed=5)
    glare = np.where(run["time_s"] < 60, 1e6, 0.0)
    run["continuum_counts"] += glare
    run["total_counts"] += glare
    result = analyse_run(SeriesFit(species_names=NAMES, **run))
    assert "plasma out" not in [a.kind for a in result.alarms]
    assert result.endpoint.verdict == "reached"


def test_a_pause_in_the_recording_is_no_step():
    """The light falls on while no frames come; against their number it would step."""
    t = np.concatenate([np.arange(10.0), np.arange(25.0, 31.0)])
    y = 1.0 + np.exp(-t / 20.0) + 0.002 * np.random.default_rng(1).standard_normal(16)
    size, error = step_size(t, y, 10)
    assert abs(size) < max(4 * error, 0.05)
    assert abs(step_size(np.arange(16.0), y, 10)[0]) > 0.2


def test_too_few_values_tell_nothing():
    assert np.isnan(step_size(np.arange(4.0), np.ones(4), 2)[0])
