"""How numbers are written in a file: decimal mark, thousands mark, missing values."""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import pairwise
from math import log1p

MISSING = frozenset({"", "-", "--", "---", "nan", "+nan", "-nan", "n/a", "na", "#n/a", "null", "none", "nil"})
_GROUP_BLANKS = " \u00a0\u2009\u202f\u2019'"
_BLANKS = re.compile(f"[{_GROUP_BLANKS}]")
_NUMBER = {
    ".": re.compile(r"[+\-−]?(\d+\.?\d*|\.\d+)([eEdD][+-]?\d+)?\Z"),
    ",": re.compile(r"[+\-−]?(\d+,?\d*|,\d+)([eEdD][+-]?\d+)?\Z"),
}
_GROUPED = {mark: re.compile(rf"[+\-−]?[1-9]\d{{0,2}}({re.escape(mark)}\d{{3}})+\Z") for mark in ".,"}
_GROUPED_THEN = {
    ".": re.compile(r"[+-]?[1-9]\d{0,2}(,\d{3})+\.\d*\Z"),
    ",": re.compile(r"[+-]?[1-9]\d{0,2}(\.\d{3})+,\d*\Z"),
}
_BLANK_GROUPED = re.compile(rf"[+\-−]?[1-9]\d{{0,2}}([{_GROUP_BLANKS}]\d{{3}})+([.,]\d*)?\Z")


_PATTERNS = (_NUMBER["."], _NUMBER[","], *_GROUPED.values(), *_GROUPED_THEN.values(), _BLANK_GROUPED)


@dataclass(frozen=True, slots=True)
class Notation:
    """Decimal mark ('.' or ',') and thousands mark ('', '.', ',' or 'blank')."""

    decimal: str = "."
    thousands: str = ""


def looks_numeric(token: str) -> bool:
    """Return True if the token is a number in any of the notations, or a sign for a missing one."""
    try:
        float(token)
        return "_" not in token
    except ValueError:
        pass
    token = token.strip()
    if token.lower() in MISSING:
        return True
    return any(pattern.match(token) for pattern in _PATTERNS)


def is_number(token: str) -> bool:
    """Return True if the token is a number, not a sign for a missing one."""
    return token.strip().lower() not in MISSING and looks_numeric(token)


def to_float(token: str, notation: Notation) -> float:
    """Return the number a token stands for.

    Parameters
    ----------
    token : str
        As found in the file.
    notation : Notation
        Decimal and thousands marks.

    Returns
    -------
    float
        NaN for the signs of a missing number.

    Raises
    ------
    ValueError
        If the token is no number in this notation.
    """
    token = token.strip()
    if token.lower() in MISSING:
        return float("nan")
    if notation.thousands == "blank":
        token = _BLANKS.sub("", token)
    elif notation.thousands:
        token = token.replace(notation.thousands, "")
    if notation.decimal == ",":
        if "." in token:
            raise ValueError(token)
        token = token.replace(",", ".", 1)
    token = token.replace("−", "-").replace("D", "E").replace("d", "e")
    if "_" in token:
        raise ValueError(token)
    return float(token)


@dataclass(frozen=True, slots=True)
class TwoReadings:
    """A token that two notations read differently."""

    token: str
    first: Notation
    second: Notation


def find_notation(columns: list[list[str]]) -> Notation | TwoReadings:
    """Find out decimal and thousands marks from the tokens of a table.

    Parameters
    ----------
    columns : list of list of str
        Tokens, a list per column; the first column is the one that may be the axis.

    Returns
    -------
    Notation or TwoReadings
        `TwoReadings` if the tokens allow both a decimal and a thousands mark.
    """
    flat = [token for column in columns for token in column]
    commas = [token for token in flat if "," in token]
    dots = [token for token in flat if "." in token]
    if any(blank in token for token in flat for blank in _GROUP_BLANKS):
        return Notation("," if commas else ".", "blank")
    both = next((token for token in commas if "." in token), None)
    if both is not None:
        return Notation(".", ",") if both.rfind(".") > both.rfind(",") else Notation(",", ".")
    if commas and dots:
        return _both_marks(columns[0], commas, dots)
    if commas or dots:
        return _one_mark("," if commas else ".", columns, commas or dots)
    return Notation()


def _both_marks(axis: list[str], commas: list[str], dots: list[str]) -> Notation | TwoReadings:
    comma_grouped = all(_GROUPED[","].match(token) for token in commas)
    dot_grouped = all(_GROUPED["."].match(token) for token in dots)
    if comma_grouped and not dot_grouped:
        return Notation(".", ",")
    if dot_grouped and not comma_grouped:
        return Notation(",", ".")
    if not comma_grouped:
        # mixed decimal marks: taken as the more frequent one, so that the parser names the line of the other
        return Notation("," if len(commas) > len(dots) else ".", "")
    if _absurd_if_grouped(".", axis):
        return Notation(".", ",")
    if _absurd_if_grouped(",", axis):
        return Notation(",", ".")
    return TwoReadings(commas[0], Notation(".", ","), Notation(",", "."))


def _one_mark(mark: str, columns: list[list[str]], marked: list[str]) -> Notation | TwoReadings:
    other = "," if mark == "." else "."
    if any(token.count(mark) > 1 for token in marked):
        return Notation(other, mark)
    grouped = all(_GROUPED[mark].match(token) for token in marked)
    # 1044 without a mark shows that thousands are not marked
    large = any(len(token) > 3 and token.lstrip("+-").isdigit() for column in columns for token in column)
    if not grouped or large or _absurd_if_grouped(mark, columns[0]):
        return Notation(mark, "")
    if mark == "." and all(_settled(column) for column in columns):
        return Notation(".", "")
    return TwoReadings(marked[0], Notation(mark, ""), Notation(other, mark))


def _settled(column: list[str]) -> bool:
    """Return True if dots in a column can only be decimal: all cells have three decimals, or else the column
    leaps.
    """
    marked = [token for token in column if "." in token]
    if not marked or len(marked) == len(column):
        return True
    return 2 * _leaps([float(token) for token in column]) < _leaps(
        [float(token.replace(".", "")) for token in column]
    )


def _leaps(values: list[float]) -> float:
    return sum(abs(log1p(abs(b)) - log1p(abs(a))) for a, b in pairwise(values))


def _absurd_if_grouped(mark: str, axis: list[str]) -> bool:
    """Return True if reading `mark` as thousands would give an axis beyond every unit of light (100 nm =
    1e5/cm).
    """
    marked = [token for token in axis if mark in token]
    return bool(marked) and min(float(token.replace(mark, "")) for token in marked) > 100_000
