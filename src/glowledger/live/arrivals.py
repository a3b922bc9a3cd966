"""Frames as they arrive: what every way of watching a run hands over, and which way suits a file or folder."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from glowledger.spectra.frames import Frames
from glowledger.spectra.options import ReadingOptions


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Arrived:
    """What one look at a run brought.

    Attributes
    ----------
    keys : tuple of str
        One per frame: a file name, or the number of a row or column; never given twice in a run.
    frames : Frames or None
        As read, on one axis; nothing masked but gaps.
    spoilt : tuple of (str, str)
        Key and reason of what is complete but cannot be used; taken as well, so that it is told once.
    notices : tuple of (str, str)
        Kind and one plain sentence on what happened to the source.
    more : bool
        True if further frames wait already.
    growing : bool
        True if something is still being written, or was seen for the first time: look again.
    started_at : str or None
        Wall-clock time of time zero in ISO 8601, where the source tells.
    """

    keys: tuple[str, ...] = ()
    frames: Frames | None = None
    spoilt: tuple[tuple[str, str], ...] = ()
    notices: tuple[tuple[str, str], ...] = ()
    more: bool = False
    growing: bool = False
    started_at: str | None = None

    @property
    def nothing(self) -> bool:
        """True if there is nothing to tell."""
        return not (self.keys or self.spoilt or self.notices)


class Source(Protocol):
    """One way of watching a run.

    Attributes
    ----------
    problem : str
        Why nothing could be read so far, in a sentence; empty where nothing is there, or it can be.
    """

    problem: str

    @property
    def unfinished(self) -> str:
        """What was there at the last look and was not taken, as it may be half written; empty where nothing is."""

    def look(self, most: int) -> Arrived:
        """Return at most so many frames that arrived since the last look."""

    def to_dict(self) -> dict[str, Any]:
        """Return what has to be known to go on after a restart."""


def source_of(
    path: Path, options: ReadingOptions, state: dict[str, Any] | None = None, taken: set[str] | None = None
) -> Source:
    """Return the way to watch a run.

    Parameters
    ----------
    path : Path
        A folder with a frame per file, or a file that grows.
    options : ReadingOptions
        What the user states.
    state : dict, optional
        From `to_dict`, before a restart.
    taken : set of str, optional
        Keys of frames taken before a restart; needed for folders.
    """
    from glowledger.live.growing_folder import GrowingFolder
    from glowledger.live.growing_table import GrowingTable

    if path.is_dir() or (state or {}).get("kind") == "folder":
        return GrowingFolder(path, options, state, taken)
    return GrowingTable(path, options, state)
