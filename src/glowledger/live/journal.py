"""The journal of a run being followed: what was taken and where the measurement stands, safe against kills.

SQLite with a write-ahead log, one transaction per chunk of frames: the frames taken, their results and where the
measurement stands reach the disk together or not at all, checksummed by SQLite. An append-only text file with fsync
would need the same in one record, and a replay of the whole run at a restart; here the follower (some 150 kB) is kept
every `measuring.KEEP_EVERY` frames, and a restart replays only the measured frames since.
"""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from glowledger.errors import LedgerError, RunError
from glowledger.ledger.connecting import connect, told, writing
from glowledger.runs.run_options import Point

FILE_NAME = "follow.sqlite"
VERSION = 8  # of what it holds; tests/runs/test_whole_runs.py tells when to raise it
_TABLES = (
    "CREATE TABLE IF NOT EXISTS frames (number INTEGER PRIMARY KEY, source TEXT NOT NULL UNIQUE, line TEXT NOT NULL)",
    "CREATE TABLE IF NOT EXISTS points (number INTEGER PRIMARY KEY, time_s REAL, used INTEGER NOT NULL,"
    " numbers TEXT NOT NULL)",
    "CREATE TABLE IF NOT EXISTS learning (number INTEGER PRIMARY KEY, frame BLOB NOT NULL)",
    "CREATE TABLE IF NOT EXISTS recent (number INTEGER PRIMARY KEY, content TEXT NOT NULL)",
    "CREATE TABLE IF NOT EXISTS state (name TEXT PRIMARY KEY, content BLOB NOT NULL) WITHOUT ROWID",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """What one chunk of frames adds, to be kept as a whole.

    Attributes
    ----------
    lines : list of (str, dict)
        Key and line of every frame taken, usable or not.
    points : list of Point
        Frames decided.
    replaced : bool
        True if the points take the place of all points before: the run was measured anew.
    learning : list of bytes
        Packed frames to learn from.
    forget : bool
        True if the frames to learn from that were kept before are of no use.
    follower : dict or None
        Where the follower of the run stands; None keeps what was kept last.
    recent : list of dict
        Measured frames that went into the follower since it was kept last; given to it again after a restart.
    state : dict
        Where source and measurement stand, by name; only what changed is written.
    last : bytes or None
        The last frame, packed.
    """

    lines: list[tuple[str, dict[str, Any]]]
    points: list[Point]
    replaced: bool
    learning: list[bytes]
    forget: bool
    follower: dict[str, Any] | None
    recent: list[dict[str, Any]]
    state: dict[str, Any]
    last: bytes | None


class Journal:
    """An open journal; use `open_journal`."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        """Take an open connection."""
        self.path = path
        self._db = connection
        self._known: dict[str, str] = {}

    def keep(self, step: Step) -> list[int]:
        """Keep a step whole or not at all, and return the numbers of its frames.

        Raises
        ------
        WriteError
            If the disk is full; the journal is then as before.
        RunError
            If a frame was taken before.
        """
        with writing(self._db, self.path):
            first = self.count() + 1
            numbers = list(range(first, first + len(step.lines)))
            try:
                self._db.executemany(
                    "INSERT INTO frames VALUES (?, ?, ?)",
                    [(n, key, json.dumps(line)) for n, (key, line) in zip(numbers, step.lines, strict=True)],
                )
            except sqlite3.IntegrityError as error:
                raise RunError(f"a frame was taken twice ({error}).", mend="Report this.", file=self.path) from None
            if step.replaced:
                self._db.execute("DELETE FROM points")
            self._db.executemany(
                "INSERT INTO points (time_s, used, numbers) VALUES (?, ?, ?)",
                [(p.time_s, int(p.used), json.dumps([p.values, p.errors])) for p in step.points],
            )
            if step.forget:
                self._db.execute("DELETE FROM learning")
            self._db.executemany("INSERT INTO learning (frame) VALUES (?)", [(raw,) for raw in step.learning])
            if step.follower is not None:
                self._db.execute("DELETE FROM recent")
                self.put("follower", zlib.compress(json.dumps(step.follower).encode(), 1))
            self._db.executemany(
                "INSERT INTO recent (content) VALUES (?)", [(json.dumps(frame),) for frame in step.recent]
            )
            changed = {name: text for name, text in _texts(step.state).items() if self._known.get(name) != text}
            for name, text in changed.items():
                self.put(f"state {name}", text.encode())
            if step.last is not None:
                self.put("last", step.last)
        self._known |= changed
        return numbers

    def said(self, number: int) -> None:
        """Remember that the lines up to this one were given out."""
        with writing(self._db, self.path):
            self.put("said", str(number).encode())

    def unsaid(self) -> Iterator[tuple[int, dict[str, Any]]]:
        """Yield the lines that were kept but perhaps not given out before a kill."""
        at = int(self.content("said") or b"0")
        with told(self.path):
            for number, line in self._db.execute("SELECT number, line FROM frames WHERE number > ? ORDER BY 1", (at,)):
                yield number, json.loads(line)

    def state(self) -> dict[str, Any] | None:
        """Return where source and measurement stood, or None in a new journal."""
        with told(self.path):
            rows = list(self._db.execute("SELECT substr(name, 7), content FROM state WHERE name LIKE 'state %'"))
        self._known = {name: content.decode() for name, content in rows}
        return {name: json.loads(text) for name, text in self._known.items()} or None

    def follower(self) -> tuple[dict[str, Any] | None, list[dict[str, Any]]]:
        """Return the follower as it was kept last, and the frames that went into it since."""
        raw = self.content("follower")
        with told(self.path):
            recent = [json.loads(row[0]) for row in self._db.execute("SELECT content FROM recent ORDER BY number")]
        return (None if raw is None else json.loads(zlib.decompress(raw))), recent

    def last(self) -> bytes | None:
        """Return the last frame, packed."""
        return self.content("last")

    def learning(self) -> list[bytes]:
        """Return the frames learned from, packed."""
        with told(self.path):
            return [row[0] for row in self._db.execute("SELECT frame FROM learning ORDER BY number")]

    def sources(self) -> set[str]:
        """Return the keys of all frames taken."""
        with told(self.path):
            return {row[0] for row in self._db.execute("SELECT source FROM frames")}

    def points(self) -> list[Point]:
        """Return all decided frames in the order of their times."""
        with told(self.path):
            rows = list(self._db.execute("SELECT time_s, used, numbers FROM points ORDER BY time_s, number"))
        found: list[Point] = []
        for time_s, used, numbers in rows:
            values, errors = json.loads(numbers)
            found.append(Point(time_s=time_s, values=values, errors=errors, used=bool(used), endpoint=None))
        return found

    def count(self) -> int:
        """Return how many frames were taken."""
        with told(self.path):
            return int(self._db.execute("SELECT coalesce(max(number), 0) FROM frames").fetchone()[0])

    def content(self, name: str) -> bytes | None:
        """Return what is kept under a name."""
        with told(self.path):
            row = self._db.execute("SELECT content FROM state WHERE name = ?", (name,)).fetchone()
        return None if row is None else row[0]

    def put(self, name: str, content: bytes) -> None:
        """Keep something under a name, within a transaction."""
        self._db.execute("INSERT OR REPLACE INTO state VALUES (?, ?)", (name, content))


def _texts(state: dict[str, Any]) -> dict[str, str]:
    return {name: json.dumps(value) for name, value in state.items()}


@contextmanager
def open_journal(folder: Path, settings: dict[str, Any]) -> Iterator[Journal]:
    """Open the journal in a folder, or begin one; one process at a time.

    Parameters
    ----------
    folder : Path
        Exists.
    settings : dict
        How the run is followed; a journal begun otherwise is refused.

    Raises
    ------
    RunError
        If another process follows into this folder, or it belongs to a run followed otherwise.
    WriteError
        If the disk is full.
    """
    path = folder / FILE_NAME
    try:
        connection = connect(path, create=True, wait_s=1.0)
    except LedgerError as error:
        raise _refused(error, path) from None
    try:
        journal = Journal(path, connection)
        try:
            with told(path):
                # exclusive: a second follower would take every frame twice; the lock goes with the process
                connection.execute("PRAGMA locking_mode = EXCLUSIVE")
            with writing(connection, path):
                for table in _TABLES:
                    connection.execute(table)
                _settle(journal, settings | {"journal": VERSION})
        except LedgerError as error:
            raise _refused(error, path) from None
        yield journal
    finally:
        connection.close()


def _settle(journal: Journal, settings: dict[str, Any]) -> None:
    known = journal.content("settings")
    now = json.dumps(settings, sort_keys=True).encode()
    if known is None:
        journal.put("settings", now)
    elif known != now:
        before = json.loads(known)
        other = sorted(k for k in settings | before if settings.get(k) != before.get(k))
        raise RunError(
            f"this folder holds a run that was followed otherwise ({', '.join(other)} differ).",
            mend="Choose another folder with -o, or follow as before.", file=journal.path,
        )  # fmt: skip


def _refused(error: LedgerError, path: Path) -> RunError:
    if "another process" in error.problem:
        mend = "End it first, or follow into another folder with -o."
        return RunError("another process follows a run into this folder.", mend=mend, file=path)
    return RunError(error.problem, mend="Move the folder away and begin anew.", file=path)
