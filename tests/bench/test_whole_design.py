"""The design of narrow lines on a background, compared with the same as a full matrix."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from glowledger.bench.pattern import NearestLine
from glowledger.bench.whole_design import Design, Hats, Places, Runs, joined

BINS = 90


def lines(rng: np.random.Generator, first: list[int], width: int) -> tuple[Runs, np.ndarray]:
    """Return runs that begin at bins, some beyond the ends, and the same as a full matrix (b, n)."""
    value = rng.normal(size=(len(first), width))
    full = np.zeros((BINS, len(first)))
    for n, start in enumerate(first):
        for k in range(width):
            if 0 <= start + k < BINS:
                full[start + k, n] = value[n, k]
            else:
                value[n, k] = 0.0
    return Runs(Places(np.array(first, dtype=np.intp), width, BINS), value), full


@pytest.fixture
def both() -> tuple[Design, np.ndarray, Runs, np.ndarray, np.random.Generator]:
    """Return a design and its full matrix, other lines and theirs, and more random numbers."""
    rng = np.random.default_rng(5)
    one, full_one = lines(rng, [-3, 5, 7, 7, 40, 88, 14], 7)
    two, full_two = lines(rng, [60, 8, 2, -2], 11)
    rate = rng.uniform(0.2, 2.0, BINS)
    rate[30:34] = 0.0
    nodes = np.linspace(0.0, BINS - 1.0, 6)
    hats = np.array([np.interp(np.arange(BINS), nodes, row) for row in np.eye(6)]).T
    full = np.column_stack([full_one, full_two, hats]) * rate[:, None]
    extra, full_extra = lines(rng, [11, 45, 83], 5)
    return Design(joined(one, two).scaled(rate), Hats.of(6, rate)), full, extra, full_extra, rng


def in_full(design: Design, band: np.ndarray) -> np.ndarray:
    """Return the full matrix (n, n) of a band (n, w), whose columns stand in the order in which they begin."""
    n, width = band.shape
    order, full = design.band.order, np.zeros((n, n))
    for i in range(n):
        for k in range(min(width, n - i)):
            full[order[i], order[i + k]] = full[order[i + k], order[i]] = band[i, k]
    return full


def test_products_are_those_of_the_full_matrix(both) -> None:
    design, full, extra, full_extra, rng = both
    weight = rng.uniform(0.1, 1.0, BINS)
    assert_allclose(in_full(design, design.products()), full.T @ full, atol=1e-12)
    assert_allclose(in_full(design, design.products(weight)), full.T @ (full * weight[:, None]), atol=1e-12)
    assert_allclose(design.band.squares(design.products()), np.sum(full**2, axis=0), atol=1e-12)
    assert_allclose(design.products_with(extra), full.T @ full_extra, atol=1e-12)


def test_sums_and_light_are_those_of_the_full_matrix(both) -> None:
    design, full, extra, full_extra, rng = both
    values, many = rng.normal(size=BINS), rng.normal(size=(BINS, 3))
    assert_allclose(design.sums(values), full.T @ values, atol=1e-12)
    assert_allclose(design.sums(many), full.T @ many, atol=1e-12)
    light, several = rng.normal(size=full.shape[1]), rng.normal(size=(3, 4))
    assert_allclose(design.spread(light), full @ light, atol=1e-12)
    assert_allclose(extra.spread(several), full_extra @ several, atol=1e-12)


def test_no_line_at_all() -> None:
    none, _ = lines(np.random.default_rng(1), [], 3)
    design = Design(none, Hats.of(3, np.ones(BINS)))
    assert design.products().shape[0] == 3
    assert_allclose(design.sums(np.ones(BINS)).sum(), BINS)


@pytest.mark.parametrize("counts", [(1,), (2,), (3, 1), (40, 7, 300)])
def test_the_nearest_line_is_the_nearest(counts: tuple[int, ...]) -> None:
    rng = np.random.default_rng(counts[0])
    lists = [np.sort(rng.uniform(200.0, 1000.0, count)) for count in counts]
    nearest, row = NearestLine(lists), np.repeat(np.arange(len(lists)), 2)
    at = rng.uniform(-100.0, 1500.0, (len(row), 500))
    for k, nm in enumerate(lists):
        at[row == k, : len(nm)] = nm
    found = nearest(row, at)
    for number, here, line in zip(row, at, found, strict=True):
        gaps = np.abs(here[:, None] - lists[number])
        assert_allclose(np.take_along_axis(gaps, line[:, None], axis=-1)[:, 0], gaps.min(axis=-1))


def test_lines_too_close_for_a_cell_of_their_own_are_told_apart() -> None:
    nm = np.array([200.0, 500.0, 500.001, 500.0015, 900.0])
    at = np.array([[100.0, 349.0, 351.0, 500.0008, 500.0014, 2000.0, np.nan]])
    assert NearestLine([nm])(np.array([0]), at)[0, :6].tolist() == [0, 0, 1, 2, 3, 4]


@pytest.mark.parametrize("held", [(), (0, 6, 13)])
def test_normal_equations_solved_by_their_band_are_those_of_the_full_matrix(both, held) -> None:
    design, full, _, _, rng = both
    count = full.shape[1]
    free = ~np.isin(np.arange(count), held)
    prior, right = rng.uniform(0.5, 2.0, count), rng.normal(size=(count, 3))
    wanted = np.zeros((count, 3))
    normal = full.T @ full + np.diag(prior)
    wanted[free] = np.linalg.solve(normal[np.ix_(free, free)], right[free])
    band = design.products()
    assert band.shape[1] < count  # some do not overlap
    assert_allclose(design.band.solved(band, prior, free, right), wanted, atol=1e-10)
    assert_allclose(design.band.solved(band, prior, free, right[:, 0]), wanted[:, 0], atol=1e-10)
    of_free = np.linalg.slogdet(normal[np.ix_(free, free)])[1]
    assert_allclose(design.band.log_determinant(band, prior, free), of_free, rtol=1e-12)
