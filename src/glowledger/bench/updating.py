"""Bring a calibration into a bench file, keep its other parts, and say whether the instrument moved."""

from __future__ import annotations

import datetime
import hashlib
import platform
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from glowledger import __version__
from glowledger.bench.bench_file import bench_text, read_bench
from glowledger.bench.model import Bench, WavelengthSolution
from glowledger.bench.outcome import Calibration
from glowledger.errors import CalibrationError
from glowledger.spectra.frames import Frames

Floats = NDArray[np.float64]

OWN_PARTS = ("wavelength", "line_spread")
# nm, and of what the axis spans: warmth and knocks move and stretch the scale of one by less; common practice
LARGEST_MOVE_NM, LARGEST_STRETCH = 8.0, 0.01
NOT_MOVED, SURELY = 3.0, 5.0  # standard errors: less is none; more is sure


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
    """Say whether two solutions differ by more than their errors, and by more than one instrument moves."""
    if max(abs(old.domain[0] - new.domain[0]), abs(old.domain[1] - new.domain[1])) > 1e-3 * np.ptp(
        new.domain
    ):
        return "The old bench was made for another axis; not compared."
    places = np.linspace(*_compared(old, new), 101)
    shift = new.nm(places) - old.nm(places)
    error = np.hypot(old.standard_error_nm(places), new.standard_error_nm(places))
    if _another_instrument(old, shift, error):
        low, high = float(np.min(shift)), float(np.max(shift))
        return (
            f"This looks like another instrument than that of the old bench: its wavelengths differ by {low:+.0f} to "
            f"{high:+.0f} nm, more than warmth or a knock moves one. What the bench file says of response, window and "
            "detector is still of the old one: give each instrument a bench file of its own, or measure these again."
        )
    if max(old.covered[0], new.covered[0]) >= min(old.covered[1], new.covered[1]):
        return "The old and the new solution share no range of lines; not compared."
    mean, largest = float(np.median(shift)), float(shift[np.argmax(np.abs(shift))])
    if np.max(np.abs(shift) / error) < NOT_MOVED:
        known = float(np.median(error))
        told = f"{mean:+.3f} ± {known:.3f} nm against the old bench"
        return f"The instrument has not moved by more than can be told: {told}."
    return (
        f"The instrument has moved by {mean:+.3f} nm (middle), at most {largest:+.3f} nm, against the old bench "
        f"(error {float(np.median(error)):.3f} nm): spectra taken before keep the old bench."
    )


def _compared(old: WavelengthSolution, new: WavelengthSolution) -> tuple[float, float]:
    """Return the part of the axis that both solutions cover, or what lies between where they share none."""
    low, high = sorted((max(old.covered[0], new.covered[0]), min(old.covered[1], new.covered[1])))
    return low, high


def _another_instrument(old: WavelengthSolution, shift: Floats, error: Floats) -> bool:
    """Return whether shifts (k,), with standard errors, are surely larger than those of one instrument.

    Such as shift it far, stretch it much, or turn it round.
    """
    beyond = np.abs(shift) - SURELY * error
    middle = float(np.median(shift))
    bent = np.abs(shift - middle) - SURELY * np.hypot(error, float(np.median(error)))
    span = float(np.ptp(old.nm(np.array(old.domain))))
    return bool(np.max(beyond) > LARGEST_MOVE_NM or np.max(bent) > LARGEST_STRETCH * span)
