"""The newest frame of a folder, shown while the follower is busy learning and takes none for some seconds."""

from __future__ import annotations

from pathlib import Path

from glowledger.errors import ReadError
from glowledger.spectra.decoding import decode, load_bytes
from glowledger.spectra.folders import list_frames
from glowledger.spectra.frames import Frames
from glowledger.spectra.options import ReadingOptions
from glowledger.spectra.other_formats import reader_for
from glowledger.spectra.reading import read_text


class Peek:
    """Looks at a folder beside the follower; nothing it sees is measured or kept.

    Parameters
    ----------
    path : Path
        What is followed; a file that grows is not looked at.
    options : ReadingOptions
        What the user states.
    """

    def __init__(self, path: Path, options: ReadingOptions) -> None:
        """Remember where to look."""
        self._path = path
        self._options = options
        self._last, self._points = "", 0

    def look(self) -> tuple[int, Frames] | None:
        """Return how many frames there are and the newest one; None if there is no new one that can be read."""
        if not self._path.is_dir():
            return None
        try:
            files = list_frames(self._path).files
            newest = files[-1]
            if newest.name == self._last:
                return None
            read_other = reader_for(newest)
            if read_other is not None:
                frame = read_other(newest, self._options)
            else:
                frame = read_text(decode(load_bytes(newest), newest), self._options)
        except (ReadError, OSError):
            return None  # the follower will tell
        if frame.axis.size < self._points:
            return None  # half written: its light would be taken for that of a spectrometer of half the range
        self._last, self._points = newest.name, frame.axis.size
        return (len(files), frame) if len(frame) == 1 else None
