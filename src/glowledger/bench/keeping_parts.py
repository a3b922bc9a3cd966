"""Put one part into a bench file and say where it came from; the other parts stay."""

from __future__ import annotations

import datetime
import hashlib
from dataclasses import replace
from pathlib import Path

from glowledger import __version__
from glowledger.bench.bench_file import bench_text
from glowledger.bench.model import Bench
from glowledger.spectra.frames import Frames
from glowledger.spectra.writing import whole_file


def keep_part(path: Path, bench: Bench, part: str, what: str, frames: tuple[Frames, ...] = ()) -> Bench:
    """Write a bench whose part was measured anew.

    Parameters
    ----------
    path : Path
        The bench file; replaced whole or not at all.
    bench : Bench
        With the new part in it.
    part : str
        ``response``, ``window`` or ``detector``.
    what : str
        How it was measured, for the provenance.
    frames : tuple of Frames
        The spectra it was measured from: their files are named with a hash.

    Returns
    -------
    Bench
        As written.

    Raises
    ------
    WriteError
        If the file cannot be written.
    """
    names = []
    for file in dict.fromkeys(origin.file for one in frames for origin in one.origins):
        if file is not None and file.is_file():
            names.append(f"{file.name} (sha256 {hashlib.sha256(file.read_bytes()).hexdigest()[:16]})")
    when = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    story = "; ".join([what, *([", ".join(names)] if names else []), when, f"glowledger {__version__}"])
    others = tuple(p for p in bench.provenance if p[0] != part)
    kept = replace(bench, provenance=(*others, (part, story)))
    with whole_file(path) as stream:
        stream.write(bench_text(kept).encode("utf-8"))
    return kept
