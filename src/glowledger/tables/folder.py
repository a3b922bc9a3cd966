"""Where the bundled tables lie, installed or in a checkout, and how their text files are read."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from pathlib import Path

from glowledger.errors import TableError
from glowledger.tables.added import ADDABLE, AddedTables, added_tables

FORMAT_VERSION = "1"
_MEND = "Install glowledger again, or run it from a complete checkout with its line_tables folder."


@cache
def tables_folder() -> Path:
    """Return the folder `line_tables`.

    Returns
    -------
    Path
        ``glowledger/line_tables`` of an installed package, else ``line_tables`` at the top of a checkout.

    Raises
    ------
    TableError
        If neither exists.
    """
    package = Path(__file__).resolve().parent.parent
    places = (package / "line_tables", package.parent.parent / "line_tables")
    for place in places:
        if (place / "FORMAT.md").is_file():
            return place
    raise TableError("the folder line_tables with the bundled tables is missing.", mend=_MEND, file=places[0])


def read_table(name: str) -> tuple[dict[str, str], dict[str, tuple[str, ...]]]:
    """Read one bundled table, followed by the rows that installed packages add to it.

    Parameters
    ----------
    name : str
        File name within the tables folder.

    Returns
    -------
    preamble : dict
        Keys and values of the ``#`` lines.
    columns : dict
        Column name to its cells as text, in file order.

    Raises
    ------
    TableError
        If the file is missing, of another format version, or damaged; or if added rows are, or name what
        another table has.
    """
    preamble, columns = read_table_file(tables_folder() / name, _MEND)
    if name in ADDABLE:
        for added in added_tables():
            if (added.folder / name).is_file():
                preamble, columns = _with_rows(preamble, columns, added, name)
    return preamble, columns


def read_table_file(file: Path, mend: str) -> tuple[dict[str, str], dict[str, tuple[str, ...]]]:
    """Read one table: a preamble of ``# key: value`` lines, a header line, rows without quoting.

    Parameters
    ----------
    file : Path
        The table.
    mend : str
        What the user can do if it is damaged.

    Returns
    -------
    preamble, columns
        As `read_table`.

    Raises
    ------
    TableError
        If the file is missing, of another format version, or damaged.
    """
    try:
        lines = file.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise TableError(f"the table cannot be read ({error}).", mend=mend, file=file) from error
    start = next((i for i, line in enumerate(lines) if not line.startswith("#")), len(lines))
    pairs = (line[1:].partition(":") for line in lines[:start])
    preamble = {key.strip(): value.strip() for key, _, value in pairs}
    if preamble.get("format", "").rpartition("/")[2] != FORMAT_VERSION:
        raise TableError(
            f"format '{preamble.get('format', 'not stated')}', expected version {FORMAT_VERSION}.",
            mend=mend,
            file=file,
        )
    header = lines[start].split(",") if start < len(lines) else []
    rows = [line.split(",") for line in lines[start + 1 :]]
    for number, row in enumerate(rows, start + 2):
        if len(row) != len(header):
            raise TableError(
                f"expected {len(header)} columns, found {len(row)}.", mend=mend, file=file, line=number
            )
    if not rows:
        raise TableError("the table has no rows.", mend=mend, file=file)
    return preamble, dict(zip(header, zip(*rows, strict=True), strict=True))


def _with_rows(
    preamble: dict[str, str], columns: dict[str, tuple[str, ...]], added: AddedTables, name: str
) -> tuple[dict[str, str], dict[str, tuple[str, ...]]]:
    """Return a table with the rows of another one behind its own."""
    file = added.folder / name
    theirs, rows = read_table_file(file, added.mend())
    if set(rows) != set(columns):
        raise TableError(
            f"the columns are {', '.join(rows)}, expected {', '.join(columns)}.", mend=added.mend(), file=file
        )
    refuse_shared(columns[ADDABLE[name]], rows[ADDABLE[name]], added, file)
    for key, text in theirs.items():
        if key.startswith("source ") and preamble.get(key, text) != text:
            raise TableError(
                f"the {key} is another one in our table.", mend=f"Rename it. {added.mend()}", file=file
            )
    return theirs | preamble, {key: cells + rows[key] for key, cells in columns.items()}


def refuse_shared(ours: Iterable[str], theirs: Iterable[str], added: AddedTables, file: Path) -> None:
    """Raise TableError if an added table names something that is there already."""
    shared = sorted(set(ours) & set(theirs))
    if shared:
        raise TableError(
            f"'{shared[0]}' is in the tables already; an added table may not change it.",
            mend=added.mend(),
            file=file,
        )
