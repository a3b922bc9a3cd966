"""From the text of a known dialect to a matrix of numbers."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from glowledger.errors import ReadError
from glowledger.spectra import digits
from glowledger.spectra.cells import is_moment, split
from glowledger.spectra.decoding import SourceText
from glowledger.spectra.dialect import Dialect
from glowledger.spectra.numerals import looks_numeric, to_float


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Table:
    """The numbers of one file.

    Attributes
    ----------
    values : ndarray of shape (r, k)
        NaN where a cell is missing, or is a time of day (first column only).
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


def parse(source: SourceText, dialect: Dialect) -> Table:
    """Turn the data lines into numbers.

    Parameters
    ----------
    source : SourceText
        The whole file.
    dialect : Dialect
        How it is written.

    Returns
    -------
    Table

    Raises
    ------
    ReadError
        With the line, where a cell is no number or a row has another width.
    """
    start = source.offset(dialect.first)
    values = clean_numbers(source.raw, start, dialect)
    if values is not None:
        first = dialect.first + 1
        return Table(values=values, labels=(), lines=np.arange(first, first + len(values)))
    lines = source.text(start).split("\n")
    return _by_library(lines, dialect) or _careful(lines, dialect, source.path)


def clean_numbers(raw: bytes, start: int, dialect: Dialect) -> NDArray[np.float64] | None:
    """Read a table of plain numbers from a byte on, the usual case, fast; None where it is not that plain."""
    if dialect.quoted or dialect.notation.thousands:
        return None
    blank = dialect.delimiter == " "
    if dialect.trailing or blank or raw.find(b" ", start) >= 0:
        raw, start = raw[start:], 0
        mark = dialect.delimiter.encode()
        if blank and b"\t" in raw:
            return None
        raw = _squeezed(raw, mark)
        if dialect.trailing:
            raw = raw.replace(mark + b"\n", b"\n").rstrip(mark)
    return digits.numbers(raw, dialect.columns, dialect.delimiter, dialect.notation.decimal, start=start)


def _squeezed(raw: bytes, mark: bytes) -> bytes:
    """Drop the blanks around marks and at the ends of lines; a blank within a number stays, and is refused
    later.
    """
    for pair, single in ((mark + b" ", mark), (b" " + mark, mark), (b"\n ", b"\n"), (b" \n", b"\n")):
        while pair in raw:
            raw = raw.replace(pair, single)
    return raw.strip(b" ")


def _by_library(lines: list[str], dialect: Dialect) -> Table | None:
    """Read with numpy's reader what is clean but has exponents, many digits or missing cells; None where it
    fails.
    """
    if dialect.quoted or dialect.notation.thousands or dialect.trailing or any("_" in line for line in lines):
        return None
    rows = lines
    delimiter = None if dialect.delimiter == " " else dialect.delimiter
    if dialect.notation.decimal == ",":
        if any("." in row for row in rows):
            return None
        rows = "\n".join(rows).replace(",", ".").split("\n")
    if delimiter is not None:
        gap = delimiter * 2
        if any(gap in row for row in rows):
            text = "\n".join(rows).replace(gap, f"{delimiter}nan{delimiter}")
            rows = text.replace(gap, f"{delimiter}nan{delimiter}").split("\n")
        rows = [f"{row}nan" if row.endswith(delimiter) else row for row in rows]
    try:
        values = np.loadtxt(rows, delimiter=delimiter, comments=None, ndmin=2, dtype=np.float64)
    except ValueError:
        return None
    if values.shape[1] != dialect.columns:
        return None
    numbers = np.flatnonzero([bool(line) and not line.isspace() for line in lines]) + dialect.first + 1
    return Table(values=values, labels=(), lines=numbers) if len(numbers) == len(values) else None


def _careful(lines: list[str], dialect: Dialect, path: Path) -> Table:
    """Read row by row, so that a fault is named with its line, and told from text after the data."""
    rows: list[list[float]] = []
    labels: list[str] = []
    numbers: list[int] = []
    notes: list[str] = []
    last = max((i for i, line in enumerate(lines) if line.strip()), default=0)
    for i, line in enumerate(lines):
        number = dialect.first + i + 1
        if not line.strip():
            continue
        if line.lstrip().startswith(("#", "%", "//")):
            notes.append(f"Line {number} is a comment and was left out.")
            continue
        try:
            row, label = _row(_cells(line, dialect), dialect, path, number)
        except ReadError:
            if rows and i == last == len(lines) - 1:
                notes.append(
                    f"The last line ({number}) is not complete, as if still being written; it was left out."
                )
                break
            if rows and _only_text(lines[i:], dialect):
                notes.append(f"Text after the data, from line {number}, was left out.")
                break
            raise
        rows.append(row)
        labels.append(label)
        numbers.append(number)
    return Table(
        values=np.array(rows, dtype=np.float64).reshape(len(rows), dialect.columns),
        labels=tuple(labels) if any(labels) else (),
        lines=np.array(numbers, dtype=np.int64),
        notes=tuple(notes),
    )


def _cells(line: str, dialect: Dialect) -> list[str]:
    cells = split(line, dialect.delimiter, dialect.quoted)
    if dialect.trailing and len(cells) == dialect.columns + 1 and not cells[-1]:
        cells.pop()
    return cells


def _only_text(lines: list[str], dialect: Dialect) -> bool:
    """Return True if what follows is a footer: no line starts with a number and has the width of a row."""
    for line in lines:
        cells = _cells(line, dialect)
        if line.strip() and cells[0][:1].isdigit() and len(cells) >= dialect.columns:
            return False
    return not lines[0].strip()[:1].isdigit()


def _row(cells: list[str], dialect: Dialect, path: Path, number: int) -> tuple[list[float], str]:
    if len(cells) != dialect.columns:
        shown = dialect.delimiter.join(cells)
        raise ReadError(
            f"expected {dialect.columns} columns as in line {dialect.first + 1}, found {len(cells)} "
            f"({shown[:40]!r}).",
            mend="Mend or delete that line. If columns or decimals are marked otherwise, say how:  "
            "--delimiter  --decimal",
            file=path,
            line=number,
        )
    row = []
    label = ""
    for k, cell in enumerate(cells):
        try:
            row.append(to_float(cell, dialect.notation))
        except ValueError:
            if k == 0 and is_moment(cell):
                label = cell
                row.append(float("nan"))
                continue
            if k == 0 and len(cells) > 1 and not any(looks_numeric(each) for each in cells):
                raise _heading_again(cells, dialect, path, number) from None
            raise _no_number(cell, k, dialect, path, number) from None
    return row, label


def _heading_again(cells: list[str], dialect: Dialect, path: Path, line: int) -> ReadError:
    return ReadError(
        f"a line of text stands amid the numbers ({dialect.delimiter.join(cells)[:40]!r}), as if spectra stood below "
        "each other.",
        mend="Save each spectrum as a file of its own (a folder of files is a run), or side by side in columns; "
        "if it is no heading, delete the line.",
        file=path,
        line=line,
    )


def _no_number(cell: str, column: int, dialect: Dialect, path: Path, line: int) -> ReadError:
    mark, other = ("comma", "points") if dialect.notation.decimal == "," else ("point", "commas")
    mend = "Mend that cell, or leave it empty: an empty cell is masked."
    problem = f"expected a number in column {column + 1}, found {cell[:40]!r}."
    if looks_numeric(cell):
        problem = f"column {column + 1} holds {cell[:40]!r}, although the decimal mark is a {mark} elsewhere."
        mend = (
            f"The file mixes decimal points and commas, or uses {other} for thousands: export it "
            "again with one."
        )
    return ReadError(problem, mend=mend, file=path, line=line)
