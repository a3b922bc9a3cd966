"""The ledger itself: keep, list, show, annotate."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from glowledger.errors import LedgerError
from glowledger.ledger.connecting import connect, told, writing
from glowledger.ledger.raw_files import RawFile
from glowledger.ledger.records import Record
from glowledger.ledger.schema import APPLICATION_ID, VERSION, bring_up, version_of
from glowledger.spectra.writing import whole_file

FILE_NAME = "ledger.sqlite"
NOTES = "_notes.json"
_RENEWED = ", ".join(
    f"{name} = excluded.{name}"
    for name in (
        "recorded_at", "title", "source", "started_at", "frames", "duration_s", "reference", "verdict", "endpoint_s",
        "notice", "version", "bench_file", "bench_sha256",
    )
)  # fmt: skip


def runs_folder(path: Path) -> Path:
    """Return the folder beside a ledger that holds a document per record, from which it can be rebuilt."""
    return path.with_name(f"{path.stem}_runs")


class Ledger:
    """Runs and what was found in them, in one SQLite file; use `open_ledger`.

    Notes
    -----
    Every record is also a JSON document in the folder `runs_folder`, written before the database is: the documents
    are what counts, the database is what is searched.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        """Take an open connection."""
        self.path = path
        self._db = connection

    def keep(self, record: Record) -> str:
        """Keep a record and return the identity of its run; judged again, a run has its latest trends.

        Raises
        ------
        WriteError
            If the disk is full; the ledger is then as before.
        """
        document = {**record.document, "record": _record_block(record)}
        with writing(self._db, self.path):
            folder = runs_folder(self.path)
            _make(folder)
            stamp = "".join(c for c in record.recorded_at if c.isdigit())
            _write_json(folder / f"{record.run_id}_{stamp}.json", document)
            self._insert(record)
        return record.run_id

    def settle(self, begun: str, record: Record) -> str:
        """Keep the record of a run that was kept under another identity while it went on, and drop that one.

        Parameters
        ----------
        begun : str
            The identity until now; its notes go over to the run. Killed in between, this may be done again.
        record : Record
            The finished run.

        Returns
        -------
        str
            The identity of the run.
        """
        run_id = self.keep(record)
        if run_id == begun:
            return run_id
        with writing(self._db, self.path):
            notes = sorted({*self._notes(run_id), *self._notes(begun)})
            folder = runs_folder(self.path)
            if notes:
                _write_json(folder / f"{run_id}{NOTES}", {"run_id": run_id, "notes": notes})
            self._db.executemany("INSERT OR IGNORE INTO notes VALUES (?, ?, ?)", [(run_id, *note) for note in notes])
            self._db.execute("DELETE FROM notes WHERE run_id = ?", (begun,))
            self._db.execute("DELETE FROM runs WHERE run_id = ?", (begun,))
            for file in folder.glob(f"{begun}_*.json"):
                file.unlink(missing_ok=True)
        return run_id

    def restore(self, record: Record) -> None:
        """Take up a record whose document is in the folder already."""
        with writing(self._db, self.path):
            self._insert(record)

    def restore_notes(self, run_id: str, notes: list[tuple[str, str]]) -> None:
        """Take up notes that are in the folder already."""
        with writing(self._db, self.path):
            self._db.executemany("INSERT OR IGNORE INTO notes VALUES (?, ?, ?)", [(run_id, *note) for note in notes])

    def annotate(self, run: str, text: str) -> str:
        """Add a note to a run, and return the identity of the run.

        Raises
        ------
        LedgerError
            If the run is not known, or the note is empty.
        """
        if not text.strip():
            raise LedgerError("the note is empty.", mend="Write what should be remembered of the run.")
        run_id = self.find(run)
        with writing(self._db, self.path):
            now = datetime.now(UTC).isoformat(timespec="microseconds")
            notes = [*self._notes(run_id), (now, text.strip())]
            _make(runs_folder(self.path))
            _write_json(runs_folder(self.path) / f"{run_id}{NOTES}", {"run_id": run_id, "notes": notes})
            self._db.execute("INSERT INTO notes VALUES (?, ?, ?)", (run_id, now, text.strip()))
        return run_id

    def find(self, run: str) -> str:
        """Return the identity that begins with what is given; ``latest`` is the run recorded last.

        Raises
        ------
        LedgerError
            If none does, or several do.
        """
        rows = self.rows("SELECT run_id FROM runs ORDER BY recorded_at DESC")
        names = [str(row["run_id"]) for row in rows]
        found = names[:1] if run == "latest" else [name for name in names if run and name.startswith(run)]
        if len(found) == 1:
            return found[0]
        what = "no run" if not found else f"{len(found)} runs"
        problem = f"{what} of the ledger begins with '{run}'."
        raise LedgerError(problem, mend="See: glowledger ledger list", file=self.path)

    def runs(self) -> list[dict[str, Any]]:
        """Return one row per run, latest last."""
        return self.rows(
            "SELECT *, (SELECT count(*) FROM notes WHERE notes.run_id = runs.run_id) AS notes,"
            " (SELECT count(*) FROM files WHERE files.run_id = runs.run_id) AS files FROM runs ORDER BY recorded_at"
        )

    def run(self, run: str) -> dict[str, Any]:
        """Return everything kept of a run but its trends, as plain data."""
        run_id = self.find(run)
        found = self.rows("SELECT * FROM runs WHERE run_id = ?", run_id)[0]
        for table, order in (("context", "name"), ("verdicts", "recorded_at, decides DESC"), ("events", "number")):
            rows = self.rows(f"SELECT * FROM {table} WHERE run_id = ? ORDER BY {order}", run_id)
            found[table] = [{k: v for k, v in row.items() if k != "run_id"} for row in rows]
        found["notes"] = [{"written_at": at, "text": text} for at, text in self._notes(run_id)]
        found["files"] = [{"path": f.path, "size": f.size, "sha256": f.sha256} for f in self.files(run_id)]
        names = self.rows("SELECT DISTINCT indicator FROM trends WHERE run_id = ?", run_id)
        found["indicators"] = [row["indicator"] for row in names]
        return found

    def trends(self, run: str) -> list[dict[str, Any]]:
        """Return the trends of a run, a row per indicator and frame."""
        return self.rows(
            "SELECT indicator, frame, time_s, value, standard_error, used FROM trends WHERE run_id = ?"
            " ORDER BY indicator, frame",
            self.find(run),
        )

    def files(self, run_id: str) -> list[RawFile]:
        """Return the raw files of a run, as recorded."""
        rows = self.rows("SELECT path, size, sha256 FROM files WHERE run_id = ? ORDER BY path", run_id)
        return [RawFile(**row) for row in rows]

    def check(self) -> None:
        """Read the whole database and look for damage.

        Raises
        ------
        LedgerError
            If there is any.
        """
        with told(self.path):
            answer = [row[0] for row in self._db.execute("PRAGMA integrity_check")]
            if answer != ["ok"]:
                raise sqlite3.DatabaseError(str(answer[0]))

    def rows(self, query: str, *values: object) -> list[dict[str, Any]]:
        """Return the rows of a query as dicts."""
        with told(self.path):
            cursor = self._db.execute(query, values)
            names = [column[0] for column in cursor.description]
            return [dict(zip(names, row, strict=True)) for row in cursor]

    def fold(self) -> None:
        """Write everything into the one file, so that it can be moved."""
        with told(self.path):
            self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def _notes(self, run_id: str) -> list[tuple[str, str]]:
        rows = self.rows("SELECT written_at, text FROM notes WHERE run_id = ? ORDER BY written_at", run_id)
        return [(row["written_at"], row["text"]) for row in rows]

    def _insert(self, record: Record) -> None:
        """Put a record into the tables, in place of an older one of the same run; verdicts are all kept."""
        d, run_id = record.document, record.run_id
        end = d["endpoint"]
        newer = self.rows("SELECT 1 FROM runs WHERE run_id = ? AND recorded_at > ?", run_id, record.recorded_at)
        if not newer:
            self._db.execute(
                "INSERT INTO runs VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
                f" ON CONFLICT (run_id) DO UPDATE SET {_RENEWED}",
                (run_id, record.recorded_at, record.recorded_at, record.title, record.source, record.started_at,
                 d["frames"], d["duration_s"], d["reference"] or "", end["verdict"], end["time_s"], record.notice,
                 record.version, record.bench_file, record.bench_sha256),
            )  # fmt: skip
            for table, rows in _tables(record).items():
                self._db.execute(f"DELETE FROM {table} WHERE run_id = ?", (run_id,))
                marks = ", ".join("?" * len(rows[0])) if rows else ""
                if rows:
                    self._db.executemany(f"INSERT OR REPLACE INTO {table} VALUES ({marks})", rows)
        verdicts = [_verdict(record, end, 1)]
        verdicts += [_verdict(record, {**e, "indicator": n}, 0) for n, e in (d.get("endpoints") or {}).items()]
        marks = ", ".join("?" * len(verdicts[0]))
        self._db.executemany(f"INSERT OR REPLACE INTO verdicts VALUES ({marks})", verdicts)


def _verdict(record: Record, end: Mapping[str, Any], decides: int) -> tuple[object, ...]:
    low, high = end.get("interval_s") or (None, None)
    return (
        record.run_id, record.recorded_at, end.get("indicator") or "", decides, end["verdict"], end.get("time_s"),
        low, high, end.get("declared_at_s"), end.get("criterion") or "", end["reason"],
    )  # fmt: skip


def _tables(record: Record) -> dict[str, list[tuple[object, ...]]]:
    """Return the rows of all tables that belong to one judged run."""
    d, run_id = record.document, record.run_id
    trends: list[tuple[object, ...]] = [
        (run_id, t["name"], i, time, value, error, int(used))
        for t in d["indicators"]
        for i, (time, value, error, used) in enumerate(
            zip(t["time_s"], t["value"], t["standard_error"], t.get("used") or [True] * len(t["time_s"]), strict=True)
        )
    ]
    events: list[tuple[str, object, object, str]] = [
        ("flash", f["time_s"], (f["time_s"] or 0.0) + (f["duration_s"] or 0.0), ", ".join(f["species"]))
        for f in d["flashes"]
    ]
    events += [("regime", r["start_s"], r["end_s"], r["why"]) for r in d["regimes"]]
    events += [(f"alarm: {a['kind']}", a["time_s"], a["time_s"], a["text"]) for a in d["alarms"]]
    events += [(f"mark: {m['kind']}", m["time_s"], m["time_s"], m["text"]) for m in d.get("marks") or []]
    return {
        "context": _context_rows(record),
        "files": [(run_id, f.path, f.size, f.sha256) for f in record.files],
        "trends": trends,
        "events": [(run_id, i, *event) for i, event in enumerate(events)],
    }


def _context_rows(record: Record) -> list[tuple[object, ...]]:
    numbers = record.context.get("quantities") or {}
    rows: list[tuple[object, ...]] = []
    for name, stated in (record.context.get("stated") or {}).items():
        q = numbers.get(name) or {}
        rows.append((record.run_id, name, stated, q.get("value"), q.get("standard_error"), q.get("unit") or "", ""))
    if true := record.context.get("true_pressure"):
        value, error = true.get("value_pa"), true.get("standard_error_pa")
        rows.append((record.run_id, "true pressure", "", value, error, "Pa", true["reason"]))
    return rows


def _record_block(record: Record) -> dict[str, object]:
    block = dict(record.document.get("record") or {})
    return block | {"run_id": record.run_id, "recorded_at": record.recorded_at}


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise LedgerError(f"the folder cannot be made ({error}).", mend="Choose another place.", file=folder) from None


def _write_json(path: Path, document: object) -> None:
    with whole_file(path) as stream:
        stream.write(json.dumps(document, separators=(",", ":"), allow_nan=False).encode() + b"\n")


@contextmanager
def open_ledger(path: str | Path, *, create: bool = False) -> Iterator[Ledger]:
    """Open a ledger, bring it to the present schema, and close it in the end.

    Parameters
    ----------
    path : path
        The SQLite file.
    create : bool
        Make it if it is missing.

    Returns
    -------
    context manager of Ledger

    Raises
    ------
    LedgerError
        If it is missing, damaged, made by a later version, or no ledger.
    """
    path = Path(path)
    if not create and not path.is_file():
        raise LedgerError(
            "there is no ledger here.", mend="Make one by keeping a run: glowledger track RUN --ledger FILE", file=path
        )
    connection = connect(path, create=create)
    try:
        with told(path):
            version = version_of(connection)
            mark = int(connection.execute("PRAGMA application_id").fetchone()[0])
            tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
            if (version or tables) and mark != APPLICATION_ID:
                raise LedgerError("this database is no ledger.", mend="Choose another file.", file=path)
            if version > VERSION:
                raise LedgerError(
                    f"the ledger has schema {version}, this version of glowledger knows {VERSION}.",
                    mend="Use the newer glowledger that wrote it.", file=path,
                )  # fmt: skip
            bring_up(connection)
        yield Ledger(path, connection)
    finally:
        connection.close()


def read_notes(path: Path) -> tuple[str, list[tuple[str, str]]]:
    """Read the notes on a run from the folder beside the ledger.

    Raises
    ------
    LedgerError
        If the file is damaged.
    """
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        return str(content["run_id"]), [(str(at), str(text)) for at, text in content["notes"]]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise LedgerError(f"the notes cannot be read ({error!r}).", mend="Move the file away.", file=path) from None

