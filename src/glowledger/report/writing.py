"""Write the files of a report whole or not at all."""

from __future__ import annotations

from pathlib import Path

from glowledger.errors import WriteError
from glowledger.spectra.writing import whole_file


def write_bytes(path: str | Path, content: bytes) -> Path:
    """Write a file whole or not at all, and return its path.

    Raises
    ------
    WriteError
        If the folder is missing or closed, or the disk is full; nothing is left behind.
    """
    path = Path(path)
    with whole_file(path) as stream:
        stream.write(content)
    return path


def write_text(path: str | Path, content: str) -> Path:
    """Write text as UTF-8, whole or not at all; see `write_bytes`."""
    return write_bytes(path, content.encode("utf-8"))


def make_folder(path: str | Path) -> Path:
    """Make a folder and those above it, and return it.

    Raises
    ------
    WriteError
        If it cannot be made, or a file of that name is in the way.
    """
    path = Path(path)
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise WriteError(
            f"the folder cannot be made ({error.strerror or error}).",
            mend="Choose another folder with -o.",
            file=path,
        ) from error
    return path
