"""Who emits: the whole way from one calibrated spectrum to verdicts."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np

from glowledger import progress
from glowledger.bench.model import Bench, LineSpread
from glowledger.errors import FitError
from glowledger.glow.answer import answer
from glowledger.glow.axis_freedom import offset_sd_nm
from glowledger.glow.binning import last_pixels, summed_pixels
from glowledger.glow.camera_filter import filter_found, filter_overlooked
from glowledger.glow.emitters import Emitter
from glowledger.glow.faint_levels import light_of
from glowledger.glow.final_templates import with_loosened, with_response
from glowledger.glow.fit_warnings import fit_warnings
from glowledger.glow.fitting import Solution, fit_scene
from glowledger.glow.judging import evidence_of
from glowledger.glow.likelihood import failed
from glowledger.glow.loosening import with_loosened_templates
from glowledger.glow.many_lines import (
    among_many_lines,
    fails_badly,
    many_lines_variance,
    shows_hydrogen,
    spread_of_lines,
)
from glowledger.glow.no_light import without_single_pixels
from glowledger.glow.one_hump import hump_width_nm, smooth_over_nm
from glowledger.glow.phosphor import PHOSPHOR
from glowledger.glow.phosphor_doubt import phosphor_variance
from glowledger.glow.plan import Plan, first_plan, seen_in, warming, with_clear, with_temperatures, with_tilts
from glowledger.glow.results import Fit
from glowledger.glow.room_light import fluorescent
from glowledger.glow.rotation import moved_kelvin, settled_with
from glowledger.glow.scene import Scene, build_scene, with_emitters
from glowledger.glow.second_start import COARSEST_FWHM_NM, WIDEST, best_start
from glowledger.glow.start_search import clearly_better, first_fit, lost
from glowledger.glow.starting import bridged, guessed_line_spread, narrowed
from glowledger.glow.uneven_noise import uneven_variance
from glowledger.glow.visibility import passing_between, unlit, visibility
from glowledger.glow.whole_pixels import fitted
from glowledger.spectra.averaging import mean_frame
from glowledger.spectra.cosmic_rays import without_cosmic_rays
from glowledger.spectra.frames import Frames
from glowledger.spectra.noise import estimate_noise, rounding_left, variance_of
from glowledger.tables.species import ListedSpecies, find_species
from glowledger.threads import one_thread

_LOG = logging.getLogger(__name__)
LEAST_PIXELS = 100
REFIT_ROUNDS = 6
MOST_GUESSES = 3  # of the line width
BLENDED = 1.3  # times its width: as wide a line may look among others before anything is fitted; the error of the guess
TOO_NARROW = 0.75  # of the width guessed: a fit from so far off settles slowly, on a grid for wider lines
CLOSING, MOST_CLOSING = 2, 6  # rounds of a fit with all emitters free; of the last one at most, while much still moves


@dataclass(frozen=True, eq=False, kw_only=True)
class Identified:
    """A fit with all its parts, for those who go on from it (runs, temperatures).

    Attributes
    ----------
    whole : Scene
        The spectrum with the final emitters, no pixels summed.
    few : (Scene, Solution)
        The final fit, of as many pixels summed as lines leave room for.
    fit : Fit
        The answer.
    plan : Plan
        How it was fitted.
    """

    whole: Scene
    few: tuple[Scene, Solution]
    fit: Fit
    plan: Plan

    @property
    def scene(self) -> Scene:
        """Scene of all pixels."""
        return self._in_all_pixels[0]

    @property
    def solution(self) -> Solution:
        """Fit of all pixels, made when first asked for."""
        return self._in_all_pixels[1]

    @cached_property
    def _in_all_pixels(self) -> tuple[Scene, Solution]:
        return one_thread(fitted)(self.whole, *self.few)


def identify_frame(
    frames: Frames, *, bench: Bench | None = None, species: Iterable[str] | None = None
) -> Fit:
    """Say who emits in one spectrum.

    Parameters
    ----------
    frames : Frames
        With an nm axis; several frames are averaged.
    bench : Bench, optional
        Line-spread, response, window; without it line width and shift are found from the data.
    species : iterable of str, optional
        Look only for these.

    Returns
    -------
    Fit

    Raises
    ------
    FitError
        If the axis is not in nm, the spectrum is too short, too dark, or too coarse.
    TableError
        If a species is not in the list.
    """
    return identify(frames, bench=bench, species=species).fit


@one_thread
def identify(
    frames: Frames, *, bench: Bench | None = None, species: Iterable[str] | None = None
) -> Identified:
    """As `identify_frame`, with all its parts kept."""
    _check(frames)
    one = without_single_pixels(averaged(frames))
    spread = _line_spread(one, bench)
    listed = find_species(None if species is None else tuple(species))
    if species is None and not fluorescent(one, float(spread.fwhm(float(np.median(one.axis)))), offset_sd_nm(bench)):
        listed = tuple(each for each in listed if each.name != PHOSPHOR)
    guesses = MOST_GUESSES if bench is None or bench.line_spread is None else 1
    while True:
        found = _fits(one, listed, bench, spread, (TOO_NARROW if guesses > 1 else 0.0, np.inf))
        width = found[2][1].adjustment.shape.width
        if guesses == 1 or width >= TOO_NARROW:
            break
        # between bands that stand close no peak is as narrow as a line, and the grid is made for lines as they looked
        _LOG.info("lines are %.2f times as wide as they looked: fitted again", width)
        spread, guesses = narrowed(spread, width), guesses - 1
    if bench is None or bench.line_spread is None:
        again = partial(_fits, one, listed, bench, sound=(0.0, WIDEST), above_nm=found[1].cut_above_nm)
        found = best_start(found, spread, again, everything=species is None)
    answered = _identified(frames, found[1], found[2], listed, bench, found[0])
    above_nm = filter_overlooked(found[1], answered.fit, listed, bench)
    if np.isfinite(above_nm):
        behind = _fits(one, listed, bench, spread, (0.0, np.inf), above_nm=above_nm)
        if clearly_better(behind[2], found[2]):
            answered = _identified(frames, behind[1], behind[2], listed, bench, behind[0])
    seen = visibility(*answered.few, bench)
    least = COARSEST_FWHM_NM if seen.lit_from_nm < seen.lit_to_nm else COARSEST_FWHM_NM / 2  # where nothing stands out
    _check_width(answered.fit.fwhm_nm, least)  # ripples of noise on smooth light look like narrower lines at first
    counts = bridged(one.counts[0], one.mask[0])
    _check_width(hump_width_nm(one.axis, counts, answered.fit.fwhm_nm))
    if any(one.verdict in ("present", "possible") for one in answered.fit.species):
        _check_width(smooth_over_nm(one.axis, counts))
    return answered


def _fits(
    one: Frames, listed: tuple[ListedSpecies, ...], bench: Bench | None, spread: LineSpread,
    sound: tuple[float, float], *, above_nm: float | None = None,
) -> tuple[Plan, Scene, tuple[Scene, Solution]]:
    """Fit one spectrum three times, from a guess of the line width, or until lines are no longer in sound parts of it.

    Returns how it was fitted, the scene of all pixels, and the last fit.
    """
    low, high = float(one.axis[0]), float(one.axis[-1])
    plan = first_plan(listed)
    whole, scene, solution = _first(one, plan.emitters(listed, low, high), bench, spread, above_nm)
    unlit_below = unlit(scene, visibility(scene, solution, bench))
    final = passing_between(whole, 0.0, scene.cut_above_nm)
    progress.tell(0.3)
    for last, done in ((False, 0.6), (True, 0.9)):
        if not sound[0] <= solution.adjustment.shape.width <= sound[1]:
            return plan, final, (scene, solution)
        asked, before = seen_in(scene, solution, listed, plan), (scene, solution)
        if last:
            asked = with_tilts(with_clear(asked, scene, solution, listed), scene, solution)
            asked = with_temperatures(asked, scene, solution, listed)
        else:
            asked = warming(asked, scene, solution, listed)
            if asked.freed == plan.freed and not asked.kelvin:
                continue
        if last and plan.is_like(asked):
            plan = replace(plan, temperatures=asked.temperatures)
            scene = with_loosened_templates(scene, before, listed, plan.kelvin)
            solution = fit_scene(scene, rounds=0, before=before, closing=1, most=MOST_CLOSING)
            break
        fitted_by = partial(_fit_by, whole, listed, bench, before, unlit_below, last=last)
        final, scene, solution = fitted_by(asked)
        if asked.tilt != plan.tilt and lost((scene, solution), before):
            asked = replace(asked, tilt=plan.tilt)
            final, scene, solution = fitted_by(asked)
        plan = asked
        progress.tell(done)
        many = len(scene.emitters), len(listed), int(scene.used.sum())
        _LOG.info("fitted %d patterns of %d species to %d pixels", *many)
    if scene.summed_pixels > 1 and failed(solution):  # where nothing fits, what little is told is in the shapes
        before = scene, solution
        scene = with_loosened_templates(final, before, listed, plan.kelvin)
        solution = fit_scene(scene, rounds=REFIT_ROUNDS, before=before, closing=CLOSING, most=MOST_CLOSING)
    return plan, final, (scene, solution)


def _fit_by(
    whole: Scene, listed: tuple[ListedSpecies, ...], bench: Bench | None, before: tuple[Scene, Solution],
    unlit_below: float, plan: Plan, *, last: bool,
) -> tuple[Scene, Scene, Solution]:
    """Fit by a plan, from where an earlier fit stands; return the scene of all pixels, that of fewer, and its fit."""
    low, high = float(whole.axis_nm[0]), float(whole.axis_nm[-1])
    emitters = plan.emitters(listed, low, high, light_of(*before).told)
    final = passing_between(with_emitters(whole, emitters, bench), unlit_below, before[0].cut_above_nm)
    scene = summed_pixels(final, last_pixels(final, before[0].summed_pixels))
    scene = with_loosened_templates(scene, before, listed, plan.kelvin)
    closing, most = (1, MOST_CLOSING) if last else (CLOSING, CLOSING)
    return final, scene, fit_scene(scene, rounds=0, before=before, closing=closing, most=most)


def _as_of_hydrogen(
    scene: Scene, few: Scene, fit: Callable[[Scene], tuple[Scene, Solution]]
) -> tuple[Scene, Scene, Solution] | None:
    """Return scene and fit, as `_first`, that allow for hydrogen's many lines; None where that shows no hydrogen."""
    allowed = np.interp(scene.axis_nm, few.axis_nm, spread_of_lines(few)) / few.summed_pixels**2
    lines = among_many_lines(scene, allowed)
    found = fit(lines)
    return (lines, *found) if shows_hydrogen(*found) else None


@one_thread
def identify_alike(frames: Frames, like: Identified, *, bench: Bench | None = None) -> Identified:
    """Say who emits in a spectrum of an instrument and a glow much like those of another, which is fitted.

    As `identify`, from where the other fit stands: the instrument is only adjusted, temperatures are taken over.

    Parameters
    ----------
    frames : Frames
        On the axis of the other; several frames are averaged.
    like : Identified
        The other.
    bench : Bench, optional
        As for the other.
    """
    _check(frames)
    listed = find_species(tuple(e.name for e in like.fit.species))
    one, start = averaged(frames), like.solution
    low, high = float(one.axis[0]), float(one.axis[-1])
    many_lines = like.scene.many_lines
    scene = among_many_lines(build_scene(one, like.scene.emitters, like.scene.line_spread, bench), many_lines)
    scene = passing_between(scene, 0.0, like.scene.cut_above_nm)
    solution = fit_scene(scene, start.adjustment, REFIT_ROUNDS, start.levels)
    plan = seen_in(scene, solution, listed, like.plan)
    emitters = plan.emitters(listed, low, high, light_of(scene, solution).told)
    unlit_below = unlit(scene, visibility(scene, solution, bench))
    refined = among_many_lines(build_scene(one, emitters, scene.line_spread, bench), many_lines)
    refined = passing_between(refined, unlit_below, like.scene.cut_above_nm)
    refined = with_loosened_templates(refined, (scene, solution), listed, plan.kelvin)
    solution = fit_scene(refined, None, REFIT_ROUNDS, before=(scene, solution), most=MOST_CLOSING)
    return _identified(frames, refined, (refined, solution), listed, bench, plan)


def _first(
    one: Frames, emitters: tuple[Emitter, ...], bench: Bench | None, spread: LineSpread, above_nm: float | None
) -> tuple[Scene, Scene, Solution]:
    """Fit for the first time: place and width of lines are not known yet, nor what a filter stops.

    From another guess of the width it is asked only what an earlier fit does not tell: beyond `above_nm` a filter stops
    all light, infinite where none does. Returns the scene, the same with as many pixels summed as a line needs, and the
    fit of that.
    """
    if not emitters:
        raise FitError(
            f"none of the species asked for emits between {one.axis[0]:.0f} and {one.axis[-1]:.0f} nm.",
            mend="Ask for others, or use a spectrum of another range.",
        )
    scene, offset_sd, again = build_scene(one, emitters, spread, bench), offset_sd_nm(bench), above_nm is not None
    progress.tell(0.1)
    fit = partial(
        first_fit, width_known=bench is not None and bench.line_spread is not None, width_held=again, closing=CLOSING
    )
    if above_nm is not None:
        few, solution = fit(passing_between(scene, 0.0, above_nm), offset_sd)
    else:
        (few, solution), above_nm = filter_found(scene, bench, lambda other: fit(other, offset_sd))
    if few.summed_pixels > 1 and failed(solution):  # where nothing fits, what little is told is in the shapes
        few, solution = fit(passing_between(scene, 0.0, above_nm), offset_sd, whole=True)
    many_lines, phosphor = many_lines_variance(few, solution), phosphor_variance(few, solution)
    hydrogen = None
    if not (again or np.any(many_lines + phosphor > 0)) and fails_badly(few, solution):
        # from the axis as it is: among so many lines another one can always be found that suits some of them
        hydrogen = _as_of_hydrogen(scene, few, lambda other: fit(passing_between(other, 0.0, above_nm), 0.0))
    if hydrogen is not None:
        scene, few, solution = hydrogen
    elif np.any(many_lines + phosphor > 0):  # what fails for want of their places is begun anew
        allowed = np.interp(scene.axis_nm, few.axis_nm, many_lines + phosphor) / few.summed_pixels**2
        scene = among_many_lines(scene, allowed)
        if phosphor.any():  # seen where it is listed: the axis is not farther off than this fit has it
            offset_sd = min(offset_sd, abs(float(solution.adjustment.shift_nm[0])))
        few, solution = fit(passing_between(scene, 0.0, above_nm), offset_sd)
    uneven = np.interp(scene.axis_nm, few.axis_nm, uneven_variance(few, solution)) / few.summed_pixels
    return replace(scene, stated_variance=scene.stated_variance + uneven), few, solution


def _identified(
    frames: Frames,
    whole: Scene,
    fit: tuple[Scene, Solution],
    listed: tuple[ListedSpecies, ...],
    bench: Bench | None,
    plan: Plan,
) -> Identified:
    """Judge a final fit that was made by a plan."""
    temperatures = settled_with(plan.temperatures, moved_kelvin(*fit, plan.kelvin))
    scene, solution = with_loosened(*fit)
    solution = with_response(scene, solution)
    seen = visibility(scene, solution, bench)
    evidence = evidence_of(scene, solution, listed, seen, temperatures)
    placed = bench is not None and bench.solution is not None
    warnings = fit_warnings(frames, whole, (scene, solution), seen, evidence, calibrated=placed)
    return Identified(
        whole=whole, few=(scene, solution), plan=plan,
        fit=answer(whole, scene, solution, evidence, temperatures, warnings),
    )  # fmt: skip


def averaged(frames: Frames) -> Frames:
    """Return the mean of all frames as one frame that keeps what the frames tell of the noise.

    Parameters
    ----------
    frames : Frames
        n frames.

    Returns
    -------
    Frames
        One frame.
    """
    if len(frames) == 1:
        return frames
    frames = without_cosmic_rays(frames)
    noise = estimate_noise(frames)
    known = noise.detector
    if noise.gain_assumed:
        known = replace(known, counts_per_electron=frames.detector.counts_per_electron)
    mean = mean_frame(frames)
    left = rounding_left(frames.counts, variance_of(mean.counts[0], noise.detector))
    added = left if mean.added_variance is None else mean.added_variance + left
    return replace(mean, detector=known, added_variance=added)


def _check(frames: Frames) -> None:
    if frames.axis_kind != "nm_air":
        raise FitError(
            "the spectrum has a pixel axis, not wavelengths.",
            mend="Record a lamp and run 'glowledger calibrate' first, then give its bench file with --bench.",
        )
    if frames.axis.size < LEAST_PIXELS:
        raise FitError(
            f"{frames.axis.size} points are too few; at least {LEAST_PIXELS} are needed.",
            mend="Export the whole spectrum.",
        )
    if not np.any(~frames.mask & (frames.counts != 0)):
        raise FitError("there is no light in it: every value is zero or masked.", mend="Record it again.")


def _line_spread(frames: Frames, bench: Bench | None) -> LineSpread:
    if bench is not None and bench.line_spread is not None:
        return bench.line_spread
    pixel = float(np.median(np.diff(frames.axis)))
    if pixel > COARSEST_FWHM_NM / 2:
        raise FitError(
            f"the points are {pixel:.2g} nm apart: too coarse to tell species apart.",
            mend=f"Use a spectrometer with lines narrower than {COARSEST_FWHM_NM:.0f} nm and two points in each.",
        )
    spread = guessed_line_spread(frames)
    _check_width(float(spread.fwhm_nm[0]), BLENDED * COARSEST_FWHM_NM)
    return spread


def _check_width(fwhm_nm: float, least_nm: float = COARSEST_FWHM_NM) -> None:
    if fwhm_nm > least_nm:
        raise FitError(
            f"nothing in it is narrower than about {fwhm_nm:.0f} nm: smooth light, as of a lamp, an LED or daylight, "
            "and not a glow; or a spectrometer too coarse to tell species apart.",
            mend=f"Keep other light from the fibre; lines must be narrower than {COARSEST_FWHM_NM:.0f} nm.",
        )
