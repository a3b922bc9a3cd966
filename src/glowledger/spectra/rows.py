"""From the lines of a known dialect to a matrix of numbers."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from glowledger.errors import ReadError
from glowledger.spectra.dialect import Dialect, split
from glowledger.spectra.numerals import to_float


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Table:
    """The numbers of one file.

    Attributes
    ----------
    values : ndarray of shape (r, k)
        NaN where a cell is missing, or is text (first column only).
    labels : tuple of str
        First cells as text, where they are times of day; else empty.
    lines : ndarray of shape (r,)
        Line of each row, counted from 1.
    notes : tuple of str
        What was left out.
    """

    values: NDArray[np.float64]
    labels: tuple[str, ...]
    lines: NDArray[np.int64]
    notes: tuple[str, ...] = ()


def parse(lines: list[str], dialect: Dialect, path: Path) -> Table:
    """Turn the data lines into numbers.

    Parameters
    ----------
    lines : list of str
        All lines of the file.
    dialect : Dialect
        How it is written.
    path : Path
        Named in messages.

    Returns
    -------
    Table

    Raises
    ------
    ReadError
        With the line, where a cell is no number or a row has another width.
    """
    body = lines[dialect.first :]
    try:
        values = _fast(body, dialect)
    except ValueError:
        return _careful(lines, dialect, path)
    if values.shape[1] != dialect.columns + dialect.trailing:
        return _careful(lines, dialect, path)
    numbers = np.flatnonzero([bool(line.strip()) for line in body]) + dialect.first + 1
    return Table(values=values, labels=(), lines=numbers)


def _fast(body: list[str], dialect: Dialect) -> NDArray[np.float64]:
    """Read a clean table; ValueError where it is not clean."""
    if dialect.quoted or dialect.notation.thousands or dialect.trailing:
        raise ValueError("needs care")
    if dialect.notation.decimal == ",":
        body = "\n".join(body).replace(",", ".").split("\n")
    delimiter = None if dialect.delimiter == " " else dialect.delimiter
    return np.loadtxt(body, delimiter=delimiter, comments=None, ndmin=2, dtype=np.float64)


def _careful(lines: list[str], dialect: Dialect, path: Path) -> Table:
    """Read row by row, so that a fault is named with its line."""
    rows: list[list[float]] = []
    labels: list[str] = []
    numbers: list[int] = []
    notes: list[str] = []
    last = max((i for i, line in enumerate(lines) if line.strip()), default=0)
    for i in range(dialect.first, len(lines)):
        line = lines[i]
        if not line.strip():
            continue
        if line.lstrip().startswith(("#", "%", "//")):
            notes.append(f"Line {i + 1} is a comment and was left out.")
            continue
        cells = split(line, dialect.delimiter, dialect.quoted)
        if dialect.trailing and len(cells) == dialect.columns + 1 and not cells[-1]:
            cells = cells[:-1]
        unfinished = i == last and i == len(lines) - 1
        try:
            row, label = _row(cells, dialect, path, i)
        except ReadError:
            if unfinished and rows:
                notes.append(f"The last line ({i + 1}) is not complete, as if still being written; it was left out.")
                break
            if rows and not any(c.isdigit() for c in cells[-1]):
                if all(not l.strip() or not any(ch.isdigit() for ch in l) for l in lines[i:]):
                    notes.append(f"Text after the data, from line {i + 1}, was left out.")
                    break
            raise
        rows.append(row)
        labels.append(label)
        numbers.append(i + 1)
    return Table(
        values=np.array(rows, dtype=np.float64).reshape(len(rows), dialect.columns),
        labels=tuple(labels) if any(labels) else (),
        lines=np.array(numbers, dtype=np.int64),
        notes=tuple(notes),
    )


def _row(cells: list[str], dialect: Dialect, path: Path, i: int) -> tuple[list[float], str]:
    if len(cells) != dialect.columns:
        shown = dialect.delimiter.join(cells)[:60]
        raise ReadError(
            f"expected {dialect.columns} columns as in line {dialect.first + 1}, found {len(cells)} ({shown!r}).",
            mend="Mend or delete that line. If columns or decimals are marked otherwise, say how: "
            "--delimiter, --decimal",
            file=path,
            line=i + 1,
        )
    row = []
    label = ""
    for k, cell in enumerate(cells):
        try:
            row.append(to_float(cell, dialect.notation))
        except ValueError:
            if k == 0 and ":" in cell:
                label = cell
                row.append(float("nan"))
                continue
            raise ReadError(
                f"expected a number in column {k + 1}, found {cell[:40]!r}.",
                mend="Mend that cell, or leave it empty: an empty cell is masked.",
                file=path,
                line=i + 1,
            ) from None
    return row, label
