"""Bring a calibration into a bench file, keep its other parts, and say whether the instrument moved."""

from __future__ import annotations

import datetime
import hashlib
import platform
from dataclasses import replace
from pathlib import Path

import numpy as np

from glowledger import __version__
from glowledger.bench.bench_file import bench_text, read_bench
from glowledger.bench.model import Bench, WavelengthSolution
from glowledger.bench.outcome import Calibration
from glowledger.errors import CalibrationError
from glowledger.spectra.frames import Frames

OWN_PARTS = ("wavelength", "line_spread")


def updated_bench(path: str | Path, calibration: Calibration, frames: list[Frames]) -> tuple[str, ...]:
    """Write the calibration into a bench file; an existing one keeps response, window and detector.

    Parameters
    ----------
    path : path
        The bench file, new or old.
    calibration : Calibration
        An accepted one.
    frames : list of Frames
        The lamp spectra, for the provenance.

    Returns
    -------
    tuple of str
        Sentences on how the new solution compares with the old.

    Raises
    ------
    CalibrationError
        If the old file is damaged.
    WriteError
        If the file cannot be written.
    """
    from glowledger.spectra.writing import whole_file

    if calibration.solution is None or not calibration.accepted:
        raise CalibrationError("a refused solution cannot go into a bench.", mend=calibration.mend)
    path = Path(path)
    old = read_bench(path) if path.exists() else None
    pixels = len(frames[0].axis)
    bench = old if old is not None and old.pixels == pixels else Bench(pixels=pixels)
    notes: tuple[str, ...] = ()
    if old is not None and old.pixels != pixels:
        notes = (
            f"The old bench was made for {old.pixels} points, this lamp file has {pixels}: replaced altogether.",
        )
    elif old is not None and old.solution is not None:
        notes = (moved(old.solution, calibration.solution),)
    detector = bench.detector
    ceiling = frames[0].detector.ceiling_counts
    if detector.ceiling_counts is None and ceiling is not None:
        detector = replace(detector, ceiling_counts=ceiling)
    story = _story(calibration, frames)
    kept = tuple(p for p in bench.provenance if p[0] not in OWN_PARTS)
    bench = replace(
        bench,
        solution=calibration.solution,
        line_spread=calibration.line_spread,
        detector=detector,
        provenance=(*((part, story) for part in OWN_PARTS), *kept),
    )
    with whole_file(path) as stream:
        stream.write(bench_text(bench).encode("utf-8"))
    return notes


def _story(calibration: Calibration, frames: list[Frames]) -> str:
    """Return where the solution came from: lamp, file with hash, date, versions."""
    files = []
    for one in frames:
        for file in dict.fromkeys(origin.file for origin in one.origins):
            if file is not None and file.is_file():
                digest = hashlib.sha256(file.read_bytes()).hexdigest()[:16]
                files.append(f"{file.name} (sha256 {digest})")
    when = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    return (
        f"lamp {calibration.lamp}, {calibration.matched} lines, rms {calibration.rms_nm:.3f} nm; "
        f"{', '.join(files) or 'spectra in memory'}; {when}; glowledger {__version__}, numpy {np.__version__}, "
        f"Python {platform.python_version()}"
    )


def moved(old: WavelengthSolution, new: WavelengthSolution) -> str:
    """Say whether two solutions of one instrument differ by more than their errors."""
    if max(abs(old.domain[0] - new.domain[0]), abs(old.domain[1] - new.domain[1])) > 1e-3 * np.ptp(
        new.domain
    ):
        return "The old bench was made for another axis; not compared."
    low, high = max(old.covered[0], new.covered[0]), min(old.covered[1], new.covered[1])
    if low >= high:
        return "The old and the new solution share no range of lines; not compared."
    places = np.linspace(low, high, 101)
    shift = new.nm(places) - old.nm(places)
    error = np.hypot(old.standard_error_nm(places), new.standard_error_nm(places))
    mean, largest = float(np.median(shift)), float(shift[np.argmax(np.abs(shift))])
    if np.max(np.abs(shift) / error) < 3.0:
        return f"The instrument has not moved: {mean:+.3f} nm against the old bench, within its error."
    return (
        f"The instrument has moved by {mean:+.3f} nm (middle), at most {largest:+.3f} nm, against the old bench "
        f"(error {float(np.median(error)):.3f} nm): spectra taken before keep the old bench."
    )
