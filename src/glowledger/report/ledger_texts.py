"""The ledger for a terminal: list of runs, one run, state of the raw files."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from glowledger.report.numbers import clock, clock_interval, counted
from glowledger.report.sentences import text_table
from glowledger.rounding import plus_minus

Row = Mapping[str, Any]
MOST = 8  # events or files listed one by one


def run_list(rows: Sequence[Row]) -> str:
    """Return the runs as a table, latest last."""
    if not rows:
        return "The ledger is empty."
    header = ("Run", "Recorded (UTC)", "What", "Part", "Gas", "Verdict", "Endpoint (95 %)", "Notes")
    lines: list[tuple[str, ...]] = [
        (
            str(row["run_id"]), str(row["recorded_at"])[:16].replace("T", " "), str(row["title"]),
            _or_dash(row.get("part")), _or_dash(row.get("gas")), str(row["verdict"]),
            _when(row), str(row["note_count"] or "-"),
        )
        for row in rows
    ]  # fmt: skip
    invented = any(row.get("notice") for row in rows)
    return text_table((header, lines)) + ("\nSome of these runs are invented data." if invented else "")


def run_text(run: Row) -> str:
    """Return one run: verdict first, then context, events, notes, files."""
    latest = [v for v in run["verdicts"] if v["decides"]][-1]
    said = [
        f"Run {run['run_id']}: {run['title']}, {run['frames']} frames over {clock(_number(run['duration_s']))}",
        *([run["notice"]] if run["notice"] else []),
        f"Verdict: {latest['verdict']}. {_when(latest | {'endpoint_s': latest['time_s']})}".rstrip(". -") + ".",
        latest["reason"],
    ]
    earlier = [v for v in run["verdicts"] if v["decides"]][:-1]
    said += [f"Judged before, {v['recorded_at'][:16]}: {v['verdict']}." for v in earlier]
    said += [_context_line(c) for c in run["context"]]
    said += _events(run["events"])
    said += [f"Note of {n['written_at'][:16].replace('T', ' ')}: {n['text']}" for n in run["notes"]]
    bench = run["bench_file"]
    said.append(f"Bench: {bench} (sha256 {run['bench_sha256'][:12]})" if bench else "Bench: none; the axis was in nm")
    said += files_lines(run["files"])
    return "\n".join(said)


def check_text(runs: Sequence[Mapping[str, Any]]) -> str:
    """Return whether the raw files of all runs are where and as they were."""
    files = [f for run in runs for f in run["files"]]
    good = sum(f["state"] == "as recorded" for f in files)
    whole = f"{good} of {counted(len(files), 'raw file')} of {counted(len(runs), 'run')}"
    said = [f"The database is whole. As recorded: {whole}."]
    for run in runs:
        lines = [line for line in files_lines(run["files"]) if not line.startswith("Raw files:")]
        said += [f"Run {run['run_id']}, {run['title']}:", *lines] if lines else []
    return "\n".join(said)


def files_lines(files: Sequence[Row]) -> list[str]:
    """Return what became of the raw files: a count, and every one that is not as recorded."""
    if not files:
        return ["Raw files: none recorded."]
    odd = [f for f in files if f["state"] != "as recorded"]
    said = [f"Raw files: {len(files) - len(odd)} of {len(files)} as recorded."]
    for f in odd[:MOST]:
        said.append(f"  {f['state']}: {f['path']}" + (f" -> {f['found_at']}" if f["state"] == "moved" else ""))
    return said + ([f"  and {len(odd) - MOST} more"] if len(odd) > MOST else [])


def _context_line(entry: Row) -> str:
    if entry["name"] == "true pressure":
        if entry["value"] is None:
            return f"true pressure: {entry['reason']}"
        return f"true pressure: {plus_minus(entry['value'], _number(entry['standard_error']), 'Pa')}. {entry['reason']}"
    return f"{entry['name']}: {entry['stated']}"


def _events(events: Sequence[Row]) -> list[str]:
    flashes = sum(e["kind"] == "flash" for e in events)
    said = ["1 flash set aside." if flashes == 1 else f"{flashes} flashes set aside."]
    others = [e for e in events if e["kind"] != "flash"]
    said += [f"{clock(_number(e['start_s']))}, {e['kind']}: {e['text']}" for e in others[:MOST]]
    return said + ([f"and {len(others) - MOST} more events"] if len(others) > MOST else [])


def _when(row: Row) -> str:
    at = _number(row.get("endpoint_s"))
    if math.isnan(at):
        return "-"
    interval = clock_interval((_number(row.get("low_s")), _number(row.get("high_s"))))
    return clock(at) + (f" ({interval})" if interval else "")


def _number(value: float | None) -> float:
    return math.nan if value is None else float(value)


def _or_dash(value: object) -> str:
    return str(value) if value else "-"
