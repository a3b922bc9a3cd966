"""Frames of a run that is still being recorded: a growing file, or a folder that fills."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from glowledger.errors import ReadError
from glowledger.spectra.axes import FEWEST_POINTS
from glowledger.spectra.decoding import decode, load_bytes
from glowledger.spectra.folders import in_order, joined, list_frames
from glowledger.spectra.frames import Frames
from glowledger.spectra.options import ReadingOptions
from glowledger.spectra.reading import read_text, with_masks


def _may_be_half_a_frame(frames: Frames) -> bool:
    """Return True for a table of points with one frame: that it is whole shows when the next begins."""
    understood = frames.origins[0].understood
    table_of_points = understood[0].startswith("A long table")
    return table_of_points and len(frames) == 1 and not any("last frame stops" in text for text in understood)


class GrowingRun:
    """Hands out the frames of a file or folder, each once, as soon as they are complete.

    Parameters
    ----------
    path : path
        A table that grows (a row per frame, a column per frame, or a row per point), or a folder with one
        frame per file.
    options : ReadingOptions, optional
        What the user states.

    Notes
    -----
    Only lines that are ended count, so that a line being written is never taken for a short number. In a
    folder a file counts when it has as many points as the first; the first when it has not changed between
    two looks. Of a table of points the first frame counts when the second has begun.
    """

    def __init__(self, path: str | Path, options: ReadingOptions | None = None) -> None:
        """Remember where to look; nothing is read yet."""
        self.path = Path(path)
        self._options = options or ReadingOptions()
        self._given = 0
        self._seen: dict[Path, Frames] = {}
        self._waiting: dict[Path, tuple[int, int]] = {}
        self._state: tuple[int, int] | None = None

    def new_frames(self) -> Frames | None:
        """Return the frames that were completed since the last call, or None.

        Returns
        -------
        Frames or None
            Times count from the first frame of the run, whichever call it came with.

        Raises
        ------
        ReadError
            If what is there is complete and cannot be read.
        """
        whole = self._folder() if self.path.is_dir() else self._file()
        if whole is None or len(whole) <= self._given:
            return None
        fresh = whole[self._given :]
        self._given = len(whole)
        return fresh

    def _file(self) -> Frames | None:
        found = self.path.stat() if self.path.exists() else None
        state = None if found is None else (found.st_size, found.st_mtime_ns)
        if state is None or state[0] == 0 or state == self._state:
            return None
        raw = load_bytes(self.path)
        ended = raw[: max(raw.rfind(b"\n"), raw.rfind(b"\r")) + 1]
        try:
            frames = read_text(decode(ended, self.path), self._options)
        except ReadError as error:
            begun = ended.count(b"\n") >= FEWEST_POINTS and not error.problem.startswith("no rows")
            if self._given == 0 and not begun:
                return None  # no more than a preamble and a few rows yet
            raise
        self._state = state
        if frames.axis.size < FEWEST_POINTS or _may_be_half_a_frame(frames):
            return None
        return with_masks(frames, self._options)

    def _folder(self) -> Frames | None:
        fresh = False
        for file in list_frames(self.path).files:
            if file in self._seen:
                continue
            frame = self._complete(file)
            if frame is not None:
                self._seen[file] = frame
                fresh = True
        if not fresh:
            return None
        return with_masks(in_order(joined(list(self._seen.values()))), self._options)

    def _complete(self, file: Path) -> Frames | None:
        """Return the frame of a file, or None if it may still be written."""
        found = file.stat()
        state = (found.st_size, found.st_mtime_ns)
        settled = self._waiting.get(file) == state
        self._waiting[file] = state
        if found.st_size == 0 and not settled:
            return None
        first = next(iter(self._seen.values()), None)
        try:
            frame = read_text(decode(load_bytes(file), file), self._options)
        except ReadError:
            if settled:
                raise
            return None
        if first is None:
            return frame if settled else None
        if len(frame) == 1 and np.array_equal(frame.axis, first.axis):
            return frame
        if not settled:
            return None
        raise ReadError(
            f"the frame has {frame.axis.size} points, expected {first.axis.size} as in "
            f"{first.origins[0].file}.",
            mend="Record a run with one setting of the instrument, a frame per file.",
            file=file,
        )
