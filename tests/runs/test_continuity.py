"""A sudden change of the light: do the ratios go on, and is the end's interval honest where they do not?"""

import numpy as np
import pytest
from run_counts import NAMES, cleaning_counts

from glowledger.glow.results import SeriesFit
from glowledger.runs.analysing import analyse_run
from glowledger.runs.carried_over import CarriedOver
from glowledger.runs.continuity import ratio_step
from glowledger.runs.run_options import RunOptions

CO_ONLY = RunOptions(indicators=("CO",))
END = 60 * np.log(20)


def halved(frames, at, seed):
    """A run whose light is halved as a whole: by a finger on the fibre, a filter, an exposure nobody noted."""
    run = cleaning_counts(frames, seed=seed)
    for name in ("counts", "total_counts", "continuum_counts", "standard_error"):
        run[name][at:] *= 0.5
    return SeriesFit(species_names=NAMES, **run)


@pytest.mark.parametrize("at", [45, 80, 120, 170])
def test_where_all_light_alike_is_halved_the_decay_goes_on(at):
    result = analyse_run(halved(400, at, seed=at), CO_ONLY)
    assert result.regimes[1].start_s == at
    assert "ratios did not" in result.regimes[1].why
    end = result.endpoint
    assert end.verdict == "reached"
    assert end.interval_s[0] <= END <= end.interval_s[1]
    assert end.time_s == pytest.approx(END, rel=0.03)  # before: 10 to 20 % too late


@pytest.mark.parametrize("at", [45, 80, 120, 170])
def test_where_the_ratios_change_the_interval_knows_how_little_may_have_been_left(at):
    run = cleaning_counts(400, seed=at, power_at=at)
    end = analyse_run(SeriesFit(species_names=NAMES, **run), CO_ONLY).endpoint
    assert end.verdict == "reached"
    assert end.interval_s[0] <= END <= end.interval_s[1]


def test_a_step_is_measured_beside_a_decay_with_its_error():
    rng = np.random.default_rng(5)
    t = np.arange(16.0)
    sizes, errors = [], []
    for _ in range(400):
        y = 2.0 * np.exp(-t / 40.0) + 0.1 * (t >= 10) + 0.01 * rng.standard_normal(16)
        found = ratio_step(t[:10], y[:10], t[10:], y[10:])
        sizes.append(found.size)
        errors.append(found.standard_error)
    assert np.mean(sizes) == pytest.approx(0.1, abs=0.02)
    assert np.std(sizes) == pytest.approx(np.mean(errors), rel=0.15)


def test_too_few_values_tell_nothing():
    found = ratio_step(np.arange(3.0), np.ones(3), np.arange(3.0, 9.0), np.ones(6))
    assert not found.told
    assert not found.within(0.5)


def test_what_is_carried_over_multiplies_and_moves_the_end_of_an_exponential():
    carried = CarriedOver().then((0.1, 0.2, 0.4)).then((0.5, 0.5, 0.5))
    assert (carried.low, carried.middle, carried.high) == pytest.approx((0.05, 0.1, 0.2))
    # 60 s: from a fifth to a twentieth takes 60 ln 4; had a tenth been left, 60 ln 2
    end = 60 * np.log(4)
    low, middle = carried.sooner(0.25, end, now=300.0, left=np.exp(-300 / 60))
    assert middle == pytest.approx(60 * np.log(2))
    assert low == pytest.approx(60 * np.log(4))
    assert CarriedOver().sooner(0.05, end, now=300.0, left=0.01) == (0.0, 0.0)
