"""Reads an invented binary format: the mark, the number of pixels, then wavelengths and counts as float32."""

from pathlib import Path

import numpy as np

from glowledger import Frames, ReadError, frames_from_arrays

MARK = b"SPX1"
endings = (".spx",)


def recognises(path: Path, head: bytes) -> bool:
    """Return True if the file starts with the mark."""
    return head.startswith(MARK)


def read(path: Path) -> Frames:
    """Return the one spectrum of a file."""
    raw = path.read_bytes()
    pixels = int.from_bytes(raw[4:8], "little")
    values = np.frombuffer(raw[8:], dtype="<f4").astype(float)
    if values.size != 2 * pixels:
        raise ReadError(
            f"{pixels} pixels are announced, {values.size / 2:g} are there.", mend="Export it again.", file=path
        )
    return frames_from_arrays(values[:pixels], values[pixels:])
