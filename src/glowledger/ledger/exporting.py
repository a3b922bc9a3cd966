"""Tables of the ledger for other programs: CSV and ECSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from typing import Any

from glowledger.ledger.context import NAMES
from glowledger.ledger.quantities import UNITS
from glowledger.ledger.store import Ledger

Row = Mapping[str, Any]
RUN_COLUMNS = (
    "run_id", "recorded_at", "started_at", "title", "verdict", "endpoint_s", "low_s", "high_s", "declared_at_s",
    "indicator", "reference", "frames", "duration_s",
)  # fmt: skip
TREND_COLUMNS = ("run_id", "indicator", "frame", "time_s", "value", "standard_error", "used")
TAIL = ("true_pressure_pa", "true_pressure_error_pa", "note_count", "notice", "bench_sha256", "version", "source")
_KEPT = {name: unit for name, (unit, _) in UNITS.items()}
_NAMED = {"Pa": "pa", "Pa m3/s": "pa_m3_s", "V": "v", "A": "a", "W": "w"}


def run_table(ledger: Ledger) -> tuple[tuple[str, ...], list[Row]]:
    """Return one row per run: verdict, times, context in SI units.

    Returns
    -------
    (tuple of str, list of mapping)
        Names of the columns, and rows with these keys; None where unknown.
    """
    context = tuple(f"{n}_{_NAMED[_KEPT[n]]}" if n in _KEPT else n for n in NAMES)
    rows: list[Row] = []
    for run in ledger.runs():
        more = ledger.run(run["run_id"])
        latest = [v for v in more["verdicts"] if v["decides"] and v["recorded_at"] == run["recorded_at"]]
        row = dict(run) | {k: latest[0][k] for k in ("low_s", "high_s", "declared_at_s", "indicator") if latest}
        for entry in more["context"]:
            name = entry["name"]
            if name == "true pressure":
                row |= {TAIL[0]: entry["value"], TAIL[1]: entry["standard_error"]}
            elif name in _KEPT:
                row[f"{name}_{_NAMED[_KEPT[name]]}"] = entry["value"]
            else:
                row[name] = entry["stated"]
        rows.append(row | {"note_count": run["notes"]})
    return (*RUN_COLUMNS, *context, *TAIL), rows


def trend_table(ledger: Ledger, run: str) -> tuple[tuple[str, ...], list[Row]]:
    """Return the trends of one run, a row per indicator and frame."""
    run_id = ledger.find(run)
    return TREND_COLUMNS, [{"run_id": run_id, **row} for row in ledger.trends(run_id)]


def csv_text(columns: Sequence[str], rows: Sequence[Row]) -> str:
    """Return a table as CSV (RFC 4180, but with plain line feeds); empty where unknown."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        values = [row.get(name) for name in columns]
        writer.writerow(["" if v is None else repr(v) if isinstance(v, float) else v for v in values])
    return stream.getvalue()


def ecsv_text(columns: Sequence[str], rows: Sequence[Row]) -> str:
    """Return a table as ECSV (Enhanced Character-Separated Values 1.0), units with the columns."""
    from astropy.table import MaskedColumn, Table

    table = Table(masked=True)
    for name in columns:
        values = [row.get(name) for row in rows]
        missing = [v is None for v in values]
        number = any(isinstance(v, int | float) for v in values) or _unit(name) is not None
        whole = number and all(isinstance(v, int) for v in values if v is not None) and _unit(name) is None
        kind: type = int if whole else float if number else str
        filled = [kind() if gone else kind(v) for v, gone in zip(values, missing, strict=True)]
        table[name] = MaskedColumn(filled, mask=missing, dtype=kind, unit=_unit(name))
    stream = io.StringIO()
    table.write(stream, format="ascii.ecsv")
    return stream.getvalue()


def _unit(name: str) -> str | None:
    """Return the unit that a column's name tells, in the notation of the FITS standard."""
    endings = {"_pa_m3_s": "Pa m3 s-1", "_pa": "Pa", "_s": "s", "_v": "V", "_a": "A", "_w": "W"}
    return next((unit for ending, unit in endings.items() if name.endswith(ending)), None)
