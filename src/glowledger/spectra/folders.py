"""A folder with one frame per file becomes one Frames, ordered by time."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import numpy as np

from glowledger.errors import ReadError
from glowledger.spectra.decoding import load
from glowledger.spectra.frames import Frames
from glowledger.spectra.options import ReadingOptions
from glowledger.spectra.settings import moment_of

SUFFIXES = frozenset({".csv", ".txt", ".tsv", ".dat", ".asc", ".prn", ".ssm", ".xy", ""})


def frame_files(folder: Path) -> list[Path]:
    """Return the files of a folder that may hold a frame, by name; hidden ones are left out.

    Raises
    ------
    ReadError
        If there is none.
    """
    try:
        files = [entry for entry in sorted(folder.iterdir()) if entry.is_file()]
    except PermissionError:
        raise ReadError("the folder may not be read.", mend="Change its permissions.", file=folder) from None
    files = [file for file in files if not file.name.startswith(".") and file.suffix.lower() in SUFFIXES]
    if not files:
        raise ReadError(
            "the folder holds no spectra.",
            mend=f"Expected files ending in {', '.join(sorted(s for s in SUFFIXES if s))}.",
            file=folder,
        )
    return files


def read_folder(folder: Path, options: ReadingOptions) -> Frames:
    """Read a folder of single spectra; see `reading.read_spectra`."""
    from glowledger.spectra.reading import read_text

    parts = [read_text(load(file), options) for file in frame_files(folder)]
    first = parts[0]
    for part in parts[1:]:
        if part.axis.shape != first.axis.shape or not np.array_equal(part.axis, first.axis):
            raise ReadError(
                f"the axis has {part.axis.size} points from {part.axis[0]:g} to {part.axis[-1]:g}, expected "
                f"{first.axis.size} from {first.axis[0]:g} to {first.axis[-1]:g} as in {first.origins[0].file}.",
                mend="Keep spectra of one instrument setting in one folder.",
                file=part.origins[0].file,
            )
    moments = [_moment(part) for part in parts]
    start = min(moments)
    time_s = np.array([(moment - start).total_seconds() for moment in moments])
    order = np.argsort(time_s, kind="stable")
    ceilings = [p.detector.ceiling_counts for p in parts if p.detector.ceiling_counts]
    from dataclasses import replace

    return Frames(
        axis=first.axis,
        axis_kind=first.axis_kind,
        counts=np.concatenate([parts[i].counts for i in order]),
        mask=np.concatenate([parts[i].mask for i in order]),
        time_s=time_s[order],
        exposure_s=np.concatenate([parts[i].exposure_s for i in order]),
        averages=np.concatenate([parts[i].averages for i in order]),
        detector=replace(first.detector, ceiling_counts=max(ceilings) if ceilings else None),
        origins=tuple(parts[i].origins[0] for i in order),
        metadata=first.metadata,
        started_at=start.isoformat(),
    )


def _moment(part: Frames) -> datetime:
    if part.started_at:
        return datetime.fromisoformat(part.started_at)
    file = part.origins[0].file
    assert_file = file if file is not None else Path()
    named = moment_of(assert_file.stem)
    return named or datetime.fromtimestamp(assert_file.stat().st_mtime)
