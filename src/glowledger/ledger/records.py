"""What makes the document of ``track`` a record that can be kept: identity, raw files, context, bench."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from glowledger import __version__
from glowledger.errors import LedgerError
from glowledger.ledger.context import Context
from glowledger.ledger.raw_files import RawFile, raw_files, run_id_of, sha256_of

TRACK = "glowledger/track/1"
SCHEMA = "glowledger/record/1"
DOCUMENT = "track.json"  # in a run folder


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """One judged run as the ledger keeps it.

    Attributes
    ----------
    run_id : str
        The same raw content gives the same.
    recorded_at : str
        UTC, ISO 8601; one run may be judged several times.
    source, title, version, started_at, notice, bench_file, bench_sha256 : str
        Empty where unknown.
    context : dict
        As `Context.document`.
    files : tuple of RawFile
        Raw files.
    document : dict
        The whole document of ``track``.
    """

    run_id: str
    recorded_at: str
    source: str
    title: str
    version: str
    started_at: str
    notice: str
    bench_file: str
    bench_sha256: str
    context: dict[str, Any]
    files: tuple[RawFile, ...]
    document: dict[str, Any]


def record_fields(
    run: str | Path, context: Context, *, bench_file: Path | None = None, started_at: str | None = None
) -> dict[str, object]:
    """Return what `track` adds to its document, under ``record``, so that it can be kept.

    Parameters
    ----------
    run : path
        File or folder of the run.
    context : Context
        What was set and done.
    bench_file : path, optional
        The bench used.
    started_at : str, optional
        Wall-clock time of the first frame, ISO 8601.

    Raises
    ------
    LedgerError
        If a raw file or the bench cannot be read.
    """
    files = raw_files(run)
    try:
        bench = None if bench_file is None else {"file": str(bench_file), "sha256": sha256_of(bench_file)}
    except OSError as error:
        raise LedgerError(f"the bench cannot be read ({error}).", file=bench_file) from None
    return {
        "schema": SCHEMA,
        "run_id": run_id_of(files),
        "recorded_at": datetime.now(UTC).isoformat(timespec="microseconds"),
        "version": __version__,
        "source": str(Path(run).resolve()),
        "started_at": started_at,
        "context": context.document(),
        "bench": bench,
        "files": [{"path": f.path, "size": f.size, "sha256": f.sha256} for f in files],
    }


def record_of(document: Mapping[str, Any], *, file: Path | None = None) -> Record:
    """Read a record from a document of ``track``.

    Parameters
    ----------
    document : mapping
        As parsed from JSON. Without ``record`` in it the run is kept without raw files and context.
    file : path, optional
        Where it was read from.

    Returns
    -------
    Record

    Raises
    ------
    LedgerError
        If it is no document of ``track``.
    """
    if not isinstance(document, Mapping) or document.get("schema") != TRACK:
        raise LedgerError("this is no document of 'glowledger track'.", mend=f"Expected schema {TRACK}.", file=file)
    more = document.get("record") or {}
    try:
        files = tuple(RawFile(path=f["path"], size=f["size"], sha256=f["sha256"]) for f in more.get("files", []))
        bench = more.get("bench") or {}
        return Record(
            run_id=more.get("run_id") or _content_id(document),
            recorded_at=more.get("recorded_at") or _changed_at(file),
            source=more.get("source") or str(document.get("file") or ""),
            title=str(document.get("file") or Path(more.get("source") or "run").name),
            version=more.get("version") or "",
            started_at=more.get("started_at") or document.get("started_at") or "",
            notice=str(document.get("notice") or ""),
            bench_file=bench.get("file") or "",
            bench_sha256=bench.get("sha256") or "",
            context=more.get("context") or {},
            files=files,
            document=dict(document),
        )
    except (KeyError, TypeError, AttributeError) as error:
        raise LedgerError(
            f"the record in the document is damaged ({error!r}).", mend="Track the run again.", file=file
        ) from None


def read_record(path: str | Path) -> Record:
    """Read the record of a run folder, or of one document.

    Raises
    ------
    LedgerError
        If there is none, or it is damaged.
    """
    path = Path(path)
    file = path / DOCUMENT if path.is_dir() else path
    try:
        document = json.loads(file.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise LedgerError(
            "there is no run document here.", mend=f"Give a folder written by 'track -o', with its {DOCUMENT}.",
            file=file,
        ) from None  # fmt: skip
    except (OSError, ValueError) as error:
        problem = f"the run document cannot be read ({error})."
        raise LedgerError(problem, mend="Track the run again.", file=file) from None
    return record_of(document, file=file)


def _content_id(document: Mapping[str, Any]) -> str:
    kept = {name: value for name, value in document.items() if name not in ("record", "notes")}
    return hashlib.sha256(json.dumps(kept, sort_keys=True).encode()).hexdigest()[:12]


def _changed_at(file: Path | None) -> str:
    moment = datetime.now(UTC) if file is None else datetime.fromtimestamp(file.stat().st_mtime, UTC)
    return moment.isoformat(timespec="microseconds")
