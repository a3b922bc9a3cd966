import numpy as np
from numpy.testing import assert_allclose
from scipy.stats import binomtest, poisson

from glowledger.runs import flash_rate


def test_poisson_limits_are_the_published_ones():
    # Garwood 1936, as tabulated in e.g. Pearson & Hartley, Biometrika Tables I, table 40 (from memory): 95 %
    # limits of the mean, rounded: n = 0: 0 to 3.689; n = 1: 0.0253 to 5.572; n = 10: 4.795 to 18.39
    for events, low, high in [(0, 0.0, 3.689), (1, 0.0253, 5.572), (10, 4.795, 18.39)]:
        assert_allclose(flash_rate.poisson_interval(events, 60.0), [low, high], rtol=2e-4, atol=5e-5)


def test_poisson_limits_leave_one_fortieth_on_either_side():
    low, high = flash_rate.poisson_interval(7, 120.0)
    assert_allclose(poisson.sf(6, low * 2.0), 0.025, rtol=1e-8)
    assert_allclose(poisson.cdf(7, high * 2.0), 0.025, rtol=1e-8)


def test_a_rise_is_called_where_the_exact_binomial_test_calls_it():
    start, now = 0.0, 300.0
    for late in range(11):
        times = [*np.linspace(1, 199, 10 - late), *np.linspace(201, 299, late)]
        p = binomtest(late, 10, 1 / 3, alternative="greater").pvalue
        assert flash_rate.rising(times, start, now) == (p < 0.001)


def test_flashes_dying_out_are_no_rise():
    times = list(300 * (1 - np.exp(-np.linspace(0.1, 3, 30))) / 2)
    assert not flash_rate.rising(times, 0.0, 300.0)
