"""Build a ledger again from the documents of its runs, when the database is damaged or gone."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from glowledger.errors import LedgerError
from glowledger.ledger.records import DOCUMENT, Record, read_record
from glowledger.ledger.store import NOTES, open_ledger, read_notes, runs_folder


@dataclass(frozen=True, slots=True, kw_only=True)
class Rebuilt:
    """What became of it.

    Attributes
    ----------
    runs, records, notes : int
        What is in the new ledger.
    set_aside : Path or None
        Where the old database is now.
    left_out : tuple of str
        Documents that could not be read, and why.
    """

    runs: int
    records: int
    notes: int
    set_aside: Path | None
    left_out: tuple[str, ...]


def rebuild(path: str | Path, folders: Iterable[str | Path] = ()) -> Rebuilt:
    """Build the ledger anew, beside the old one, and put it in its place when it is whole.

    Parameters
    ----------
    path : path
        The ledger; it may be damaged or missing.
    folders : iterable of path
        Run folders, or folders of them, beside the ledger's own folder of documents.

    Returns
    -------
    Rebuilt

    Raises
    ------
    LedgerError
        If no document is found; the old database is then left where it is.
    WriteError
        If the disk is full.
    """
    path = Path(path)
    own = runs_folder(path)
    left_out: list[str] = []
    own_records = list(_records(_own_documents(own), left_out))
    others = [r for r in _records(_documents_below(folders), left_out) if _key(r) not in {_key(o) for o in own_records}]
    if not own_records and not others:
        raise LedgerError(
            "no document of a run was found to rebuild from.", mend="Name the folders written by 'track -o'.", file=path
        )
    new = path.with_name(f".{path.stem}.rebuilding{path.suffix}")
    for old in _all_files(new):
        old.unlink(missing_ok=True)
    notes = 0
    with open_ledger(new, create=True) as ledger:
        for record in sorted(own_records + others, key=lambda r: r.recorded_at):
            ledger.restore(record)
        for file in sorted(own.glob(f"*{NOTES}")) if own.is_dir() else []:
            try:
                run_id, found = read_notes(file)
            except LedgerError as error:
                left_out.append(error.paragraph())
                continue
            ledger.restore_notes(run_id, found)
            notes += len(found)
        runs = len(ledger.runs())
        ledger.fold()
    set_aside = _set_aside(path)
    os.replace(new, path)
    with open_ledger(path) as ledger:
        for record in others:
            ledger.keep(record)  # so that its document lies beside the ledger as well
    return Rebuilt(
        runs=runs, records=len(own_records) + len(others), notes=notes, set_aside=set_aside, left_out=tuple(left_out)
    )


def _key(record: Record) -> tuple[str, str]:
    return record.run_id, record.recorded_at


def _own_documents(folder: Path) -> Iterator[Path]:
    if folder.is_dir():
        yield from (p for p in sorted(folder.glob("*.json")) if not p.name.endswith(NOTES) and p.name[0] != ".")


def _documents_below(folders: Iterable[str | Path]) -> Iterator[Path]:
    for folder in folders:
        yield from sorted(Path(folder).rglob(DOCUMENT))


def _records(documents: Iterable[Path], left_out: list[str]) -> Iterator[Record]:
    for document in documents:
        try:
            yield read_record(document)
        except LedgerError as error:
            left_out.append(error.paragraph())


def _all_files(path: Path) -> list[Path]:
    """Return a database and what SQLite keeps beside it."""
    return [path, path.with_name(f"{path.name}-wal"), path.with_name(f"{path.name}-shm")]


def _set_aside(path: Path) -> Path | None:
    """Move the old database away under a name that is free, its write-ahead log with it."""
    if not path.exists():
        for rest in _all_files(path)[1:]:
            rest.unlink(missing_ok=True)
        return None
    number = 1
    while (target := path.with_name(f"{path.stem}.damaged{number}{path.suffix}")).exists():
        number += 1
    for old, new in zip(_all_files(path), _all_files(target), strict=True):
        if old.exists():
            os.replace(old, new)
    return target
