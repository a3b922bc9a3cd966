"""Labels on poles: the rules of the layout, tested on any arrangement."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from glowledger.report.flags import flag_rows

ARRANGEMENTS = st.lists(st.tuples(st.floats(0, 1000), st.floats(5, 150)), min_size=1, max_size=40)


@given(ARRANGEMENTS, st.integers(1, 12))
def test_no_two_labels_touch_and_no_pole_crosses_a_label(arrangement, rows):
    pole, width = np.array(arrangement).T
    row = flag_rows(pole, width, np.arange(pole.size), rows=rows)
    assert row.max() < rows
    kept = np.flatnonzero(row >= 0)
    for i in kept:
        for j in kept[kept != i]:
            under = pole[i] < pole[j] <= pole[i] + width[i]  # the pole of j stands under the label of i
            assert not (under and row[j] >= row[i])
            assert not (pole[i] == pole[j] and row[i] == row[j])


@given(ARRANGEMENTS)
def test_the_most_important_label_is_always_placed(arrangement):
    pole, width = np.array(arrangement).T
    rank = np.arange(pole.size)[::-1]
    row = flag_rows(pole, width, rank, rows=1)
    assert row[-1] == 0


def test_labels_far_apart_all_lie_in_the_lowest_row():
    assert_array_equal(flag_rows([0, 100, 200], [50, 50, 50], [2, 1, 0], rows=3), [0, 0, 0])


def test_a_full_cluster_drops_the_least_important():
    row = flag_rows([0, 10, 20], [100, 100, 100], [0, 2, 1], rows=2)
    assert_array_equal(row, [1, -1, 0])
