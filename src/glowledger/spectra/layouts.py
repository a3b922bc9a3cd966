"""Which layout a table has: one spectrum, wide, transposed, long, counts only."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from glowledger.errors import AmbiguousFile, ReadError
from glowledger.spectra.axes import FEWEST_POINTS, looks_like_nm
from glowledger.spectra.blocks import (
    Block,
    counts_only,
    header_numbers,
    long,
    transposed,
    wide,
)
from glowledger.spectra.column_names import AXIS_ROLES, role_of
from glowledger.spectra.counts_columns import is_monotone
from glowledger.spectra.dialect import Dialect
from glowledger.spectra.options import ReadingOptions
from glowledger.spectra.rows import Table


def arrange(table: Table, dialect: Dialect, path: Path, options: ReadingOptions) -> Block:
    """Tell axis, counts and times apart.

    Raises
    ------
    AmbiguousFile
        If two layouts are possible.
    ReadError
        If none is.
    """
    layout = options.layout or find_layout(table, dialect, path)
    width = table.values.shape[1]
    if width < {"counts-only": 1, "long": 3}.get(layout, 2):
        raise ReadError(
            f"the table has {width} column{'s' if width > 1 else ''}, too few for the layout '{layout}'.",
            mend="Check --layout and --delimiter.",
            file=path,
        )
    if layout == "counts-only":
        return counts_only(table, dialect)
    if layout == "transposed":
        return transposed(table, dialect, path, options)
    if layout == "long":
        return long(table, dialect, path, options)
    return wide(table, dialect, path, options)


def find_layout(table: Table, dialect: Dialect, path: Path) -> str:
    """Return the layout of a table, one of `options.LAYOUTS`.

    Raises
    ------
    AmbiguousFile
        If two layouts are possible.
    ReadError
        If there is only one column.
    """
    values = table.values
    width = values.shape[1]
    if width == 1:
        raise ReadError(
            "there is one column of numbers, expected at least two (axis and counts).",
            mend="If they are the counts of pixel 0, 1, 2 and so on, say so:  --layout counts-only",
            file=path,
            line=int(table.lines[0]),
        )
    roles = [role_of(name) for name in dialect.names]
    if _is_long(table, roles):
        return "long"
    if table.labels:
        return "transposed"
    if width == 2:
        return "two-column"
    if roles and roles[0] in AXIS_ROLES:
        return "wide"
    across = header_numbers(dialect.names[1:]) if dialect.names else None
    others = set(roles[1:]) & {*AXIS_ROLES, "dark"}
    if roles and roles[0] in ("time", "frame") and width > 3 and (across is not None or not others):
        return "transposed"
    if dialect.names:
        down = values[:, 0]
    elif width > 8 and is_monotone(values[0, 1:]):
        across, down = values[0, 1:], values[1:, 0]  # a header of numbers, the corner too
    else:
        return _without_header(values, path)
    if across is None or len(across) < 3 or not is_monotone(across):
        return "wide"
    return _wide_or_transposed(across, down, path)


def _is_long(table: Table, roles: list[str | None]) -> bool:
    values = table.values
    if values.shape[1] != 3 or len(values) < 4:
        return False
    if roles:
        time = next((i for i, role in enumerate(roles) if role in ("time", "frame")), None)
        if time is None or not set(AXIS_ROLES) & set(roles):
            return False
        return bool(table.labels) or len(np.unique(values[:, time])) < len(values)
    step = np.diff(values[:, 0])
    blocks = bool(np.any(step == 0) and np.all(step >= 0)) or len(set(table.labels)) < len(table.labels)
    return blocks and not is_monotone(values[:, 1])


def _without_header(values: NDArray[np.float64], path: Path) -> str:
    """Tell wide from transposed where neither a header nor numbers above the columns help."""
    rows, width = values.shape
    column = values[:, 0]
    if width - 1 < FEWEST_POINTS or not rows >= FEWEST_POINTS:
        return "wide" if width - 1 < FEWEST_POINTS else "transposed"
    if not is_monotone(column):
        return "transposed"
    if looks_like_nm(column):
        return "wide"
    if np.all(column == np.round(column)):
        raise _either(rows, width - 1, f"the first column runs from {column[0]:g} to {column[-1]:g}", path)
    return "transposed"


def _wide_or_transposed(across: NDArray[np.float64], down: NDArray[np.float64], path: Path) -> str:
    if not is_monotone(down) or len(down) < 3:
        return "transposed"
    if looks_like_nm(across) != looks_like_nm(down):
        return "transposed" if looks_like_nm(across) else "wide"
    what = (
        f"both the first row ({across[0]:g} to {across[-1]:g}) and the first column ({down[0]:g} to "
        f"{down[-1]:g}) "
        "can be the axis"
    )
    raise _either(len(down), len(across), what, path)


def _either(rows: int, columns: int, what: str, path: Path) -> AmbiguousFile:
    return AmbiguousFile(
        f"{what}: {columns} frames of {rows} points, or {rows} frames of {columns} points.",
        mend="Say which:  --layout wide  (axis in the first column)  or  --layout transposed  (a "
        "row per frame)",
        file=path,
    )
