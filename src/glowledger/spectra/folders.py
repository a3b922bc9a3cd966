"""A folder with one frame per file becomes one Frames, ordered by time."""

from __future__ import annotations

import os
import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import combinations
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from glowledger.errors import AmbiguousFile, NoNumbers, ReadError
from glowledger.spectra.column_names import role_of
from glowledger.spectra.decoding import load
from glowledger.spectra.frames import Frames
from glowledger.spectra.options import ReadingOptions
from glowledger.spectra.other_formats import added_endings, reader_for
from glowledger.spectra.settings import moment_of, seconds_of

SUFFIXES = frozenset(
    {".csv", ".txt", ".tsv", ".tab", ".dat", ".asc", ".prn", ".xy", ".ecsv", ".fits", ".fit"}
)
MOST = 0.8  # of the files: so many tell times where they are taken from what not every file holds
FEWEST_SPECTRA = 3  # beside which a file without numbers is none of the run
STRETCH = 5  # frames in a row that make a run of their own
SLOWEST_COPY_S = 0.005  # files that follow each other faster were copied, not recorded


@dataclass(frozen=True, slots=True)
class Listing:
    """The files of a folder that may hold a frame, in the order of the numbers in their names."""

    files: tuple[Path, ...]
    left_out: tuple[str, ...]


def list_frames(folder: Path, skip: Collection[str] = (), *, darks_alone: bool = False) -> Listing:
    """Return the files of a folder that may hold a frame, but for names to skip.

    Files named as darks or references are left out; `darks_alone`: unless there are no others, as in a folder of darks.

    Raises
    ------
    ReadError
        If there is none, or the folder may not be read.
    """
    try:
        with os.scandir(folder) as entries:
            names = [entry.name for entry in entries if entry.name not in skip and entry.is_file()]
    except OSError as error:
        raise ReadError(
            f"the folder cannot be read ({error.strerror}).", mend="Check its permissions.", file=folder
        ) from None
    kept, named, left_out = [], [], []
    endings = SUFFIXES | added_endings()
    for name in sorted(names, key=_natural):
        path = folder / name
        role = role_of(path.stem)
        if name.startswith(".") or path.suffix.lower() not in endings:
            left_out.append(f"{name} was left out: its ending is none of a spectrum.")
        elif role in ("dark", "reference"):
            named.append((path, f"{name} was left out: it is named as a {role}."))
        else:
            kept.append(path)
    if kept or not darks_alone:
        left_out += [text for _, text in named]
    else:
        kept = [path for path, _ in named]
    if not kept:
        raise ReadError(
            "the folder holds no spectra." if left_out else "the folder is empty.",
            mend=f"Expected files ending in {', '.join(sorted(endings))}.",
            file=folder,
        )
    return Listing(tuple(kept), tuple(text for text in left_out if not text.startswith(".")))


def _natural(name: str) -> list[tuple[int, str]]:
    """Return a key that puts frame_2 before frame_10."""
    return [(int(part), "") if part.isdigit() else (-1, part) for part in re.split(r"(\d+)", name) if part]


def read_folder(folder: Path, options: ReadingOptions) -> Frames:
    """Read a folder of single spectra, not yet masked; see `reading.read_spectra`.

    Raises
    ------
    ReadError
        Naming the file, where one cannot be read, holds several frames or has another axis.
    """
    from glowledger.spectra.batches import read_batch

    listing = list_frames(folder, darks_alone=True)
    notes = list(listing.left_out)
    try:
        frames = read_batch(listing.files, options) if reader_for(listing.files[0]) is None else None
    except NoNumbers:
        frames = None  # the first file is none of the run, or none is one
    if frames is None:
        parts, empty = _each(listing.files, options)
        parts, unfinished = _without_unfinished(parts)
        notes.extend((*empty, *unfinished))
        _same_axes(parts)
        frames = joined(parts)
    return in_order(frames, notes)


def _each(files: Sequence[Path], options: ReadingOptions) -> tuple[list[Frames], list[str]]:
    """Read the files one by one; leave out those that hold nothing or text alone, where the others are spectra."""
    parts: list[Frames] = []
    blank: list[NoNumbers] = []
    for file in files:
        try:
            parts.append(_one(file, options))
        except NoNumbers as error:
            blank.append(error)
    if blank and len(parts) < max(FEWEST_SPECTRA, len(blank)):
        raise blank[0]
    names = [(error.file.name if error.file else "", error.problem.rstrip(".")) for error in blank]
    return parts, [f"{name} was left out: {problem}." for name, problem in names]


def _one(file: Path, options: ReadingOptions) -> Frames:
    from glowledger.spectra.reading import read_text

    read_other = reader_for(file)
    part = read_text(load(file), options) if read_other is None else read_other(file, options)
    if len(part) != 1:
        raise ReadError(
            f"the file holds {len(part)} frames; in a folder each file is one frame.",
            mend="Give this file alone, or move it out of the folder.",
            file=file,
        )
    return part


def _without_unfinished(parts: list[Frames]) -> tuple[list[Frames], list[str]]:
    """Leave out the newest file if it stops short of the others, as one still being written does."""
    if len(parts) < 2:
        return parts, []
    newest = max(range(len(parts)), key=lambda i: _changed(parts[i]))
    others = [part for i, part in enumerate(parts) if i != newest]
    axis, usual = parts[newest].axis, others[0].axis
    near = 0.5 * abs(usual[-1] - usual[0]) / max(len(usual) - 1, 1)  # curves through parts differ a little
    if len(axis) < len(usual) and (
        np.allclose(axis, usual[: len(axis)], 0, near) or np.allclose(axis, usual[-len(axis) :], 0, near)
    ):
        name = parts[newest].origins[0].file
        return others, [
            f"{name.name if name else ''} stops short, as if still being written; it was left out."
        ]
    return parts, []


def _changed(part: Frames) -> float:
    file = part.origins[0].file
    return file.stat().st_mtime if file is not None else 0.0


def _same_axes(parts: Sequence[Frames]) -> None:
    first = parts[0]
    for part in parts[1:]:
        if part.axis_kind == first.axis_kind and np.array_equal(part.axis, first.axis):
            continue
        raise ReadError(
            f"the axis has {part.axis.size} points from {part.axis[0]:g} to {part.axis[-1]:g} "
            f"({part.axis_kind}), "
            f"expected {first.axis.size} from {first.axis[0]:g} to {first.axis[-1]:g} "
            f"({first.axis_kind}) as in "
            f"{first.origins[0].file}.",
            mend="Keep spectra of one instrument and one setting in a folder; move this file out if it is none of "
            "the run.",
            file=part.origins[0].file,
        )


def joined(parts: Sequence[Frames]) -> Frames:
    """Put frames of one axis together; what they share is taken from the first."""
    first = parts[0]
    ceilings = [part.detector.ceiling_counts for part in parts if part.detector.ceiling_counts is not None]
    starts = {part.started_at for part in parts}
    added = [part.added_variance for part in parts if part.added_variance is not None]
    known = [part.known_variance for part in parts if part.known_variance is not None]
    return Frames(
        axis=first.axis,
        axis_kind=first.axis_kind,
        counts=np.concatenate([part.counts for part in parts]),
        mask=np.concatenate([part.mask for part in parts]),
        time_s=_common_times(parts) if starts != {None} else np.concatenate([part.time_s for part in parts]),
        exposure_s=np.concatenate([part.exposure_s for part in parts]),
        averages=np.concatenate([part.averages for part in parts]),
        detector=replace(first.detector, ceiling_counts=max(ceilings) if ceilings else None),
        origins=tuple(origin for part in parts for origin in part.origins),
        metadata=first.metadata,
        started_at=min((start for start in starts if start is not None), default=None),
        added_variance=np.mean(added, axis=0) if len(added) == len(parts) else None,
        known_variance=np.concatenate(known) if len(known) == len(parts) else None,
    )


def _common_times(parts: Sequence[Frames]) -> NDArray[np.float64]:
    """Return seconds since the earliest start; NaN for parts that tell none."""
    moments = [datetime.fromisoformat(part.started_at) if part.started_at else None for part in parts]
    zero = min(moment for moment in moments if moment is not None)
    found = []
    for part, moment in zip(parts, moments, strict=True):
        base = (moment - zero).total_seconds() if moment else float("nan")
        found.append(base + np.where(np.isfinite(part.time_s), part.time_s, 0.0))
    return np.concatenate(found)


def in_order(frames: Frames, notes: Sequence[str] = ()) -> Frames:
    """Find the time of each frame and order by it; say where the times are from.

    Times are taken from the preambles, else from dates or times in the file names, else from the times at
    which the files were last changed; all from one source. Where none tells, the order is that of the names.
    """
    time_s, started, how = _times(frames)
    _one_run(time_s, frames)
    order = np.argsort(_places(time_s), kind="stable")
    frames = frames[order]
    sentence = (f"A folder of {len(frames)} files, a frame each. {how}", *notes)
    shared: dict[int, tuple[str, ...]] = {}
    origins = []
    for origin in frames.origins:
        key = id(origin.understood)
        if key not in shared:
            shared[key] = (*sentence, *origin.understood)
        origins.append(replace(origin, understood=shared[key]))
    return replace(frames, time_s=time_s[order], started_at=started, origins=tuple(origins))


def _places(time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return times to order by: a frame without one comes after the one before it in the order of the names."""
    known = np.isfinite(time_s)
    last = np.maximum.accumulate(np.where(known, np.arange(len(time_s)), -1))
    return np.where(last >= 0, time_s[np.maximum(last, 0)], -np.inf)


def _one_run(time_s: NDArray[np.float64], frames: Frames) -> None:
    """Refuse files that in the order of their names run through the same times twice.

    Raises
    ------
    AmbiguousFile
        Naming the files at which the first ends and the second begins.
    """
    known = np.flatnonzero(np.isfinite(time_s))
    back = np.flatnonzero(np.diff(time_s[known]) < 0) + 1
    stretches = np.split(known, back)
    if len(stretches) not in (2, 3, 4) or min(len(s) for s in stretches) < STRETCH:
        return
    for one, other in combinations(stretches, 2):
        if min(time_s[one[-1]], time_s[other[-1]]) <= max(time_s[one[0]], time_s[other[0]]):
            continue
        names = [frames.origins[int(i)].file for i in (one[0], one[-1], other[0], other[-1])]
        told = [name.name if name else "" for name in names]
        raise AmbiguousFile(
            f"{told[0]} to {told[1]} and {told[2]} to {told[3]} were recorded at the same times: two runs, or a clock "
            "that was set back.",
            mend="Put each run, or what was recorded before and after, into a folder of its own.",
            file=names[2].parent if names[2] else None,
        )


def _times(frames: Frames) -> tuple[NDArray[np.float64], str | None, str]:
    """Return times in s, NaN where unknown, the start, and where they are from: one source that most files have."""
    files = [origin.file for origin in frames.origins if origin.file is not None]
    named = [moment_of(file.stem) for file in files]
    seconds = [item[0] if item and item[1] else None for item in (seconds_of(file.stem) for file in files)]
    told = [np.isfinite(frames.time_s), *(np.array([one is not None for one in some]) for some in (named, seconds))]
    for least in (1.0, MOST):
        if told[0].mean() >= least:
            return frames.time_s, frames.started_at, "Times are from the preambles." + _without_time(files, told[0])
        if files and told[1].mean() >= least:
            return _since(named, "Times are from the dates in the file names." + _without_time(files, told[1]))
        if files and told[2].mean() >= least:
            values = np.array([np.nan if item is None else item for item in seconds])
            return values, None, "Times are from the file names." + _without_time(files, told[2])
    if (changed := _changes(files)) is not None:
        start = datetime.fromtimestamp(changed[0])
        return changed - changed[0], start.isoformat(), "Times are those at which the files were last changed."
    why = "Neither preambles nor names tell times, and the files were changed in another order or all at once"
    return np.full(len(frames), np.nan), None, f"{why}: the order is that of the names, without times."


def _changes(files: Sequence[Path]) -> NDArray[np.float64] | None:
    """Return when the files were last changed, or None if that tells nothing of when they were recorded."""
    changed = np.array([file.stat().st_mtime for file in files])
    recorded = len(files) > 1 and np.all(np.diff(changed) >= 0) and np.ptp(changed) > SLOWEST_COPY_S * len(files)
    return changed if recorded else None


def _without_time(files: Sequence[Path], told: NDArray[np.bool_]) -> str:
    names = [file.name for file, known in zip(files, told, strict=True) if not known]
    if not names:
        return ""
    more = f" and {len(names) - 3} more" if len(names) > 3 else ""
    return f" No time is known of {', '.join(names[:3])}{more}: placed after the file before in the order of names."


def _since(moments: Sequence[datetime | None], how: str) -> tuple[NDArray[np.float64], str, str]:
    start = min(moment for moment in moments if moment is not None)
    found = [np.nan if moment is None else (moment - start).total_seconds() for moment in moments]
    return np.array(found), start.isoformat(), how
