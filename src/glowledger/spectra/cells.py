"""Lines cut into cells, and what a cell or a row may be."""

from __future__ import annotations

import csv
import re

from glowledger.spectra.numerals import is_number, looks_numeric
from glowledger.spectra.settings import moment_of

_CLOCK = re.compile(r"\d{1,3}:\d{2}:\d{2}([.,]\d+)?")


def split(line: str, delimiter: str, quoted: bool = False) -> list[str]:
    """Cut one line into stripped cells; a blank as delimiter stands for any run of blanks."""
    if quoted:
        cells = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
        return [cell.strip() for cell in cells]
    if delimiter == " ":
        return line.split()
    return [cell.strip() for cell in line.split(delimiter)]


def is_row(cells: list[str]) -> bool:
    """Return True if cells may be a row of data: numbers or signs for missing ones, a time of day allowed in
    front.
    """
    if not all(looks_numeric(cell) for cell in cells[1:]):
        return False
    if not any(is_number(cell) for cell in cells):
        return False
    return looks_numeric(cells[0]) or (len(cells) > 1 and is_moment(cells[0]))


def is_moment(cell: str) -> bool:
    """Return True if a cell is a date with time, or a time of day."""
    return len(cell) >= 7 and (bool(_CLOCK.fullmatch(cell)) or moment_of(cell) is not None)
