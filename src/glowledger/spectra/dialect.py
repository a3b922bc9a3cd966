"""How one file is written: delimiter, number notation, preamble, header, first line of data."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise, zip_longest
from pathlib import Path

from glowledger.errors import AmbiguousFile, NoNumbers
from glowledger.spectra.cells import is_row, split
from glowledger.spectra.column_names import role_of
from glowledger.spectra.decoding import SourceText
from glowledger.spectra.headers import column_names, find_header, names_in, preamble, uncommented
from glowledger.spectra.numerals import MISSING, Notation, find_notation, is_number, looks_numeric, to_float
from glowledger.spectra.options import DELIMITERS, ReadingOptions

_CANDIDATES = ("\t", ";", "|", ",", " ")
_NAMES = {mark: name for name, mark in DELIMITERS.items()}
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
    lines, end, (delimiter, first, columns) = _locate(source, options)
    rest = source.text(end) if b"," in source.raw[end:] else ""
    sample, quoted = _sample(lines, first, delimiter, columns)
    trailing = columns > 1 and delimiter != " " and all(row[-1] == "" for row in sample)
    columns -= trailing
    notation = _notation(lines, first, rest, sample, delimiter, quoted, path, options)
    _refuse_shared_comma(sample, delimiter, notation, quoted, lines, first, path, options)
    header, units = find_header(lines[:first], delimiter, columns)
    if len(sample) > 1 and not sample[0][0] and all(row[0] for row in sample[1:]):
        header, units = first, None  # numbers above the columns, nothing above the axis
        first += 1
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
        names=() if header is None else column_names(lines[header], delimiter, columns),
        unit_names=() if units is None else column_names(lines[units], delimiter, columns),
        metadata=preamble(lines[: min(above)]),
    )


def _refuse_shared_comma(
    sample: list[list[str]],
    delimiter: str,
    notation: Notation,
    quoted: bool,
    lines: list[str],
    first: int,
    path: Path,
    options: ReadingOptions,
) -> None:
    """Refuse a table in which commas may stand both between columns and for decimals (350,12,1044)."""
    stated = options.delimiter or options.layout or options.decimal
    if stated or delimiter != "," or quoted or notation.decimal != "." or not sample or len(sample[0]) < 3:
        return
    if any("." in cell for row in sample for cell in row):
        return
    second = [row[1] for row in sample]
    whole = [int(row[0]) for row in sample if row[0].lstrip("+-").isdigit()]
    counted = all(b - a == 1 for a, b in pairwise(whole))
    zeros = any(len(cell) > 1 and cell.startswith("0") for cell in second)
    names = names_in(uncommented(lines[first - 1]), ",", 0) if first else ()
    fewer_names = bool(names) and len(names) * 2 <= len(sample[0]) + 1 and role_of(names[0]) is not None
    few = len(sample) > 2 and len(sample[0]) <= 8
    alike = few and len({len(cell) for cell in second}) == 1 and len(second[0]) <= 4 and not counted
    if zeros or fewer_names or (alike and not names):
        shown = ",".join(sample[0][:4])
        raise AmbiguousFile(
            f"the commas in {shown!r} can stand between columns ({' | '.join(sample[0][:4])}) or "
            "also be decimal "
            f"marks ({sample[0][0]}.{sample[0][1]} | ...).",
            mend="Export with ';' or tabs between columns; if every comma ends a column, say so:  "
            "--delimiter comma",
            file=path,
            line=first + 1,
        )


def _locate(source: SourceText, options: ReadingOptions) -> tuple[list[str], int, tuple[str, int, int]]:
    """Return the lines looked at, the byte behind them, and delimiter, first line and width of the data."""
    lines, end = source.head(_HEAD)
    found = _find_rows(lines, options)
    if found is None and end < len(source.raw):
        lines, end = source.text().split("\n"), len(source.raw)
        found = _find_rows(lines, options)
    if found is None:
        raise NoNumbers(
            "no rows of numbers were found, only text.",
            mend="Expected lines such as '404.66,1520'. If another mark stands between columns, name it, "
            "for example:  --delimiter ';'",
            file=source.path,
            line=next((i + 1 for i, line in enumerate(lines) if line.strip()), 1),
        )
    return lines, end, found


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
    """Return delimiter, first data line and number of cells of the candidate with the most rows alike."""
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
    """Return the first row of that width above `first`, so that a bad line early in the data is not taken for
    text.
    """
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
        f"{found.token!r} can be read as {_spoken(found.token, found.first)} or as "
        f"{_spoken(found.token, found.second)}.",
        mend=f"Say which mark is the decimal one:  --decimal '{found.first.decimal}'  or  "
        f"--decimal '{found.second.decimal}'",
        file=path,
        line=line + 1,
    )


def _spoken(token: str, notation: Notation) -> str:
    return f"{to_float(token, notation):g} (decimal {'point' if notation.decimal == '.' else 'comma'})"
