"""Open SQLite files so that no kill and no second process harms them, with our own errors."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from glowledger.errors import LedgerError, WriteError

WAIT_S = 30.0  # another process may be writing


def connect(path: Path, *, create: bool, wait_s: float = WAIT_S) -> sqlite3.Connection:
    """Open a database in write-ahead mode, each transaction on disk before it counts.

    Parameters
    ----------
    path : Path
        The file.
    create : bool
        Whether it may be made.
    wait_s : float
        How long to wait for another process.

    Raises
    ------
    LedgerError, WriteError
        If it cannot be opened.

    Notes
    -----
    Where write-ahead logging is not possible (some network drives) SQLite stays with its rollback journal, which
    is as safe and lets readers wait.
    """
    with told(path):
        uri = f"{path.resolve().as_uri()}?mode={'rwc' if create else 'rw'}"
        connection = sqlite3.connect(uri, uri=True, timeout=wait_s, isolation_level=None)
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute("PRAGMA foreign_keys = ON")
        except BaseException:
            connection.close()
            raise
    return connection


@contextmanager
def writing(connection: sqlite3.Connection, path: Path) -> Iterator[None]:
    """Do everything in the block, or nothing of it; alone among all processes."""
    with told(path):
        connection.execute("BEGIN IMMEDIATE")
        try:
            yield
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise


@contextmanager
def told(path: Path) -> Iterator[None]:
    """Turn the errors of SQLite into ours."""
    try:
        yield
    except sqlite3.OperationalError as error:
        text = str(error)
        if "locked" in text or "busy" in text:
            raise LedgerError(
                "another process holds this database.", mend="Let it finish, then try again.", file=path
            ) from None
        if "full" in text or "disk I/O" in text or "readonly" in text:
            why = "may not be written" if "readonly" in text else "cannot be written: the disk is full or failing"
            raise WriteError(
                f"the database {why}.", mend="Free some space or choose another place; nothing that was kept is lost.",
                file=path,
            ) from None  # fmt: skip
        if "unable to open" in text:
            mend = "Check folder and permissions."
            raise LedgerError("the database cannot be opened.", mend=mend, file=path) from None
        raise _damaged(path, error) from None
    except sqlite3.DatabaseError as error:
        raise _damaged(path, error) from None


def _damaged(path: Path, error: sqlite3.Error) -> LedgerError:
    return LedgerError(
        f"the database is damaged ({error}).",
        mend=f"Build it again from the runs kept beside it: glowledger ledger --file {path} rebuild",
        file=path,
    )
