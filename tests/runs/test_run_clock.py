import numpy as np
from numpy.testing import assert_allclose, assert_array_equal

from glowledger.runs.clock import RunClock, reading_order


def placed(times):
    clock = RunClock()
    return [clock.place(t) for t in times]


def test_a_repeated_time_is_left_out_and_said():
    rulings = placed([0.0, 1.0, 1.0, 2.0])
    assert [r[1] for r in rulings] == ["good", "good", "repeated", "good"]
    assert rulings[2][2] == "time repeated"


def test_a_late_frame_is_left_out_and_the_run_goes_on():
    rulings = placed([0.0, 1.0, 3.0, 2.0, 4.0])
    assert [r[1] for r in rulings] == ["good", "good", "good", "late", "good"]
    assert rulings[4][0] == 4.0


def test_a_clock_set_back_does_not_turn_the_run_back():
    rulings = placed([*range(100), *range(40, 60)])
    good = [r[0] for r in rulings if r[1] == "good"]
    assert np.all(np.diff(good) > 0)
    assert "clock jumped back" in [r[2] for r in rulings]
    assert_allclose(np.diff(good)[-10:], 1.0)
    # true elapsed: 119 intervals of 1 s in 120 frames; the two frames in doubt are left out, not their time
    assert_allclose(good[-1], 119.0)


def test_missing_times_are_filled_with_the_usual_interval():
    rulings = placed([0.0, 2.0, 4.0, float("nan"), float("nan"), 10.0])
    assert_allclose([r[0] for r in rulings], [0, 2, 4, 6, 8, 10])
    assert rulings[3][2] == "time missing"


def test_a_run_without_any_time_counts_frames():
    assert_allclose([r[0] for r in placed([float("nan")] * 4)], [0, 1, 2, 3])


def test_a_gap_is_said():
    assert placed([*range(10), 500.0])[-1][2] == "gap"


def test_a_shuffled_recording_is_put_in_order():
    times = np.random.default_rng(5).permutation(50).astype(float)
    order, changed = reading_order(times)
    assert changed
    assert_array_equal(times[order], np.arange(50.0))


def test_one_frame_stored_late_is_put_in_its_place():
    order, changed = reading_order(np.array([0.0, 1.0, 3.0, 4.0, 2.0, 5.0]))
    assert changed
    assert_array_equal(order, [0, 1, 4, 2, 3, 5])


def test_a_clock_set_back_is_not_sorted_into_the_run():
    order, changed = reading_order(np.array([*range(100), *range(40, 80)], dtype=float))
    assert not changed
    assert_array_equal(order, np.arange(140))
