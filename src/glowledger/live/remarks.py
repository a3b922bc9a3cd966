"""What people say of a run while it goes on: notes and marks, each safe on disk before it is confirmed.

One JSON line per remark in the folder of the run, so that it can be read without us; a line cut off by a power
failure is left out when the file is read, and the next one begins on a line of its own.
"""

from __future__ import annotations

import json
import os
import threading
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

from glowledger.errors import RunError, WriteError

FILE_NAME = "remarks.jsonl"
NOTE = "note"
MARKS = ("gas opened", "power changed", "magnet")
LONGEST = 2000  # characters of one remark
MOST = 5000  # remarks of one run


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """A note or a mark.

    Attributes
    ----------
    kind : str
        ``note``, or one of `MARKS`.
    text : str
        As written; may be empty for a mark.
    time_s : float or None
        Run time of the latest frame when it was made; None before the first.
    written_at : str
        UTC, ISO 8601.
    """

    kind: str
    text: str
    time_s: float | None
    written_at: str


class Remarks:
    """The remarks of one run.

    Parameters
    ----------
    folder : Path
        Where the answer to the run is kept.
    """

    def __init__(self, folder: Path) -> None:
        """Read what is there."""
        self.path = folder / FILE_NAME
        self._all = read_remarks(folder)
        self._lock = threading.Lock()

    def all(self) -> tuple[Remark, ...]:
        """Return all remarks, oldest first."""
        return self._all

    def add(self, kind: str, text: str, time_s: float | None) -> Remark:
        """Keep a remark and return it.

        Raises
        ------
        RunError
            If it is empty, too long, of no known kind, or one too many.
        WriteError
            If it cannot be written.
        """
        text = "".join(c for c in text if c == "\n" or c.isprintable()).strip()
        if kind not in (NOTE, *MARKS):
            raise RunError(f"'{kind[:40]}' is no kind of remark.", mend=f"Known: {', '.join((NOTE, *MARKS))}.")
        if kind == NOTE and not text:
            raise RunError("the note is empty.", mend="Write what should be remembered of the run.")
        if len(text) > LONGEST:
            raise RunError(f"the note has {len(text)} characters, at most {LONGEST} are kept.", mend="Make it shorter.")
        with self._lock:
            if len(self._all) >= MOST:
                raise RunError(f"{MOST} remarks are kept of this run already.", mend="Keep further notes elsewhere.")
            now = datetime.now(UTC).isoformat(timespec="milliseconds")
            remark = Remark(kind=kind, text=text, time_s=time_s, written_at=now)
            self._write(json.dumps(asdict(remark)))
            self._all = (*self._all, remark)
        return remark

    def _write(self, line: str) -> None:
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with open(self.path, "ab+") as stream:
                if stream.tell() > 0:
                    stream.seek(-1, os.SEEK_END)
                    line = line if stream.read(1) == b"\n" else f"\n{line}"
                stream.write(f"{line}\n".encode())
                stream.flush()
                os.fsync(stream.fileno())
        except OSError as error:
            problem = f"the remark cannot be kept ({error.strerror or error})."
            raise WriteError(problem, mend="Free some space, then send it again.", file=self.path) from None


def read_remarks(folder: Path) -> tuple[Remark, ...]:
    """Return the remarks kept in a folder, oldest first; a damaged line is left out."""
    try:
        lines = (folder / FILE_NAME).read_text(encoding="utf-8", errors="replace").split("\n")
    except OSError:
        return ()
    found = []
    for line in lines:
        try:
            found.append(Remark(**json.loads(line)))
        except (ValueError, TypeError):
            continue
    return tuple(found)


def remark_fields(folder: Path) -> dict[str, object]:
    """Return what the remarks add to the document of a run: ``marks`` and ``notes``; nothing where there are none."""
    remarks = read_remarks(folder)
    marks: list[object] = [
        {"time_s": r.time_s, "kind": r.kind, "text": r.text, "written_at": r.written_at}
        for r in remarks if r.kind != NOTE
    ]  # fmt: skip
    notes: list[object] = [
        {"time_s": r.time_s, "text": r.text, "written_at": r.written_at} for r in remarks if r.kind == NOTE
    ]  # fmt: skip
    return {name: found for name, found in (("marks", marks), ("notes", notes)) if found}
