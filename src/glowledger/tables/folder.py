"""Where the bundled tables lie, installed or in a checkout, and how their text files are read."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from glowledger.errors import TableError

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
    """Read one bundled table: a preamble of ``# key: value`` lines, a header line, rows without quoting.

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
        If the file is missing, of another format version, or damaged.
    """
    file = tables_folder() / name
    try:
        lines = file.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise TableError(f"the bundled table cannot be read ({error}).", mend=_MEND, file=file) from error
    start = next((i for i, line in enumerate(lines) if not line.startswith("#")), len(lines))
    pairs = (line[1:].partition(":") for line in lines[:start])
    preamble = {key.strip(): value.strip() for key, _, value in pairs}
    if preamble.get("format", "").rpartition("/")[2] != FORMAT_VERSION:
        raise TableError(
            f"format '{preamble.get('format', 'not stated')}', expected version {FORMAT_VERSION}.",
            mend=_MEND,
            file=file,
        )
    header = lines[start].split(",") if start < len(lines) else []
    rows = [line.split(",") for line in lines[start + 1 :]]
    for number, row in enumerate(rows, start + 2):
        if len(row) != len(header):
            raise TableError(
                f"expected {len(header)} columns, found {len(row)}.", mend=_MEND, file=file, line=number
            )
    if not rows:
        raise TableError("the table has no rows.", mend=_MEND, file=file)
    return preamble, dict(zip(header, zip(*rows, strict=True), strict=True))
