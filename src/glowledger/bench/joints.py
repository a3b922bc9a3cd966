"""A joint within the range of two detectors, or of two spectra put together, whose scales differ by little.

One curve then bends through the lines of both, and leaves those beside the joint out as strangers.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial.chebyshev import chebval, chebvander
from numpy.typing import NDArray

from glowledger.bench.model import WavelengthSolution
from glowledger.bench.outcome import Calibration, LineRow
from glowledger.bench.polynomial import VERY_HIGHEST, LineFit, best_degree, crookedness
from glowledger.bench.seams import bend_of_axis
from glowledger.bench.shots import Shot

Floats = NDArray[np.float64]

BRIGHT_SHARE = 0.02  # of the brightest peak of a spectrum: fainter ones are of lines of no list often enough
SHAPE = 0.02  # of the FWHM: how far a line lies from where it is measured, whatever the noise
MERGED, MERGED_ERROR = 1.2, 0.2  # of the FWHM: lines so close make one peak; how far its middle then lies from either
ALONE_SHARE = 0.1  # of the strength of a line: fainter neighbours do not move it
STRANGERS, REACH = 0.1, 15.0  # share of the bright peaks of no line; FWHM within which lines are counted
BREAKS = 0.01  # chance that there is a joint at all, before anything was seen; common practice, no source
STEP_NM, KINK = 2.0, 0.02  # standard deviations: step of the scale at a joint, change of its steps; common practice
MOST_BROKEN = 0.1  # chance of a joint from which on nothing is claimed beyond it, as of lines in doubt (outer_lines)
IN_PLACE = 2.0  # errors: peaks that are all nearer to lines say nothing of a joint
HARM = 0.1  # of the FWHM: less than this a joint does not move the curve
MOST_JOINTS = 3
ROUNDS, FEWEST_SIDE = 10, 4  # of re-weighting; lines on each side of a joint
FEWEST_KEPT, AGREEING = 6, 4.0  # lines that carry what is left; standard errors
APART_MEND = "To have both parts, export each by itself, or cut the file in two there, and calibrate each by itself."


@dataclass(frozen=True, slots=True, eq=False)
class _Spots:
    """Bright peaks, ordered by place: place, error of it in nm, density of lines there per nm, lines to choose from."""

    u: Floats
    error_nm: Floats
    density: Floats
    lines_nm: list[Floats]
    line_error_nm: list[Floats]
    shot: NDArray[np.intp]

    def line_at(self, nm: Floats) -> tuple[Floats, Floats]:
        """Return for wavelengths (..., k) of the peaks the nearest line of each, and the error of its place."""
        line, error = np.empty_like(nm), np.empty_like(nm)
        for number, (all_nm, all_error) in enumerate(zip(self.lines_nm, self.line_error_nm, strict=True)):
            mine = self.shot == number
            at = nm[..., mine]
            right = np.clip(np.searchsorted(all_nm, at), 1, len(all_nm) - 1)
            nearest = np.where(at - all_nm[right - 1] < all_nm[right] - at, right - 1, right)
            line[..., mine], error[..., mine] = all_nm[nearest], all_error[nearest]
        return line, np.hypot(error, self.error_nm)

    def words(self, nm: Floats) -> tuple[Floats, Floats, Floats]:
        """Return ln of the density of the peaks (...), the precision each lends the curve and its line, (..., k)."""
        line, error = self.line_at(nm)
        right = (1.0 - STRANGERS) * np.exp(-0.5 * ((line - nm) / error) ** 2) / (np.sqrt(2.0 * np.pi) * error)
        strange = STRANGERS * self.density
        return np.sum(np.log(right + strange), axis=-1), right / (right + strange) / error**2, line


def check_joint(result: Calibration, shots: list[Shot], axis: Floats) -> Calibration:
    """End the range of an accepted solution at a joint within it; refuse it if too few lines are left on either side.

    Two hypotheses are weighed by their evidence: one polynomial, and one with a step and a kink somewhere between two
    peaks. Each is drawn to all bright peaks, any of which may be a stranger's, and integrated over its coefficients
    (Laplace; MacKay, Information Theory, Inference, and Learning Algorithms, 2003, chapter 28, from memory).

    Parameters
    ----------
    result : Calibration
        An accepted one.
    shots : list of Shot
        The lamp spectra behind it.
    axis : ndarray of shape (p,)
        The axis of the files.
    """
    if any(not np.all(shot.lines.anchor) for shot in shots) or bend_of_axis(axis) is not None:
        return result  # bands of phosphors differ between makes; an nm axis of two pieces is judged by `check_bend`
    for _ in range(MOST_JOINTS):
        cut = _checked(result, shots, axis)
        if cut is result:
            break
        result = cut
    return result


def _checked(result: Calibration, shots: list[Shot], axis: Floats) -> Calibration:
    """Return an accepted solution without what lies beyond one joint; itself where there is none."""
    solution = result.solution
    if not result.accepted or solution is None or any(np.count_nonzero(shot.lines.bright) < 2 for shot in shots):
        return result
    ends = np.interp(solution.covered, axis, shots[0].u)
    spots = _bright_peaks(shots, solution.coefficients, result.fwhm_nm, (float(ends[0]), float(ends[1])))
    if len(spots.u) < 2 * FEWEST_SIDE + 1:
        return result
    found = _joint(spots, solution.coefficients, result.fwhm_nm)
    return result if found is None else _cut(result, solution, (shots[0].u, axis), *found)


def _bright_peaks(shots: list[Shot], scale: Floats, fwhm_nm: float, ends: tuple[float, float]) -> _Spots:
    """Return the bright peaks within the range, and the lines that the lamps surely show."""
    parts, lines_nm, line_error = [], [], []
    for number, shot in enumerate(shots):
        peaks, lines = shot.peaks, shot.lines
        u = shot.u_at(peaks.pixel)
        step_nm = np.abs(np.gradient(chebval(shot.u, scale)))[np.clip(peaks.pixel.astype(int), 0, len(shot.u) - 1)]
        bright = (peaks.area > BRIGHT_SHARE * np.max(peaks.area)) & ~peaks.broad
        inside = bright & (u >= ends[0] - 1e-9) & (u <= ends[1] + 1e-9)
        nm = lines.wavelength_nm[lines.bright]
        near = np.abs(nm[None, :] - chebval(u, scale)[:, None]) < REACH * fwhm_nm
        density = np.maximum(np.sum(near, axis=1), 1.0) / (2.0 * REACH * fwhm_nm)
        error = np.hypot(peaks.standard_error_px * step_nm, SHAPE * fwhm_nm)
        parts.append((u[inside], error[inside], density[inside], np.full(np.count_nonzero(inside), number)))
        gap = np.abs(lines.wavelength_nm[None, :] - nm[:, None])
        strong = lines.strength[None, :] > ALONE_SHARE * lines.strength[lines.bright][:, None]
        merged = np.count_nonzero((gap < MERGED * fwhm_nm) & strong, axis=1) > 1
        lines_nm.append(nm)
        line_error.append(np.hypot(lines.error_nm[lines.bright], np.where(merged, MERGED_ERROR * fwhm_nm, 0.0)))
    u, error, density, shot_of = (np.concatenate(column) for column in zip(*parts, strict=True))
    order = np.argsort(u, kind="stable")
    return _Spots(u[order], error[order], density[order], lines_nm, line_error, shot_of[order])


def _joint(spots: _Spots, scale: Floats, fwhm_nm: float) -> tuple[float, Floats] | None:
    """Return where a joint is, and a curve with it as coefficients of a polynomial, a step and a kink; None without."""
    crooked = crookedness(2.0 * abs(float(scale[1])))[: VERY_HIGHEST + 1]
    basis = np.asarray(chebvander(spots.u, len(crooked) - 1), dtype=np.float64)
    single = np.asarray(chebval(spots.u, scale), dtype=np.float64)
    line, error = spots.line_at(single)
    if np.all(np.abs(line - single) < IN_PLACE * error):
        return None  # every peak is where a line is
    plain, *_ = _drawn(spots, basis[None], crooked**-2.0, single[None])
    at = 0.5 * (spots.u[FEWEST_SIDE - 1 : -FEWEST_SIDE] + spots.u[FEWEST_SIDE : len(spots.u) - FEWEST_SIDE + 1])
    beyond = spots.u[None, :] > at[:, None]
    columns = np.stack([beyond, beyond * (spots.u[None, :] - at[:, None])], axis=-1)
    joined = np.concatenate([np.broadcast_to(basis, (len(at), *basis.shape)), columns], axis=-1)
    precision = np.concatenate([crooked, [STEP_NM, KINK * abs(float(scale[1]))]]) ** -2.0
    start = np.where(beyond, *(_one_side(spots, basis, crooked, single, side) for side in (beyond, ~beyond)))
    told, curves, coefficients = _drawn(spots, joined, precision, start)
    share = np.diff(spots.u)[FEWEST_SIDE - 1 : FEWEST_SIDE - 1 + len(at)] / np.ptp(spots.u)
    log_odds = told - plain[0] + np.log(BREAKS * np.maximum(share, 1e-9))
    best = int(np.argmax(log_odds))
    off = np.max(np.abs(curves[best] - single))
    if np.logaddexp.reduce(log_odds) < np.log(MOST_BROKEN / (1.0 - MOST_BROKEN)) or off < HARM * fwhm_nm:
        return None
    return float(at[best]), coefficients[best]


def _one_side(
    spots: _Spots, basis: Floats, crooked: Floats, single: Floats, side: NDArray[np.bool_]
) -> Floats:
    """Return the curves (h, k) through those peaks on one side (h, k) that are where the solution has a line."""
    _, weight, line = spots.words(single)
    rate = weight * side
    normal = (basis.T[None] * rate[:, None, :]) @ basis + np.diag(crooked**-2.0)
    return np.asarray(np.linalg.solve(normal, ((rate * line) @ basis)[..., None])[..., 0] @ basis.T)


def _drawn(spots: _Spots, basis: Floats, precision: Floats, start: Floats) -> tuple[Floats, Floats, Floats]:
    """Return ln of the evidence (h,), curves (h, k) and coefficients (h, n) of hypotheses with bases (h, k, n)."""
    nm = start
    for _ in range(ROUNDS):
        _, rate, line = spots.words(nm)
        normal = np.swapaxes(basis * rate[..., None], 1, 2) @ basis + np.diag(precision)
        goal = np.swapaxes(basis, 1, 2) @ (rate * line)[..., None]
        coefficients = np.linalg.solve(normal, goal)[..., 0]
        nm = (basis @ coefficients[..., None])[..., 0]
    word, rate, _ = spots.words(nm)
    normal = np.swapaxes(basis * rate[..., None], 1, 2) @ basis + np.diag(precision)
    room = 0.5 * (np.sum(np.log(precision)) - np.linalg.slogdet(normal)[1])
    bent = 0.5 * np.sum(precision[2:] * coefficients[:, 2:] ** 2, axis=1)
    return np.asarray(word - bent + room), nm, np.asarray(coefficients, dtype=np.float64)


def _cut(
    result: Calibration, solution: WavelengthSolution, axes: tuple[Floats, Floats], joint: float, coefficients: Floats
) -> Calibration:
    """Return the solution drawn anew to the lines on that side of a joint where more carry it.

    With the axis mapped to -1..1 and that of the files. Lines of the other side hold the curve where nothing is claimed
    of it, to within what they are displaced by: a polynomial left to itself there would be off by many nm.
    """
    axis_u, axis = axes
    u = np.interp([line.pixel for line in result.lines], axis, axis_u)
    used = np.array([line.used for line in result.lines])
    side = u > joint if np.count_nonzero(used & (u > joint)) > np.count_nonzero(used & (u < joint)) else u < joint
    displaced = coefficients[-2] + coefficients[-1] * (u - joint)
    nm = chebval(u, coefficients[:-2]) + np.where(u > joint, displaced, 0.0)
    line_nm = np.array([line.wavelength_nm for line in result.lines])
    error = np.array([line.error_nm for line in result.lines])
    agreeing = np.abs(line_nm - nm) < AGREEING * np.hypot(error, SHAPE * result.fwhm_nm)
    carrying = np.flatnonzero(used & side & agreeing)
    held = np.flatnonzero(~side & agreeing)
    where = float(solution.nm(np.interp(joint, axis_u, axis)))
    said = f"the scale seems to break near {where:.0f} nm, as where two detectors or two spectra are joined"
    both = np.concatenate([carrying, held])
    loose = np.concatenate([error[carrying], np.hypot(error[held], np.abs(displaced[held]))])
    fit = _refit(u[both], line_nm[both], loose, 2.0 * abs(float(solution.coefficients[1])), len(carrying))
    if fit is None:
        return replace(result, accepted=False, reasons=(said,), mend=APART_MEND)
    carries = fit.weight[: len(carrying)] > 0.05
    kept = carrying[carries]
    ends = np.interp([np.min(u[kept]), np.max(u[kept])], axis_u, axis)
    rows = tuple(
        LineRow(
            species=line.species, wavelength_nm=line.wavelength_nm, pixel=line.pixel,
            residual_nm=float(line.wavelength_nm - fit.nm(np.array(u[k]))), error_nm=line.error_nm, used=k in kept,
        )
        for k, line in enumerate(result.lines)
    )  # fmt: skip
    new = replace(
        solution, coefficients=fit.coefficients, covariance=fit.covariance, scatter_nm=fit.scatter_nm,
        covered=(float(ends[0]), float(ends[1])),
    )  # fmt: skip
    beyond = "beyond" if (np.mean(u[kept]) < joint) == (solution.coefficients[1] > 0) else "below"
    note = f"{said[0].upper()}{said[1:]}: nothing is claimed {beyond} it. {APART_MEND}"
    return replace(
        result, solution=new, lines=rows, warnings=(*result.warnings, note),
        rms_nm=float(np.sqrt(np.mean(fit.residual_nm[: len(carrying)][carries] ** 2))),
        loo_rms_nm=float(np.sqrt(np.mean(fit.left_out_nm[: len(carrying)][carries] ** 2))),
    )  # fmt: skip


def _refit(u: Floats, nm: Floats, error_nm: Floats, span_nm: float, carrying: int) -> LineFit | None:
    """Return the polynomial through lines, the first of which carry it; None if these are too few, or it turns back."""
    if carrying < FEWEST_KEPT:
        return None
    try:
        fit = best_degree(u, nm, error_nm, span_nm)
    except ValueError:
        return None
    return fit if np.count_nonzero(fit.weight[:carrying] > 0.05) >= FEWEST_KEPT else None
