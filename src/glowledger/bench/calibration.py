"""Calibrate: lamp spectra in, wavelength solution and line-spread out, or the reason why not."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial.chebyshev import chebder, chebval
from numpy.typing import NDArray

from glowledger.bench.expected import LineList, lines_of
from glowledger.bench.hypotheses import Prior
from glowledger.bench.linespread import clean_widths, measured_linespread, width_profile
from glowledger.bench.matching import Candidate, Pattern, match
from glowledger.bench.model import LineSpread, WavelengthSolution
from glowledger.bench.peaks import Peaks, Scene, detect, find_peaks, measure
from glowledger.bench.solution import Refined, Sight, refine_solution
from glowledger.errors import CalibrationError
from glowledger.spectra.frames import Frames

Floats = NDArray[np.float64]

AUTO_LAMPS = ("hg-ar", "hg", "cfl", "ne", "ar", "he", "kr", "xe", "h2")
MOST_PEAKS = 60
MIN_MARGIN = 4.0  # natural log of the odds against the next best scale that is really another one
MIN_CONFIDENCE = 8.0  # margin plus log odds against chance, both clipped; settled on a simulated fleet
MOST_MARGIN, EVIDENCE_RANGE = 20.0, (-25.0, 10.0)
MIN_USED = 4
MIN_EXPLAINED = 0.5


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Shot:
    """One lamp spectrum made ready.

    Attributes
    ----------
    lamp : str
        Name of the lamp, or elements with commas.
    lines : LineList
        What it should show.
    peaks : Peaks
        What was found.
    scene : Scene
        Continuum, noise, typical width.
    fwhm_px : ndarray of shape (p,)
        Line width at each pixel.
    """

    lamp: str
    lines: LineList
    peaks: Peaks
    scene: Scene
    fwhm_px: Floats


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LineRow:
    """A line of the result: what it is, where it fell, how far off the solution, and whether it was used."""

    species: str
    wavelength_nm: float
    pixel: float
    residual_nm: float
    error_nm: float
    used: bool


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Calibration:
    """The answer of a calibration.

    Attributes
    ----------
    lamp : str
        As stated or as found out.
    accepted : bool
        Whether the solution may be used; `reasons` say why not.
    reasons, warnings : tuple of str
        Plain sentences.
    solution : WavelengthSolution or None
        None if nothing was found at all.
    line_spread : LineSpread or None
        Width over wavelength.
    lines : tuple of LineRow
        Identified lines by position.
    rms_nm, loo_rms_nm, fwhm_nm : float
        Root mean square of used residuals, the same with each line left out in turn, median line width.
    log_evidence, log_margin : float
        Natural log of the odds over chance, and over the next best scale.
    peaks_found : int
        Peaks in all lamp spectra.
    mend : str
        What to do, when not accepted.
    looks_like : str
        A lamp that fits instead of the stated one; empty if none was found.
    """

    lamp: str
    accepted: bool
    reasons: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    solution: WavelengthSolution | None = None
    line_spread: LineSpread | None = None
    lines: tuple[LineRow, ...] = ()
    rms_nm: float = float("nan")
    loo_rms_nm: float = float("nan")
    fwhm_nm: float = float("nan")
    log_evidence: float = float("nan")
    log_margin: float = float("nan")
    peaks_found: int = 0
    mend: str = ""
    looks_like: str = ""

    @property
    def matched(self) -> int:
        """Number of lines that carry the solution."""
        return sum(line.used for line in self.lines)

    @property
    def degree(self) -> int:
        """Degree of the polynomial; 0 without one."""
        return 0 if self.solution is None else len(self.solution.coefficients) - 1

    @property
    def range_nm(self) -> tuple[float, float] | None:
        """Outermost used lines, nm."""
        used = [line.wavelength_nm for line in self.lines if line.used]
        return (min(used), max(used)) if used else None


def prepare_shot(frames: Frames, lamp: str) -> Shot:
    """Find the peaks of a lamp spectrum (mean over its frames) and look up what the lamp should show.

    Raises
    ------
    CalibrationError
        If the spectrum holds nothing that looks like a line.
    TableError
        If the lamp is unknown.
    """
    counts, mask = mean_spectrum(frames)
    peaks, scene = find_peaks(counts, mask, ceiling=frames.detector.ceiling_counts)
    if len(peaks) < 3:
        raise CalibrationError(
            f"only {len(peaks)} emission lines stand out of the noise; at least 3 are needed.",
            mend="Expose longer, move the lamp closer to the fibre, or check that it is on and warm.",
            file=frames.origins[0].file if frames.origins else None,
        )
    widths = width_profile(peaks, scene)
    peaks = measure(scene, detect(scene), widths)
    return Shot(lamp=lamp, lines=lines_of(lamp), peaks=peaks, scene=scene, fwhm_px=widths)


def mean_spectrum(frames: Frames) -> tuple[Floats, NDArray[np.bool_]]:
    """Return the mean of the usable counts, shape (p,), and a mask where no frame is usable."""
    use = ~frames.mask
    count = use.sum(axis=0)
    total = np.where(use, frames.counts, 0.0).sum(axis=0)
    plain = frames.counts.mean(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), plain), count == 0


def pattern_of(shot: Shot, length: int) -> Pattern:
    """Return the peaks of a shot as the matcher sees them."""
    peaks = shot.peaks
    bright = np.where(peaks.saturated, 3.0, 1.0) * np.maximum(peaks.area, 1e-9)
    order = np.argsort(-bright, kind="stable")[:MOST_PEAKS]
    chosen = peaks[order]
    half = 0.5 * (length - 1)
    strength = np.maximum(chosen.area, 1e-9)
    return Pattern(
        u=chosen.pixel / half - 1.0,
        u_se=chosen.standard_error_px / half,
        strength=strength,
        saturated=chosen.saturated,
        fwhm_u=shot.fwhm_px[np.clip(np.rint(chosen.pixel).astype(int), 0, length - 1)] / half,
        detection=float(np.percentile(strength, 5)),
    )


def solve(shot: Shot, axis: Floats, prior: Prior | None = None) -> Calibration:
    """Solve one shot for its lamp; see `calibrate`."""
    prior = prior or Prior()
    length = len(axis)
    half = 0.5 * (length - 1)
    candidates = match(pattern_of(shot, length), shot.lines, prior)
    if not candidates:
        return Calibration(
            lamp=shot.lamp, accepted=False, peaks_found=len(shot.peaks),
            reasons=("no wavelength scale that a spectrometer could have fits these peaks",),
        )  # fmt: skip
    best = candidates[0]
    refined = refine_solution(best.scale, [_sight(shot)])
    if refined is not None:
        shot = _with_better_width(shot, refined)
        refined = refine_solution(best.scale, [_sight(shot)]) or refined
    margin = best.log_evidence - max((c.log_evidence for c in candidates[1:] if _unlike(c, best)), default=-1e3)
    result = Calibration(
        lamp=shot.lamp, accepted=False, log_evidence=best.log_evidence, log_margin=margin, peaks_found=len(shot.peaks)
    )
    if refined is None:
        return replace(result, reasons=("fewer than three lines can carry a solution",))
    result = _with_solution(result, refined, shot, axis, half)
    reasons = _doubts(result, best)
    return replace(result, accepted=not reasons, reasons=reasons)


def _unlike(other: Candidate, best: Candidate) -> bool:
    """Return whether another scale gives less than 60 % of the best one's peaks the same line."""
    mine = {int(p): best.listed.wavelength_nm[k] for p, k in zip(best.peak, best.line, strict=True)}
    theirs = {int(p): other.listed.wavelength_nm[k] for p, k in zip(other.peak, other.line, strict=True)}
    same = sum(1 for p, w in mine.items() if p in theirs and abs(theirs[p] - w) < 1.0)
    return same < 0.6 * len(mine)


def _with_better_width(shot: Shot, refined: Refined) -> Shot:
    """Return the shot with its line width taken from lines known to be single."""
    rows = refined.used & refined.found.single
    single = np.zeros(len(shot.peaks), dtype=bool)
    single[refined.found.peak[rows]] = True
    if np.count_nonzero(single & ~shot.peaks.saturated & np.isfinite(shot.peaks.fwhm_px)) < 2:
        return shot
    widths = width_profile(shot.peaks[single], shot.scene, fewest=2)
    if np.max(np.abs(np.log(widths / shot.fwhm_px))) < 0.03:
        return shot
    return replace(shot, fwhm_px=widths, peaks=measure(shot.scene, shot.peaks.pixel, widths))


def _sight(shot: Shot) -> Sight:
    return Sight(peaks=shot.peaks, scene=shot.scene, lines=shot.lines, fwhm_px=shot.fwhm_px)


def _with_solution(result: Calibration, refined: Refined, shot: Shot, axis: Floats, half: float) -> Calibration:
    fit, found, used = refined.fit, refined.found, refined.used
    index = np.arange(len(axis), dtype=np.float64)
    at = np.interp((found.u + 1.0) * half, index, axis)
    rows = tuple(
        LineRow(
            species=found.species[k], wavelength_nm=float(found.wavelength_nm[k]), pixel=float(at[k]),
            residual_nm=float(refined.residual_nm[k]), error_nm=float(found.error_nm[k]), used=bool(used[k]),
        )
        for k in range(len(found.peak))
    )  # fmt: skip
    covered = (float(np.min(at[used])), float(np.max(at[used]))) if np.any(used) else (axis[0], axis[-1])
    solution = WavelengthSolution(
        coefficients=fit.coefficients, domain=(float(axis[0]), float(axis[-1])), covariance=fit.covariance,
        scatter_nm=fit.scatter_nm, covered=covered,
    )  # fmt: skip
    u = shot.peaks.pixel / half - 1.0
    slope = np.abs(chebval(u, chebder(fit.coefficients))) / half
    good = np.zeros(len(shot.peaks), dtype=bool)
    good[found.peak[used & found.single]] = True
    good &= clean_widths(shot.peaks)
    where = u[good] if np.any(good) else u
    width = (shot.peaks.fwhm_px * slope)[good] if np.any(good) else shot.fwhm_px[np.rint(shot.peaks.pixel).astype(int)] * slope
    left_out = fit.left_out_nm[fit.weight > 0.05]
    return replace(
        result,
        solution=solution,
        line_spread=measured_linespread(fit.nm(where), width),
        lines=rows,
        rms_nm=float(np.sqrt(np.mean(refined.residual_nm[used] ** 2))) if np.any(used) else float("nan"),
        loo_rms_nm=float(np.sqrt(np.mean(left_out**2))) if len(left_out) else float("nan"),
        fwhm_nm=float(np.median(width)),
    )


def _doubts(result: Calibration, best: Candidate) -> tuple[str, ...]:
    """Return why a solution must not be used; empty if it may."""
    doubts = []
    if result.log_margin < MIN_MARGIN:
        doubts.append("a quite different wavelength scale fits nearly as well")
    confidence = min(result.log_margin, MOST_MARGIN) + float(np.clip(result.log_evidence, *EVIDENCE_RANGE))
    if confidence < MIN_CONFIDENCE:
        doubts.append("the peaks fit this lamp hardly better than chance")
    if result.matched < MIN_USED:
        doubts.append(f"only {result.matched} lines can carry the solution, {MIN_USED} are needed")
    if best.explained < MIN_EXPLAINED:
        doubts.append("most of the bright peaks are not of this lamp")
    return tuple(doubts)


def calibrate(shots: list[tuple[Frames, str]], *, prior: Prior | None = None) -> Calibration:
    """Find the wavelength of every point of the axis from lamp spectra.

    Parameters
    ----------
    shots : list of (Frames, str)
        Lamp spectra of one instrument and the lamp of each: a name, elements with commas, or ``auto``.
    prior : Prior, optional
        Bounds on the instrument; wide enough for ultraviolet to near-infrared spectrometers if left out.

    Returns
    -------
    Calibration
        Check `accepted`; a refused one says why and what to do.

    Raises
    ------
    CalibrationError
        If a spectrum holds no lines, or the shots differ in axis.
    TableError
        If a lamp is unknown.
    """
    axis = shots[0][0].axis
    for frames, _ in shots[1:]:
        if frames.axis.shape != axis.shape or np.max(np.abs(frames.axis - axis)) > 1e-6 * np.ptp(axis):
            raise CalibrationError(
                f"has {len(frames.axis)} points from {frames.axis[0]:g}, the first lamp file {len(axis)} from {axis[0]:g}.",
                mend="Combine only files of one instrument and one export.",
                file=frames.origins[0].file if frames.origins else None,
            )
    frames, lamp = shots[0]
    if lamp == "auto":
        return find_lamp(frames, axis, prior)
    result = solve(prepare_shot(frames, lamp), axis, prior)
    if result.accepted:
        return result
    other = find_lamp(frames, axis, prior)
    looks_like = other.lamp if other.accepted and other.lamp != lamp else ""
    mend = (
        f"It looks like '{looks_like}': try --lamp {looks_like}." if looks_like
        else "Expose longer so that more lines stand out, let the lamp warm up, or use a lamp with more lines (neon, argon)."
    )  # fmt: skip
    return replace(result, looks_like=looks_like, mend=mend)


def find_lamp(frames: Frames, axis: Floats, prior: Prior | None = None) -> Calibration:
    """Try all lamps and return the best solution; refused if two lamps fit about equally well."""
    first = prepare_shot(frames, AUTO_LAMPS[0])
    tried = [solve(replace(first, lamp=lamp, lines=lines_of(lamp)), axis, prior) for lamp in AUTO_LAMPS]
    tried.sort(key=lambda c: (not c.accepted, -c.log_evidence if np.isfinite(c.log_evidence) else np.inf))
    return tried[0]
