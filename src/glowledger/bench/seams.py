"""Two scales under one axis, of joined detectors or of files between which the instrument was moved.

Found by solving by itself what the solution leaves unexplained.
"""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
from numpy.polynomial import Chebyshev
from numpy.typing import NDArray

from glowledger.bench.hypotheses import Prior
from glowledger.bench.outcome import Calibration
from glowledger.bench.peaks import Peaks
from glowledger.bench.scene import Scene
from glowledger.bench.shots import Shot
from glowledger.bench.solving import SETTLING_GAIN, solve

Floats = NDArray[np.float64]

BRIGHT_SHARE = 0.02  # of the brightest peak: fainter ones beyond the lines prove nothing
FEWEST_STRANGERS = 3
PART_PRIOR = Prior(start_nm=(150.0, 950.0), end_nm=(230.0, 1220.0))
ON_SCALE, MOST_ON_SCALE = 0.4, 0.5  # of the FWHM: a peak of a line; share of a file's peaks that are off its scale
BENT = 0.01  # of a step: change at once that makes two pieces of an axis
AGREEING, SHOWN, GOOD_TO = 3.0, 2.0, 0.2  # errors of a line; how much more lines would show; of the FWHM
SURE_ERRORS = 5.0  # standard errors by which the scales of two files differ
SURE_LINES, SURE_EVIDENCE, SURE_MARGIN = 5, 5.0, 12.0  # a part is believed only when it stands by itself
FORLORN_PART = SURE_EVIDENCE - SETTLING_GAIN  # log odds of its best settled scale, which then never gains so much


def strangers(result: Calibration, shot: Shot, axis: Floats) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return bright peaks without a line that lie below and above the covered range, as indices."""
    if result.solution is None:
        return np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp)
    at = np.interp(shot.peaks.pixel, np.arange(len(axis)), axis)
    known = np.array([line.pixel for line in result.lines])
    step = float(np.median(np.diff(axis)))
    gap = np.min(np.abs(at[:, None] - known[None, :]), axis=1)
    bright = shot.peaks.area > BRIGHT_SHARE * np.max(shot.peaks.area)
    unknown = bright & ~shot.peaks.broad & (gap > shot.scene.fwhm_px * step)
    low, high = result.solution.covered
    return np.flatnonzero(unknown & (at < low)), np.flatnonzero(unknown & (at > high))


def check_seam(result: Calibration, shots: list[Shot], axis: Floats) -> Calibration:
    """Refuse an accepted solution if the rest of the axis follows another scale; warn if it is only unexplained.

    Parameters
    ----------
    result : Calibration
        An accepted one.
    shots : list of Shot
        The lamp spectra behind it.
    axis : ndarray of shape (p,)
        The axis of the files.
    """
    if not result.accepted or result.solution is None:
        return result
    notes = []
    for shot in shots:
        for side, rows in zip((-1, 1), strangers(result, shot, axis), strict=True):
            if len(rows) < FEWEST_STRANGERS:
                continue
            edge = result.solution.covered[0 if side < 0 else 1]
            nm = float(result.solution.nm(edge))
            found = _part(result, shot, axis, side)
            if found is not None:
                return replace(result, accepted=False, reasons=(found,), mend=(
                    "The axis seems to join two detectors: export each by itself and calibrate it by itself."
                ))  # fmt: skip
            where = "below" if (side < 0) == (result.solution.coefficients[1] > 0) else "beyond"
            notes.append(
                f"{len(rows)} bright peaks {where} {nm:.0f} nm are no lines of this lamp; nothing is claimed there."
            )
    return replace(result, warnings=(*result.warnings, *notes))


def check_files(result: Calibration, shots: list[Shot], names: list[str], axis: Floats) -> Calibration:
    """Refuse an accepted solution of several files if the lines of one follow another scale than it.

    Parameters
    ----------
    result : Calibration
        An accepted one.
    shots : list of Shot
        The lamp spectra behind it.
    names : list of str
        What their files are called.
    axis : ndarray of shape (p,)
        The axis of the files.
    """
    solution = result.solution
    if not result.accepted or solution is None or len(shots) < 2:
        return result
    on_scale = np.array([line.pixel for line in result.lines if abs(line.residual_nm) < ON_SCALE * result.fwhm_nm])
    step = float(np.median(np.diff(axis)))
    for shot, name in zip(shots, names, strict=True):
        at = np.interp(shot.peaks.pixel, np.arange(len(axis)), axis)
        bright = (shot.peaks.area > BRIGHT_SHARE * np.max(shot.peaks.area)) & ~shot.peaks.broad
        gap = np.min(np.abs(at[:, None] - on_scale[None, :]), axis=1)
        off_scale = bright & (gap > ON_SCALE * shot.scene.fwhm_px * step)
        few = np.count_nonzero(off_scale) < FEWEST_STRANGERS
        if few or np.count_nonzero(off_scale) < MOST_ON_SCALE * np.count_nonzero(bright):
            continue
        own = solve([shot], axis)
        if not own.accepted or own.solution is None:
            continue
        places = np.linspace(*own.solution.covered, 21)
        off = own.solution.nm(places) - solution.nm(places)
        error = np.hypot(own.solution.standard_error_nm(places), solution.standard_error_nm(places))
        if np.max(np.abs(off) - SURE_ERRORS * error) > 0.5 * result.fwhm_nm:
            worst = float(off[np.argmax(np.abs(off))])
            reason = f"the lines of {name} follow another scale than those of the other file, off by {worst:+.1f} nm"
            return replace(result, accepted=False, reasons=(reason,), mend=(
                "The instrument was moved between them, or they are of two instruments: record the lamps one after "
                "the other and touch nothing, or calibrate with one of them."
            ))  # fmt: skip
    return result


def bend_of_axis(axis: Floats) -> float | None:
    """Return where the steps of an axis (p,) change at once, as of two pieces put together; None where nowhere.

    Steps of one spectrometer change smoothly: their change over some points, less a parabola, is that of rounding.
    """
    reach = max(10, len(axis) // 40)
    if len(axis) < 8 * reach:
        return None
    step = (axis[reach:] - axis[:-reach]) / reach
    change = (step[reach:] - step[:-reach]) / np.median(step)
    place = np.linspace(-1.0, 1.0, len(change))
    quiet = np.ones(len(change), dtype=bool)
    left = change
    for _ in range(4):
        left = change - np.polyval(np.polyfit(place[quiet], change[quiet], 2), place)
        quiet = np.abs(left) < max(3.0 * 1.4826 * float(np.median(np.abs(left))), 1e-6)
    rounding = 1.4826 * float(np.median(np.abs(left)))
    most = int(np.argmax(np.abs(left)))
    if abs(left[most]) < max(BENT, 8.0 * rounding):
        return None
    return float(axis[most + reach])


def check_bend(result: Calibration, axis: Floats) -> Calibration:
    """Refuse an accepted solution over a bend of the axis that its lines would not show.

    Where the wavelengths are smooth along the pixels and the axis of the file is not, a polynomial over this axis goes
    wrong between its lines. By how much, the same polynomial drawn to the pixel numbers of these lines tells; only if
    it misses the lines themselves by far more than the solution does, the pixels are not smooth either.

    Parameters
    ----------
    result : Calibration
        An accepted one.
    axis : ndarray of shape (p,)
        The axis of the files.
    """
    bend, solution = bend_of_axis(axis), result.solution
    if not result.accepted or solution is None or bend is None or not solution.covered[0] < bend < solution.covered[1]:
        return result
    lines = [line for line in result.lines if line.used or abs(line.residual_nm) < AGREEING * line.error_nm]
    at, error = (np.array([getattr(line, name) for line in lines]) for name in ("pixel", "error_nm"))
    number = np.linspace(-1.0, 1.0, len(axis))
    step = np.abs(np.gradient(solution.nm(axis)) / np.gradient(number))  # nm
    goal, rate = np.interp(at, axis, number), 1.0 / (error / np.interp(at, axis, step))
    curve = Chebyshev.fit(at, goal, min(result.degree, len(at) - 1), domain=solution.domain, w=rate)
    seen = float(np.sqrt(np.mean(((goal - curve(at)) * rate) ** 2)))
    inside = (axis >= solution.covered[0]) & (axis <= solution.covered[1])
    worst = float(np.max(np.abs(number - curve(axis))[inside] * step[inside]))
    left = float(np.sqrt(np.mean(np.array([line.residual_nm for line in lines]) ** 2 / error**2)))
    if seen > SHOWN * max(left, 1.0) or worst < GOOD_TO * result.fwhm_nm:
        return result
    reason = (
        f"the nm axis of the file bends at {bend:.0f} nm, as if two pieces were put together, and a curve over it may "
        f"be off by {worst:.1g} nm between the lines"
    )
    mend = "Export pixel numbers instead of nm, or each piece by itself, and calibrate that."
    return replace(result, accepted=False, reasons=(reason,), mend=mend)


def _part(result: Calibration, shot: Shot, axis: Floats, side: int) -> str | None:
    """Solve the part beyond the covered range by itself; return the contradiction in words, or None."""
    solution = result.solution
    if solution is None:
        return None
    edge = int(np.searchsorted(axis, solution.covered[0 if side < 0 else 1]))
    part = slice(0, edge) if side < 0 else slice(edge + 1, len(axis))
    piece = part_of(shot, part)
    if len(piece.u) < 50 or len(piece.peaks) < SURE_LINES:
        return None
    own = solve([piece], axis[part], prior=PART_PRIOR, forlorn=FORLORN_PART)
    sure = own.log_evidence > SURE_EVIDENCE and own.log_margin > SURE_MARGIN and own.matched >= SURE_LINES
    if not own.accepted or not sure or own.solution is None:
        return None
    places = np.linspace(*own.solution.covered, 21)
    off = own.solution.nm(places) - solution.nm(places)
    worst = float(off[np.argmax(np.abs(off))])
    if abs(worst) < 2.0 * result.fwhm_nm:
        return None
    mine, theirs = result.range_nm, own.range_nm
    if mine is None or theirs is None:
        return None
    return (
        f"the lines from {theirs[0]:.0f} to {theirs[1]:.0f} nm follow another scale than those from {mine[0]:.0f} to "
        f"{mine[1]:.0f} nm, off by {worst:+.1f} nm"
    )


def part_of(shot: Shot, part: slice) -> Shot:
    """Return a shot of some of the pixels, its axis mapped anew."""
    first = part.start or 0
    u = shot.u[part]
    inside = (shot.peaks.pixel >= first) & (shot.peaks.pixel <= part.stop - 1)
    columns = {f.name: getattr(shot.peaks, f.name)[inside] for f in fields(Peaks)}
    columns["pixel"] = columns["pixel"] - first
    scene = shot.scene
    hot = scene.hot[(scene.hot >= first) & (scene.hot < part.stop)] - first
    arrays = {
        name: getattr(scene, name)[part] for name in ("counts", "continuum", "noise", "usable", "saturated")
    }
    return replace(
        shot,
        peaks=Peaks(**columns),
        scene=Scene(**arrays, fwhm_px=scene.fwhm_px, hot=hot),
        fwhm_px=shot.fwhm_px[part],
        u=2.0 * (u - u[0]) / (u[-1] - u[0]) - 1.0,
    )
