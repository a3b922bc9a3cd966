"""Do these lines fit this bench? The plasma's own lines tell a moved or swapped spectrometer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.applying import calibrated
from glowledger.bench.expected import lines_of
from glowledger.bench.model import Bench
from glowledger.bench.peaks import find_peaks
from glowledger.bench.shots import mean_spectrum
from glowledger.spectra.frames import Frames

Floats = NDArray[np.float64]

USUAL = ("ar", "h2", "he", "ne", "hg", "na")  # what glows in chambers and workshops
LARGEST_SHIFT_NM = 8.0
FEWEST_PEAKS = 4
BRIGHTEST = 25
CLEAR = 4.0  # standard deviations of the score over chance shifts
CHANCE_NM = (12.0, 40.0)  # shifts at which any agreement is chance


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchCheck:
    """Whether the lines of a spectrum lie where a bench puts them.

    Attributes
    ----------
    verdict : {'fits', 'moved', 'does not fit', 'cannot tell'}
        The answer.
    reason : str
        Why, in one sentence.
    shift_nm : float
        Shift that brings the lines to their places: add it to the bench's wavelengths; NaN where none does.
    """

    verdict: Literal["fits", "moved", "does not fit", "cannot tell"]
    reason: str
    shift_nm: float = float("nan")


def check_bench(frames: Frames, bench: Bench, lines_nm: Floats | None = None) -> BenchCheck:
    """Compare the peaks of a spectrum with lines it may show.

    Parameters
    ----------
    frames : Frames
        Spectra on the axis of the bench; their mean is used.
    bench : Bench
        With a wavelength solution.
    lines_nm : ndarray, optional
        Lines to expect, nm in air; the bright lines of common gases if left out.

    Returns
    -------
    BenchCheck
    """
    spectra = calibrated(frames, bench)
    counts, mask = mean_spectrum(spectra)
    peaks, _ = find_peaks(counts, mask, ceiling=spectra.detector.ceiling_counts)
    if len(peaks) < FEWEST_PEAKS:
        return BenchCheck(
            verdict="cannot tell", reason=f"only {len(peaks)} lines stand out; {FEWEST_PEAKS} are needed."
        )
    brightest = np.argsort(-peaks.area)[:BRIGHTEST]
    at = np.interp(peaks.pixel[brightest], np.arange(len(spectra.axis)), spectra.axis)
    width = _width(bench, spectra)
    known = _usual_lines() if lines_nm is None else np.sort(np.asarray(lines_nm, dtype=np.float64))
    shifts = np.arange(-CHANCE_NM[1], CHANCE_NM[1] + 1e-9, 0.1 * width)
    scores = np.array([_agreement(at + shift, known, width) for shift in shifts])
    chance = scores[np.abs(shifts) > CHANCE_NM[0]]
    near = np.flatnonzero(np.abs(shifts) <= LARGEST_SHIFT_NM)
    best = int(near[np.argmax(scores[near])])
    clear = (scores[best] - np.mean(chance)) / max(float(np.std(chance)), 1e-9)
    shift = float(shifts[best])
    if clear < CLEAR or scores[best] <= np.max(chance):
        here = scores[int(np.argmin(np.abs(shifts)))]
        if here < np.mean(chance) + np.std(chance) and len(brightest) >= 8:
            return BenchCheck(
                verdict="does not fit", reason="these lines do not fit this bench at any small shift."
            )
        return BenchCheck(
            verdict="cannot tell", reason="the lines of this spectrum are not among the usual ones."
        )
    if abs(shift) <= 0.3 * width:
        return BenchCheck(verdict="fits", reason="the lines lie where the bench puts them.", shift_nm=shift)
    return BenchCheck(
        verdict="moved", reason=f"the lines fit when the bench is moved by {shift:+.2f} nm.", shift_nm=shift
    )


def _agreement(at: Floats, known: Floats, width: float) -> float:
    """Return the mean nearness of peaks to known lines, 0 to 1."""
    gap = np.min(np.abs(at[:, None] - known[None, :]), axis=1)
    return float(np.mean(np.exp(-0.5 * (gap / (0.25 * width)) ** 2)))


def _width(bench: Bench, spectra: Frames) -> float:
    """Return the line width of the bench, or four pixels where it was not measured."""
    if bench.line_spread is not None:
        return float(np.median(bench.line_spread.fwhm_nm))
    return 4.0 * float(np.median(np.diff(spectra.axis)))


def _usual_lines() -> Floats:
    nm: list[Floats] = []
    for lamp in USUAL:
        lines = lines_of(lamp)
        nm.append(lines.wavelength_nm[lines.bright & (lines.strength > 0.1)])
    return np.unique(np.concatenate(nm))
