"""Axis, counts and times of a table, for each of the layouts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from glowledger.errors import ReadError
from glowledger.spectra.axes import looks_like_nm
from glowledger.spectra.column_names import AXIS_ROLES, role_of, unit_of
from glowledger.spectra.counts_columns import counts_columns, is_monotone
from glowledger.spectra.dialect import Dialect
from glowledger.spectra.options import SECONDS, ReadingOptions
from glowledger.spectra.rows import Table
from glowledger.spectra.settings import clock_of, moment_of, seconds_of

_DAY_S = 86400.0
EVEN = 0.5  # neighbouring steps of an axis differ by less than this factor


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Block:
    """Spectra as in the file: axis not yet converted, nothing masked.

    Attributes
    ----------
    layout : str
        One of `options.LAYOUTS`.
    axis : ndarray of shape (p,)
        In the unit of the file, in its order.
    axis_name, axis_unit : str
        As written.
    counts : ndarray of shape (n, p)
        NaN where missing.
    time_s : ndarray of shape (n,)
        NaN where the file does not say.
    columns : tuple of str, length n
        Names of the counts columns, or empty.
    lines : tuple of int, length n
        Line each frame starts at.
    rows : ndarray of shape (p,) or None
        Line of each point, where the axis runs down the file.
    dark : ndarray of shape (p,) or None
        From a column named so.
    started : datetime or None
        Wall-clock time of ``time_s == 0``.
    sentences : tuple of str
        How it was understood.
    """

    layout: str
    axis: NDArray[np.float64]
    axis_name: str = ""
    axis_unit: str = ""
    counts: NDArray[np.float64]
    time_s: NDArray[np.float64]
    columns: tuple[str, ...]
    lines: tuple[int, ...]
    rows: NDArray[np.int64] | None = None
    dark: NDArray[np.float64] | None = None
    started: datetime | None = None
    sentences: tuple[str, ...] = ()


def counts_only(table: Table, dialect: Dialect) -> Block:
    """Take every column as counts of pixel 0, 1, 2 and so on."""
    counts = np.ascontiguousarray(table.values.T)
    n = len(counts)
    return Block(
        layout="counts-only",
        axis=np.arange(counts.shape[1], dtype=np.float64),
        axis_name="pixel",
        counts=counts,
        time_s=np.full(n, np.nan),
        columns=dialect.names or ("",) * n,
        lines=(int(table.lines[0]),) * n,
        rows=table.lines,
        sentences=("Counts without an axis, as you said; pixels are numbered from 0.",),
    )


def wide(table: Table, dialect: Dialect, path: Path, options: ReadingOptions) -> Block:
    """Take one column as the axis and the others as frames; also the plain two-column file."""
    values, lines = table.values, table.lines
    names = dialect.names or ("",) * values.shape[1]
    if not dialect.names and is_monotone(values[0, 1:]) and values.shape[1] > 3 and options.layout == "wide":
        names, values, lines = tuple(f"{v:.17g}" for v in values[0]), values[1:], lines[1:]
    _refuse_none(values, table, path)
    roles = [role_of(name) for name in names]
    axis = _axis_column(roles, options)
    counts, keep, dark, sentences = counts_columns(values, names, axis, path)
    if options.layout == "two-column" and len(keep) > 1:
        sentences.append(f"{len(keep) - 1} columns after the first of counts were left out, as you said.")
        counts, keep = counts[:1], keep[:1]
    columns = tuple(names[i] for i in keep)
    several = len(keep) > 1
    time_s, started = np.full(1, np.nan), None
    head = ["One spectrum: axis and counts."]
    if several:
        time_s, started, how = times_of(columns, options)
        head = [f"A wide table: an axis and {len(keep)} frames side by side.", how]
    units = dialect.unit_names
    return Block(
        layout="wide" if several else "two-column",
        axis=values[:, axis],
        axis_name=names[axis],
        axis_unit=units[axis] if units else "",
        counts=counts,
        time_s=time_s,
        columns=columns,
        lines=(int(lines[0]),) * len(keep),
        rows=lines,
        dark=dark,
        started=started,
        sentences=(*head, *sentences),
    )


def _refuse_none(values: NDArray[np.float64], table: Table, path: Path) -> None:
    if not len(values):
        raise ReadError(
            "there is a row of numbers that can be the header, but no data below it.",
            mend="Check --layout and --delimiter.",
            file=path,
            line=int(table.lines[0]),
        )


def _axis_column(roles: Sequence[str | None], options: ReadingOptions) -> int:
    """Return the column of the axis: a calibrated one before pixel numbers, else the first."""
    order = AXIS_ROLES[::-1] if options.axis_unit == "pixel" else AXIS_ROLES
    return next((roles.index(role) for role in order if role in roles), 0)


def transposed(table: Table, dialect: Dialect, path: Path, options: ReadingOptions) -> Block:
    """Take each row as a frame, its first cell as the time, and the header as the axis."""
    values, lines, labels = table.values, table.lines, table.labels
    first = header_numbers(dialect.names) if dialect.names else values[0]
    if not labels and first is not None and _is_axis_throughout(first):
        return _rows_without_times(table, dialect, first, path)
    axis = header_numbers(dialect.names[1:]) if dialect.names else None
    corner = dialect.names[0] if dialect.names else ""
    if axis is None and not dialect.names and is_monotone(values[0, 1:]):
        axis, values, lines, labels = values[0, 1:], values[1:], lines[1:], labels[1:]
    started = None
    _refuse_none(values, table, path)
    if labels:
        time_s, started, how = times_of(labels, options)
    else:
        time_s, how = _first_column_times(values[:, 0], corner, options)
    sentences = [f"A transposed table: a row per frame, {len(values)} rows.", how]
    if axis is None:
        axis = np.arange(values.shape[1] - 1, dtype=np.float64)
        sentences.append("The header gives no numbers for an axis; pixels are numbered from 0.")
    nm = bool(dialect.names) and all("nm" in name for name in dialect.names[1:])
    return Block(
        layout="transposed",
        axis=axis,
        axis_name=corner if role_of(corner) in AXIS_ROLES else "",
        axis_unit="nm" if nm else "",
        counts=np.ascontiguousarray(values[:, 1:]),
        time_s=time_s,
        columns=("",) * len(values),
        lines=tuple(lines.tolist()),
        started=started,
        sentences=tuple(sentences),
    )


def _is_axis_throughout(first: NDArray[np.float64]) -> bool:
    """Return whether a first row is an axis in nm from its first cell on, which is not so above a column of times."""
    if first.size < 3 or not (np.isfinite(first).all() and is_monotone(first) and looks_like_nm(first)):
        return False
    corner, next_to_it = first[1] - first[0], first[2] - first[1]
    return bool(EVEN < corner / next_to_it < 1.0 / EVEN)


def _rows_without_times(table: Table, dialect: Dialect, axis: NDArray[np.float64], path: Path) -> Block:
    """Take each row as a frame below an axis, with no times."""
    values, lines = (table.values, table.lines) if dialect.names else (table.values[1:], table.lines[1:])
    _refuse_none(values, table, path)
    n = len(values)
    return Block(
        layout="transposed",
        axis=axis,
        axis_unit="nm",
        counts=np.ascontiguousarray(values),
        time_s=np.full(n, np.nan),
        columns=("",) * n,
        lines=tuple(lines.tolist()),
        sentences=(f"A transposed table: a row per frame, {n} row{'s' if n > 1 else ''}.", "Rows have no times."),
    )


def _first_column_times(
    column: NDArray[np.float64], name: str, options: ReadingOptions
) -> tuple[NDArray[np.float64], str]:
    if role_of(name) == "frame":
        return np.full(len(column), np.nan), "Rows are numbered and have no times."
    unit = options.time_unit or unit_of(name)
    unit = unit if unit in SECONDS else None
    time_s = column * SECONDS[unit or "s"]
    stated = f"in {unit}" if unit else "no unit is given; taken as s"
    return time_s, f"Times from the first column ({stated}): {time_s[0]:g} to {time_s[-1]:g} s."


def long(table: Table, dialect: Dialect, path: Path, options: ReadingOptions) -> Block:
    """Take three columns as time, axis and counts of single points."""
    roles: list[str | None] = [role_of(name) for name in dialect.names] or ["time", "wavelength", "counts"]
    time = next((i for i, role in enumerate(roles) if role in ("time", "frame")), 0)
    at = next((i for i, role in enumerate(roles) if role in AXIS_ROLES), 1 if time != 1 else 0)
    value = next(i for i in range(3) if i not in (time, at))
    values, notes = table.values, []
    when, started = _times_of_points(table, dialect, time, options)
    times, frame = np.unique(when, return_inverse=True)
    axis, pixel = np.unique(values[:, at], return_inverse=True)
    seen = np.bincount(frame, minlength=len(times))
    if len(times) > 1 and seen[-1] < len(axis) and np.all(seen[:-1] == len(axis)):
        notes.append(
            f"The last frame stops after {seen[-1]} of {len(axis)} points, as if still being "
            "written; left out."
        )
        whole = frame < len(times) - 1
        values, frame, pixel, times = values[whole], frame[whole], pixel[whole], times[:-1]
    elif not np.all(seen == len(axis)):
        bad = int(np.flatnonzero(seen != len(axis))[0])
        raise ReadError(
            f"the frame at time {times[bad]:g} has {seen[bad]} points, expected {len(axis)} as "
            "there are on the axis.",
            mend="Every frame of a long table needs the same axis, each point once.",
            file=path,
            line=int(table.lines[int(np.flatnonzero(frame == bad)[0])]),
        )
    counts = np.full((len(times), len(axis)), np.nan)
    counts[frame, pixel] = values[:, value]
    _, first = np.unique(frame, return_index=True)
    return Block(
        layout="long",
        axis=axis,
        axis_name=dialect.names[at] if dialect.names else "",
        axis_unit=dialect.unit_names[at] if dialect.unit_names else "",
        counts=counts,
        time_s=times if roles[time] == "time" else np.full(len(times), np.nan),
        columns=("",) * len(times),
        lines=tuple(int(table.lines[i]) for i in first),
        started=started,
        sentences=(
            f"A long table: time, axis and counts in three columns; {len(times)} frames of "
            f"{len(axis)} points.",
            *notes,
        ),
    )


def _times_of_points(
    table: Table, dialect: Dialect, column: int, options: ReadingOptions
) -> tuple[NDArray[np.float64], datetime | None]:
    """Return the time of each point of a long table in s, and the wall-clock time it counts from."""
    if not table.labels:
        unit = options.time_unit or (unit_of(dialect.names[column]) if dialect.names else None)
        return table.values[:, column] * SECONDS[unit if unit in SECONDS else "s"], None
    distinct = tuple(dict.fromkeys(table.labels))
    seconds, started, _ = times_of(distinct, options)
    if not np.all(np.isfinite(seconds)):
        seconds = np.arange(len(distinct), dtype=np.float64)
    known = dict(zip(distinct, seconds.tolist(), strict=True))
    return np.array([known[label] for label in table.labels]), started


def times_of(
    labels: Sequence[str], options: ReadingOptions
) -> tuple[NDArray[np.float64], datetime | None, str]:
    """Read times of frames from their labels: dates, times of day, or numbers with or without a unit.

    Returns
    -------
    (ndarray of shape (n,), datetime or None, str)
        Seconds, NaN where the labels give none; the wall-clock time they count from; how they were read.
    """
    clocks = [clock_of(label) for label in labels]
    if all(clock is not None for clock in clocks):
        seconds = np.array([clock for clock in clocks if clock is not None])
        seconds += _DAY_S * np.cumsum(np.diff(seconds, prepend=seconds[0]) < -_DAY_S / 2)  # past midnight
        return seconds - seconds[0], None, f"Times of day, counted from {labels[0]}."
    if moment_of(labels[0]):
        moments = [moment_of(label) for label in labels]
        known = [moment for moment in moments if moment is not None]
        if len(known) == len(labels):
            start = known[0]
            seconds = np.array([(moment - start).total_seconds() for moment in known])
            return seconds, start, f"Times are dates, counted from {start.isoformat(sep=' ')}."
    scale = SECONDS[options.time_unit] if options.time_unit else None
    found = [seconds_of(label, scale) for label in labels]
    times = np.array([item[0] for item in found if item is not None])
    named = all(item is not None and item[1] for item in found)
    if len(times) == len(labels) and (named or is_monotone(times)):
        unit = "" if named else f" (no unit is given; taken as {options.time_unit or 's'})"
        return times, None, f"Times from the names of the frames: {times[0]:g} to {times[-1]:g} s{unit}."
    return (
        np.full(len(labels), np.nan),
        None,
        "The names of the frames give no times; they are in the order of the file.",
    )


def header_numbers(names: Sequence[str]) -> NDArray[np.float64] | None:
    """Return names that are numbers (a unit nm, or px in front, allowed) as numbers, else None."""
    try:
        return np.array([_plain(name) for name in names])
    except ValueError:
        return None


def _plain(name: str) -> float:
    text = name.strip().strip('"').lower().replace(",", ".")
    return float(text.removesuffix("nm").removeprefix("pixel").removeprefix("px").strip(" _"))
