"""Who emits: the whole way from one calibrated spectrum to verdicts."""

from __future__ import annotations

import logging
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from glowledger import progress
from glowledger.bench.model import Bench, LineSpread
from glowledger.errors import FitError
from glowledger.glow.axis_freedom import offset_sd_nm
from glowledger.glow.band_emitters import rough_positions
from glowledger.glow.binning import summed_pixels
from glowledger.glow.choosing import OTHERS, chosen_emitters
from glowledger.glow.emitters import Emitter
from glowledger.glow.faint_levels import light_of
from glowledger.glow.final_templates import with_loosened, with_response
from glowledger.glow.fit_warnings import fit_warnings
from glowledger.glow.fitting import Solution, fit_scene
from glowledger.glow.judging import evidence_of
from glowledger.glow.level_tilt import level_tilt
from glowledger.glow.likelihood import drop_species, failed, more_significant
from glowledger.glow.loosening import with_loosened_templates
from glowledger.glow.many_lines import among_many_lines, many_lines_variance
from glowledger.glow.results import Fit, SpeciesEvidence, Temperature
from glowledger.glow.rotation import found_kelvin, moved_kelvin, profile_temperature, settled, settled_with
from glowledger.glow.scene import Scene, build_scene, with_emitters
from glowledger.glow.species_light import species_light
from glowledger.glow.start_search import first_fit
from glowledger.glow.starting import guessed_line_spread
from glowledger.glow.uneven_noise import uneven_variance
from glowledger.glow.visibility import unlit, visibility, window_free_below
from glowledger.spectra.averaging import mean_frame
from glowledger.spectra.frames import Frames
from glowledger.spectra.noise import estimate_noise, rounding_left, variance_of
from glowledger.tables.species import ListedSpecies, find_species
from glowledger.threads import one_thread

_LOG = logging.getLogger(__name__)
FREED_AT_START = frozenset({"N2", "N2+", "Ar I", "H I", "O I", "He I", "Ne I"})
FREED_BY = {"H2": "H I"}  # the many lines of a molecule may be anything, unless its atoms glow clearly
BLENDED = 2.0  # standard errors of a level beside its neighbours over those were it alone
FREE_SIGMA = 3.0  # a species this significant has its levels freed
CLEAR_SIGMA = 15.0  # this significant, an atom shows more than its few main levels
TEMPERATURE_SIGMA = 12.0  # bands this significant speak of temperature
BEYOND_DOUBT = 2.5  # times that by the quick answer, where others may still take the light
COARSEST_FWHM_NM = 15.0  # beyond it no band has a shape of its own
BRIGHT_SHARE = 0.2
ATOM_SIGMA = 6.0  # what frees a molecule by its atom
LEAST_PIXELS = 100
REFIT_ROUNDS = 6
# standard deviations by which the whole model may move before all emitters are freed, which moves it by some ten, in
# the fit that decides which levels are free and how hot bands are, and in the last one
NEARLY_OPEN, NEARLY_DONE = 2.0, 1.5
CLOSING = 3  # rounds of the last fit with all emitters free
OPENING = 2  # rounds with all emitters free that decide which levels are freed and how hot bands are


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Identified:
    """A fit with all its parts, for those who go on from it (runs, temperatures).

    Attributes
    ----------
    scene : Scene
        Final scene.
    solution : Solution
        Final solution.
    fit : Fit
        The answer.
    freed : frozenset of str
        Species fitted level by level.
    t_rot_k : dict of str to float
        Rotational temperatures used, by species; key '' for those not named.
    tilt : dict of str to float
        By how much 1 / kT of an atom's levels was found less than the typical, 1 / eV.
    """

    scene: Scene
    solution: Solution
    fit: Fit
    freed: frozenset[str]
    t_rot_k: dict[str, float]
    tilt: dict[str, float]


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
    listed = find_species(None if species is None else tuple(species))
    one = averaged(frames)
    low, high = float(one.axis[0]), float(one.axis[-1])
    freed = FREED_AT_START & frozenset(s.name for s in listed)
    whole, scene, solution = _first(one, chosen_emitters(listed, freed, {}, low, high), bench)
    unlit_below = unlit(scene, visibility(scene, solution, bench))
    progress.tell(0.3)
    t_rot: dict[str, float] = {}
    temperatures: tuple[Temperature, ...] = ()
    tilt: dict[str, float] = {}
    told: tuple[object, ...] = ()
    for last, done in ((False, 0.6), (True, 0.9)):
        freed = _freed(scene, solution, freed)
        temperatures = _temperatures(scene, solution, listed, freed, moved_kelvin(scene, solution, t_rot), fine=last)
        found = found_kelvin(temperatures)
        bright, clear = _bright(scene, solution), _significant(scene, solution, frozenset(), CLEAR_SIGMA)
        if last:  # what glows beside a bright atom is freed first, lest the atom's high levels take its light
            tilt = _tilts(scene, solution)
        if told == (freed, bright, clear, tilt, tuple(found)) and settled(found, t_rot):
            before = scene, solution
            scene = window_free_below(with_emitters(whole, scene.emitters, bench), unlit_below)
            scene = with_loosened_templates(scene, before, listed, t_rot)
            solution = fit_scene(scene, rounds=0, before=before, closing=CLOSING)
            break
        told = (freed, bright, clear, tilt, tuple(found))
        t_rot.update(found)
        seen = light_of(scene, solution).told
        emitters = chosen_emitters(listed, freed, t_rot, low, high, bright, clear, tilt, seen)
        before = scene, solution
        scene = window_free_below(with_emitters(whole, emitters, bench), unlit_below)
        if not last:
            scene = summed_pixels(scene, before[0].summed_pixels)
        scene = with_loosened_templates(scene, before, listed, t_rot)
        closing, nearly = (CLOSING, NEARLY_DONE) if last else (OPENING, NEARLY_OPEN)
        solution = fit_scene(scene, rounds=REFIT_ROUNDS, before=before, closing=closing, nearly=nearly)
        progress.tell(done)
        _LOG.info("fitted %d patterns of %d species to %d pixels", len(emitters), len(listed), int(scene.used.sum()))
    return _identified(frames, scene, solution, listed, bench, (freed, t_rot, tilt, temperatures))


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
    one, before = averaged(frames), like.solution
    low, high = float(one.axis[0]), float(one.axis[-1])
    many_lines = like.scene.many_lines
    scene = among_many_lines(build_scene(one, like.scene.emitters, like.scene.line_spread, bench), many_lines)
    solution = fit_scene(scene, before.adjustment, REFIT_ROUNDS, before.levels, closing=OPENING, nearly=NEARLY_OPEN)
    freed = _freed(scene, solution, like.freed)
    bright, clear = _bright(scene, solution), _significant(scene, solution, frozenset(), CLEAR_SIGMA)
    seen = light_of(scene, solution).told
    emitters = chosen_emitters(listed, freed, like.t_rot_k, low, high, bright, clear, like.tilt, seen)
    unlit_below = unlit(scene, visibility(scene, solution, bench))
    refined = among_many_lines(build_scene(one, emitters, scene.line_spread, bench), many_lines)
    refined = window_free_below(refined, unlit_below)
    refined = with_loosened_templates(refined, (scene, solution), listed, like.t_rot_k)
    solution = fit_scene(refined, None, REFIT_ROUNDS, before=(scene, solution), closing=CLOSING, nearly=NEARLY_DONE)
    found = freed, like.t_rot_k, like.tilt, like.fit.temperatures
    return _identified(frames, refined, solution, listed, bench, found)


def _first(one: Frames, emitters: tuple[Emitter, ...], bench: Bench | None) -> tuple[Scene, Scene, Solution]:
    """Fit for the first time: place and width of lines are not known yet.

    Returns the scene, the same with as many pixels summed as a line needs, and the fit of that.
    """
    spread = _line_spread(one, bench)
    if not emitters:
        raise FitError(
            f"none of the species asked for emits between {one.axis[0]:.0f} and {one.axis[-1]:.0f} nm.",
            mend="Ask for others, or use a spectrum of another range.",
        )
    scene = build_scene(one, emitters, spread, bench)
    progress.tell(0.1)
    width_known = bench is not None and bench.line_spread is not None
    few, solution = first_fit(scene, offset_sd_nm(bench), width_known=width_known, closing=OPENING)
    if few is not scene and failed(solution):  # where nothing fits, what little is told is in the shapes
        few, solution = first_fit(scene, offset_sd_nm(bench), width_known=width_known, closing=OPENING, whole=True)
    many_lines = many_lines_variance(few, solution)
    many_lines = np.interp(scene.axis_nm, few.axis_nm, many_lines) / few.summed_pixels**2
    if np.any(many_lines > 0):  # what fails for want of their places is begun anew
        scene = among_many_lines(scene, many_lines)
        few, solution = first_fit(scene, offset_sd_nm(bench), width_known=width_known, closing=OPENING)
    uneven = np.interp(scene.axis_nm, few.axis_nm, uneven_variance(few, solution)) / few.summed_pixels
    return replace(scene, stated_variance=scene.stated_variance + uneven), few, solution


def _identified(
    frames: Frames,
    scene: Scene,
    solution: Solution,
    listed: tuple[ListedSpecies, ...],
    bench: Bench | None,
    found: tuple[frozenset[str], dict[str, float], dict[str, float], tuple[Temperature, ...]],
) -> Identified:
    """Judge a final fit, with the species freed, the temperatures and tilts used and the temperatures found."""
    temperatures = settled_with(found[3], moved_kelvin(scene, solution, found[1]))
    scene, solution = with_loosened(scene, solution)
    solution = with_response(scene, solution)
    seen = visibility(scene, solution, bench)
    evidence = evidence_of(scene, solution, listed, seen, temperatures)
    fit = _fit(scene, solution, evidence, temperatures, fit_warnings(frames, scene, solution, seen, evidence))
    return Identified(scene=scene, solution=solution, fit=fit, freed=found[0], t_rot_k=found[1], tilt=found[2])


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
    if spread.fwhm_nm[0] > COARSEST_FWHM_NM:
        raise FitError(
            f"lines look about {spread.fwhm_nm[0]:.0f} nm wide (give or take a third, by the narrower of the peaks): "
            "too coarse to tell species apart.",
            mend=f"Use a spectrometer with lines narrower than {COARSEST_FWHM_NM:.0f} nm.",
        )
    return spread


def _significant(
    scene: Scene, solution: Solution, already: frozenset[str], sigma: float = FREE_SIGMA
) -> frozenset[str]:
    names, _ = scene.species_of_emitters()
    return frozenset(
        n for n in names if n not in already and more_significant(scene, solution, scene.columns_of(n), sigma)
    )


def _freed(scene: Scene, solution: Solution, before: frozenset[str]) -> frozenset[str]:
    """Return the species to be fitted level by level."""
    clear = _significant(scene, solution, frozenset(), ATOM_SIGMA)
    here = frozenset(scene.species_of_emitters()[0])
    held = frozenset(name for name, atom in FREED_BY.items() if atom in here and atom not in clear)
    by_atom = frozenset(name for name, atom in FREED_BY.items() if name in here and atom in clear)
    return (before | _significant(scene, solution, before) | by_atom) - held


def _bright(scene: Scene, solution: Solution) -> frozenset[str]:
    """Return the species that give much of the line light."""
    names, index = scene.species_of_emitters()
    light = (scene.used.astype(float) @ solution.templates) * solution.x[: len(scene.emitters)]
    share = np.bincount(index, light, len(names)) / max(float(light.sum()), np.finfo(float).tiny)
    return frozenset(name for name, part in zip(names, share, strict=True) if part > BRIGHT_SHARE)


def _tilts(scene: Scene, solution: Solution) -> dict[str, float]:
    """Return by how much each atom is excited otherwise than typical."""
    m = len(scene.emitters)
    error = BLENDED / np.sqrt(np.maximum(np.diag(solution.sums.gram)[:m], np.finfo(float).tiny))
    weight, energy = (np.array([getattr(e, name) for e in scene.emitters]) for name in ("weight", "energy_ev"))
    found = {}
    for name in scene.species_of_emitters()[0]:
        own = scene.columns_of(name)
        found[name] = level_tilt(energy[own], weight[own], solution.x[:m][own], error[own])
    return {name: value for name, value in found.items() if value}


def _temperatures(
    scene: Scene,
    solution: Solution,
    listed: tuple[ListedSpecies, ...],
    freed: frozenset[str],
    before_k: dict[str, float],
    *,
    fine: bool,
) -> tuple[Temperature, ...]:
    found = []
    for one in listed:
        columns = scene.columns_of(one.name)
        out = not one.molecular or one.name not in freed or columns.size == 0 or rough_positions(one)
        if out or any(scene.emitters[i].label.endswith("typical") for i in columns):
            continue
        # not by the quick answer unless it is beyond doubt: alone in its range a molecule's own errors hold it back
        if more_significant(scene, solution, columns, BEYOND_DOUBT * TEMPERATURE_SIGMA) or (
            more_significant(scene, solution, columns, FREE_SIGMA)
            and drop_species(scene, solution, columns).significance > TEMPERATURE_SIGMA
        ):
            near = before_k.get(one.name, before_k.get(OTHERS))  # its own, or that of the others, from before
            found.append(profile_temperature(scene, solution, one, columns, near, fine=fine))
    return tuple(found)


def _fit(
    scene: Scene,
    solution: Solution,
    evidence: tuple[SpeciesEvidence, ...],
    temperatures: tuple[Temperature, ...],
    warnings: tuple[str, ...],
) -> Fit:
    m = len(scene.emitters)
    middle = scene.axis_nm.size // 2
    moved = (scene.shift_basis[:-1] + scene.shift_basis[1:]) @ solution.adjustment.shift_nm / 2
    counts = scene.used.astype(float) @ solution.templates
    return Fit(
        axis_nm=scene.axis_nm + moved,
        data=scene.data,
        model=solution.model,
        background=solution.columns[:, m:] @ solution.x[m:] + solution.free_values[-1],
        standard_deviation=np.sqrt(solution.pixel_variance(scene)),
        used=scene.used,
        species_model={
            e.name: species_light(scene, solution, scene.columns_of(e.name))
            for e in evidence
            if e.verdict in ("present", "possible")
        },
        emitter_labels=tuple(e.label for e in scene.emitters),
        amplitude=solution.x[:m] * counts,
        covariance=solution.normal.covariance(solution.x)[:m, :m] * counts[:, None] * counts[None, :],
        species=evidence,
        shift_nm=solution.shift_at(scene, middle),
        shift_se_nm=solution.shift_error_at(scene, middle),
        fwhm_nm=float(scene.line_spread.fwhm(scene.axis_nm[middle])) * solution.adjustment.shape.width,
        chi2_reduced=solution.chi2_reduced,
        mismatch=solution.levels.template_error,
        temperatures=temperatures,
        warnings=warnings,
    )
