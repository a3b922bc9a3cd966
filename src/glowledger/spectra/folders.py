"""A folder with one frame per file becomes one Frames, ordered by time."""

from __future__ import annotations

import os
import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from glowledger.errors import ReadError
from glowledger.spectra.column_names import role_of
from glowledger.spectra.decoding import load
from glowledger.spectra.frames import Frames
from glowledger.spectra.options import ReadingOptions
from glowledger.spectra.other_formats import added_endings, reader_for
from glowledger.spectra.settings import moment_of, seconds_of

SUFFIXES = frozenset(
    {".csv", ".txt", ".tsv", ".tab", ".dat", ".asc", ".prn", ".xy", ".ecsv", ".fits", ".fit"}
)
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
    frames = read_batch(listing.files, options) if reader_for(listing.files[0]) is None else None
    notes = list(listing.left_out)
    if frames is None:
        parts = [_one(file, options) for file in listing.files]
        parts, unfinished = _without_unfinished(parts)
        notes.extend(unfinished)
        _same_axes(parts)
        frames = joined(parts)
    return in_order(frames, notes)


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
            mend="Keep spectra of one instrument and one setting in a folder.",
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
    known = bool(np.all(np.isfinite(time_s)))
    order = np.argsort(time_s, kind="stable") if known else np.arange(len(frames))
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


def _times(frames: Frames) -> tuple[NDArray[np.float64], str | None, str]:
    if np.all(np.isfinite(frames.time_s)):
        return frames.time_s, frames.started_at, "Times are from the preambles."
    files = [origin.file for origin in frames.origins if origin.file is not None]
    named = [moment_of(file.stem) for file in files]
    if all(named):
        return _since(named, "Times are from the dates in the file names.")
    seconds = [seconds_of(file.stem) for file in files]
    if all(item is not None and item[1] for item in seconds):
        values = np.array([item[0] for item in seconds if item is not None])
        return values, None, "Times are from the file names."
    changed = np.array([file.stat().st_mtime for file in files])
    if len(files) > 1 and np.all(np.diff(changed) >= 0) and np.ptp(changed) > SLOWEST_COPY_S * len(files):
        start = datetime.fromtimestamp(changed[0])
        return (
            changed - changed[0],
            start.isoformat(),
            "Times are those at which the files were last changed.",
        )
    why = "Neither preambles nor names tell times, and the files were changed in another order or all at once"
    return np.full(len(files), np.nan), None, f"{why}: the order is that of the names, without times."


def _since(moments: Sequence[datetime | None], how: str) -> tuple[NDArray[np.float64], str, str]:
    known = [moment for moment in moments if moment is not None]
    start = min(known)
    return np.array([(moment - start).total_seconds() for moment in known]), start.isoformat(), how
