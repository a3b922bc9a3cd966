"""A table that grows: rows are read once, from where the last look ended; memory does not grow with the file."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from glowledger.errors import ReadError
from glowledger.live.arrivals import Arrived
from glowledger.spectra.axes import FEWEST_POINTS
from glowledger.spectra.decoding import decode
from glowledger.spectra.dialect import sniff
from glowledger.spectra.folders import joined
from glowledger.spectra.frames import Frames
from glowledger.spectra.growing import GrowingRun
from glowledger.spectra.layouts import arrange
from glowledger.spectra.options import ReadingOptions
from glowledger.spectra.reading import assemble
from glowledger.spectra.rows import parse

FIRST_LOOK = 8 << 20  # bytes from which the layout is told
_DAY_S = 86400.0
_TAIL = 64  # bytes before the place reached, to notice that a file was written anew


class GrowingTable:
    """Watches a file; see `arrivals.Source`.

    Parameters
    ----------
    path : Path
        The file; may not exist yet.
    options : ReadingOptions
        What the user states.
    state : dict, optional
        From `to_dict`.

    Notes
    -----
    With a row per frame only new rows are read, in company of the header and the first row, so that they are
    understood as the first look was. A file that became shorter but begins as before is read on from its present
    end; one that begins otherwise is a new file and is read from its start. Any other layout has to be read as a
    whole at every look (`GrowingRun`): there memory grows with the file, and it is read when it has not changed
    between two looks.
    """

    def __init__(self, path: Path, options: ReadingOptions, state: dict[str, Any] | None = None) -> None:
        """Remember where to look; nothing is read yet."""
        self.path = path
        self.problem = ""
        self._options = options
        self._seen: tuple[int, int] | None = None
        self._whole: GrowingRun | None = None
        self._skip = 0
        self._started_at: str | None = None
        self._axis_points = 0
        state = state or {}
        self._layout: str = state.get("layout", "")
        self._given: int = state.get("given", 0)
        self._head: str = state.get("head", "")  # preamble, header and first row, as hexadecimal
        self._tail: str = state.get("tail", "")
        self._offset: int = state.get("offset", 0)
        self._last_s: float = state.get("last_s", float("nan"))
        self._delimiter: str = state.get("delimiter", "")
        if self._layout and self._layout != "rows":
            self._begin_whole()

    def to_dict(self) -> dict[str, Any]:
        """Return what has to be known to go on after a restart."""
        return {
            "kind": "table", "layout": self._layout, "given": self._given, "head": self._head, "tail": self._tail,
            "offset": self._offset, "last_s": self._last_s, "delimiter": self._delimiter,
        }  # fmt: skip

    def look(self, most: int) -> Arrived:
        """Return at most so many frames that arrived since the last look."""
        try:
            found = self.path.stat()
        except OSError:
            return Arrived()  # not made yet, renamed for a moment, or a drive that hesitates
        state = (found.st_size, found.st_mtime_ns)
        settled, self._seen = self._seen == state, state
        return replace(self._arrived(most, found.st_size, settled), growing=not settled)

    @property
    def unfinished(self) -> str:
        """What of the file was not taken because its line has not ended, in a sentence; empty where nothing is left."""
        if self._layout != "rows" or self._seen is None or self._seen[0] <= self._offset:
            return ""
        return f"The last line of {self.path.name} has no line end: it may be half written and was not taken."

    def _arrived(self, most: int, size: int, settled: bool) -> Arrived:
        if size == 0 or not (self._layout or self._find_layout(settled)):
            return Arrived()
        return self._rows(most, size) if self._layout == "rows" else self._as_a_whole(settled)

    # a row per frame

    def _find_layout(self, settled: bool) -> bool:
        """Tell the layout from the first rows; False as long as there are too few."""
        with open(self.path, "rb") as stream:
            raw = stream.read(FIRST_LOOK)
        if not (b"\n" in raw or b"\r" in raw):
            self.problem = f"{self.path}: not even one line of it is complete."
            return False
        ended = raw[: raw.rfind(b"\n") + 1]
        plain = bool(ended) and not raw.startswith((b"\xff\xfe", b"\xfe\xff")) and b"\0" not in raw[:4096]
        if not plain:
            if settled:
                self._begin_whole()
            return settled
        try:
            source = decode(ended, self.path)
            dialect = sniff(source, self._options)
            block = arrange(parse(source, dialect), dialect, self.path, self._options)
        except ReadError as error:
            if settled and ended.count(b"\n") >= FEWEST_POINTS:
                raise
            self.problem = error.paragraph()
            return False
        self.problem = ""
        if len(block.lines) < FEWEST_POINTS and not settled:
            return False
        if block.layout != "transposed":
            if settled:
                self._begin_whole()
            return settled
        first = block.lines[0]
        end = _line_start(ended, first)  # behind the first row of data
        self._layout, self._head = "rows", ended[:end].hex()
        self._offset, self._tail = _line_start(ended, first - 1), ""
        self._delimiter = dialect.delimiter
        return True

    def _rows(self, most: int, size: int) -> Arrived:
        notices = self._mended(size)
        text = self._new_rows(most)
        rows = text.splitlines(keepends=True)
        if not rows:
            return Arrived(notices=notices)
        good, spoilt = self._read_rows(rows)
        keys = [f"row {self._given + i + 1}" for i in range(len(rows))]
        bad = {i for i, _ in spoilt}
        self._given += len(rows)
        self._offset += len(text)
        self._tail = text[-_TAIL:].hex()
        return Arrived(
            keys=tuple(key for i, key in enumerate(keys) if i not in bad),
            frames=good,
            spoilt=tuple((keys[i], why) for i, why in spoilt),
            notices=notices,
            more=size > self._offset and len(rows) >= most,
            started_at=self._started_at,
        )

    def _mended(self, size: int) -> tuple[tuple[str, str], ...]:
        """Notice a file that was cut or written anew, and find the place to go on from."""
        head, tail = bytes.fromhex(self._head), bytes.fromhex(self._tail)
        with open(self.path, "rb") as stream:
            same_start = stream.read(len(head)) == head
            stream.seek(max(self._offset - len(tail), 0))
            same_place = stream.read(len(tail)) == tail
            if same_start and same_place and size >= self._offset:
                return ()
            if not same_start:
                if size < len(head):
                    return ()  # being written anew: wait for its first row
                self._layout, self._last_s = "", float("nan")
                self._head, self._tail, self._offset = "", "", 0
                if not self._find_layout(True) or self._layout != "rows":
                    return ()
                return (("file written anew", "The file begins otherwise than before; it is read from its start."),)
            stream.seek(0)
            whole = stream.read()
        self._offset = whole.rfind(b"\n") + 1
        self._tail = whole[max(self._offset - _TAIL, 0) : self._offset].hex()
        return (("file cut", "The file became shorter; frames taken before count, it is read on from its end."),)

    def _new_rows(self, most: int) -> bytes:
        """Return at most so many ended lines that were not read yet."""
        parts: list[bytes] = []
        lines = 0
        with open(self.path, "rb") as stream:
            stream.seek(self._offset)
            while lines < most and (part := stream.read(1 << 20)):
                parts.append(part)
                lines += part.count(b"\n")
        text = b"".join(parts)
        return text[: _line_start(text, most)] if lines > most else text[: text.rfind(b"\n") + 1]

    def _read_rows(self, rows: list[bytes]) -> tuple[Frames | None, list[tuple[int, str]]]:
        """Return the frames of rows, and the rows that hold none, each with the reason."""
        frames = self._frames(rows)
        if isinstance(frames, Frames):
            return frames, []
        if len(rows) == 1:
            return None, [(0, frames)]
        half = len(rows) // 2  # the spoilt rows are found by halving
        first, bad = self._read_rows(rows[:half])
        second, more = self._read_rows(rows[half:])
        both = [part for part in (first, second) if part is not None]
        return (joined(both) if both else None), [*bad, *((half + i, why) for i, why in more)]

    def _frames(self, rows: list[bytes]) -> Frames | str:
        """Return one frame per row, or why they cannot be read."""
        raw = bytes.fromhex(self._head) + b"".join(rows)
        try:
            source = decode(raw, self.path)
            options = replace(self._options, layout="transposed", delimiter=self._delimiter)
            dialect = sniff(source, options)
            block = arrange(parse(source, dialect), dialect, self.path, options)
            frames = assemble(block, dialect, source, (), options)
        except ReadError as error:
            return error.problem
        except ValueError as error:
            return str(error)
        if len(frames) != len(rows) + 1:
            return "the row holds no frame."
        frames = frames[1:]
        if any("Times of day" in text for text in frames.origins[0].understood):
            frames = self._past_midnight(frames)
        self._started_at = self._started_at or frames.started_at
        return replace(frames, started_at=None)

    def _past_midnight(self, frames: Frames) -> Frames:
        """Put clock times on the day on which they follow the frame before; the first row may be days ago."""
        time_s = np.array(frames.time_s)
        for i, clock in enumerate(time_s % _DAY_S):  # each needs the one before
            earliest = np.nan_to_num(self._last_s) - _DAY_S / 2
            time_s[i] = clock + _DAY_S * max(np.ceil((earliest - clock) / _DAY_S), 0.0)
            self._last_s = float(time_s[i])
        return replace(frames, time_s=time_s)

    # any other layout

    def _begin_whole(self) -> None:
        self._layout = "whole"
        self._whole, self._skip = GrowingRun(self.path, self._options), self._given

    def _as_a_whole(self, settled: bool) -> Arrived:
        if not settled or self._whole is None:
            return Arrived()
        try:
            frames = self._whole.new_frames()
        except ReadError:
            if self._given == 0:
                raise
            return Arrived()  # being written anew
        if frames is None or (self._axis_points and frames.axis.size != self._axis_points):
            return Arrived()
        self._axis_points = frames.axis.size
        fresh = frames[min(self._skip, len(frames)) :]
        self._skip = max(self._skip - len(frames), 0)
        if not len(fresh):
            return Arrived()
        keys = tuple(f"column {self._given + i + 1}" for i in range(len(fresh)))
        self._given += len(fresh)
        return Arrived(keys=keys, frames=fresh, started_at=fresh.started_at)


def _line_start(raw: bytes, line: int) -> int:
    """Return the byte at which a line starts, counted from 0."""
    at = 0
    for _ in range(line):
        at = raw.find(b"\n", at) + 1
        if not at:
            return len(raw)
    return at
