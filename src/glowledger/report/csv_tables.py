"""Tables as CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from glowledger.report.sentences import Table


def table_csv(table: Table, notice: str | None = None) -> str:
    """Return a table of text as CSV."""
    stream = _begun(notice)
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(table[0])
    writer.writerows(table[1])
    return stream.getvalue()


def columns_csv(
    header: Sequence[str], columns: Sequence[NDArray[np.float64]], notice: str | None = None, digits: int = 6
) -> str:
    """Return columns of numbers, each of shape (n,), as CSV; empty where a number is not finite."""
    stream = _begun(notice)
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(header)
    if columns:
        for row in np.column_stack(columns):
            writer.writerow(["" if not np.isfinite(x) else f"{x:.{digits}g}" for x in row])
    return stream.getvalue()


def _begun(notice: str | None) -> io.StringIO:
    stream = io.StringIO()
    if notice:
        stream.write(f"# note: {notice}\n")
    return stream
