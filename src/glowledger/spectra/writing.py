"""Write spectra: CSV that reads back exactly, ECSV and FITS; a file appears whole or not at all."""

from __future__ import annotations

import errno
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

import numpy as np

from glowledger.errors import WriteError
from glowledger.spectra.frames import Frames
from glowledger.spectra.settings import DETECTOR_SETTINGS

_FULL = (errno.EFBIG, errno.ENOSPC, errno.EDQUOT)
FORMATS = {".csv": "csv", ".ecsv": "ecsv", ".fits": "fits", ".fit": "fits"}


def write_spectra(path: str | Path, frames: Frames) -> None:
    """Write spectra in the format of the file's ending (.csv, .ecsv, .fits).

    Parameters
    ----------
    path : path
        Target; replaced only when all is written.
    frames : Frames
        n frames of p points, on an axis in pixels or nm (air).

    Raises
    ------
    WriteError
        If the ending is unknown, or the file cannot be written.
    """
    path = Path(path)
    kind = FORMATS.get(path.suffix.lower())
    if kind is None:
        raise WriteError(
            f"the ending '{path.suffix}' names no format.",
            mend=f"Use one of {', '.join(FORMATS)}.",
            file=path,
        )
    if kind == "csv":
        write_csv(path, frames)
    else:
        from glowledger.spectra.astropy_edge import write_table

        with whole_path(path) as temporary:
            write_table(temporary, frames, kind)


def write_csv(path: str | Path, frames: Frames) -> None:
    """Write spectra as CSV: the axis first, then a column of counts per frame.

    Parameters
    ----------
    path : path
        Target; replaced only when all is written.
    frames : Frames
        Masked values are left empty, so that they are masked again when read; numbers are written with as
        many digits as they need to read back the same.

    Raises
    ------
    WriteError
        If the file cannot be written; an older file of that name is then untouched.

    Notes
    -----
    The header is ``wavelength_nm`` or ``pixel``, then ``counts``, or ``t=12.5 s`` per frame where times are
    known, or ``frame_001`` and so on. Exposure, averages, ceiling and start stand above it as ``# key:
    value``.
    """
    with whole_file(Path(path)) as stream:
        for chunk in csv_chunks(frames):
            stream.write(chunk.encode("utf-8"))


def csv_chunks(frames: Frames) -> Iterator[str]:
    """Yield the text of `write_csv` in parts of some hundred rows."""
    yield "".join(f"# {key}: {value}\n" for key, value in _settings(frames))
    axis_name = "wavelength_nm" if frames.axis_kind == "nm_air" else "pixel"
    yield ",".join([axis_name, *_column_names(frames)]) + "\n"
    axis = [_digits(value) for value in frames.axis.tolist()]
    counts, mask = frames.counts.T, frames.mask.T
    for start in range(0, len(axis), 256):
        rows = []
        for i in range(start, min(start + 256, len(axis))):  # text is made row by row in any case
            cells = [_digits(value) for value in counts[i].tolist()]
            if mask[i].any():
                cells = ["" if bad else cell for cell, bad in zip(cells, mask[i].tolist(), strict=True)]
            rows.append(",".join([axis[i], *cells]))
        yield "\n".join(rows) + "\n"


def _digits(value: float) -> str:
    """Return the shortest text that reads back as the same number."""
    return str(int(value)) if value == int(value) and abs(value) < 1e15 else repr(value)


def _settings(frames: Frames) -> list[tuple[str, str]]:
    found: list[tuple[str, str]] = []
    exposure, averages = np.unique(frames.exposure_s), np.unique(frames.averages)
    if exposure.size == 1 and np.isfinite(exposure[0]):
        found.append(("exposure", f"{float(exposure[0])!r} s"))
    if averages.size == 1 and averages[0] != 1:
        found.append(("averages", f"{averages[0]:g}"))
    for key, name in DETECTOR_SETTINGS.items():
        value = getattr(frames.detector, name)
        if value is not None:
            found.append((key, _digits(value)))
    if frames.started_at is not None:
        found.append(("start time", frames.started_at))
    return found


def _column_names(frames: Frames) -> list[str]:
    n = len(frames)
    if n == 1:
        return ["counts"]
    times = frames.time_s
    if np.all(np.isfinite(times)) and np.all(np.diff(times) > 0):
        return [f"t={_digits(time)} s" for time in times.tolist()]
    width = len(str(n))
    return [f"frame_{i + 1:0{width}d}" for i in range(n)]


@contextmanager
def whole_file(path: Path) -> Iterator[BinaryIO]:
    """Open a file for writing that takes its place only when the block ends well.

    Parameters
    ----------
    path : Path
        Target. Something that is no plain file (a device, a pipe) is written to directly.

    Raises
    ------
    WriteError
        If the folder is missing or may not be written, or the disk is full; nothing is left behind.
    """
    if path.exists() and not path.is_file() and not path.is_dir():
        with _told(path), open(path, "wb") as stream:
            yield stream
        return
    with whole_path(path) as temporary, open(temporary, "wb") as stream:
        yield stream


@contextmanager
def whole_path(path: Path) -> Iterator[Path]:
    """Give the path of a file beside `path` that takes its place only when the block ends well; see
    `whole_file`.
    """
    temporary: Path | None = None
    try:
        with _told(path):
            if path.is_dir():
                raise IsADirectoryError(21, "this is a folder")
            handle, name = tempfile.mkstemp(prefix=f".{path.stem}.", suffix=path.suffix, dir=path.parent)
            os.close(handle)
            temporary = Path(name)
            yield temporary
            with open(temporary, "rb+") as stream:
                os.fsync(stream.fileno())
            temporary.chmod(path.stat().st_mode & 0o777 if path.exists() else 0o666 & ~_umask())
            os.replace(temporary, path)
            temporary = None
    finally:
        if temporary is not None:
            temporary.unlink(missing_ok=True)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """Turn the system's errors into ours."""
    try:
        yield
    except FileNotFoundError:
        raise WriteError("the folder does not exist.", mend=f"Make it: {path.parent}", file=path) from None
    except PermissionError:
        raise WriteError(
            "the file may not be written (permission denied).", mend="Choose another place.", file=path
        ) from None
    except OSError as error:
        full = error.errno in _FULL or "requested and" in str(error)  # numpy gives no number, only this text
        raise WriteError(
            "the disk is full." if full else f"the file cannot be written ({error.strerror or error}).",
            mend="Free some space or choose another place." if full else "Choose another place.",
            file=path,
        ) from None
