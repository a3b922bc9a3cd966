"""Outer lines of a solution: kept where the others confirm them, given up where they may be something else."""

import numpy as np
import pytest

from glowledger.bench.identified import Placed, as_identified
from glowledger.bench.outer_lines import Crowd, supported, well_covered
from glowledger.bench.polynomial import best_degree

SPAN, WIDTH = 600.0, 2.0


def true_nm(u):
    return 650.0 + 300.0 * u + 9.0 * (2 * u**2 - 1) - 1.5 * (4 * u**3 - 3 * u)


def placed(u, shift_nm=None, error=0.04, bright=True):
    """Lines at u with their published places, shifted where the peak is not theirs."""
    shift = np.zeros(len(u)) if shift_nm is None else np.asarray(shift_nm)
    rng = np.random.default_rng(4)
    nm = true_nm(u) + shift + rng.normal(0.0, 0.02, len(u))
    rows = [
        Placed(k, float(x), float(w), error, WIDTH, float("nan"), "Ne I", True, True, True, bright)
        for k, (x, w) in enumerate(zip(u, nm, strict=True))
    ]
    return as_identified(rows)


def crowd(found, strangers=0):
    """As many unexplained peaks as said, in one corner; no other line in the list."""
    u = np.append(found.u, np.full(strangers, -0.99))
    return Crowd(
        peak_nm=true_nm(u), peak_u=u, width_u=0.005, line_nm=np.sort(found.wavelength_nm),
        line_strength=np.ones(len(found)), line_bright=np.ones(len(found), dtype=bool),
    )  # fmt: skip


def used(found, **more):
    fit, kept = supported(found, np.arange(len(found)), SPAN, crowd(found, **more))
    return kept[fit.weight > 0.05], fit


EVEN = np.linspace(-0.8, 0.8, 14)


def test_lines_that_agree_are_all_kept():
    rows, fit = used(placed(EVEN))
    assert list(rows) == list(range(14))
    assert np.max(np.abs(fit.nm(EVEN) - true_nm(EVEN))) < 0.1


@pytest.mark.parametrize("off", [-1.0, 0.8, 3.0])
def test_an_outermost_line_that_is_another_does_not_bend_the_curve(off):
    shift = np.zeros(14)
    shift[-1] = off
    rows, fit = used(placed(EVEN, shift))
    assert 13 not in rows
    inside = EVEN[rows]
    assert np.max(np.abs(fit.nm(inside) - true_nm(inside))) < WIDTH / 10


def test_a_line_far_beyond_the_others_is_not_believed_where_strangers_are_many():
    # predicted over a third of the axis it could be anything; with ten unexplained peaks about, chance puts one there
    u = np.append(np.linspace(-0.9, -0.1, 7), 0.8)
    rows, _ = used(placed(u, bright=False), strangers=10)
    assert 7 not in rows


def test_two_that_agree_outweigh_one_between():
    # the third from the end is of a stranger, 0.8 nm off; the two beyond it are right and say so
    shift = np.zeros(14)
    shift[-3] = 0.8
    rows, fit = used(placed(EVEN, shift))
    assert 11 not in rows
    inside = EVEN[rows]
    assert np.max(np.abs(fit.nm(inside) - true_nm(inside))) < WIDTH / 10


def test_the_range_ends_before_a_gap_that_nothing_holds():
    u = np.array([-0.9, -0.85, -0.8, -0.7, -0.6, -0.5, 0.85, 0.9])
    found = placed(u, error=0.15)
    fit = best_degree(found.u, found.wavelength_nm, found.error_nm, SPAN)
    rows = well_covered(found, np.arange(len(u)), fit)
    assert set(rows) <= set(range(6))
