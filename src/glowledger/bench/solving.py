"""Solve lamp spectra whose lamps are known: match blind, refine, and doubt the result."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.polynomial.chebyshev import chebder, chebval
from numpy.typing import NDArray

from glowledger.bench.evidence import Candidate
from glowledger.bench.hypotheses import Prior
from glowledger.bench.linespread import clean_widths, measured_linespread
from glowledger.bench.matching import match
from glowledger.bench.model import WavelengthSolution
from glowledger.bench.outcome import Calibration, LineRow
from glowledger.bench.shots import Shot, joined_lines, pattern_of, with_better_width
from glowledger.bench.solution import Refined, refine_solution

Floats = NDArray[np.float64]

MIN_MARGIN = 4.0  # natural log of the odds against the next best scale that is really another one
MIN_CONFIDENCE = 8.0  # margin plus log odds against chance, both clipped; settled on a simulated fleet
RICH_PATTERN, RICH_MARGIN = 45.0, 10.0  # so many lines agree that strangers and gaps do not matter
MOST_MARGIN, EVIDENCE_RANGE = 20.0, (-25.0, 15.0)
MIN_SHARPNESS = -1.0  # natural log; below, the lines scatter about the curve as those of a wrong scale do
MOST_REFINED, NEAR_EVIDENCE, NOT_REFINED = 3, 6.0, -10.0  # natural log
MIN_USED, MIN_SUPPORTING = 3, 4  # lines that carry the solution; those and vaguer ones that agree
# natural log: where nothing but the fewest lines carries the solution, each checks little of the others
FEWEST_EVIDENCE = 5.0  # settled on tests/benchmarks/bench_calibration.py, seeds from 50000
MIN_EXPLAINED = 0.5


def candidates_for(shots: list[Shot], prior: Prior | None = None) -> list[Candidate]:
    """Return distinct scales for the shots of one instrument, best evidence first."""
    lines = joined_lines(shots)
    return match(pattern_of(shots), lines, prior or Prior())


def solve(
    shots: list[Shot], axis: Floats, *, prior: Prior | None = None, candidates: list[Candidate] | None = None
) -> Calibration:
    """Solve lamp spectra of one instrument for their stated lamps.

    Parameters
    ----------
    shots : list of Shot
        One or more, on one axis.
    axis : ndarray of shape (p,)
        The axis of the files.
    prior : Prior, optional
        Bounds on the instrument.
    candidates : list of Candidate, optional
        Of `candidates_for`, if already found.

    Returns
    -------
    Calibration
    """
    found = candidates_for(shots, prior) if candidates is None else candidates
    lamp = ",".join(dict.fromkeys(shot.lamp for shot in shots))
    peaks_found = sum(len(shot.peaks) for shot in shots)
    if not found:
        return Calibration(
            lamp=lamp, accepted=False, peaks_found=peaks_found,
            reasons=("no wavelength scale that a spectrometer could have fits these peaks",),
        )  # fmt: skip
    trials = [_refined_trial(candidate, shots) for candidate in _worth_refining(found)]
    best_trial = max(trials, key=_weight)
    best, shots, refined = best_trial
    margin = _margin(best_trial, trials, found)
    result = Calibration(
        lamp=lamp, accepted=False, log_evidence=best.log_evidence, log_margin=margin, peaks_found=peaks_found
    )
    if refined is None:
        return replace(result, reasons=("too few lines can carry a solution, or each could as well be its neighbour",))
    result = _with_solution(result, refined, shots, axis)
    reasons = _doubts(result, best, refined)
    return replace(result, accepted=not reasons, reasons=reasons)


Trial = tuple[Candidate, list[Shot], Refined | None]


def _worth_refining(found: list[Candidate]) -> list[Candidate]:
    """Return the best candidate and those that come near it."""
    near = [c for c in found[1:] if found[0].log_evidence - c.log_evidence < NEAR_EVIDENCE]
    return [found[0], *near[: MOST_REFINED - 1]]


def _weight(trial: Trial) -> float:
    """Return the evidence of a candidate after its lines were placed to their own errors."""
    candidate, _, refined = trial
    return candidate.log_evidence + (refined.sharpness if refined is not None else NOT_REFINED)


def _margin(best: Trial, trials: list[Trial], found: list[Candidate]) -> float:
    """Return ln of the odds of the best scale over the next one that is really another, at most 999."""
    margin = 999.0
    for candidate in found:
        if candidate is best[0] or not _unlike(candidate, best[0]):
            continue
        trial = next((t for t in trials if t[0] is candidate), None)
        if trial is None or trial[2] is None or best[2] is None:
            margin = min(margin, best[0].log_evidence - candidate.log_evidence)
        elif not _same_curve(best[2], trial[2]):
            margin = min(margin, _weight(best) - _weight(trial))
    return margin


def _same_curve(one: Refined, other: Refined) -> bool:
    """Return whether two solutions agree, to half a line width, where the first has lines."""
    u = one.found.u[one.used]
    return bool(np.all(np.abs(one.fit.nm(u) - other.fit.nm(u)) < 0.5 * one.found.width_nm[one.used]))


def _refined_trial(candidate: Candidate, shots: list[Shot]) -> Trial:
    """Refine a candidate; twice if it tells the line width better."""
    refined = refine_solution(candidate.scale, shots)
    if refined is None:
        return candidate, shots, None
    better = [with_better_width(shot, _single(refined, k, len(shot.peaks))) for k, shot in enumerate(shots)]
    changed = any(new is not old for new, old in zip(better, shots, strict=True))
    again = refine_solution(candidate.scale, better, refined.rough) if changed else None
    return (candidate, shots, refined) if again is None else (candidate, better, again)


def _single(refined: Refined, number: int, count: int) -> NDArray[np.bool_]:
    """Return which peaks of a shot are used single lines, shape (count,)."""
    rows = refined.used & refined.found.single & (refined.found.shot == number)
    single = np.zeros(count, dtype=bool)
    single[refined.found.peak[rows]] = True
    return single


def _unlike(other: Candidate, best: Candidate) -> bool:
    """Return whether another scale gives less than 60 % of the best one's peaks the same line."""
    mine = {int(p): best.listed.wavelength_nm[k] for p, k in zip(best.peak, best.line, strict=True)}
    theirs = {int(p): other.listed.wavelength_nm[k] for p, k in zip(other.peak, other.line, strict=True)}
    same = sum(1 for p, w in mine.items() if p in theirs and abs(theirs[p] - w) < 1.0)
    return same < 0.6 * len(mine)


def _with_solution(result: Calibration, refined: Refined, shots: list[Shot], axis: Floats) -> Calibration:
    """Add the solution, its lines and the line-spread to a result."""
    fit, found, used = refined.fit, refined.found, refined.used
    at = np.interp(found.u, shots[0].u, axis)
    rows = tuple(
        LineRow(
            species=found.species[k], wavelength_nm=float(found.wavelength_nm[k]), pixel=float(at[k]),
            residual_nm=float(refined.residual_nm[k]), error_nm=float(found.error_nm[k]), used=bool(used[k]),
        )
        for k in range(len(found.peak))
    )  # fmt: skip
    covered = (
        (float(np.min(at[used])), float(np.max(at[used])))
        if np.any(used)
        else (float(axis[0]), float(axis[-1]))
    )
    solution = WavelengthSolution(
        coefficients=fit.coefficients, domain=(float(axis[0]), float(axis[-1])), covariance=fit.covariance,
        scatter_nm=fit.scatter_nm, covered=covered,
    )  # fmt: skip
    place_nm, width_nm = _line_widths(refined, shots)
    left_out = refined.left_out_nm[used]
    return replace(
        result,
        solution=solution,
        line_spread=measured_linespread(place_nm, width_nm),
        lines=rows,
        rms_nm=float(np.sqrt(np.mean(refined.residual_nm[used] ** 2))) if np.any(used) else float("nan"),
        loo_rms_nm=float(np.sqrt(np.mean(left_out**2))) if len(left_out) else float("nan"),
        fwhm_nm=float(np.median(width_nm)),
    )


def _line_widths(refined: Refined, shots: list[Shot]) -> tuple[Floats, Floats]:
    """Return wavelength and width in nm of the single lines; of all peaks by the profile if there is none."""
    nm, width = [], []
    for choose_single in (True, False):
        for number, shot in enumerate(shots):
            u = shot.u_at(shot.peaks.pixel)
            slope = np.abs(chebval(u, chebder(refined.fit.coefficients))) * shot.u_per_pixel(shot.peaks.pixel)
            profile = shot.fwhm_px[np.clip(np.rint(shot.peaks.pixel).astype(int), 0, len(shot.u) - 1)]
            rows = _single(refined, number, len(shot.peaks)) & clean_widths(shot.peaks)
            rows = rows if choose_single else np.ones(len(shot.peaks), dtype=bool)
            nm.append(refined.fit.nm(u[rows]))
            width.append((shot.peaks.fwhm_px if choose_single else profile)[rows] * slope[rows])
        if sum(len(part) for part in nm):
            break
    return np.concatenate(nm), np.concatenate(width)


def _doubts(result: Calibration, best: Candidate, refined: Refined) -> tuple[str, ...]:
    """Return why a solution must not be used; empty if it may."""
    doubts = []
    if result.log_margin < MIN_MARGIN:
        doubts.append("a quite different wavelength scale fits nearly as well")
    weight = result.log_evidence + refined.sharpness
    confidence = min(result.log_margin, MOST_MARGIN) + float(np.clip(weight, *EVIDENCE_RANGE))
    rich = best.parts[0] + best.parts[2] > RICH_PATTERN and result.log_margin > RICH_MARGIN
    blunt = refined.sharpness < MIN_SHARPNESS and result.log_margin < MOST_MARGIN
    bare = result.matched <= MIN_USED and result.log_evidence < FEWEST_EVIDENCE
    if (confidence < MIN_CONFIDENCE and not rich) or blunt or bare:
        doubts.append("the peaks fit this lamp hardly better than chance")
    if result.matched < MIN_USED or refined.supporting < MIN_SUPPORTING:
        doubts.append(f"only {result.matched} lines can carry the solution, {MIN_USED} are needed")
    if best.explained < MIN_EXPLAINED:
        doubts.append("most of the bright peaks are not of this lamp")
    return tuple(doubts)
