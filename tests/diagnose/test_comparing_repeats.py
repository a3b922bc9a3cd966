"""Power of the t test: against published tables and the noncentral t of scipy."""

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from glowledger.diagnose.repeats_needed import (
    log_scatter,
    repeats_for,
    repeats_per_group,
    scatter_from_relative,
    smallest_difference,
    smallest_effect,
    t_test_power,
)


@pytest.mark.parametrize(("effect", "n"), [(1.0, 17), (0.8, 26), (0.5, 64)])
def test_group_sizes_are_those_of_cohen(effect, n):
    # J. Cohen, Statistical Power Analysis, 2nd ed. 1988, table 2.4.1 (two-sided 0.05, power 0.80); from memory
    assert repeats_per_group(effect) == n


@pytest.mark.parametrize(
    ("alpha", "effect", "n"),
    [(0.05, 0.2, 393), (0.05, 0.5, 64), (0.05, 0.8, 26), (0.01, 0.2, 586), (0.01, 0.5, 95), (0.01, 0.8, 38)],
)
def test_power_at_the_group_sizes_of_the_power_primer(alpha, effect, n):
    # J. Cohen, Psychol. Bull. 112, 155 (1992), table 2, for power 0.80; from memory. He rounds, by a hundredth at most.
    assert_allclose(t_test_power(effect, n, alpha), 0.80, atol=0.01)


@pytest.mark.parametrize("n", [2, 3, 5, 17, 100, 394])
@pytest.mark.parametrize("alpha", [0.05, 0.01])
@pytest.mark.parametrize("effect", [0.1, 0.5, 1.0, 3.0])
def test_power_agrees_with_the_noncentral_t_of_scipy(n, alpha, effect):
    limit, away = stats.t.ppf(1 - alpha / 2, 2 * n - 2), effect * math.sqrt(n / 2)
    theirs = stats.nct.sf(limit, 2 * n - 2, away) + stats.nct.cdf(-limit, 2 * n - 2, away)
    ours = t_test_power(effect, n, alpha)
    if np.isnan(theirs):  # scipy's lower tail fails for large noncentralities; it is below 1e-9 there
        theirs = stats.nct.sf(limit, 2 * n - 2, away)
    assert_allclose(ours, theirs, atol=1e-8)


def test_without_a_difference_the_power_is_the_level():
    assert_allclose(t_test_power(0.0, 10, 0.05), 0.05, atol=1e-8)  # closed form
    assert repeats_per_group(0.0) is None


def test_power_of_very_large_effects_is_one():
    assert_allclose([t_test_power(40.0, 2), t_test_power(60.0, 1000)], 1.0, atol=1e-6)


def test_two_runs_in_each_of_twenty_gases_see_next_to_nothing():
    assert smallest_difference(2, 0.5, gases=20) > 1e6
    assert smallest_difference(2, 30.0, gases=20) == math.inf


@pytest.mark.parametrize("n", [2, 3, 8, 40])
def test_the_smallest_effect_is_the_inverse(n):
    d = smallest_effect(n)
    assert_allclose(t_test_power(d, n), 0.8, atol=1e-9)
    assert repeats_per_group(d * 1.0001) == n


def test_more_gases_and_smaller_differences_take_more_repeats():
    two, three = (repeats_for(0.3, 0.2, gases=g).needed for g in (2, 3))
    assert three > two
    assert repeats_for(0.15, 0.2).needed > two
    # by hand: ln 1.3 / 0.2 = 1.31 standard deviations
    assert_allclose(repeats_for(0.3, 0.2).effect, math.log(1.3) / 0.2)
    assert repeats_for(0.01, 0.5).needed is None
    assert_allclose(smallest_difference(two, 0.2), 0.3, atol=0.03)


def test_scatter_within_groups_is_pooled_with_its_chi_squared_interval():
    # NIST/SEMATECH e-Handbook 7.2.3.1: sqrt((n-1) s² / chi²) bounds the standard deviation
    a, b = np.log([100.0, 120.0, 90.0]), np.log([200.0, 260.0])
    s = log_scatter([a, b, np.log([5.0])])
    pooled = math.sqrt((a.var(ddof=1) * 2 + b.var(ddof=1)) / 3)
    assert s.freedom == 3
    limits = [pooled * math.sqrt(3 / stats.chi2.ppf(q, 3)) for q in (0.975, 0.025)]
    assert_allclose([s.value, s.low, s.high], [pooled, *limits], rtol=1e-9)
    assert log_scatter([a[:1], b[:1]]) is None


def test_relative_scatter_is_that_of_the_log_normal():
    s = scatter_from_relative(0.3).value
    assert_allclose(stats.lognorm(s).std() / stats.lognorm(s).mean(), 0.3, rtol=1e-9)


def test_the_power_is_that_of_simulated_experiments():
    rng = np.random.default_rng(11)
    a = rng.normal(0.0, 1.0, (4000, 5))
    b = rng.normal(2.0, 1.0, (4000, 5))
    seen = np.mean(stats.ttest_ind(a, b, axis=1).pvalue < 0.05)
    assert_allclose(seen, t_test_power(2.0, 5), atol=4 * math.sqrt(0.25 / 4000))
