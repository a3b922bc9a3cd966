"""Calibrate: lamp spectra in, wavelength solution and line-spread out, or the reason why not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.hypotheses import Prior
from glowledger.bench.joints import check_joint
from glowledger.bench.lamp_search import AUTO_LAMPS, NAME_LAMP, agree, find_lamp, held_by_few, spoiled_light
from glowledger.bench.line_shape import with_shape
from glowledger.bench.outcome import Calibration
from glowledger.bench.seams import bend_of_axis, check_bend, check_files, check_seam
from glowledger.bench.shots import Shot, prepare_shot, renamed
from glowledger.bench.solving import ANOTHER_SCALE, HIDDEN, NOT_ALL_TRIED, solve
from glowledger.bench.verdict import unseen_note
from glowledger.errors import CalibrationError
from glowledger.spectra.frames import Frames
from glowledger.threads import one_thread

Floats = NDArray[np.float64]

FEW_SURE = 6  # lines of a lamp that no exposure makes more of, as of hydrogen, sodium
MANY_LINES = 8  # in a refused solution: too many for other scales to fit by chance, unless they crowd
ROUGH_NM = 60.0  # by which an nm axis beyond the usual bounds may be off at either end

CHECK_LAMP = (
    "Check the name of the lamp (several elements: hg,ar), keep room light out, or use a lamp with more lines "
    "(neon, argon, mercury-argon)."
)


@one_thread
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
    _check_axes(shots)
    prior = prior or bounds_of(shots[0][0])
    found: list[Shot] = []
    alone: Calibration | None = None
    for frames, lamp in shots:
        shot = prepare_shot(frames, AUTO_LAMPS[0] if lamp == "auto" else lamp)
        if lamp == "auto":
            alone = find_lamp(shot, axis, prior)
            if not alone.accepted:
                return _with_bounds(alone, frames)
            shot = renamed(shot, alone.lamp)
        found.append(shot)
    names = [_name(frames, number) for number, (frames, _) in enumerate(shots, 1)]
    solved = alone if alone is not None and len(shots) == 1 else _solved(found, names, axis, prior)
    result = check_seam(check_files(solved, found, names, axis), found, axis)
    result = check_joint(check_bend(result, axis), found, axis)
    if result.accepted:
        result = with_shape(result, found, axis)
    if not result.accepted:
        result = _with_bounds(_explained(result, found, axis, prior), shots[0][0])
    return _noted(result, shots)


def bounds_of(frames: Frames) -> Prior | None:
    """Return where scales are sought if the nm axis of a file says that they lie beyond the usual bounds; else None."""
    low, high = float(np.min(frames.axis)), float(np.max(frames.axis))
    usual = Prior()
    if frames.axis_kind != "nm_air" or (low <= usual.start_nm[1] and high >= usual.end_nm[0]):
        return None
    return Prior(start_nm=(low - ROUGH_NM, low + ROUGH_NM), end_nm=(high - ROUGH_NM, high + ROUGH_NM))


def _with_bounds(result: Calibration, frames: Frames) -> Calibration:
    """Add to what to do about a lamp that nothing fits where scales were sought, as it may lie elsewhere."""
    if result.mend not in (CHECK_LAMP, NAME_LAMP) or frames.axis_kind != "pixel":
        return result
    (low, high), (least, most) = Prior().start_nm, Prior().end_nm
    told = (
        f" Spectrometers that begin at {low:.0f} to {high:.0f} nm and end at {least:.0f} to {most:.0f} nm were tried: "
        "for another one give a file whose axis is in nm, if only roughly."
    )
    return replace(result, mend=result.mend + told)


def _solved(shots: list[Shot], names: list[str], axis: Floats, prior: Prior | None) -> Calibration:
    """Return the solution of all files together; where that is refused, of one of them, if only one scale comes out."""
    result = solve(shots, axis, prior=prior)
    if result.accepted or len(shots) == 1:
        return result
    alone = [(solve([shot], axis, prior=prior), name) for shot, name in zip(shots, names, strict=True)]
    accepted = [(one, name) for one, name in alone if one.accepted]
    if not accepted or not all(agree(accepted[0][0], other) for other, _ in accepted[1:]):
        return result
    best, name = max(accepted, key=lambda each: each[0].matched)
    others = "the other file does" if len(shots) == 2 else "the other files do"
    return replace(best, warnings=(f"The solution is that of {name} alone; {others} not make it surer.",))


def _name(frames: Frames, number: int) -> str:
    """Return what to call a lamp spectrum."""
    file = frames.origins[0].file if frames.origins else None
    return f"spectrum {number}" if file is None else file.name


def _check_axes(shots: list[tuple[Frames, str]]) -> None:
    axis = shots[0][0].axis
    for frames, _ in shots[1:]:
        if frames.axis.shape != axis.shape or np.max(np.abs(frames.axis - axis)) > 1e-6 * np.ptp(axis):
            raise CalibrationError(
                f"has {len(frames.axis)} points from {frames.axis[0]:g}, the first lamp file has {len(axis)} from "
                f"{axis[0]:g}.",
                mend="Combine only files of one instrument and one export.",
                file=frames.origins[0].file if frames.origins else None,
            )


def _explained(result: Calibration, shots: list[Shot], axis: Floats, prior: Prior | None) -> Calibration:
    """Add to a refusal what it looks like instead, or what to do."""
    if result.mend:
        return result
    spoiled = next((mend for shot in shots if (mend := spoiled_light(shot))), "")
    if spoiled:
        return replace(result, mend=spoiled)
    few = held_by_few(result, shots)
    if few:
        return replace(result, mend=few)
    if NOT_ALL_TRIED in result.reasons:  # that another lamp has fewer scales to try says nothing for it
        mend = (
            "Add a file of a second lamp of one element (neon, argon, mercury): its lines settle which scale it is. "
            "Check the name of the lamp and keep room light out."
        )
        return replace(result, mend=mend)
    for shot in shots:
        other = find_lamp(shot, axis, prior)
        if other.accepted and other.lamp != shot.lamp:
            mend = f"It looks like '{other.lamp}' rather than '{shot.lamp}': try --lamp {other.lamp}."
            return replace(result, looks_like=other.lamp, mend=mend)
    if any(reason.startswith(HIDDEN) for reason in result.reasons):
        mend = "Keep other light out, or add a file of a second lamp (neon, argon), whose lines tell the curve there."
    elif len(np.unique(np.concatenate([shot.lines.wavelength_nm[_sure(shot)] for shot in shots]))) <= FEW_SURE:
        mend = (
            "This lamp has so few lines of known place that they fit many scales, however long it is exposed: add a "
            "file of a second lamp (--lamp once for each), or use that alone; neon, argon, mercury or a compact "
            "fluorescent lamp."
        )
    elif ANOTHER_SCALE in result.reasons and len(result.lines) >= MANY_LINES:
        mend = (
            "Check the name of the lamp. If it is right, its lines stand so close at this line width that they fit "
            "many scales: add a file of a lamp of one element (neon, mercury), or narrow the slit or fibre."
        )
    elif result.peaks_found < 8:
        mend = "Few lines stand out: expose longer, let the lamp warm up, or add a file of a second lamp (neon, argon)."
    else:
        mend = CHECK_LAMP
    return replace(result, mend=mend)


def _sure(shot: Shot) -> NDArray[np.bool_]:
    """Return which lines a lamp surely shows, each in its place."""
    return np.asarray(shot.lines.bright & shot.lines.anchor)


def _noted(result: Calibration, shots: list[tuple[Frames, str]]) -> Calibration:
    """Add what the user should know: an axis that was wrong, saturated lines, extrapolation."""
    frames = shots[0][0]
    notes = list(filter(None, [unseen_note(result)])) if result.accepted else []
    if result.accepted and result.solution is not None and frames.axis_kind == "nm_air":
        places = np.linspace(*result.solution.covered, 101)
        off = result.solution.nm(places) - places
        worst = float(off[np.argmax(np.abs(off))])
        if abs(worst) > max(0.5 * result.fwhm_nm, 0.2):
            notes.append(
                f"The nm axis of the file is wrong: by {off[0]:+.1f} nm at {places[0]:.0f}, {off[-1]:+.1f} nm at "
                f"{places[-1]:.0f}, at most {worst:+.1f} nm; mended from the lamp."
            )
        bend = bend_of_axis(frames.axis)
        if bend is not None and result.solution.covered[0] < bend < result.solution.covered[1]:
            notes.append(
                f"The nm axis of the file bends at {bend:.0f} nm, as if two pieces were put together: one curve "
                "through both may be off there by more than is told. Export pixel numbers, or each piece by itself."
            )
    return replace(result, warnings=(*result.warnings, *notes))
