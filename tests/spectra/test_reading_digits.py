"""The fast number reader against Python's own float(), which rounds correctly."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from glowledger.spectra import digits

DIGITS = st.text("0123456789", min_size=1, max_size=7)
CELL = st.one_of(
    DIGITS,
    st.tuples(DIGITS, DIGITS).map(".".join),
    DIGITS.map(lambda d: f"-{d}"),
    st.tuples(DIGITS, DIGITS).map(lambda p: f"-{p[0]}.{p[1]}"),
    DIGITS.map(lambda d: f".{d}"),
    DIGITS.map(lambda d: f"{d}."),
)


@given(
    st.integers(1, 6).flatmap(
        lambda k: st.lists(st.lists(CELL, min_size=k, max_size=k), min_size=1, max_size=20)
    )
)
def test_equals_float_bit_for_bit(rows):
    raw = "\n".join(",".join(row) for row in rows).encode()
    expected = np.array([[float(cell) for cell in row] for row in rows])
    found = digits.numbers(raw, expected.shape[1], ",", ".")
    assert_array_equal(found, expected)
    assert_array_equal(np.signbit(found), np.signbit(expected))


@pytest.mark.parametrize("places", range(8))
def test_every_number_of_decimals_rounds_as_float_does(places):
    rng = np.random.default_rng(places)
    texts = [f"{value:.{places}f}" for value in rng.uniform(0, 10**7, 3000)]
    found = digits.numbers("\n".join(f"{t};{t}" for t in texts).encode(), 2, ";", ".")
    assert_array_equal(found[:, 1], [float(t) for t in texts])


def test_a_table_larger_than_one_part_is_whole():
    rng = np.random.default_rng(1)
    values = rng.integers(0, 65536, (3000, 101))
    raw = "\n".join("\t".join(map(str, row)) for row in values.tolist()).encode()
    assert len(raw) > 4 * digits._CHUNK
    assert_array_equal(digits.numbers(raw, 101, "\t", ","), values)


@pytest.mark.parametrize(
    "raw",
    [
        b"1,2\n3",
        b"1,2\n3,4,5",
        b"1,\n3,4",
        b"1,a\n3,4",
        b"1,2e3\n3,4",
        b"1,2\n\n3,4",
        b"1,1.2.3\n3,4",
        b"1,-\n3,4",
        b"1,--2\n3,4",
        b"1,2-\n3,4",
        b"1,.\n3,4",
        b"1,123456789\n3,4",
        b"1,1.-2\n3,4",
        b"1,2 3\n3,4",
        b"1,\xb2\n3,4",
        b"1,1234567.123456789\n3,4",
        b"1,2\r\n3,4",
        b"1,+2\n3,4",
        b"1,nan\n3,4",
        b"1,0x1\n3,4",
    ],
)
def test_leaves_anything_else_to_the_careful_reader(raw):
    assert digits.numbers(raw, 2, ",", ".") is None


def test_starts_where_it_is_told():
    assert_array_equal(digits.numbers(b"a,b\n1,2\n3,4", 2, ",", ".", start=4), [[1, 2], [3, 4]])
