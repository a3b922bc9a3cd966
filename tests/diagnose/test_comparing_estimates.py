"""Differences of two numbers, Holm's procedure, Welch's test: against closed forms and general-purpose libraries."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats

from glowledger.diagnose.estimates import Estimate, difference, holm
from glowledger.diagnose.gas_groups import welch

Z = stats.norm.ppf(0.975)


def normal(value, se, **more):
    return Estimate(value=value, low=value - Z * se, high=value + Z * se, positive=False, **more)


def test_two_normal_numbers_differ_as_in_the_z_test():
    d = difference(normal(10.0, 3.0), normal(20.0, 4.0))  # closed form: gap 10, standard error 5
    assert not d.ratio
    assert_allclose([d.value, d.low, d.high], [10.0, 10.0 - 5 * Z, 10.0 + 5 * Z], rtol=1e-9)
    assert_allclose(d.p, 2 * stats.norm.sf(2.0), rtol=1e-9)


def test_two_means_differ_as_in_the_test_of_welch():
    # scipy.stats.ttest_ind_from_stats, unequal variances
    (m1, s1, n1), (m2, s2, n2) = (5.0, 1.0, 8), (6.2, 2.5, 12)
    given_ = []
    for m, s, n in ((m1, s1, n1), (m2, s2, n2)):
        half = stats.t.ppf(0.975, n - 1) * s / math.sqrt(n)
        given_.append(Estimate(value=m, low=m - half, high=m + half, freedom=n - 1, positive=False))
    theirs = stats.ttest_ind_from_stats(m2, s2, n2, m1, s1, n1, equal_var=False)
    d = difference(*given_)
    interval = theirs.statistic and (m2 - m1) / theirs.statistic  # standard error of the difference
    freedom = (s1**2 / n1 + s2**2 / n2) ** 2 / ((s1**2 / n1) ** 2 / (n1 - 1) + (s2**2 / n2) ** 2 / (n2 - 1))
    assert_allclose(d.p, theirs.pvalue, rtol=1e-9)
    assert_allclose(d.high - d.value, stats.t.ppf(0.975, freedom) * interval, rtol=1e-9)


def test_lopsided_intervals_give_the_facing_ends():
    # Zou & Donner 2008, eq. for the difference of two: L = d - sqrt((x2-l2)² + (u1-x1)²), on the log scale by hand
    a = Estimate(value=100.0, low=90.0, high=150.0)
    b = Estimate(value=200.0, low=160.0, high=210.0)
    d = difference(a, b)
    gap = math.log(2.0)
    low = gap - math.hypot(math.log(200 / 160), math.log(150 / 100))
    high = gap + math.hypot(math.log(210 / 200), math.log(100 / 90))
    assert_allclose([d.value, d.low, d.high], [2.0, math.exp(low), math.exp(high)], rtol=1e-9)


def test_an_open_interval_still_tells_from_its_closed_side():
    late = Estimate(value=1000.0, low=800.0, high=math.inf)
    early = Estimate(value=100.0, low=95.0, high=105.0)
    d = difference(early, late)
    assert d.p < 1e-6
    assert math.isinf(d.high)
    assert d.low > 5.0


def rate(events, watched_s):
    return Estimate(value=60.0 * events / watched_s, low=0.0, high=1.0, events=events, watched_s=watched_s)


def test_two_flash_rates_are_compared_exactly():
    # Given ten flashes in equal times, none in one of them has probability 2 / 2^10 in both tails
    d = difference(rate(10, 600.0), rate(0, 600.0))
    assert_allclose(d.p, 2.0 / 2.0**10, rtol=1e-9)
    # Clopper & Pearson for 0 of 10: upper limit 1 - 0.025^(1/10), as odds
    top = 1.0 - 0.025**0.1
    assert_allclose([d.value, d.low, d.high], [0.0, 0.0, top / (1.0 - top)], rtol=1e-6)
    same = difference(rate(0, 600.0), rate(0, 600.0))
    assert same.p == 1.0
    longer = difference(rate(5, 300.0), rate(10, 600.0))
    assert_allclose([longer.value, longer.p], [1.0, 1.0])


def test_holm_by_hand():
    # Holm 1979: 4 × 0.005, 3 × 0.01, 2 × 0.03, 1 × 0.04, each at least the one before
    assert_allclose(holm([0.01, 0.04, 0.03, 0.005]), [0.03, 0.06, 0.06, 0.02])
    assert_allclose(holm([0.9, 0.8]), [1.0, 1.0])
    assert holm([]).size == 0


@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=12))
def test_holm_lies_between_single_and_bonferroni_and_keeps_the_order(p):
    p = np.array(p)
    adjusted = holm(p)
    assert np.all(adjusted >= p)
    assert np.all(adjusted <= np.minimum(p * len(p), 1.0) + 1e-15)
    assert np.all(np.diff(adjusted[np.argsort(p, kind="stable")]) >= 0)


@settings(deadline=None)
@given(
    st.lists(st.floats(-2, 2), min_size=2, max_size=8, unique=True),
    st.lists(st.floats(-2, 2), min_size=2, max_size=8, unique=True),
)
def test_gases_are_compared_as_in_scipy(a, b):
    a, b = np.array(a), np.array(b)
    if a.var() + b.var() < 1e-6:
        return
    theirs = stats.ttest_ind(b, a, equal_var=False)
    interval = theirs.confidence_interval(0.95)
    ours = welch(a, b)
    assert_allclose(ours.p, theirs.pvalue, rtol=1e-6, atol=1e-12)
    assert_allclose(np.log([ours.low, ours.high]), [interval.low, interval.high], rtol=1e-6, atol=1e-9)


def test_repeats_that_do_not_scatter_at_all_tell_nothing():
    d = welch(np.array([1.0, 1.0]), np.array([2.0, 2.0]))
    assert d.p == 1.0
    assert d.low == 0.0
    assert math.isinf(d.high)


@pytest.mark.parametrize("unknown", [Estimate(reason="why"), Estimate(value=1.0, low=math.nan, high=2.0)])
def test_what_has_no_interval_is_not_known(unknown):
    assert not unknown.known
