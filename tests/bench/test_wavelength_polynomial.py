"""The polynomial through lines: against numpy's, with outliers, and never turning back."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.polynomial import Chebyshev
from numpy.testing import assert_allclose

from glowledger.bench.polynomial import best_degree, fit_lines, monotonic


def lines(count, seed, sd=0.05, quartic=0.0):
    rng = np.random.default_rng(seed)
    u = np.sort(rng.uniform(-0.95, 0.95, count))
    truth = Chebyshev([620.0, 300.0, 9.0, -2.0, quartic])
    return u, truth(u) + rng.normal(0.0, sd, count), np.full(count, sd), truth


def test_coefficients_and_covariance_agree_with_numpy_when_lines_are_many():
    # numpy.polynomial.chebyshev.chebfit with weights is plain weighted least squares; the prior is negligible here
    u, nm, error, _ = lines(60, 1)
    fit = fit_lines(u, nm, error, 3, 600.0)
    assert_allclose(fit.coefficients, Chebyshev.fit(u, nm, 3, domain=[-1, 1]).coef, atol=0.02)
    _, covariance = np.polyfit(u, nm, 3, w=1 / error, cov="unscaled")
    at = np.array([-0.9, 0.0, 0.9])
    powers = np.vander(at, 4)
    theirs = np.sqrt(np.einsum("ij,jk,ik->i", powers, covariance, powers))
    assert_allclose(fit.standard_error_nm(at), theirs, rtol=0.25)


def test_stated_error_covers_the_truth():
    # coverage of +-2 sigma by simulation: 95 % of places, within the sampling error of 200 draws
    places = np.linspace(-0.9, 0.9, 7)
    inside = []
    for seed in range(200):
        u, nm, error, truth = lines(12, seed)
        fit = best_degree(u, nm, error, 600.0)
        inside.append(
            np.abs(fit.nm(places) - truth(places)) < 2.0 * np.hypot(fit.standard_error_nm(places), 1e-9)
        )
    assert np.mean(inside) > 0.90


def test_errors_on_the_safe_side_are_told_by_how_lines_scatter():
    # stated twice as large as they are, usually 0.7 of it: 95 % of places within +-2 sigma, and not nearly all of them
    # within one; normal draws hold 95.4 and 68.3 %
    places = np.linspace(-0.9, 0.9, 7)
    within = []
    for seed in range(200):
        u, nm, error, truth = lines(30, seed)
        fit = best_degree(u, nm, 2.0 * error, 600.0, usual_share=0.7)
        assert fit.error_share < 0.8
        within.append(np.abs(fit.nm(places) - truth(places)) / fit.standard_error_nm(places))
    assert np.mean(np.array(within) < 2.0) > 0.92
    assert np.mean(np.array(within) < 1.0) < 0.80
    as_stated = best_degree(u, nm, 2.0 * error, 600.0)
    assert as_stated.error_share == 1.0


def test_lines_that_scatter_by_more_than_usual_get_no_smaller_errors():
    u, nm, error, _ = lines(40, 3)
    fit = best_degree(u, nm, 0.7 * error, 600.0, usual_share=0.7)
    assert fit.error_share > 0.9


def test_a_foreign_line_does_not_move_the_solution():
    u, nm, error, truth = lines(20, 4)
    nm[7] += 3.0
    fit = best_degree(u, nm, error, 600.0)
    assert fit.weight[7] == 0.0
    assert_allclose(fit.nm(u), truth(u), atol=0.15)


def test_two_foreign_lines_among_few_are_left_out():
    # fits through all lines are bent so far that re-weighting alone leaves out lines that are right
    u, sd = np.linspace(-0.9, 0.9, 9), 0.05
    _, _, _, truth = lines(9, 0)
    for seed in range(20):
        nm = truth(u) + np.random.default_rng(seed).normal(0.0, sd, 9)
        nm[[2, 6]] += 4.0, -3.0
        fit = best_degree(u, nm, np.full(9, sd), 600.0)
        assert np.flatnonzero(fit.weight < 0.05).tolist() == [2, 6], seed
        assert_allclose(fit.nm(u), truth(u), atol=0.25)


def test_the_degree_rises_only_when_the_lines_ask_for_it():
    plain = [best_degree(*lines(40, seed)[:3], 600.0).degree for seed in range(20)]
    bent = [best_degree(*lines(40, seed, quartic=2.0)[:3], 600.0).degree for seed in range(20)]
    # a term too many costs little, for the prior holds it; one in four draws may have one, a term too few none
    assert np.mean(np.array(plain) == 3) >= 0.75
    assert min(bent) >= 4


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.integers(3, 30), st.integers(0, 10_000), st.floats(0.01, 5.0))
def test_a_solution_never_turns_back(count, seed, sd):
    u, nm, error, _ = lines(count, seed, sd=sd)
    if np.min(np.diff(u)) > 1e-6:
        assert monotonic(best_degree(u, nm, error, 600.0).coefficients)


def test_left_out_residuals_are_those_of_a_refit():
    # leave-one-out by refitting without the line, the definition
    u, nm, error, _ = lines(15, 6)
    fit = fit_lines(u, nm, error, 3, 600.0)
    if np.all(fit.weight > 0.9):
        rest = np.arange(15) != 4
        again = fit_lines(u[rest], nm[rest], error[rest], 3, 600.0)
        assert_allclose(fit.left_out_nm[4], nm[4] - again.nm(u[4:5])[0], atol=0.03)
