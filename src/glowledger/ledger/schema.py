"""Tables of the ledger, and the steps that bring an older ledger to the present ones."""

from __future__ import annotations

import sqlite3

APPLICATION_ID = 0x676C6F77  # 'glow', in the header of the file
# Each step is applied once, in order, in a transaction of its own; never change one that was released, add one.
STEPS: tuple[str, ...] = (
    """
    CREATE TABLE runs (
        run_id TEXT PRIMARY KEY, added_at TEXT NOT NULL, recorded_at TEXT NOT NULL, title TEXT NOT NULL,
        source TEXT NOT NULL, started_at TEXT NOT NULL, frames INTEGER NOT NULL, duration_s REAL,
        reference TEXT NOT NULL, verdict TEXT NOT NULL, endpoint_s REAL, notice TEXT NOT NULL, version TEXT NOT NULL,
        bench_file TEXT NOT NULL, bench_sha256 TEXT NOT NULL
    ) STRICT;
    CREATE TABLE context (
        run_id TEXT NOT NULL REFERENCES runs ON DELETE CASCADE, name TEXT NOT NULL, stated TEXT NOT NULL, value REAL,
        standard_error REAL, unit TEXT NOT NULL, reason TEXT NOT NULL, PRIMARY KEY (run_id, name)
    ) STRICT, WITHOUT ROWID;
    CREATE TABLE files (
        run_id TEXT NOT NULL REFERENCES runs ON DELETE CASCADE, path TEXT NOT NULL, size INTEGER NOT NULL,
        sha256 TEXT NOT NULL, PRIMARY KEY (run_id, path)
    ) STRICT, WITHOUT ROWID;
    CREATE INDEX files_by_content ON files (sha256);
    CREATE TABLE trends (
        run_id TEXT NOT NULL REFERENCES runs ON DELETE CASCADE, indicator TEXT NOT NULL, frame INTEGER NOT NULL,
        time_s REAL, value REAL, standard_error REAL, used INTEGER NOT NULL, PRIMARY KEY (run_id, indicator, frame)
    ) STRICT, WITHOUT ROWID;
    CREATE TABLE verdicts (
        run_id TEXT NOT NULL REFERENCES runs ON DELETE CASCADE, recorded_at TEXT NOT NULL, indicator TEXT NOT NULL,
        decides INTEGER NOT NULL, verdict TEXT NOT NULL, time_s REAL, low_s REAL, high_s REAL, declared_at_s REAL,
        criterion TEXT NOT NULL, reason TEXT NOT NULL, PRIMARY KEY (run_id, recorded_at, indicator, decides)
    ) STRICT, WITHOUT ROWID;
    CREATE TABLE events (
        run_id TEXT NOT NULL REFERENCES runs ON DELETE CASCADE, number INTEGER NOT NULL, kind TEXT NOT NULL,
        start_s REAL, end_s REAL, text TEXT NOT NULL, PRIMARY KEY (run_id, number)
    ) STRICT, WITHOUT ROWID;
    """,
    """
    CREATE TABLE notes (
        run_id TEXT NOT NULL, written_at TEXT NOT NULL, text TEXT NOT NULL, PRIMARY KEY (run_id, written_at, text)
    ) STRICT, WITHOUT ROWID;
    CREATE INDEX runs_by_time ON runs (recorded_at);
    """,
)
VERSION = len(STEPS)


def version_of(connection: sqlite3.Connection) -> int:
    """Return the schema version of an open database; 0 for an empty one."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def bring_up(connection: sqlite3.Connection, *, to: int = VERSION) -> None:
    """Apply the steps that are missing; safe against a second process that does the same."""
    while version_of(connection) < to:
        connection.execute("BEGIN IMMEDIATE")
        try:
            at = version_of(connection)  # the other process may have been faster
            if at < to:
                for statement in STEPS[at].split(";"):
                    if statement.strip():
                        connection.execute(statement)
                connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                connection.execute(f"PRAGMA user_version = {at + 1}")
            connection.execute("COMMIT")
        except BaseException:
            connection.execute("ROLLBACK")
            raise
