"""How one file is written: delimiter, number notation, preamble, header, first line of data."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from itertools import zip_longest
from pathlib import Path

from glowledger.errors import AmbiguousFile, ReadError
from glowledger.spectra.column_names import is_unit, role_of
from glowledger.spectra.decoding import SourceText
from glowledger.spectra.numerals import MISSING, Notation, find_notation, is_number, looks_numeric, to_float
from glowledger.spectra.options import DELIMITERS, ReadingOptions
from glowledger.spectra.settings import moment_of

_CANDIDATES = ("\t", ";", "|", ",", " ")
_NAMES = {mark: name for name, mark in DELIMITERS.items()}
_COMMENT = re.compile(r"\s*(#|%|//|!|\*|;|'|\")+\s?")
_SETTING = re.compile(r"\s*([^:=\t;,]{1,60}?)\s*(?::=|[:=\t;,])\s*(.*?)\s*\Z")
_CLOCK = re.compile(r"\d{1,3}:\d{2}:\d{2}([.,]\d+)?")
_HEAD = 400  # lines in which data are expected to begin
_SAMPLE = 200  # rows, and
_CELLS = 3000  # cells that are looked at to find out how a file is written


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


def is_row(cells: list[str]) -> bool:
    """Return True if cells may be a row of data: numbers or signs for missing ones, a time of day allowed in front."""
    if not all(looks_numeric(cell) for cell in cells[1:]):
        return False
    if not any(is_number(cell) for cell in cells):
        return False
    return looks_numeric(cells[0]) or (len(cells) > 1 and is_moment(cells[0]))


def is_moment(cell: str) -> bool:
    """Return True if a cell is a date with time, or a time of day."""
    return len(cell) >= 7 and (bool(_CLOCK.fullmatch(cell)) or moment_of(cell) is not None)


def sniff(source: SourceText, options: ReadingOptions) -> Dialect:
    """Find out how a file is written.

    Parameters
    ----------
    source : SourceText
        The whole file.
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
    path = source.path
    lines, end = source.head(_HEAD)
    found = _find_rows(lines, options)
    if found is None and end < len(source.raw):
        lines, end = source.text().split("\n"), len(source.raw)
        found = _find_rows(lines, options)
    rest = source.text(end) if b"," in source.raw[end:] else ""
    if found is None:
        raise ReadError(
            "no rows of numbers were found, only text.",
            mend="Expected lines such as '404.66,1520'. If columns are separated otherwise, say how:  --delimiter",
            file=path,
            line=next((i + 1 for i, line in enumerate(lines) if line.strip()), 1),
        )
    delimiter, first, columns = found
    sample, quoted = _sample(lines, first, delimiter, columns)
    trailing = columns > 1 and delimiter != " " and all(row[-1] == "" for row in sample)
    columns -= trailing
    notation = _notation(lines, first, rest, sample, delimiter, quoted, path, options)
    header, units = _find_header(lines, first, delimiter, columns)
    unit_names = (
        tuple(split(_uncommented(lines[units]), delimiter, '"' in lines[units])) if units is not None else ()
    )
    above = [i for i in (header, units, first) if i is not None]
    return Dialect(
        delimiter=delimiter,
        notation=notation,
        quoted=quoted,
        trailing=trailing,
        columns=columns,
        header=header,
        units=units,
        first=first,
        names=_names(lines, header, delimiter, columns),
        unit_names=unit_names,
        metadata=preamble(lines[: min(above)]),
    )


def _sample(lines: list[str], first: int, delimiter: str, columns: int) -> tuple[list[list[str]], bool]:
    """Return some rows of cells, and whether cells stand in quotation marks."""
    chosen = [line for line in lines[first : first + _enough(columns)] if line.strip()]
    quoted = any('"' in line for line in chosen)
    rows = [split(line, delimiter, quoted) for line in chosen]
    return [row for row in rows if len(row) == columns and is_row(row)], quoted


def _enough(width: int) -> int:
    """Return how many rows tell how a file is written: many where they are short."""
    return max(6, min(_SAMPLE, _CELLS // max(width, 1)))


def _find_rows(lines: list[str], options: ReadingOptions) -> tuple[str, int, int] | None:
    """Return delimiter, first data line and number of cells: the candidate with the most rows of one width."""
    candidates = (options.delimiter,) if options.delimiter else _CANDIDATES
    best: tuple[tuple[bool, int, int], str, int, int] | None = None
    for rank, delimiter in enumerate(candidates):
        if delimiter != " " and not any(delimiter in line for line in lines):
            continue
        found = _longest_block(lines, delimiter)
        if found is None:
            continue
        first, length, width = found
        score = (width > 1, length, -rank)
        if best is None or score > best[0]:
            best = (score, delimiter, first, width)
        if width > 1 and length >= _enough(width):
            break  # what comes later in the order of candidates could at most do as well
    if best is None:
        return None
    _, delimiter, first, width = best
    return delimiter, _earliest(lines, first, delimiter, width), width


def _longest_block(lines: list[str], delimiter: str) -> tuple[int, int, int] | None:
    """Return first line, number of rows and width of the first long run of numeric rows of one width."""
    best: tuple[int, int, int] | None = None
    start, length, width = 0, 0, 0
    for i, line in enumerate(lines):
        if not line or line.isspace():
            continue
        cells = split(line, delimiter, '"' in line)
        if not is_row(cells):
            length, width = 0, 0
            continue
        if len(cells) == width:
            length += 1
        else:
            start, length, width = i, 1, len(cells)
        if best is None or length > best[1]:
            best = (start, length, width)
        if length >= _enough(width):
            break
    return best


def _earliest(lines: list[str], first: int, delimiter: str, width: int) -> int:
    """Return the first row of that width above `first`, so that a bad line early in the data is not taken for text."""
    for i in range(first):
        cells = split(lines[i], delimiter, '"' in lines[i])
        if len(cells) == width > 1 and is_number(cells[0]) and is_row(cells):
            return i
    return first


def _notation(
    lines: list[str],
    first: int,
    rest: str,
    sample: list[list[str]],
    delimiter: str,
    quoted: bool,
    path: Path,
    options: ReadingOptions,
) -> Notation:
    """Find out decimal and thousands marks; marks may first show far down, where counts pass a thousand."""
    rows = sample
    if delimiter != "," or quoted:
        far = [line for line in lines[first + len(sample) :] if "," in line]
        far += [line for line in rest.split("\n") if "," in line] if "," in rest else []
        rows = rows + [split(line, delimiter, quoted) for line in far[: 10 * _SAMPLE]]
    elif not any(mark in line for line in lines[first : first + len(sample)] for mark in " '’\u00a0\u202f"):
        return Notation()  # an unquoted comma between columns leaves nothing but decimal points
    rows = [row for row in rows if is_row(row)]
    columns = [[c for c in column if c.lower() not in MISSING] for column in zip_longest(*rows, fillvalue="")]
    columns = [column for column in columns if column and all(looks_numeric(c) for c in column)]
    if options.decimal:
        other = "," if options.decimal == "." else "."
        return Notation(
            options.decimal, other if any(other in c for column in columns for c in column) else ""
        )
    found = find_notation(columns) if columns else Notation()
    if isinstance(found, Notation):
        return found
    line = next((i for i, text in enumerate(lines) if i >= first and found.token in text), first)
    raise AmbiguousFile(
        f"{found.token!r} can be read as {_spoken(found.token, found.first)} or as {_spoken(found.token, found.second)}.",
        mend=f"Say which mark is the decimal one:  --decimal '{found.first.decimal}'  or  "
        f"--decimal '{found.second.decimal}'",
        file=path,
        line=line + 1,
    )


def _spoken(token: str, notation: Notation) -> str:
    return f"{to_float(token, notation):g} (decimal {'point' if notation.decimal == '.' else 'comma'})"


def _find_header(lines: list[str], first: int, delimiter: str, columns: int) -> tuple[int | None, int | None]:
    """Return the lines of the column names and of the units above the data, or None."""
    above = [i for i in range(first) if lines[i].strip() and not _is_rule(lines[i])][-2:]
    header = units = None
    for i in reversed(above):
        cells = split(_uncommented(lines[i]), delimiter, '"' in lines[i])
        filled = [cell for cell in cells if cell]
        if (
            units is None
            and filled
            and all(is_unit(cell) for cell in filled)
            and len(cells) >= min(columns, 2)
        ):
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
    if roles[0] in ("wavelength", "wavenumber", "energy", "pixel", "time", "frame") or roles[-1] in (
        "counts",
        "dark",
    ):
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
    return (
        bool(re.match(r"([-=*>_~+])\1{2,}", text))
        or bool(re.search(r"([-=*<_~+])\1{2,}\Z", text))
        or not text
    )


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
