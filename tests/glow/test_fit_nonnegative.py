"""Non-negative least squares against scipy, and against the conditions that define its solution."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.optimize import lsq_linear, nnls

from glowledger.glow.nonnegative import RIDGE, _pivot_slowly, scaled_gram, solve_nonnegative


def problem(seed, rows=60, columns=12, *, rank=None, collinear=0.0):
    """Return a non-negative matrix and data with some amounts zero."""
    rng = np.random.default_rng(seed)
    a = rng.exponential(1.0, (rows, columns))
    if collinear:
        a = a[:, :1] + collinear * a
    if rank is not None:
        a[:, rank:] = a[:, :rank] @ rng.exponential(1.0, (rank, columns - rank))
    x = np.where(rng.random(columns) < 0.4, 0.0, rng.exponential(1.0, columns))
    return a, a @ x + rng.normal(0, 0.3, rows)


def misfit(a, y, x):
    return float(np.sum((y - a @ x) ** 2))


@pytest.mark.parametrize("seed", range(12))
def test_random_problems_agree_with_scipy(seed):
    a, y = problem(seed)
    theirs, _ = nnls(a, y)
    assert_allclose(solve_nonnegative(a.T @ a, a.T @ y), theirs, rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("seed", range(12))
def test_nearly_collinear_problems_fit_as_well_as_scipy(seed):
    a, y = problem(seed, collinear=3e-2)
    theirs, _ = nnls(a, y)
    ours = solve_nonnegative(a.T @ a, a.T @ y)
    assert ours.min() >= 0
    assert misfit(a, y, ours) <= misfit(a, y, theirs) * (1 + 1e-6)
    assert_allclose(a @ ours, a @ theirs, atol=1e-3 * np.abs(y).max())


@pytest.mark.parametrize("seed", range(12))
def test_columns_that_are_sums_of_others_fit_as_well_as_scipy(seed):
    a, y = problem(seed, rank=7)
    theirs, _ = nnls(a, y)
    ours = solve_nonnegative(a.T @ a, a.T @ y)
    assert ours.min() >= 0
    assert np.all(np.isfinite(ours))
    assert misfit(a, y, ours) <= misfit(a, y, theirs) * (1 + 1e-6)


def test_scales_of_columns_do_not_matter():
    a, y = problem(5)
    scale = 10.0 ** np.random.default_rng(1).uniform(-6, 6, a.shape[1])
    plain = solve_nonnegative(a.T @ a, a.T @ y)
    b = a * scale
    assert_allclose(solve_nonnegative(b.T @ b, b.T @ y) * scale, plain, rtol=1e-5, atol=1e-6)


def test_many_right_hand_sides_are_those_one_by_one():
    a, _ = problem(2)
    y = np.random.default_rng(3).normal(1.0, 2.0, (a.shape[0], 40))
    together = solve_nonnegative(a.T @ a, a.T @ y)
    single = np.stack([nnls(a, one)[0] for one in y.T], axis=1)
    assert together.shape == (a.shape[1], 40)
    assert_allclose(together, single, atol=1e-6)


@pytest.mark.parametrize("guess", [False, True])
def test_a_wrong_first_guess_changes_nothing(guess):
    a, y = problem(8)
    start = np.full(a.shape[1], guess)
    assert_allclose(solve_nonnegative(a.T @ a, a.T @ y, start), nnls(a, y)[0], atol=1e-6)
    assert np.all(start == guess), "the caller's guess is left alone"


def test_an_empty_column_gets_nothing():
    a, y = problem(4)
    a[:, 3] = 0.0
    x = solve_nonnegative(a.T @ a, a.T @ y)
    assert x[3] == 0.0
    assert_allclose(np.delete(x, 3), nnls(np.delete(a, 3, axis=1), y)[0], atol=1e-6)


@given(
    seed=st.integers(0, 2**32 - 1),
    columns=st.integers(1, 15),
    rows=st.integers(1, 30),
    scale=st.floats(-3, 3),
)
@settings(max_examples=150, deadline=None)
def test_the_conditions_of_karush_kuhn_and_tucker_hold(seed, columns, rows, scale):
    # x ≥ 0, gradient ≥ 0, and one of the two zero for each unknown: Karush 1939, Kuhn & Tucker 1951
    rng = np.random.default_rng(seed)
    a, y = rng.normal(0, 1, (rows, columns)), rng.normal(0, 1, rows) * 10.0**scale
    norm = np.linalg.norm(a, axis=0)
    gram, rhs = a.T @ a, a.T @ y
    x = solve_nonnegative(gram, rhs)
    gradient = (gram @ x - rhs) / norm
    largest = max(float(np.abs(rhs / norm).max()), 1e-300)
    slack = (1e-7 + 2 * RIDGE * np.linalg.norm(x * norm) / largest) * largest  # the ridge of the solver is allowed for
    assert np.all(x >= 0)
    assert np.all(gradient >= -slack)
    assert np.all(np.abs(gradient[x > 0]) <= slack)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("copies", [0, 1], ids=["distinct", "with a column twice"])
def test_unknowns_of_any_sign_are_free_of_the_bound(seed, copies):
    rng = np.random.default_rng(seed)
    a, y = rng.exponential(1.0, (80, 12)), rng.normal(0.0, 1.0, 80)
    a[:, 1] = a[:, 0] if copies else a[:, 1]
    unbounded = np.arange(12) >= 8
    minima = scaled_gram(a.T @ a).near(a.T @ y, np.ones(12, dtype=bool))
    x = minima.without(np.zeros(12, dtype=bool), unbounded)
    theirs = lsq_linear(a, y, (np.where(unbounded, -np.inf, 0.0), np.full(12, np.inf)), tol=1e-12)
    assert_allclose(a @ x, a @ theirs.x, atol=1e-5)
    assert np.all(x[~unbounded] >= 0.0)


@pytest.mark.parametrize("seed", range(4))
def test_a_problem_beside_another_is_solved_as_if_it_stood_alone(seed):
    rng = np.random.default_rng(seed)
    a, b, y = rng.exponential(1.0, (80, 9)), rng.exponential(1.0, (80, 9)), rng.exponential(1.0, 80)
    b[:, :5] = a[:, :5]
    first = scaled_gram(a.T @ a).near(a.T @ y, np.arange(9) < 5)
    first.without(np.zeros(9, dtype=bool))
    x = first.beside(scaled_gram(b.T @ b), b.T @ y, np.ones(9, dtype=bool)).without(np.zeros(9, dtype=bool))
    assert_allclose(x, nnls(b, y)[0], atol=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_the_way_out_for_awkward_problems_ends_at_the_same_minimum(seed):
    rng = np.random.default_rng(seed)
    a, y = rng.exponential(1.0, (80, 12)), rng.normal(0.0, 1.0, 80)
    unbounded = np.arange(12) >= 8
    gram, passive = scaled_gram(a.T @ a), np.ones(12, dtype=bool)
    slowly = _pivot_slowly(gram.matrix, gram.scale * (a.T @ y), passive, unbounded) * gram.scale
    assert_allclose(slowly, gram.near(a.T @ y, passive).without(np.zeros(12, dtype=bool), unbounded), atol=1e-6)
