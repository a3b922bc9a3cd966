"""Write files whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from glowledger.errors import WriteError


def write_bytes(path: str | Path, content: bytes) -> Path:
    """Write a file whole or not at all: a temporary file beside it, then a rename.

    Parameters
    ----------
    path : str or Path
        Where to; an existing file is replaced only once the new one is complete.
    content : bytes
        What to write.

    Returns
    -------
    Path
        `path`.

    Raises
    ------
    WriteError
        If the folder is missing or closed, or the disk is full; nothing is left behind.
    """
    path = Path(path)
    temporary: str | None = None
    try:
        handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
        os.chmod(temporary, 0o666 & ~_umask())  # mkstemp makes files only their owner can read
        os.replace(temporary, path)
    except OSError as error:
        if temporary is not None:
            Path(temporary).unlink(missing_ok=True)
        raise WriteError(
            f"cannot be written: {error.strerror or error}.",
            mend="Check that the folder exists, is yours to write in, and that the disk has room.",
            file=path,
        ) from error
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
            f"the folder cannot be made: {error.strerror or error}.",
            mend="Choose another folder with -o.",
            file=path,
        ) from error
    return path


def _umask() -> int:
    """Return the process's umask; the only portable way to read it is to set it."""
    mask = os.umask(0o022)
    os.umask(mask)
    return mask
