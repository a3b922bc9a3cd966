"""How one file is written: delimiter, number notation, preamble, header, first line of data."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from pathlib import Path

from glowledger.errors import AmbiguousFile, ReadError
from glowledger.spectra.column_names import is_unit, role_of
from glowledger.spectra.numerals import MISSING, Notation, TwoReadings, find_notation, is_number, looks_numeric
from glowledger.spectra.options import DELIMITERS, ReadingOptions
from glowledger.spectra.settings import moment_of, seconds_of

_CANDIDATES = ("\t", ";", "|", ",", " ")
_NAMES = {mark: name for name, mark in DELIMITERS.items()}
_COMMENT = re.compile(r"\s*(#|%|//|!|\*|;|'|\")+\s?")
_SETTING = re.compile(r"\s*([^:=\t;,]{1,60}?)\s*(?::=|[:=\t;,])\s*(.*?)\s*\Z")
_SAMPLE = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialect:
    """How one file is written; line indices count from 0.

    Attributes
    ----------
    delimiter : str
        One character; a blank stands for any run of blanks.
    notation : Notation
        Decimal and thousands marks.
    quoted : bool
        True if cells stand in quotation marks.
    trailing : bool
        True if every row ends with a delimiter.
    columns : int
        Cells in a row.
    header, units, first : int or None
        Lines of the column names, of the units, and of the first row of data.
    names : tuple of str
        Column names; empty without a header.
    unit_names : tuple of str
        Cells of the units row; empty without one.
    metadata : tuple of (str, str)
        Settings of the preamble.
    """

    delimiter: str
    notation: Notation
    quoted: bool
    trailing: bool
    columns: int
    header: int | None
    units: int | None
    first: int
    names: tuple[str, ...]
    unit_names: tuple[str, ...]
    metadata: tuple[tuple[str, str], ...]

    @property
    def delimiter_name(self) -> str:
        """The delimiter in words."""
        return _NAMES.get(self.delimiter, repr(self.delimiter))


def split(line: str, delimiter: str, quoted: bool = False) -> list[str]:
    """Cut one line into stripped cells."""
    if quoted:
        cells = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
        return [cell.strip() for cell in cells]
    if delimiter == " ":
        return line.split()
    return [cell.strip() for cell in line.split(delimiter)]


def _is_cell(cell: str) -> bool:
    return looks_numeric(cell) or (len(cell) >= 8 and (moment_of(cell) is not None or _is_clock(cell)))


def _is_clock(cell: str) -> bool:
    return bool(re.fullmatch(r"\d{1,3}:\d{2}:\d{2}([.,]\d+)?", cell))


def _is_row(cells: list[str]) -> bool:
    """Return True if cells may be a row of data: numbers, a time or label allowed in front."""
    if not any(is_number(cell) for cell in cells):
        return False
    return all(looks_numeric(cell) for cell in cells[1:]) and _is_cell(cells[0])


def sniff(lines: list[str], path: Path, options: ReadingOptions) -> Dialect:
    """Find out how a file is written.

    Parameters
    ----------
    lines : list of str
        All lines of the file.
    path : Path
        Named in messages.
    options : ReadingOptions
        What the user stated.

    Returns
    -------
    Dialect

    Raises
    ------
    ReadError
        If there are no rows of numbers.
    AmbiguousFile
        If two readings are possible.
    """
    delimiter, first, columns = _find_rows(lines, path, options)
    quoted = any('"' in line for line in lines[first : first + _SAMPLE])
    sample = [line for line in lines[first : first + _SAMPLE] if line.strip()]
    rows = [split(line, delimiter, quoted) for line in sample]
    rows = [row for row in rows if _is_row(row)]
    trailing = columns > 1 and delimiter != " " and all(row[-1] == "" for row in rows if len(row) == columns)
    columns -= trailing
    notation = _notation(lines, first, delimiter, quoted, path, options)
    header, units = _find_header(lines, first, delimiter, columns)
    names = _names(lines, header, delimiter, columns)
    unit_names = tuple(split(lines[units], delimiter, '"' in lines[units])) if units is not None else ()
    end = header if header is not None else units if units is not None else first
    return Dialect(
        delimiter=delimiter,
        notation=notation,
        quoted=quoted,
        trailing=bool(trailing),
        columns=columns,
        header=header,
        units=units,
        first=first,
        names=names,
        unit_names=unit_names,
        metadata=preamble(lines[:end]),
    )


def _find_rows(lines: list[str], path: Path, options: ReadingOptions) -> tuple[str, int, int]:
    """Return delimiter, first data line and number of cells: the candidate with the most rows of one width."""
    candidates = (options.delimiter,) if options.delimiter else _CANDIDATES
    best: tuple[int, int, str, int, int] | None = None
    for rank, delimiter in enumerate(candidates):
        if delimiter != " " and not any(delimiter in line for line in lines):
            continue
        found = _longest_block(lines, delimiter)
        if found is None:
            continue
        first, length, width = found
        score = (length if width > 1 else 0, -rank)
        if best is None or score > best[:2]:
            best = (*score, delimiter, first, width)
    if best is None:
        raise ReadError(
            "no rows of numbers were found, only text.",
            mend="Expected lines such as '404.66,1520'. If columns are separated otherwise, say how: --delimiter",
            file=path,
            line=next((i + 1 for i, line in enumerate(lines) if line.strip()), 1),
        )
    delimiter, first, width = best[2:]
    return delimiter, _earliest(lines, first, delimiter, width), width


def _earliest(lines: list[str], first: int, delimiter: str, width: int) -> int:
    """Return the first row of that width above `first`, so that a bad line early in the data is not taken for text."""
    for i in range(first):
        cells = split(lines[i], delimiter, '"' in lines[i])
        if len(cells) == width > 1 and is_number(cells[0]) and _is_row(cells):
            return i
    return first


def _longest_block(lines: list[str], delimiter: str) -> tuple[int, int, int] | None:
    """Return first line, number of rows and width of the first long run of numeric rows of one width."""
    best: tuple[int, int, int] | None = None
    start, length, width = 0, 0, 0
    for i, line in enumerate(lines):
        if not line.strip():
            continue
        cells = split(line, delimiter, '"' in line)
        if _is_row(cells) and len(cells) == width:
            length += 1
            if length >= _SAMPLE:
                return start, length, width
        elif _is_row(cells):
            start, length, width = i, 1, len(cells)
        else:
            length, width = 0, 0
            continue
        if best is None or length > best[1]:
            best = (start, length, width)
    return best


def _notation(
    lines: list[str], first: int, delimiter: str, quoted: bool, path: Path, options: ReadingOptions
) -> Notation:
    body = lines[first:]
    chosen = body[:_SAMPLE]
    if delimiter != "," or quoted:
        chosen = chosen + [line for line in body[_SAMPLE:] if "," in line or "’" in line][: 10 * _SAMPLE]
    rows = [split(line, delimiter, quoted) for line in chosen]
    rows = [row for row in rows if _is_row(row)]
    width = max((len(row) for row in rows), default=0)
    columns = [[row[i] for row in rows if i < len(row) and row[i].lower() not in MISSING] for i in range(width)]
    columns = [column for column in columns if column and all(looks_numeric(c) for c in column)]
    if options.decimal:
        other = "," if options.decimal == "." else "."
        grouped = any(other in token for column in columns for token in column)
        return Notation(options.decimal, other if grouped else "")
    found = find_notation(columns) if columns else Notation()
    if isinstance(found, TwoReadings):
        line = next((i for i, text in enumerate(lines) if i >= first and found.token in text), first)
        raise AmbiguousFile(
            f"'{found.token}' can be read as {_spoken(found.token, found.first)} or as "
            f"{_spoken(found.token, found.second)}.",
            mend=f"Say which mark is the decimal one:  --decimal '{found.first.decimal}'  or  "
            f"--decimal '{found.second.decimal}'",
            file=path,
            line=line + 1,
        )
    return found


def _spoken(token: str, notation: Notation) -> str:
    from glowledger.spectra.numerals import to_float

    return f"{to_float(token, notation):g} (decimal {'point' if notation.decimal == '.' else 'comma'})"


def _find_header(lines: list[str], first: int, delimiter: str, columns: int) -> tuple[int | None, int | None]:
    """Return the lines of the column names and of the units above the data, or None."""
    above = [i for i in range(first) if lines[i].strip() and not _is_rule(lines[i])][-2:]
    header = units = None
    for i in reversed(above):
        cells = split(_uncommented(lines[i]), delimiter, '"' in lines[i])
        filled = [cell for cell in cells if cell]
        if units is None and filled and all(is_unit(cell) for cell in filled) and len(cells) >= min(columns, 2):
            units = i
            continue
        if _is_header(cells, lines[i], columns, delimiter):
            header = i
        break
    if header is None and units is not None:
        header, units = units, None
    return header, units


def _is_header(cells: list[str], line: str, columns: int, delimiter: str) -> bool:
    if abs(len(cells) - columns) > 1 and not (delimiter == " " and columns > 1):
        return False
    if columns > 2:
        return len(cells) >= columns - 1 and (delimiter != " " or len(cells) <= 4 * columns)
    roles = [role_of(cell) for cell in cells]
    if roles[0] in ("wavelength", "wavenumber", "energy", "pixel", "time", "frame") or roles[-1] in ("counts", "dark"):
        return not _looks_like_setting(line, delimiter)
    return len(cells) == columns and not _looks_like_setting(line, delimiter) and not is_number(cells[-1])


def _looks_like_setting(line: str, delimiter: str) -> bool:
    mark = re.search(r"[:=]", line)
    return bool(mark) and (delimiter not in line or line.index(mark.group(0)) < line.index(delimiter))


def _names(lines: list[str], header: int | None, delimiter: str, columns: int) -> tuple[str, ...]:
    if header is None:
        return ()
    text = _uncommented(lines[header])
    cells = split(text, delimiter, '"' in text)
    if delimiter == " " and len(cells) != columns:
        cells = [c for c in re.split(r"\s{2,}|\s+(?=[A-Za-z]+\s*[\[(])|(?<=[\])])\s+", text.strip()) if c]
    if len(cells) == columns - 1:
        cells = ["", *cells]  # the corner above the axis is empty
    return tuple(cells[:columns]) + ("",) * (columns - len(cells))


def _is_rule(line: str) -> bool:
    """Return True for lines such as ``-----`` or ``>>>>> begin <<<<<`` that only divide."""
    text = line.strip().strip("#%! ")
    return bool(re.match(r"([-=*>_~+])\1{2,}", text)) or bool(re.search(r"([-=*<_~+])\1{2,}\Z", text)) or not text


def _uncommented(line: str) -> str:
    return _COMMENT.sub("", line, count=1) if re.match(r"\s*(#|%|//|!)", line) else line


def preamble(lines: list[str]) -> tuple[tuple[str, str], ...]:
    """Return the settings in the lines above the data as ``key, value`` pairs; other text has an empty key."""
    found = []
    for line in lines:
        if not line.strip() or _is_rule(line):
            continue
        text = _COMMENT.sub("", line, count=1).strip().strip('"')
        setting = re.match(r"\s*([^:=]{1,60}?)\s*(?::=|[:=])\s*(.*?)\s*\Z", text) or _SETTING.match(text)
        if setting and setting.group(1):
            found.append((setting.group(1).strip(' "'), setting.group(2).strip(' ",;')))
        else:
            found.append(("", text))
    return tuple(found)


__all__ = ["Dialect", "preamble", "seconds_of", "sniff", "split"]
