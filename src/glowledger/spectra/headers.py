"""What stands above the data: settings, column names, units."""

from __future__ import annotations

import re

from glowledger.spectra.cells import split
from glowledger.spectra.column_names import is_unit, role_of
from glowledger.spectra.numerals import is_number

_COMMENT = re.compile(r"\A\s*(#|%|//|!|\*|;|'|\")+\s?")
_PLAIN_COMMENT = re.compile(r"\A\s*(#|%|//|!)+\s?")
_SETTING = re.compile(r"\s*([^:=]{1,60}?)\s*(?::=|[:=])\s*(.*?)\s*\Z")
_CELL_SETTING = re.compile(r"\s*([^:=\t;,|]{1,60}?)\s*[\t;,|]\s*(.*?)\s*\Z")
_CLOCK_IN_KEY = re.compile(r"[\t;,|].*\d\Z")
_CELL_VALUE = re.compile(r"[-+]?\d")
_SETTING_NAME = re.compile(r"(integration|exposure|int\.?)\b", re.I)
_RULE = re.compile(r"([-=*>_~+])\1{2,}|.*([-=*<_~+])\2{2,}\Z")


def find_header(lines: list[str], delimiter: str, columns: int) -> tuple[int | None, int | None]:
    """Find column names and units directly above the data.

    Parameters
    ----------
    lines : list of str
        The lines above the data.
    delimiter : str
        Between columns.
    columns : int
        Cells in a row of data.

    Returns
    -------
    (int or None, int or None)
        Index of the line of names and of the line of units. A line of units alone is taken as the names.
    """
    above = [i for i, line in enumerate(lines) if line.strip() and not is_rule(line)][-2:]
    header = units = None
    for i in reversed(above):
        text = uncommented(lines[i])
        cells = names_in(text, delimiter, columns)
        filled = [cell for cell in cells if cell]
        if units is None and filled and len(cells) >= min(columns, 2) and all(is_unit(c) for c in filled):
            units = i
            continue
        if _is_header(cells, text, delimiter, columns):
            header = i
        break
    return (units, None) if header is None else (header, units)


def names_in(text: str, delimiter: str, columns: int) -> tuple[str, ...]:
    """Cut a line of names into cells; a delimiter within brackets, as in 'wavelength (nm, air)', does not
    cut.
    """
    cells = split(text, delimiter, '"' in text)
    if len(cells) == columns:
        return tuple(cells)
    if delimiter == " ":
        cells = re.split(r"\s{2,}|\t|\s+(?=[A-Za-z]+\s*[\[(])|(?<=[\])])\s+", text.strip())
    else:
        cells = re.split(rf"{re.escape(delimiter)}(?![^(\[]*[)\]])", text)
    return tuple(cell.strip().strip('"') for cell in cells)


def column_names(text: str, delimiter: str, columns: int) -> tuple[str, ...]:
    """Return a name for every column; an empty one where the line has one cell too few (the corner) or ends
    early.
    """
    cells = names_in(uncommented(text), delimiter, columns)
    if len(cells) == columns - 1 and columns > 2:
        cells = ("", *cells)
    return cells[:columns] + ("",) * (columns - len(cells))


def _is_header(cells: tuple[str, ...], text: str, delimiter: str, columns: int) -> bool:
    if _is_setting(text, delimiter):
        return False
    if len(cells) == columns:
        value = is_number(cells[-1]) or _CELL_VALUE.match(cells[-1])  # a setting, 'Integration time;200 ms'
        named = role_of(cells[0]) is not None and not _SETTING_NAME.match(cells[0])
        return columns > 2 or named or not value
    if len(cells) == columns - 1:  # a header without the corner cell
        return columns > 3 or any(role_of(cell) for cell in cells)
    return len(cells) == columns + 1 and not cells[-1]


def _is_setting(text: str, delimiter: str) -> bool:
    """Return True for ``key: value`` rather than names: a colon or equals sign before any delimiter."""
    if delimiter == " ":
        return bool(re.search(r"[:=](\s|\Z)", text))
    mark = re.search(r"[:=]", text)
    at = text.find(delimiter)
    return mark is not None and (at < 0 or mark.start() < at)


def is_rule(line: str) -> bool:
    """Return True for lines such as ``-----`` or ``>>>>> begin <<<<<`` that only divide."""
    text = line.strip().strip("#%! ")
    return not text or bool(_RULE.match(text))


def uncommented(line: str) -> str:
    """Return a line without the sign of a comment in front."""
    return _PLAIN_COMMENT.sub("", line, count=1) if _PLAIN_COMMENT.match(line) else line


def preamble(lines: list[str]) -> tuple[tuple[str, str], ...]:
    """Return the settings above the data as ``key, value`` pairs; other text has an empty key."""
    found = []
    for line in lines:
        if not line.strip() or is_rule(line):
            continue
        text = _COMMENT.sub("", line, count=1).strip().strip('"')
        setting = _SETTING.match(text) or _CELL_SETTING.match(text)
        if setting and _CLOCK_IN_KEY.search(setting.group(1)):
            setting = _CELL_SETTING.match(text)  # the colon is that of a clock in the second cell
        if setting and setting.group(1):
            found.append((setting.group(1).strip(' "'), setting.group(2).strip(' ",;\t')))
        elif text:
            found.append(("", text))
    return tuple(found)
