"""An end that was declared before the time at which later frames put it is told as that."""

import numpy as np

from glowledger.runs.endpoint import judge_series


def test_an_end_declared_before_it_came_is_told_to_have_been_too_early_after_it_has_passed():
    """Two stages; the slow one shows only after the first has been taken for all. Long after, both are over."""
    t = np.arange(1500.0)
    y = np.exp(-t / 15) + np.where(t > 90, 0.25 * np.exp(-(t - 90) / 150), 0.25)
    said = judge_series(t, y + 0.01 * np.random.default_rng(2).standard_normal(1500))
    end = said[-1]
    assert end.verdict == "reached"
    assert end.declared_at_s < end.interval_s[0]
    assert "too early" in end.reason  # before: 'fell to its floor', with a time long after that of its declaration
    assert "fell to its floor" not in end.reason


def test_an_end_declared_after_it_came_is_not():
    t = np.arange(600.0)
    said = judge_series(t, np.exp(-t / 40) + 0.01 * np.random.default_rng(3).standard_normal(600))
    assert said[-1].verdict == "reached"
    assert "too early" not in said[-1].reason
