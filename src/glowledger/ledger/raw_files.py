"""The raw files of a run by their content, so that what is moved, changed or gone is noticed."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from glowledger.errors import LedgerError, ReadError
from glowledger.spectra.folders import list_frames

State = Literal["as recorded", "changed", "missing", "moved", "out of reach"]
_BLOCK = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class RawFile:
    """One file as it was when its run entered the ledger.

    Attributes
    ----------
    path : str
        Absolute.
    size : int
        Bytes.
    sha256 : str
        Of the content, hexadecimal.
    """

    path: str
    size: int
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FileState:
    """What became of a raw file.

    Attributes
    ----------
    file : RawFile
        As recorded.
    state : str
        What is found now.
    found_at : str
        Where it is now; empty if nowhere.
    """

    file: RawFile
    state: State
    found_at: str


def sha256_of(path: str | Path) -> str:
    """Return the SHA-256 of a file in hexadecimal (FIPS 180-4)."""
    digest = hashlib.sha256()
    with open(path, "rb") as stream:
        while block := stream.read(_BLOCK):
            digest.update(block)
    return digest.hexdigest()


def raw_files(run: str | Path) -> tuple[RawFile, ...]:
    """Return the files of a run, with their hashes.

    Parameters
    ----------
    run : path
        A file, or a folder with a frame per file.

    Raises
    ------
    LedgerError
        If one cannot be read.
    """
    run = Path(run)
    try:
        files = list_frames(run).files if run.is_dir() else (run,)
        return tuple(
            RawFile(path=str(file.resolve()), size=file.stat().st_size, sha256=sha256_of(file)) for file in files
        )
    except (OSError, ReadError) as error:
        raise LedgerError(f"the raw files cannot be read ({error}).", mend="Check the path.", file=run) from None


def run_id_of(files: Iterable[RawFile]) -> str:
    """Return the identity of a run: the same raw content gives the same, wherever it lies."""
    digest = hashlib.sha256("\n".join(sorted(file.sha256 for file in files)).encode())
    return digest.hexdigest()[:12]


def states_of(files: Iterable[RawFile], look_in: Iterable[str | Path] = ()) -> list[FileState]:
    """Say what became of raw files.

    Parameters
    ----------
    files : iterable of RawFile
        As recorded.
    look_in : iterable of path
        Folders in which files that are gone are looked for, by content; the folder they lay in is always one.

    Returns
    -------
    list of FileState
    """
    found: list[FileState] = []
    gone: list[FileState] = []
    for file in files:
        state = _state(file)
        (gone if state == "missing" else found).append(FileState(file=file, state=state, found_at=file.path))
    elsewhere = _by_content([s.file for s in gone], [Path(p) for p in look_in]) if gone else {}
    for lost in gone:
        place = elsewhere.get(lost.file.sha256, "")
        found.append(FileState(file=lost.file, state="moved" if place else "missing", found_at=place))
    return sorted(found, key=lambda s: s.file.path)


def _state(file: RawFile) -> State:
    path = Path(file.path)
    try:
        if path.stat().st_size != file.size:
            return "changed"
        return "as recorded" if sha256_of(path) == file.sha256 else "changed"
    except (FileNotFoundError, NotADirectoryError):
        return "missing"
    except OSError:
        return "out of reach"


def _by_content(files: list[RawFile], look_in: list[Path]) -> dict[str, str]:
    """Return hash -> path of files found elsewhere; only files of the right size are read."""
    sizes = {file.size for file in files}
    wanted = {file.sha256 for file in files}
    found: dict[str, str] = {}
    for folder in dict.fromkeys([*look_in, *(Path(file.path).parent for file in files)]):
        for path in _files_below(folder):
            try:
                if path.stat().st_size in sizes and (digest := sha256_of(path)) in wanted:
                    found.setdefault(digest, str(path.resolve()))
            except OSError:
                continue
            if len(found) == len(wanted):
                return found
    return found


def _files_below(folder: Path) -> Iterator[Path]:
    for base, _, names in os.walk(folder):
        yield from (Path(base) / name for name in sorted(names))
