"""Files that other code reads: FITS and ECSV by astropy, and whatever installed packages add.

A package adds a reader through the entry point group ``glowledger.readers``. The entry point names a module or
object with what `AddedReader` lists; it is asked before a file is taken for text.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache, partial
from importlib.metadata import entry_points
from pathlib import Path
from typing import Protocol

import numpy as np

from glowledger.errors import GlowledgerError, ReadError
from glowledger.spectra.frames import Frames, Origin
from glowledger.spectra.masks import find_ceiling
from glowledger.spectra.options import ReadingOptions
from glowledger.tables.added import package_of

GROUP = "glowledger.readers"
HEAD_BYTES = 512  # of a file, shown to a reader that is asked whether it knows it
Reading = Callable[[Path, ReadingOptions], Frames]


class AddedReader(Protocol):
    """What an entry point of the group ``glowledger.readers`` has to offer; a module with these names will do.

    Attributes
    ----------
    endings : tuple of str
        Endings of its files, such as ``.spx``: files with them are looked for in folders too.
    """

    endings: tuple[str, ...]

    def recognises(self, path: Path, head: bytes) -> bool:
        """Return True if the file is of this format, told by its first `HEAD_BYTES` bytes."""
        ...

    def read(self, path: Path) -> Frames:
        """Return the spectra of a file; raise ReadError where it is damaged."""
        ...


@dataclass(frozen=True, slots=True)
class _Installed:
    package: str
    reader: AddedReader


def reader_for(path: Path) -> Reading | None:
    """Return what reads a file that is not our kind of text; None for text, folders and missing files.

    Parameters
    ----------
    path : Path
        A file.

    Returns
    -------
    callable or None
        Takes the file and the reading options, returns Frames with saturation masked.

    Raises
    ------
    ReadError
        If two installed readers recognise the file, or an installed one cannot be loaded.
    """
    try:
        with open(path, "rb") as stream:
            head = stream.read(HEAD_BYTES)
    except OSError:
        return None  # whatever is wrong is told where the file is read
    claims = [one for one in installed_readers() if _recognises(one, path, head)]
    if len(claims) > 1:
        raise ReadError(
            f"the installed packages {' and '.join(one.package for one in claims)} both read such files.",
            mend="Uninstall one of them.",
            file=path,
        )
    if claims:
        return partial(_read_added, claims[0])
    if head.startswith((b"SIMPLE  =", b"# %ECSV")):
        from glowledger.spectra.astropy_edge import read_table

        return read_table
    return None


@cache
def installed_readers() -> tuple[_Installed, ...]:
    """Return the readers that installed packages add, in the order of the packages' names.

    Raises
    ------
    ReadError
        If one cannot be loaded.
    """
    found = []
    for point in sorted(entry_points(group=GROUP), key=lambda p: (package_of(p), p.name)):
        try:
            reader = point.load()
            found.append(_Installed(package_of(point), reader))
            missing = [name for name in ("endings", "recognises", "read") if not hasattr(reader, name)]
            if missing:
                raise AttributeError(f"it lacks {', '.join(missing)}")
        except Exception as error:  # whatever another package's code raises
            raise ReadError(
                f"the reader '{point.value}' of the package {package_of(point)} cannot be loaded "
                f"({type(error).__name__}: {error}).",
                mend="Update that package, or uninstall it.",
            ) from error
    return tuple(found)


def added_endings() -> frozenset[str]:
    """Return the endings of files that installed readers look for in folders, in lower case."""
    return frozenset(ending.lower() for one in installed_readers() for ending in one.reader.endings)


def _recognises(one: _Installed, path: Path, head: bytes) -> bool:
    try:
        return bool(one.reader.recognises(path, head))
    except Exception as error:  # whatever another package's code raises
        raise _fault(one, path, error) from error


def _read_added(one: _Installed, path: Path, options: ReadingOptions) -> Frames:
    try:
        frames = one.reader.read(path)
    except GlowledgerError:
        raise
    except Exception as error:  # whatever another package's code raises
        raise _fault(one, path, error) from error
    if not isinstance(frames, Frames):
        raise _fault(one, path, TypeError(f"it returned {type(frames).__name__}, not Frames"))
    return finished(frames, path, options, one.package)


def _fault(one: _Installed, path: Path, error: Exception) -> ReadError:
    return ReadError(
        f"the reader of the package {one.package} failed ({type(error).__name__}: {error}).",
        mend="Update that package, or uninstall it.",
        file=path,
    )


def finished(frames: Frames, path: Path, options: ReadingOptions, reader: str) -> Frames:
    """Return frames that other code read with ceiling, exposure and sentences added, as the user stated them.

    Parameters
    ----------
    frames : Frames
        As read.
    path : Path
        The file.
    options : ReadingOptions
        Ceiling and exposure are used.
    reader : str
        Who read it, for the sentence.

    Returns
    -------
    Frames
        Saturated values masked.
    """
    what = "nm in air" if frames.axis_kind == "nm_air" else "pixel number"
    many = "One spectrum" if len(frames) == 1 else f"{len(frames)} frames on one axis"
    sentences = [f"{many}, read by {reader}.", f"The axis is {what}."]
    ceiling = frames.detector.ceiling_counts
    if options.ceiling is not None:
        ceiling = options.ceiling
    elif ceiling is None:
        ceiling, why = find_ceiling(np.where(frames.mask, np.nan, frames.counts))
        if ceiling is not None:
            sentences.append(f"Saturation at {ceiling:g} counts ({why}).")
    mask = frames.mask if ceiling is None else frames.mask | (frames.counts >= ceiling)
    exposure = frames.exposure_s if options.exposure_s is None else np.full(len(frames), options.exposure_s)
    return replace(
        frames,
        mask=mask,
        exposure_s=exposure,
        detector=replace(frames.detector, ceiling_counts=ceiling),
        origins=tuple(Origin(file=path, understood=tuple(sentences)) for _ in range(len(frames))),
    )
