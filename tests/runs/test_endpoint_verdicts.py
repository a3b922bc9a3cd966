import json

import numpy as np
import pytest
from numpy.testing import assert_allclose
from run_ensemble import baseline, simulate
from scipy import stats

from glowledger.runs.blank import Blank, level_of
from glowledger.runs.combining import combine, slight_changes
from glowledger.runs.endpoint import Criterion, EndpointFollower, judge_series


def decay(frames=300, tau=40.0, floor=0.3, noise=0.03, seed=1):
    t = np.arange(float(frames))
    return t, floor + np.exp(-t / tau) + noise * np.random.default_rng(seed).standard_normal(frames)


def test_a_decay_is_declared_after_its_end_and_its_time_is_right():
    t, y = decay()
    last = judge_series(t, y)[-1]
    assert last.verdict == "reached"
    assert last.declared_at_s > 40 * np.log(20)
    assert last.interval_s[0] <= 40 * np.log(20) <= last.interval_s[1]
    assert last.remaining_s == 0.0


def test_verdicts_come_in_order_and_time_left_shrinks():
    t, y = decay(noise=0.01)
    said = judge_series(t, y)
    assert [e.verdict for e in said][:5] == ["cannot tell"] * 5
    assert said[80].verdict == "approaching"
    low, high = said[80].remaining_interval_s
    assert low <= 40 * np.log(20) - 80 <= high
    assert said[100].remaining_interval_s[1] - said[100].remaining_interval_s[0] < high - low


def test_nothing_is_foreseen_from_later_frames():
    t, y = decay()
    changed = y.copy()
    changed[150:] = 5.0
    assert judge_series(t, y)[149] == judge_series(t, changed)[149]


def test_a_follower_rebuilt_from_its_state_says_the_same():
    t, y = decay(frames=300)
    straight = EndpointFollower(name="CO")
    broken = EndpointFollower(name="CO")
    for i in range(300):
        broken.update(t[i], y[i], 1.0)
        if i in (3, 50, 130, 290):
            state = json.loads(json.dumps(broken.to_dict()))
            broken = EndpointFollower.from_dict(state, Criterion())
        straight.update(t[i], y[i], 1.0)
        if i % 40 == 0:
            assert repr(straight.endpoint()) == repr(broken.endpoint())
    assert straight.endpoint().verdict == "reached"


@pytest.mark.parametrize("seed", range(2))
def test_a_steady_signal_is_never_called_clean(seed):
    run = simulate("steady", np.random.default_rng(seed))
    verdicts = {e.verdict for e in judge_series(run.time_s, run.value)}
    assert verdicts <= {"cannot tell", "not reached"}


@pytest.mark.parametrize("seed", range(2))
def test_a_run_that_stops_long_before_its_end_is_never_called_clean(seed):
    run = simulate("never", np.random.default_rng(seed))
    last = judge_series(run.time_s, run.value)[-1]
    assert last.verdict in ("not reached", "approaching", "cannot tell")


def test_unfinished_runs_of_the_plain_ensemble_are_not_declared():
    rng = np.random.default_rng(7)
    for _ in range(2):
        run = baseline(0, rng)
        assert not run.finishes
        follower = EndpointFollower(name="CO")
        for i, (t, y) in enumerate(zip(run.time_s, run.value, strict=True)):
            follower.add(t, y, 1.0)
            if i % 3 == 0:
                follower.judge()
            assert not follower.reached


@pytest.mark.parametrize("kind", ["leak", "stepped", "plateau", "rising", "correlated", "heavy"])
def test_disturbed_runs_are_not_declared_early(kind):
    run = simulate(kind, np.random.default_rng(2))
    last = judge_series(run.time_s, run.value)[-1]
    if last.verdict == "reached":
        assert run.excess(last.declared_at_s) < 0.05


def test_what_falls_ever_more_slowly_is_seldom_declared_early():
    # powers of time and stretched exponentials: with exponentials alone three in four are; one in twenty is what an
    # assurance of 0.95 allows, and so few runs tell it to one in ten (binomial, 99 %)
    early = []
    for number in range(20):
        rng = np.random.default_rng([31, number])
        run = simulate("slowing" if number % 2 else "stretched", rng)
        follower = EndpointFollower(name="OH")
        for t, y in zip(run.time_s, run.value, strict=True):
            follower.update(t, y, 1.0)
            if follower.reached:
                break
        early.append(follower.reached and t < run.end_s)
    assert sum(early) <= stats.binom.ppf(0.99, len(early), 0.05)


@pytest.mark.parametrize("slow_part", [0.0, 0.8])  # what the command takes at most
def test_the_verdict_holds_for_any_probability_of_a_slow_part(slow_part):
    t, y = decay(noise=0.01)
    last = judge_series(t, y, criterion=Criterion(slow_part=slow_part))[-1]
    assert last.verdict == "reached"
    assert last.interval_s[0] <= 40 * np.log(20) <= last.interval_s[1]


def test_the_reason_names_a_fall_that_slows_down_all_the_time():
    t = np.arange(250.0)
    y = 0.2 + 1 / (1 + t / 14) + 0.01 * np.random.default_rng(3).standard_normal(len(t))
    said = judge_series(t, y)[-1]
    assert said.verdict != "reached"
    assert "1/t" in said.reason
    assert "1/t" not in judge_series(*decay())[-1].reason


def test_the_reason_says_what_light_cannot_and_names_an_independent_check():
    # water break: ASTM F22; contact angle: ASTM D7334 (names from memory)
    last = judge_series(*decay())[-1]
    for word in ("does not prove", "F22", "contact angle", "witness coupon"):
        assert word in last.reason


def test_a_floor_that_is_not_zero_is_named_as_possible_leak_or_outgassing():
    assert "leak" in judge_series(*decay(floor=0.4))[-1].reason
    assert "leak" not in judge_series(*decay(floor=0.0))[-1].reason


def test_a_signal_that_still_rises_is_not_done():
    t = np.arange(60.0)
    y = t / 60 + 0.02 * np.random.default_rng(0).standard_normal(60)
    assert judge_series(t, y)[-1].verdict in ("not reached", "cannot tell")


def test_the_hold_is_waited_for():
    t, y = decay()
    quick = judge_series(t, y)[-1].declared_at_s
    slow = judge_series(t, y, criterion=Criterion(hold_s=60.0))[-1].declared_at_s
    assert slow >= quick + 57.0


@pytest.mark.parametrize("values", [[], [1.0], [1.0, 0.5, 0.2], [float("nan")] * 50])
def test_too_little_data_cannot_tell(values):
    follower = EndpointFollower(name="CO")
    for i, value in enumerate(values):
        follower.update(float(i), value, 1.0)
    end = follower.endpoint()
    assert end.verdict == "cannot tell"
    assert "Too few" in end.reason


def test_values_without_any_noise_break_nothing():
    t = np.arange(200.0)
    assert judge_series(t, np.ones(200))[-1].verdict in ("cannot tell", "not reached")
    exact = judge_series(t, 0.2 + np.exp(-t / 20))[-1]
    assert exact.verdict == "reached"
    assert abs(exact.time_s - 20 * np.log(20)) < 1.0


def test_equality_with_a_blank_is_shown_by_two_one_sided_tests():
    # Schuirmann 1987; the limits recomputed with scipy.stats for white noise
    t, y = decay(frames=300, tau=20.0, noise=0.02)
    blank = Blank(level=0.3, standard_error=0.002, margin=0.03)
    assert judge_series(t, y, criterion=Criterion(blank=blank))[-1].verdict == "reached"
    elsewhere = Blank(level=0.36, standard_error=0.002, margin=0.03)
    assert judge_series(t, y, criterion=Criterion(blank=elsewhere))[-1].verdict == "not reached"
    narrow = Blank(level=0.3, standard_error=0.002, margin=0.004)  # narrower than the data can show
    assert judge_series(t, y, criterion=Criterion(blank=narrow))[-1].verdict == "not reached"


def test_level_of_a_steady_stretch_is_its_mean_with_the_error_of_a_mean():
    y = 2.0 + 0.1 * np.random.default_rng(6).standard_normal(400)
    mean, error = level_of(y)
    assert_allclose(mean, y.mean(), atol=0.003)
    assert_allclose(error, stats.sem(y), rtol=0.2)


def test_all_indicators_have_to_agree_and_the_slowest_decides():
    fast = judge_series(*decay(tau=15.0), name="OH")[-1]
    slow = judge_series(*decay(tau=40.0), name="CO")[-1]
    going = judge_series(*decay(frames=90, tau=40.0, noise=0.01), name="H I")[-1]
    silent = judge_series(np.arange(200.0), np.random.default_rng(1).normal(1, 0.1, 200), name="CN")[-1]
    both = combine({"OH": fast, "CO": slow, "CN": silent})
    assert both.indicator == "CO"
    assert both.verdict == "reached"
    assert "CN" in both.reason
    assert combine({"OH": fast, "CO": slow, "H I": going}).verdict == going.verdict == "approaching"
    assert combine({"CN": silent}).verdict == "cannot tell"
    assert combine({}).verdict == "cannot tell"


def test_with_a_blank_the_time_is_when_equality_began():
    t, y = decay(frames=300, tau=20.0, noise=0.02)
    end = judge_series(t, y, criterion=Criterion(blank=Blank(level=0.3, standard_error=0.002, margin=0.03)))[-1]
    assert 0 < end.declared_at_s - end.time_s <= 5.0
    assert end.time_s > 20 * np.log(1 / 0.03) - 15  # the mean of the latest 30 frames lags by half of them


def test_the_criterion_is_told_in_words_and_numbers():
    assert Criterion().sentence() == (
        "excess over the floor below 5 % of its start with 95 % probability, held for 3 frames"
    )
    assert "held for 60 s" in Criterion(hold_s=60.0).sentence()


def test_what_may_be_the_misfit_of_another_holds_it_up_only_if_it_ends_later():
    sure = judge_series(*decay(tau=15.0), name="CO")[-1]
    ghost = judge_series(*decay(tau=18.0, noise=0.15, seed=5), name="Cr I")[-1]
    slow = judge_series(*decay(tau=60.0, frames=600), name="CN")[-1]
    assert ghost.verdict == "reached"
    assert ghost.time_s > sure.time_s  # alone it would decide
    assert combine({"CO": sure, "Cr I": ghost}).indicator == "Cr I"
    said = combine({"CO": sure, "Cr I": ghost}, doubtful=("Cr I",))
    assert (said.indicator, said.declared_at_s) == ("CO", sure.declared_at_s)
    assert "Cr I" in said.reason
    assert combine({"CO": sure, "CN": slow}, doubtful=("CN",)).indicator == "CN"
    assert combine({"CO": sure, "Cr I": ghost}, doubtful=("CO", "Cr I")).indicator == "Cr I"


def test_a_process_gas_that_falls_a_little_with_a_product_does_not_hold_up_the_end():
    # hydrogen of the feed falls by 2 % while cyanogen falls to a tenth: crosstalk of the patterns, and slower than both
    falls = {"CN": (0.03, 0.16), "H I": (0.100, 0.0023), "OH": (0.004, 0.006), "CO": (0.5, 0.06)}
    assert slight_changes(falls) == ("H I",)
    assert slight_changes({"H I": (0.100, 0.0023)}) == ()  # nothing else falls that could make it
    assert slight_changes({}) == ()
    product = judge_series(*decay(tau=15.0), name="CN")[-1]
    feed = judge_series(*decay(tau=60.0, frames=600), name="H I")[-1]
    assert combine({"CN": product, "H I": feed}).indicator == "H I"
    said = combine({"CN": product, "H I": feed}, slight=("H I",))
    assert said.indicator == "CN"
    assert said.declared_at_s == product.declared_at_s
    assert "Hardly changed" in said.reason
    assert combine({"H I": feed}, slight=("H I",)).indicator == "H I"
