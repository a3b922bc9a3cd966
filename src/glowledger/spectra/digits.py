"""Plain decimal numbers from bytes, exactly rounded, many at a time.

A table of digits, one decimal mark and one delimiter is cut at its separators; up to eight digits are then
turned into a whole number inside one 64-bit word (the digits-in-a-register method, Lemire 2018, from memory),
for all cells at once. A number with a fraction is whole digits over a power of ten; both are exact in float64
up to 15 digits, so that one division rounds exactly as the C library does. Whatever else a table may hold
(exponents, more digits, missing cells, text) is left to slower code: `numbers` returns None.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

MOST_DIGITS = 15
_NEWLINE, _MINUS = 10, 45
_PAD = 8
_CHUNK = 1 << 18
_KEEP = np.array(
    [((1 << 64) - 1) ^ ((1 << (8 * (8 - k))) - 1) if k else 0 for k in range(9)], dtype=np.uint64
)
_POWER = 10.0 ** np.arange(9)
_POWER_INT = 10 ** np.arange(9, dtype=np.int64)
_STEPS = (  # the first mask takes the digit out of its character: '0' is 0x30
    (np.uint64(0x0F0F0F0F0F0F0F0F), np.uint64(2561), np.uint64(8)),
    (np.uint64(0x00FF00FF00FF00FF), np.uint64(6553601), np.uint64(16)),
    (np.uint64(0x0000FFFF0000FFFF), np.uint64(42949672960001), np.uint64(32)),
)


def numbers(
    raw: bytes, columns: int, delimiter: str, decimal: str, *, start: int = 0
) -> NDArray[np.float64] | None:
    """Read a clean table.

    Parameters
    ----------
    raw : bytes
        Rows of `columns` cells with line feeds between; the last line feed may be missing.
    columns : int
        Cells in a row.
    delimiter, decimal : str
        One ASCII character each.
    start : int
        Byte at which the first row starts.

    Returns
    -------
    ndarray of shape (r, columns) or None
        None if anything stands there that is not a plain decimal number of at most 15 digits.
    """
    if not raw.endswith(b"\n") or raw.endswith(b"\n\n"):
        raw = raw.rstrip(b"\n") + b"\n"
    rows = raw.count(b"\n", start)
    # columns in one piece where there are more rows than columns: axis and frames are columns then
    found = np.empty((rows, columns), order="F" if rows >= columns else "C")
    body = np.frombuffer(raw, dtype=np.uint8)
    row = 0
    while start < len(raw):
        end = raw.find(b"\n", start + _CHUNK) + 1 or len(raw)
        if start < _PAD:
            padded = np.concatenate([np.zeros(_PAD, dtype=np.uint8), body[start:end]])
        else:
            padded = body[start - _PAD : end]
        part = _chunk(padded, columns, ord(delimiter), ord(decimal))
        if part is None or row + len(part) > rows:
            return None
        found[row : row + len(part)] = part
        row += len(part)
        start = end
    return found if row == rows else None


def _chunk(
    padded: NDArray[np.uint8], columns: int, delimiter: int, decimal: int
) -> NDArray[np.float64] | None:
    """Read whole lines; the first eight bytes belong to what stands before."""
    body = padded[_PAD:]
    separator = (body == delimiter) | (body == _NEWLINE)
    separator |= body == decimal
    ends = np.flatnonzero(separator)
    kind = body.take(ends)
    length = np.empty_like(ends)
    length[0] = ends[0]
    np.subtract(ends[1:], ends[:-1], out=length[1:])
    length[1:] -= 1
    signs = int(np.count_nonzero(body == _MINUS))
    negative = None
    if signs:
        negative = body.take(ends - length) == _MINUS
        negative &= length > 0
        length -= negative
        if signs != np.count_nonzero(negative):
            return None
    digits = int(np.count_nonzero((body - np.uint8(48)) < np.uint8(10)))
    if digits + signs + ends.size != body.size or length.max() > 8:
        return None
    return _cells(_whole_numbers(padded, ends, length), length, kind, negative, columns, delimiter, decimal)


def _whole_numbers(
    padded: NDArray[np.uint8], ends: NDArray[np.intp], length: NDArray[np.intp]
) -> NDArray[np.int64]:
    """Return the up to eight digits before each end, counted in the body behind the padding, as whole
    numbers.
    """
    words = np.ndarray((padded.size - 7,), dtype="<u8", buffer=padded, strides=(1,))
    word = words.take(ends)
    keep = _KEEP.take(length)
    word &= keep
    for mask, factor, shift in _STEPS:
        word &= mask
        word *= factor
        word >>= shift
    return word.view(np.int64)


def _cells(
    values: NDArray[np.int64],
    length: NDArray[np.intp],
    kind: NDArray[np.uint8],
    negative: NDArray[np.bool_] | None,
    columns: int,
    delimiter: int,
    decimal: int,
) -> NDArray[np.float64] | None:
    """Join whole and fractional digits into cells, and check that every row has its cells."""
    width = int(np.argmax(kind == _NEWLINE)) + 1
    if kind.size % width == 0:
        pattern = kind[:width]
        rows = kind.reshape(-1, width)
        if (rows == pattern).all():  # every row has its decimal marks in the same columns, as nearly always
            return _alike(
                values.reshape(-1, width), length.reshape(-1, width), pattern, negative, columns, decimal
            )
    return _unlike(values, length, kind, negative, columns, delimiter, decimal)


def _alike(
    values: NDArray[np.int64],
    length: NDArray[np.intp],
    pattern: NDArray[np.uint8],
    negative: NDArray[np.bool_] | None,
    columns: int,
    decimal: int,
) -> NDArray[np.float64] | None:
    """Join the pieces, of shape (r, width), of rows that share one pattern of separators."""
    last = np.flatnonzero(pattern != decimal)
    if last.size != columns:
        return None
    before = np.flatnonzero(pattern == decimal)
    if np.any(np.diff(before) == 1):
        return None  # two marks in one cell
    split = np.searchsorted(last, before)
    every = split.size == columns
    found = np.empty((len(values), columns))
    if not every:
        whole = np.setdiff1d(last, before + 1)
        if length[:, whole].min() == 0:
            return None
        found[:, np.searchsorted(last, whole)] = values.take(whole, axis=1)
    if split.size:
        left = values[:, 0::2] if every else values.take(before, axis=1)
        right = values[:, 1::2] if every else values.take(before + 1, axis=1)
        digits = length[:, 1::2] if every else length.take(before + 1, axis=1)
        ahead = length[:, 0::2] if every else length.take(before, axis=1)
        joined = _joined(left, right, ahead, digits)
        if joined is None:
            return None
        found[:, slice(None) if every else split] = joined
    if negative is None:
        return found
    signs = negative.reshape(values.shape)
    if signs[:, before + 1].any():
        return None  # a sign after the decimal mark
    first = last.copy()
    first[split] = before
    np.negative(found, out=found, where=signs.take(first, axis=1))
    return found


def _joined(
    left: NDArray[np.int64], right: NDArray[np.int64], ahead: NDArray[np.intp], digits: NDArray[np.intp]
) -> NDArray[np.float64] | None:
    """Return left.right as numbers, given how many digits stand ahead of and behind the mark."""
    most, least = int(digits.max()), int(digits.min())
    if int(ahead.max()) + most > MOST_DIGITS or (least == 0 and (digits + ahead).min() == 0):
        return None
    if most == least:
        return (left * 10**most + right) / 10.0**most
    return (left * _POWER_INT.take(digits) + right) / _POWER.take(digits)


def _unlike(
    values: NDArray[np.int64],
    length: NDArray[np.intp],
    kind: NDArray[np.uint8],
    negative: NDArray[np.bool_] | None,
    columns: int,
    delimiter: int,
    decimal: int,
) -> NDArray[np.float64] | None:
    """Join the pieces of rows in which some cells have a decimal mark and others have none."""
    point = kind == decimal
    last = np.flatnonzero(~point)  # the piece that ends each cell
    if last.size % columns:
        return None
    ending = kind[last].reshape(-1, columns)
    if not ((ending[:, -1] == _NEWLINE).all() and (ending[:, :-1] == delimiter).all()):
        return None
    before = np.maximum(last - 1, 0)
    split = point[before] & (last > 0)
    if point.sum() != split.sum():
        return None  # two marks in one cell
    if negative is not None and (negative[last] & split).any():
        return None
    left = np.where(split, values[before], values[last])
    right = np.where(split, values[last], 0)
    ahead = np.where(split, length[before], length[last])
    found = _joined(left, right, ahead, np.where(split, length[last], 0))
    if found is not None and negative is not None:
        np.negative(found, out=found, where=negative[np.where(split, before, last)])
    return None if found is None else found.reshape(-1, columns)
