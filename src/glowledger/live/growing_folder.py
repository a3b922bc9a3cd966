"""A folder that fills: each file is one frame, read once; memory does not grow but for the names."""

from __future__ import annotations

import math
import time
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from glowledger.errors import ReadError
from glowledger.live.arrivals import Arrived
from glowledger.spectra.decoding import decode, load_bytes
from glowledger.spectra.folders import joined, list_frames
from glowledger.spectra.frames import Frames
from glowledger.spectra.options import ReadingOptions
from glowledger.spectra.other_formats import reader_for
from glowledger.spectra.reading import read_text
from glowledger.spectra.settings import moment_of, seconds_of

_ENDS = (b"\n", b"\r")
_WAITING = Arrived()
PATIENCE_S = 5.0  # a file that cannot be used yet may still be written


class GrowingFolder:
    """Watches a folder; see `arrivals.Source`.

    Parameters
    ----------
    path : Path
        The folder; may not exist yet.
    options : ReadingOptions
        What the user states.
    state, taken
        As `arrivals.source_of`.

    Notes
    -----
    A file counts when it can be read, its last line is ended and its axis is that of the run; else when it has not
    changed between two looks. It is called spoilt when it has not changed for `PATIENCE_S`, since looks may follow each
    other within milliseconds and a slow writer pauses longer than that. A file renamed into place so counts at the
    first look, one written slowly when it is whole. Hidden files and endings that are none of a spectrum (.part, .tmp)
    are not looked at. Times come from the preamble, else the name, else the time at which the file was last changed;
    the first frame settles from where.
    """

    def __init__(
        self, path: Path, options: ReadingOptions, state: dict[str, Any] | None = None, taken: set[str] | None = None
    ) -> None:
        """Remember where to look; nothing is read yet."""
        self.path = path
        self.problem = ""  # of a file that cannot be read its line tells
        self.unfinished = ""  # a file is a frame: it is whole, or told as spoilt
        self._options = options
        self._taken = set(taken or ())
        self._waiting: dict[str, tuple[int, int]] = {}
        self._since: dict[str, float] = {}
        self.patience_s = PATIENCE_S
        self._reachable = True
        state = state or {}
        self._axis = None if state.get("axis") is None else np.array(state["axis"])
        self._axis_kind: str = state.get("axis_kind", "")
        self._times: str = state.get("times", "")
        self._zero: float | None = state.get("zero")

    def to_dict(self) -> dict[str, Any]:
        """Return what has to be known to go on after a restart, but for the names taken."""
        axis = None if self._axis is None else self._axis.tolist()
        return {
            "kind": "folder", "axis": axis, "axis_kind": self._axis_kind, "times": self._times, "zero": self._zero,
        }  # fmt: skip

    def look(self, most: int) -> Arrived:
        """Return at most so many frames that arrived since the last look, in the order of their times."""
        try:
            files = list_frames(self.path, self._taken).files
        except ReadError:
            return self._nothing_there()
        notices = () if self._reachable else (("source back", "The folder can be reached again."),)
        self._reachable = True
        seen = dict(self._waiting)
        good: list[tuple[str, Frames]] = []
        spoilt: list[tuple[str, str]] = []
        for file in files:
            if len(good) + len(spoilt) >= most:
                break
            try:
                frame, why = self._complete(file)
            except OSError:
                continue  # gone again, or a network drive that hesitates: the next look will tell
            if frame is not None:
                good.append((file.name, self._timed(frame, file)))
            elif why:
                spoilt.append((file.name, why))
        good.sort(key=lambda item: item[1].time_s[0])
        good = [(name, self._since_first(frame)) for name, frame in good]
        for name in [*(name for name, _ in good), *(name for name, _ in spoilt)]:
            self._taken.add(name)
            self._waiting.pop(name, None)
            self._since.pop(name, None)
        return Arrived(
            keys=tuple(name for name, _ in good),
            frames=joined([replace(frame, started_at=None) for _, frame in good]) if good else None,
            spoilt=tuple(spoilt),
            notices=notices,
            more=len(good) + len(spoilt) >= most,
            growing=any(seen.get(n) != state or not self._given_up(n) for n, state in self._waiting.items()),
            started_at=self._started_at(),
        )

    def _nothing_there(self) -> Arrived:
        if self.path.is_dir() or not self._reachable or self._axis is None:
            return _WAITING  # empty, or not made yet, or told already
        self._reachable = False
        return Arrived(notices=(("source away", "The folder cannot be reached; waiting for it to come back."),))

    def _complete(self, file: Path) -> tuple[Frames | None, str]:
        """Return the frame of a file, or why it is spoilt; neither while it may still be written."""
        found = file.stat()
        state = (found.st_size, found.st_mtime_ns)
        settled = self._waiting.get(file.name) == state
        self._waiting[file.name] = state
        if not settled:
            self._since[file.name] = time.monotonic()
        try:
            frame, ended = self._read(file)
        except ReadError as error:
            if settled and self._axis is None:
                raise  # the very first file is not understood: the user has to say how to read it
            return None, error.paragraph() if settled and self._given_up(file.name) else ""
        if not settled and not ended:
            return None, ""
        if self._axis is None:
            if not settled:
                return None, ""
            self._axis, self._axis_kind = frame.axis, frame.axis_kind
        same = frame.axis_kind == self._axis_kind and np.array_equal(frame.axis, self._axis)
        if len(frame) == 1 and same:
            return frame, ""
        if not settled or not self._given_up(file.name):
            return None, ""
        if len(frame) != 1:
            return None, f"{file.name} holds {len(frame)} frames, expected one."
        return None, f"{file.name} has {frame.axis.size} points, the run has {self._axis.size}, or another axis."

    def _given_up(self, name: str) -> bool:
        """Return True if a file has not changed for so long that nothing more will come."""
        return time.monotonic() - self._since.get(name, -math.inf) >= self.patience_s

    def _read(self, file: Path) -> tuple[Frames, bool]:
        read_other = reader_for(file)
        if read_other is not None:
            return read_other(file, self._options), True
        raw = load_bytes(file)
        return read_text(decode(raw, file), self._options), raw.rstrip(b"\0 \t").endswith(_ENDS)

    def _timed(self, frame: Frames, file: Path) -> Frames:
        """Return the frame with its time, always from the same kind of place."""
        found = _moments(frame, file)
        self._times = self._times or next(iter(found))
        return replace(frame, time_s=np.array([found.get(self._times, np.nan)]))

    def _since_first(self, frame: Frames) -> Frames:
        """Count dates from the first frame; times that are counted from somewhere already stay."""
        if self._zero is None:
            self._zero = 0.0 if self._times in ("elapsed", "seconds in the name") else float(frame.time_s[0])
        return replace(frame, time_s=frame.time_s - self._zero)

    def _started_at(self) -> str | None:
        """Return the wall-clock time of time zero, where times are counted from a date."""
        if not self._zero or not np.isfinite(self._zero):
            return None
        return datetime.fromtimestamp(self._zero).isoformat()


def _moments(frame: Frames, file: Path) -> dict[str, float]:
    """Return what tells the time of a frame, best first, in seconds."""
    found: dict[str, float] = {}
    own = float(frame.time_s[0])
    if frame.started_at is not None:
        start = datetime.fromisoformat(frame.started_at)
        found["preamble"] = start.timestamp() + (own if np.isfinite(own) else 0.0)
    elif np.isfinite(own):
        found["elapsed"] = own
    moment = moment_of(file.stem)
    if moment is not None:
        found["date in the name"] = moment.timestamp()
    seconds = seconds_of(file.stem)
    if seconds is not None and seconds[1]:
        found["seconds in the name"] = seconds[0]
    found["last change"] = file.stat().st_mtime
    return found
