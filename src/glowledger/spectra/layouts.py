"""What rows and columns of a table mean: one spectrum, wide, transposed, long, counts only."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from glowledger.errors import AmbiguousFile, ReadError
from glowledger.spectra.column_names import role_of, unit_of
from glowledger.spectra.dialect import Dialect
from glowledger.spectra.options import SECONDS, ReadingOptions
from glowledger.spectra.rows import Table
from glowledger.spectra.settings import moment_of, seconds_of

_AXIS_ROLES = ("wavelength", "wavenumber", "energy", "pixel")


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
    dark, reference : ndarray of shape (p,) or None
        From columns named so.
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
    columns: tuple[str, ...] = ()
    lines: tuple[int, ...] = ()
    dark: NDArray[np.float64] | None = None
    reference: NDArray[np.float64] | None = None
    started: datetime | None = None
    sentences: tuple[str, ...] = field(default=())


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
    if layout == "counts-only":
        return _counts_only(table, dialect)
    if layout == "transposed":
        return _transposed(table, dialect, path, options)
    if layout == "long":
        return _long(table, dialect, path, options)
    return _wide(table, dialect, path, options)


def find_layout(table: Table, dialect: Dialect, path: Path) -> str:
    """Return the layout of a table, one of `options.LAYOUTS`."""
    values = table.values
    if values.shape[1] == 1:
        raise ReadError(
            "there is one column of numbers, expected at least two (axis and counts).",
            mend="If they are the counts of pixel 0, 1, 2 and so on, say so:  --layout counts-only",
            file=path,
            line=int(table.lines[0]),
        )
    roles = [role_of(name) for name in dialect.names]
    if _is_long(values, roles):
        return "long"
    header_axis = _numbers(dialect.names[1:]) if dialect.names else None
    inner = header_axis is None and values.shape[1] > 8 and bool(_monotone(values[0, 1:]))
    if inner:
        header_axis = values[0, 1:]
    if table.labels and values.shape[1] > 2:
        return "transposed"
    if header_axis is not None and header_axis.size >= 3 and _monotone(header_axis):
        return _wide_or_transposed(values, header_axis, roles, inner, path)
    if roles and roles[0] == "time" and values.shape[1] > 3:
        return "transposed"
    return "two-column" if values.shape[1] == 2 else "wide"


def _wide_or_transposed(
    values: NDArray[np.float64], header: NDArray[np.float64], roles: list[str | None], inner: bool, path: Path
) -> str:
    if roles and roles[0] in _AXIS_ROLES:
        return "wide"
    if roles and roles[0] in ("time", "frame"):
        return "transposed"
    column = values[1:, 0] if inner else values[:, 0]
    if not _monotone(column):
        return "transposed"
    across, down = _looks_like_nm(header), _looks_like_nm(column)
    if across != down:
        return "transposed" if across else "wide"
    raise AmbiguousFile(
        f"both the first row ({header[0]:g} to {header[-1]:g}) and the first column "
        f"({column[0]:g} to {column[-1]:g}) can be the axis: {len(header)} frames of {len(column)} points, or "
        f"{len(column)} frames of {len(header)} points.",
        mend="Say which:  --layout wide  (axis in the first column)  or  --layout transposed  (axis in the first row)",
        file=path,
    )


def _looks_like_nm(values: NDArray[np.float64]) -> bool:
    return values.size >= 20 and np.min(values) >= 150 and np.max(values) <= 1300 and np.ptp(values) > 20


def _monotone(values: NDArray[np.float64]) -> bool:
    step = np.diff(values)
    return bool(step.size > 0 and (np.all(step > 0) or np.all(step < 0)))


def _numbers(names: tuple[str, ...]) -> NDArray[np.float64] | None:
    try:
        return np.array([float(name.replace(",", ".").removesuffix("nm").strip()) for name in names])
    except ValueError:
        return None


def _is_long(values: NDArray[np.float64], roles: list[str | None]) -> bool:
    if values.shape[1] != 3 or values.shape[0] < 4:
        return False
    if roles:
        named = {"time", "frame"} & set(roles) and set(_AXIS_ROLES) & set(roles)
        return bool(named)
    first = values[:, 0]
    return (
        bool(np.any(np.diff(first) == 0))
        and bool(np.all(np.diff(first) >= 0))
        and not _monotone(values[:, 1])
    )


def _counts_only(table: Table, dialect: Dialect) -> Block:
    counts = np.ascontiguousarray(table.values.T)
    return Block(
        layout="counts-only",
        axis=np.arange(counts.shape[1], dtype=np.float64),
        axis_name="pixel",
        counts=counts,
        time_s=np.full(len(counts), np.nan),
        columns=dialect.names or ("",) * len(counts),
        lines=(int(table.lines[0]),) * len(counts),
        sentences=("Counts without an axis, as you said; pixels are numbered from 0.",),
    )


def _wide(table: Table, dialect: Dialect, path: Path, options: ReadingOptions) -> Block:
    values, lines = table.values, table.lines
    names = dialect.names or ("",) * values.shape[1]
    if options.layout == "wide" and not dialect.names and values.shape[1] > 2 and _monotone(values[0, 1:]):
        names = tuple(f"{v:.17g}" for v in values[0])
        values, lines = values[1:], lines[1:]
    roles = [role_of(name) for name in names]
    axis_column = next((i for i, role in enumerate(roles) if role in _AXIS_ROLES), 0)
    keep, dark, reference, sentences = [], None, None, []
    for i, role in enumerate(roles):
        if i == axis_column:
            continue
        if role == "dark":
            dark = values[:, i]
        elif role == "reference" and values.shape[1] > 2:
            reference = values[:, i]
        elif role == "processed" or role in _AXIS_ROLES:
            sentences.append(f"Column '{names[i]}' was left out: it is no raw counts.")
        else:
            keep.append(i)
    if not keep:
        raise ReadError("no column of counts was found.", mend="Name it 'counts'.", file=path)
    columns = tuple(names[i] for i in keep)
    time_s, started, how = (
        _times_of(columns, options, path) if len(keep) > 1 else (np.full(1, np.nan), None, ())
    )
    units = dialect.unit_names
    several = len(keep) > 1
    head = (
        f"A wide table: an axis and {len(keep)} frames side by side."
        if several
        else "One spectrum: axis and counts."
    )
    return Block(
        layout="wide" if several else "two-column",
        axis=values[:, axis_column],
        axis_name=names[axis_column],
        axis_unit=units[axis_column] if axis_column < len(units) else "",
        counts=_frames_of(values, keep),
        time_s=time_s,
        columns=columns,
        lines=(int(lines[0]),) * len(keep),
        dark=dark,
        reference=reference,
        started=started,
        sentences=(head, *how, *sentences),
    )


def _frames_of(values: NDArray[np.float64], columns: list[int]) -> NDArray[np.float64]:
    """Return the columns as rows of one contiguous array, without a copy where they lie side by side."""
    if columns == list(range(columns[0], columns[-1] + 1)):
        return np.ascontiguousarray(values[:, columns[0] : columns[-1] + 1].T)
    return np.ascontiguousarray(values[:, columns].T)


def _times_of(
    labels: tuple[str, ...], options: ReadingOptions, path: Path
) -> tuple[NDArray[np.float64], datetime | None, tuple[str, ...]]:
    """Read the times of frames from their names."""
    moments = [moment_of(label) for label in labels]
    if all(moments):
        known = [moment for moment in moments if moment is not None]
        start = min(known)
        seconds = np.array([(moment - start).total_seconds() for moment in known])
        return seconds, start, (f"Times are dates in the header, counted from {start.isoformat()}.",)
    scale = SECONDS[options.time_unit] if options.time_unit else None
    found = [seconds_of(label, scale) for label in labels]
    times = [item[0] for item in found if item is not None]
    if len(times) == len(labels) and _monotone(np.array(times)):
        named = all(item is not None and item[1] for item in found)
        unit = "" if named else f" (no unit is given; taken as {options.time_unit or 's'})"
        return np.array(times), None, (f"Times from the header: {times[0]:g} to {times[-1]:g} s{unit}.",)
    return (
        np.full(len(labels), np.nan),
        None,
        ("The column names give no times; frames are in the order of columns.",),
    )


def _transposed(table: Table, dialect: Dialect, path: Path, options: ReadingOptions) -> Block:
    values, lines, labels = table.values, table.lines, table.labels
    header = _numbers(dialect.names[1:]) if dialect.names else None
    sentences = [f"A transposed table: a row per frame, {len(values)} rows, time first."]
    if header is None and not dialect.names and _monotone(values[0, 1:]):
        header, values, lines, labels = values[0, 1:], values[1:], lines[1:], labels[1:]
    if header is None:
        header = np.arange(values.shape[1] - 1, dtype=np.float64)
        sentences.append("The header gives no axis; pixels are numbered from 0.")
    started = None
    scale = SECONDS[options.time_unit or unit_of(dialect.names[0] if dialect.names else "") or "s"]
    if labels:
        times, started, how = _times_of(labels, options, path)
        sentences.extend(how)
    else:
        times = values[:, 0] * scale
    return Block(
        layout="transposed",
        axis=header,
        axis_name="",
        counts=np.ascontiguousarray(values[:, 1:]),
        time_s=times,
        columns=("",) * len(values),
        lines=tuple(int(i) for i in lines),
        started=started,
        sentences=tuple(sentences),
    )


def _long(table: Table, dialect: Dialect, path: Path, options: ReadingOptions) -> Block:
    values = table.values
    roles = [role_of(name) for name in dialect.names] or ["time", "wavelength", "counts"]
    t = next((i for i, role in enumerate(roles) if role in ("time", "frame")), 0)
    a = next((i for i, role in enumerate(roles) if role in _AXIS_ROLES), 1)
    c = next(i for i in range(3) if i not in (t, a))
    scale = SECONDS[options.time_unit or unit_of(dialect.names[t] if dialect.names else "") or "s"]
    times, frame = np.unique(values[:, t], return_inverse=True)
    axis, pixel = np.unique(values[:, a], return_inverse=True)
    if len(times) * len(axis) != len(values):
        complete = np.bincount(frame) == len(axis)
        bad = int(np.flatnonzero(~complete)[0]) if not complete.all() else 0
        if bad == len(times) - 1 and complete[:-1].all() and len(times) > 1:
            keep = frame != bad
            values, frame, pixel, times = values[keep], frame[keep], pixel[keep], times[:-1]
        else:
            row = int(np.flatnonzero(frame == bad)[0])
            raise ReadError(
                f"the frame at time {times[bad]:g} has {int(np.bincount(frame)[bad])} points, expected {len(axis)}.",
                mend="Every frame of a long table needs the same axis.",
                file=path,
                line=int(table.lines[row]),
            )
    counts = np.full((len(times), len(axis)), np.nan)
    counts[frame, pixel] = values[:, c]
    first = [int(table.lines[int(np.flatnonzero(frame == i)[0])]) for i in range(len(times))]
    is_time = roles[t] == "time"
    return Block(
        layout="long",
        axis=axis,
        axis_name=dialect.names[a] if dialect.names else "",
        axis_unit=dialect.unit_names[a] if a < len(dialect.unit_names) else "",
        counts=counts,
        time_s=times * scale if is_time else np.full(len(times), np.nan),
        columns=("",) * len(times),
        lines=tuple(first),
        sentences=(
            f"A long table: time, axis, counts in three columns; {len(times)} frames of {len(axis)} points.",
        ),
    )
