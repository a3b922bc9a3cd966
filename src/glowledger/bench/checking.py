"""Do these lines fit this bench? The plasma's own lines tell a moved or swapped spectrometer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.applying import calibrated, standard_error_nm
from glowledger.bench.expected import lines_of
from glowledger.bench.model import Bench
from glowledger.bench.peaks import find_peaks
from glowledger.bench.shots import mean_spectrum
from glowledger.rounding import plus_minus
from glowledger.spectra.frames import Frames

Floats = NDArray[np.float64]

USUAL = ("ar", "h2", "he", "ne", "hg", "na")  # what glows in chambers and workshops
ALONE = ("cfl", "hg-ar", "ar", "ne", "he", "hg", "kr", "xe")  # lamps that may stand before the fibre by themselves
LARGEST_SHIFT_NM = 8.0
FEWEST_PEAKS, FEWEST_PLACED, ENOUGH_PLACED, FEWEST_STRETCHED = 4, 3, 4, 6
BRIGHTEST = 25
CLEAR = 4.0  # standard deviations of the score over chance shifts
CLEARLY = 6.0  # the same where but three lines tell the shift
CHANCE_NM = (12.0, 40.0)  # shifts at which any agreement is chance
MOVED, SURE = 0.3, 3.0  # of the FWHM: less is taken out well by the fit of a glow; standard errors
REACH, ALONE_WIDTHS, SHAPE_ERROR = 0.5, 1.3, 0.015  # of the FWHM: of a peak from its line; a line alone; its centre
LARGEST_SE = 0.1  # of the FWHM: peaks placed worse tell no shift
# of the FWHM, of the placed peaks: how near so many must lie to one shift; by chance a line is anywhere in its reach
NEAR, MOST_NEAR, MOST_SCATTER = 0.12, 0.6, 0.08
ROBUST = 4.685  # Tukey's biweight: Holland & Welsch, Commun. Stat. A 6, 813 (1977)


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
    shift_se_nm : float
        Its standard error, that of the bench included; NaN where none is known.
    """

    verdict: Literal["fits", "moved", "does not fit", "cannot tell"]
    reason: str
    shift_nm: float = float("nan")
    shift_se_nm: float = float("nan")


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
    peaks = peaks[~peaks.broad]
    if len(peaks) < FEWEST_PEAKS:
        return BenchCheck(
            verdict="cannot tell", reason=f"only {len(peaks)} lines stand out; {FEWEST_PEAKS} are needed."
        )
    width = _width(bench, spectra)
    pixels = np.arange(len(spectra.axis), dtype=np.float64)
    at = np.interp(peaks.pixel, pixels, spectra.axis)
    own = peaks.standard_error_px * np.interp(peaks.pixel, pixels, np.gradient(spectra.axis))
    curve = np.interp(peaks.pixel, pixels, standard_error_nm(frames, bench))
    seen = _Seen(at, np.sqrt(np.maximum(peaks.area, 0.0)), own, curve, width)
    placed, lost = _placed(seen, lines_nm)
    if placed is not None:
        return _told(placed, width)
    if lost and len(peaks) >= 8:
        return BenchCheck(verdict="does not fit", reason="these lines do not fit this bench at any small shift.")
    return BenchCheck(verdict="cannot tell", reason="the lines of this spectrum are not among the usual ones.")


def _told(placed: _Placed, width: float) -> BenchCheck:
    """Return what a shift, or a stretch, means."""
    shift, error = placed.shift_nm, placed.error_nm
    told = _signed(shift, error)
    far = np.abs(placed.ends_shift_nm) > np.maximum(MOVED * width, SURE * placed.ends_error_nm)
    if placed.stretched and np.any(far):
        low, high = placed.ends_nm
        both = zip(placed.ends_shift_nm, placed.ends_error_nm, strict=True)
        ends = [_signed(float(s), float(e)) for s, e in both]
        reason = f"the lines fit when the bench is moved by {ends[0]} at {low:.0f} nm and {ends[1]} at {high:.0f} nm."
        return BenchCheck(verdict="moved", reason=reason, shift_nm=shift, shift_se_nm=error)
    if abs(shift) > max(MOVED * width, SURE * error):
        reason = f"the lines fit when the bench is moved by {told}."
        return BenchCheck(verdict="moved", reason=reason, shift_nm=shift, shift_se_nm=error)
    reason = f"the lines lie where the bench puts them, within ± {told.split('± ')[-1]}."
    if abs(shift) > SURE * error:
        reason = f"the lines lie nearly where the bench puts them, off by {told}, which the fit of a glow takes out."
    return BenchCheck(verdict="fits", reason=reason, shift_nm=shift, shift_se_nm=error)


def _signed(shift: float, error: float) -> str:
    """Return a shift with its sign and error in words."""
    return ("+" if shift > 0 else "") + plus_minus(shift, error, "nm")


class _Seen(NamedTuple):
    """Peaks at nm by the bench, their weights, errors of their own and of the bench's curve; the line width, nm."""

    at: Floats
    weight: Floats
    own: Floats
    curve: Floats
    width: float


class _Placed(NamedTuple):
    """A shift with its error, nm, of so many lines; at the outermost ones, where it is another if `stretched`."""

    lines: int
    shift_nm: float
    error_nm: float
    ends_nm: Floats
    ends_shift_nm: Floats
    ends_error_nm: Floats
    stretched: bool


def _placed(seen: _Seen, lines_nm: Floats | None) -> tuple[_Placed | None, bool]:
    """Look for the lines of usual gases together, then of single lamps.

    Return the shift of the clearest that is one; and whether, without a shift, the peaks lie as by chance.
    """
    rows = np.argsort(-seen.weight)[:BRIGHTEST]
    at, weight, width = seen.at[rows], seen.weight[rows] / np.sum(seen.weight[rows]), seen.width
    shifts = np.arange(-CHANCE_NM[1], CHANCE_NM[1] + 1e-9, 0.1 * width)
    far, near = np.abs(shifts) > CHANCE_NM[0], np.flatnonzero(np.abs(shifts) <= LARGEST_SHIFT_NM)
    given = [np.sort(np.asarray(lines_nm, dtype=np.float64))] if lines_nm is not None else []
    best, lost, clearest = None, True, CLEAR
    for number, known in enumerate(given or [_usual_lines(), *(_bright_lines(lamp) for lamp in ALONE)]):
        weighed = np.full(len(at), 1.0 / len(at)) if number == 0 else weight
        scores = np.array([_agreement(at + shift, weighed, known, width) for shift in shifts])
        chance, spread = float(np.mean(scores[far])), max(float(np.std(scores[far])), 1e-9)
        top = int(near[np.argmax(scores[near])])
        clear = (scores[top] - chance) / spread
        if number == 0:
            lost = bool(scores[int(np.argmin(np.abs(shifts)))] < chance + spread)
        if clear > clearest and scores[top] > np.max(scores[far]):
            placed = _shifted(seen, known, float(shifts[top]))
            if placed is not None and (placed.lines >= ENOUGH_PLACED or clear > CLEARLY):
                best, clearest = placed, clear
    return best, lost


def _agreement(at: Floats, weight: Floats, known: Floats, width: float) -> float:
    """Return the mean nearness of peaks to known lines, 0 to 1."""
    gap = np.min(np.abs(at[:, None] - known[None, :]), axis=1)
    return float(weight @ np.exp(-0.5 * (gap / (0.25 * width)) ** 2))


def _shifted(seen: _Seen, lines: Floats, about: float) -> _Placed | None:
    """Return the shift, near `about`, that brings peaks to lines that stand alone; None where by chance only.

    Robust, as some peaks are of other lines. The error of the bench's curve is common to all peaks.
    """
    at, width = seen.at, seen.width
    nearest = np.argmin(np.abs(at[:, None] + about - lines[None, :]), axis=1)
    off = lines[nearest] - at
    alone = np.sum(np.abs(lines[None, :] - lines[nearest][:, None]) < ALONE_WIDTHS * width, axis=1) == 1
    apart = np.sum(np.abs(at[None, :] - at[:, None]) < ALONE_WIDTHS * width, axis=1) == 1
    good = alone & apart & (seen.own < LARGEST_SE * width) & ~np.isin(lines[nearest], _placeless())
    rows = good & (np.abs(off - about) < REACH * width)
    if np.count_nonzero(rows) < FEWEST_PLACED:
        return None
    at, off, common = at[rows], off[rows], seen.curve[rows]
    rate = 1.0 / (seen.own[rows] ** 2 + (SHAPE_ERROR * width) ** 2)
    middle = float(np.average(at, weights=rate))
    plain = np.ones((len(at), 1))
    fits = [_robust(plain, off, rate)]
    if len(at) >= FEWEST_STRETCHED:
        fits.append(_robust(np.stack([plain[:, 0], at - middle], axis=1), off, rate))
    stretched = len(fits) > 1 and abs(fits[1][0][1]) > SURE * float(np.sqrt(fits[1][1][1, 1]))
    value, covariance, left = fits[1] if stretched else fits[0]
    near = np.abs(left) < NEAR * width
    few = np.count_nonzero(near) < ENOUGH_PLACED  # which agree by chance the more easily
    most = MOST_SCATTER * width * (0.5 if few else 1.0)
    if np.count_nonzero(near) < max(MOST_NEAR * len(at), FEWEST_PLACED) or np.std(left[near]) > most:
        return None
    ends = np.array([np.min(at[near]), np.max(at[near])])
    basis = np.stack([np.ones(2), ends - middle], axis=1)[:, : len(value)]
    spread = np.sqrt(np.einsum("ij,jk,ik->i", basis, covariance, basis))
    error = float(np.hypot(np.sqrt(covariance[0, 0]), np.average(common, weights=rate)))
    ends_error = np.hypot(spread, np.interp(ends, at[np.argsort(at)], common[np.argsort(at)]))
    return _Placed(int(np.count_nonzero(near)), float(value[0]), error, ends, basis @ value, ends_error, stretched)


def _robust(basis: Floats, off: Floats, rate: Floats) -> tuple[Floats, Floats, Floats]:
    """Return coefficients, their covariance and what they leave, by Tukey's biweight."""
    value: Floats = np.zeros(basis.shape[1])
    value[0] = float(np.median(off))
    weight, scale = rate, 1.0
    for _ in range(8):
        left = off - basis @ value
        scale = max(1.4826 * float(np.median(np.abs(left) * np.sqrt(rate))), 1.0)
        z = left * np.sqrt(rate) / (ROBUST * scale)
        weight = rate * np.where(np.abs(z) < 1.0, (1.0 - z**2) ** 2, 0.0) + 1e-9 * rate
        normal = (basis * weight[:, None]).T @ basis
        value = np.asarray(np.linalg.solve(normal, (basis * weight[:, None]).T @ off), dtype=np.float64)
    covariance = np.asarray(scale**2 * np.linalg.inv((basis * weight[:, None]).T @ basis), dtype=np.float64)
    return value, covariance, off - basis @ value


def _width(bench: Bench, spectra: Frames) -> float:
    """Return the line width of the bench, or four pixels where it was not measured."""
    if bench.line_spread is not None:
        return float(np.median(bench.line_spread.fwhm_nm))
    return 4.0 * float(np.median(np.diff(spectra.axis)))


def _bright_lines(lamp: str) -> Floats:
    """Return the lines that a lamp surely shows, nm."""
    lines = lines_of(lamp)
    return np.asarray(lines.wavelength_nm[lines.bright & (lines.strength > 0.02)], dtype=np.float64)


def _placeless() -> Floats:
    """Return what has no place of its own: phosphor bands differ between makes and tell no shift, nm."""
    lines = lines_of("cfl")
    return np.asarray(lines.wavelength_nm[~lines.anchor], dtype=np.float64)


def _usual_lines() -> Floats:
    nm: list[Floats] = []
    for lamp in USUAL:
        lines = lines_of(lamp)
        nm.append(lines.wavelength_nm[lines.bright & (lines.strength > 0.1)])
    return np.unique(np.concatenate(nm))
