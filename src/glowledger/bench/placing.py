"""Peaks placed under a trial scale: which lines make up each, where they fall, how surely."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.polynomial.chebyshev import chebder, chebval
from numpy.typing import NDArray
from scipy.special import bdtrc

from glowledger.bench.company import doubting_wide
from glowledger.bench.element_light import as_it_burns
from glowledger.bench.identified import Identified, Placed, as_identified, joined
from glowledger.bench.shifts import (
    BAND_WIDTH_NM,
    BAND_WIDTH_SPREAD_NM,
    FAINT_SPREAD,
    STRENGTH_SPREAD,
    Shift,
    Window,
    fit_shifts,
)
from glowledger.bench.shots import Shot

Floats = NDArray[np.float64]

SHAPE_ERROR = 0.015  # of the FWHM: how well the assumed line shape centres a real one
BLEND_ERROR = 0.03  # the same for blends, in which faint lines of no list may hide
FAINT_FACTOR = 2.5  # lines that a lamp only may show: root mean square of true over listed strength
LARGEST_BLEND_ERROR = 0.2  # of the FWHM: blends vaguer than this are not used
VAGUEST = 0.6  # of the FWHM: peaks vaguer than this say nothing
MOST_PLACED, MOST_ROUGH = 80, 28  # peaks: the brightest tell enough
CHANCE_REACH = 0.6  # of the FWHM: a peak so near is taken for the line
OWN_PEAK = 0.5  # of the FWHM: a peak so near a line is the line's
BAND_REACH = 0.9  # of the width of a phosphor band: nearer ones make one peak
PLATEAU = 0.12  # of the FWHM: how far a flat-topped line may lie from the middle of its top
ONE_FLANK, FLANK_REACH = 0.15, 2.2  # of the FWHM: error of a flat-topped line, a flank of which is gone in a second one
BAND_ABSENT = 0.1  # how often a phosphor band shows no peak, as a line of a lamp; common practice
TOO_NARROW = 0.6  # of the FWHM: no line is, so a hot pixel makes such a peak, or stands beside the line in it
MISFIT = 0.08  # of the height: a peak fitted worse than this has a hot pixel or a stranger in it
LEAST_SHARE = 0.005  # lines fainter than this share of the brightest beside them do not matter
BRIGHT, SEEN_SHARE = 0.3, 0.25  # an element is there if this share of its lines above 0.3 of the brightest is
# or, below one half, not so many of three or more would meet a peak by chance, as beside their places (FWHM)
EXCITES = "Hg I"  # whose ultraviolet light phosphors turn into their bands: where it is dark there are none
BY_CHANCE, HALF, FEWEST_TOLD = 0.02, 0.5, 3
BESIDE = (-9.0, -7.0, -5.0, -3.0, 3.0, 5.0, 7.0, 9.0)


@dataclass(slots=True)
class _Trial:
    """A trial scale on the pixel grid of one shot."""

    nm: Floats
    slope: Floats
    line_px: Floats
    order: NDArray[np.intp]
    recorded: NDArray[np.bool_]  # which lines are within the record


def _on_grid(shot: Shot, coefficients: Floats) -> _Trial:
    pixels = np.arange(len(shot.u), dtype=np.float64)
    nm = np.asarray(chebval(shot.u, coefficients), dtype=np.float64)
    slope = np.abs(np.asarray(chebval(shot.u, chebder(coefficients)))) * np.gradient(shot.u)
    order = np.argsort(nm)
    line_px = np.interp(shot.lines.wavelength_nm, nm[order], pixels[order])
    for end in order[[0, -1]].tolist():  # a line beyond the end of the record still pulls one before it
        beyond = shot.lines.wavelength_nm < nm[end] if end == order[0] else shot.lines.wavelength_nm > nm[end]
        outwards = -1.0 if end == 0 else 1.0
        line_px[beyond] = end + outwards * np.abs(shot.lines.wavelength_nm[beyond] - nm[end]) / slope[end]
    recorded = (line_px > -0.5) & (line_px < len(nm) - 0.5)
    return _Trial(nm=nm, slope=slope, line_px=line_px, order=order, recorded=recorded)


def identify_peaks(shot: Shot, coefficients: Floats, reach: float, most: int = MOST_PLACED) -> Identified:
    """Place the lines of the lamp under a trial scale, peak by peak.

    Parameters
    ----------
    shot : Shot
        One lamp spectrum.
    coefficients : ndarray
        Chebyshev coefficients of the trial scale.
    reach : float
        Largest distance between a peak and its line, in FWHM.
    most : int
        So many of the brightest peaks are placed.

    Returns
    -------
    Identified
    """
    trial = _on_grid(shot, coefficients)
    shot = replace(shot, lines=as_it_burns(shot, trial.line_px))
    chosen = np.sort(np.argsort(-shot.peaks.area, kind="stable")[:most])
    about = [found for i in chosen.tolist() if (found := _within(shot, trial, i, reach)) is not None]
    lines = [peak for peak in about if shot.lines.anchor[peak.brightest]]
    shifts = fit_shifts([_window(shot, trial, peak) for peak in lines])
    fitted = dict(zip([peak.i for peak in lines], shifts, strict=True))
    rows = []
    for peak in about:
        if not shot.lines.anchor[peak.brightest]:
            rows.append(_band_peak(shot, trial, peak))
        elif (shift := fitted[peak.i]) is not None:
            rows.append(_line_peak(shot, trial, peak, shift, reach))
    return as_identified(rows)


@dataclass(frozen=True, slots=True, eq=False)
class _About:
    """What is listed about a peak: its number, centre and width in pixels, the step in nm; indices of lines.

    `within` reach; `around` it, with all that matters; the `brightest` within; `pull` of faint neighbours in pixels.
    """

    i: int
    centre: float
    width: float
    slope: float
    within: NDArray[np.intp]
    around: NDArray[np.intp]
    brightest: int
    pull: float


def _within(shot: Shot, trial: _Trial, i: int, reach: float) -> _About | None:
    """Return what is listed about one peak; None if there is nothing within reach."""
    lines, centre = shot.lines, float(shot.peaks.pixel[i])
    at = int(np.clip(round(centre), 0, len(trial.nm) - 1))
    width = float(shot.fwhm_px[at])
    distance = np.abs(trial.line_px - centre)
    within = np.flatnonzero((distance < reach * width) & trial.recorded)
    if len(within) == 0:
        return None
    if not np.any(lines.bright[within]):  # a phosphor band beside a line that the lamp only may show is likelier
        band_reach = BAND_REACH * np.hypot(width, BAND_WIDTH_NM / trial.slope[at])
        bands = np.flatnonzero(~lines.anchor & (distance < band_reach) & trial.recorded)
        within = bands if np.any(lines.strength[bands] > np.max(lines.strength[within])) else within
    near = distance < 1.9 * width
    near[within] = True
    around = np.flatnonzero(near)
    least = LEAST_SHARE * np.max(lines.strength[within])
    within, around = (rows[lines.strength[rows] > least] for rows in (within, around))
    sure = within[lines.bright[within]]
    pull = 0.0
    if len(sure):  # a line that the lamp only may show adds doubt to one that it surely shows, no more
        faint = around[~lines.bright[around]]
        around = around[lines.bright[around]]
        within = sure
        pull = _pull_of(trial.line_px[faint] - centre, lines.strength[faint] / np.max(lines.strength[sure]), width)
    brightest = int(within[np.argmax(lines.strength[within])])
    return _About(i, centre, width, float(trial.slope[at]), within, around, brightest, pull)


def _line_peak(shot: Shot, trial: _Trial, peak: _About, fit: Shift, reach: float) -> Placed:
    """Return a peak that listed lines explain, placed by the shift of these."""
    lines, i, width, slope, around = shot.lines, peak.i, peak.width, peak.slope, peak.around
    listed = around[lines.anchor[around]]
    near = np.any(listed[:, None] == peak.within[None, :], axis=1)
    chosen = int(np.flatnonzero(near)[np.argmax(fit.area[near])])
    place = trial.line_px[listed[chosen]] + fit.shift_px
    blend = len(listed) > 1 or len(around) > len(listed)
    floor = BLEND_ERROR if blend else SHAPE_ERROR
    error = float(np.hypot((2.0 if blend else 1.0) * fit.standard_error_px, np.hypot(floor * width, peak.pull)))
    error = float(np.hypot(error, ONE_FLANK * width if _lost_a_flank(shot, i, width) else 0.0))
    error = float(np.hypot(error, _pull_of_bands(shot, trial, peak, int(listed[chosen]))))
    likely = lines.strength[listed[chosen]] > 0.3 * np.max(lines.strength[listed[near]])
    vague = bool(likely and abs(fit.shift_px) < reach * width and _as_the_plateau_says(shot, i, place, width))
    vague &= not shot.peaks.fwhm_px[i] < TOO_NARROW * width
    good = vague and fit.misfit < MISFIT and error < LARGEST_BLEND_ERROR * width
    error = float(np.hypot(error, max(fit.misfit - MISFIT, 0.0) * width))
    share = fit.area / max(float(np.sum(fit.area)), 1e-300)
    others = (np.abs(trial.line_px[listed] - trial.line_px[listed[chosen]]) < 1.5 * width) & (share > 0.03)
    single = peak.pull < SHAPE_ERROR * width and bool(
        np.count_nonzero(others) <= 1 and not np.any(~lines.anchor[around])
    )
    nm = float(lines.wavelength_nm[listed[chosen]])
    u = float(shot.u_at(np.array(place)))
    light = float(np.sum(fit.area[near]) / np.sum(lines.strength[listed[near]]))
    brightness = float("nan") if shot.peaks.saturated[i] or light <= 0 else float(np.log(light))
    return Placed(
        i, u, nm, error * slope, width * slope, brightness, lines.species[listed[chosen]], bool(good),
        vague and error < VAGUEST * width, single, bool(lines.bright[listed[chosen]]), True,
    )  # fmt: skip


def _band_peak(shot: Shot, trial: _Trial, peak: _About) -> Placed:
    """Return a peak that phosphor bands explain: known, but never an anchor of the solution.

    Bands that the instrument does not resolve lie at their common centre, which moves with their ratio.
    """
    lines, i, centre, width, slope, around = shot.lines, peak.i, peak.centre, peak.width, peak.slope, peak.around
    members = around[np.abs(trial.line_px[around] - centre) < BAND_REACH * np.hypot(width, BAND_WIDTH_NM / slope)]
    gaps = np.abs(shot.peaks.pixel[None, :] - trial.line_px[members][:, None])  # a line that makes a peak of its own
    elsewhere = lines.anchor[members] & (np.min(gaps, axis=1) < np.minimum(OWN_PEAK * width, gaps[:, i]))
    members = members[~elsewhere] if np.any(~elsewhere) else members
    share = lines.strength[members] / np.sum(lines.strength[members])
    nm = float(share @ lines.wavelength_nm[members])
    spread = STRENGTH_SPREAD * share * (lines.wavelength_nm[members] - nm)
    own = float(share @ lines.error_nm[members])
    error = float(np.sqrt(own**2 + spread @ spread + (shot.peaks.standard_error_px[i] * slope) ** 2))
    strongest = int(members[np.argmax(share)])
    u = float(shot.u_at(np.array(centre)))
    name, bright = lines.species[strongest], bool(lines.bright[strongest])
    vague = error < VAGUEST * width * slope
    return Placed(i, u, nm, error, width * slope, float("nan"), name, False, vague, False, bright, False)


def _pull_of(offset_px: Floats, share: Floats, width: float) -> float:
    """Return how far unseen neighbours may pull the centre of a line: first order for a Gaussian, pixels."""
    near = np.exp(-2.0 * (offset_px / width) ** 2)
    return float(np.sqrt(np.sum((np.minimum(FAINT_FACTOR * share, 2.0) * offset_px * near) ** 2)))


def _pull_of_bands(shot: Shot, trial: _Trial, peak: _About, line: int) -> float:
    """Return how far phosphor bands under a line may pull it, pixels: they lie not quite where they are listed."""
    lines = shot.lines
    bands = peak.around[~lines.anchor[peak.around]]
    if len(bands) == 0:
        return 0.0
    near = np.exp(-2.0 * ((trial.line_px[bands] - trial.line_px[line]) / peak.width) ** 2)
    share = np.minimum(FAINT_FACTOR * lines.strength[bands] / lines.strength[line], 2.0)
    return float(np.sqrt(np.sum((share * near * lines.error_nm[bands] / peak.slope) ** 2)))


def _lost_a_flank(shot: Shot, i: int, width: float) -> bool:
    """Return whether a flat-topped line stands beside another one: where it lies hangs on the shape of one flank."""
    if not shot.peaks.saturated[i]:
        return False
    flat = shot.peaks.pixel[shot.peaks.saturated]
    return int(np.count_nonzero(np.abs(flat - shot.peaks.pixel[i]) < FLANK_REACH * width)) > 1


def _as_the_plateau_says(shot: Shot, i: int, place: float, width: float) -> bool:
    """Return whether a flat-topped line lies in the middle of its top; True for any other."""
    if not shot.peaks.saturated[i]:
        return True
    run = np.flatnonzero(shot.scene.saturated)
    run = run[np.abs(run - shot.peaks.pixel[i]) < 1.5 * width + 1.0]
    if len(run) == 0:
        return True
    return bool(abs(0.5 * (run[0] + run[-1]) - place) < PLATEAU * width + 0.5)


def _window(shot: Shot, trial: _Trial, peak: _About) -> Window:
    """Return the lines around one peak; neighbours that are not of the lamp are fitted along, unmoved."""
    listed = peak.around[shot.lines.anchor[peak.around]]
    bands = peak.around[~shot.lines.anchor[peak.around]]
    width = peak.width
    half_window = 1.05 * width + 1.5
    inside = np.arange(
        max(int(np.ceil(peak.centre - half_window)), 0), min(int(peak.centre + half_window) + 1, len(trial.nm))
    )
    inside = inside[shot.scene.usable[inside]]
    band_px = float(np.hypot(width, BAND_WIDTH_NM / peak.slope))
    nearby = shot.peaks.pixel[np.abs(shot.peaks.pixel - peak.centre) < 1.9 * width]
    own = _any_near(trial.line_px[listed], nearby, 0.7 * width)
    foreign = nearby[~(own | _any_near(trial.line_px[bands], nearby, BAND_REACH * band_px))].tolist()
    return Window(
        x=inside.astype(np.float64), y=shot.scene.counts[inside], noise=shot.scene.noise[inside],
        centre_px=trial.line_px[listed], share=shot.lines.strength[listed],
        spread=np.where(shot.lines.bright[listed], STRENGTH_SPREAD, FAINT_SPREAD), width_px=width,
        loose_px=np.array(foreign + [float(p) for p in trial.line_px[bands]]),
        loose_width_px=np.array([width] * len(foreign) + [band_px] * len(bands)),
        loose_sd_px=np.concatenate([np.zeros(len(foreign)), shot.lines.error_nm[bands] / peak.slope]),
        loose_width_sd_px=np.array([0.0] * len(foreign) + [BAND_WIDTH_SPREAD_NM / peak.slope] * len(bands)),
    )  # fmt: skip


def placed(
    shots: list[Shot], coefficients: Floats, reach: float, most: int = MOST_PLACED
) -> tuple[Identified, NDArray[np.intp]]:
    """Return the brightest peaks placed under a trial scale, and which rows may support a solution.

    A scale that nothing has moved since is not placed again.
    """
    return _placed(tuple(shots), np.asarray(coefficients, dtype=np.float64).tobytes(), reach, most)


@lru_cache(maxsize=1)
def _placed(shots: tuple[Shot, ...], scale: bytes, reach: float, most: int) -> tuple[Identified, NDArray[np.intp]]:
    """Return what `placed` returns, of the coefficients as bytes."""
    coefficients, every = np.frombuffer(scale), list(shots)
    found = joined([identify_peaks(shot, coefficients, reach, most) for shot in every])
    found = _doubting_faint(found, sum(min(len(shot.peaks), most) for shot in every), coefficients)
    found = doubting_wide(found, every)
    return found, np.flatnonzero(_best_of_each(found) & _of_seen_elements(found, every, coefficients))


def _doubting_faint(found: Identified, peaks: int, coefficients: Floats) -> Identified:
    """Return the lines with larger errors of faint ones and bands, for which an unexplained peak may be taken."""
    ends = chebval(np.array([-1.0, 1.0]), coefficients)
    density = max(peaks - len(found), 0) / max(abs(float(ends[1] - ends[0])), 1e-9)
    reach = np.where(found.sharp, CHANCE_REACH * found.width_nm, BAND_REACH * np.hypot(found.width_nm, BAND_WIDTH_NM))
    chance = -np.expm1(-2.0 * density * reach)
    stray = BAND_ABSENT * chance / (BAND_ABSENT * chance + 1.0 - BAND_ABSENT)
    chance = np.where(found.sharp, chance, stray)
    excess = np.where(found.bright & found.sharp, 0.0, reach / np.sqrt(3.0) * np.sqrt(chance))
    return replace(found, error_nm=np.hypot(found.error_nm, excess))


def _best_of_each(found: Identified) -> NDArray[np.bool_]:
    """Return the usable rows, each published line once: where it is placed best."""
    keep = found.vague.copy()
    for nm in np.unique(found.wavelength_nm[keep]):
        rows = np.flatnonzero(keep & (found.wavelength_nm == nm))
        if len(rows) > 1:
            keep[rows] = False
            keep[rows[np.argmin(found.error_nm[rows])]] = True
    return keep


def _of_seen_elements(found: Identified, shots: list[Shot], coefficients: Floats) -> NDArray[np.bool_]:
    """Return which rows belong to an element whose bright lines are there; stray matches of an absent one are not."""
    names = np.array(found.species)
    keep = np.ones(len(names), dtype=bool)
    if len({name for shot in shots for name in shot.lines.species}) == 1:
        return keep
    ends = np.sort(chebval(np.array([-1.0, 1.0]), coefficients))
    flat = np.concatenate([chebval(shot.u[shot.scene.saturated], coefficients) for shot in shots])
    peaks = np.concatenate([chebval(shot.u_at(shot.peaks.pixel), coefficients) for shot in shots])
    for name in set(found.species):
        nm, strength, sure = _expected_of(name, shots)
        inside = (nm > ends[0]) & (nm < ends[1])
        if not np.any(inside):
            continue
        bright = nm[inside & (strength >= BRIGHT * np.max(strength[inside]))]
        rows = names == name
        width = float(np.median(found.width_nm))
        seen = _any_near(found.wavelength_nm[rows], bright, 1.5 * width)
        others = found.wavelength_nm[~rows]
        near = np.where(found.anchor[~rows] | np.isfinite(found.brightness[~rows]), width, max(width, BAND_WIDTH_NM))
        hidden = _any_near(others, bright, 1.5 * near) | _any_near(flat, bright, width)  # a flat top may hold any line
        open_to_view = seen | ~hidden
        dark = np.any(sure & inside) and np.any(open_to_view) and np.mean(seen[open_to_view]) < SEEN_SHARE
        keep[rows] &= not (dark or (np.any(found.anchor[rows]) and _by_chance(bright[~hidden], peaks, width)))
    no_mercury = np.any(names == EXCITES) and not np.any(keep[names == EXCITES])
    keep = keep if np.any(keep) else ~keep
    return keep & found.sharp if no_mercury else keep


def _by_chance(lines: Floats, peaks: Floats, width: float) -> bool:
    """Return whether less than half of some lines, nm, meet peaks, no more than if they lay elsewhere (binomial)."""
    if len(lines) < FEWEST_TOLD:
        return False
    met = np.count_nonzero(_any_near(peaks, lines, CHANCE_REACH * width))
    if met >= HALF * len(lines):
        return False
    chance = float(np.mean([_any_near(peaks, lines + off * width, CHANCE_REACH * width) for off in BESIDE]))
    return bool(met == 0 or bdtrc(met - 1, len(lines), chance) > BY_CHANCE)


def _any_near(places: Floats, of: Floats, reach: float | Floats) -> NDArray[np.bool_]:
    """Return for which entries of `of` any of the places lies within reach."""
    return np.any(np.abs(of[:, None] - places[None, :]) < reach, axis=1)


def _expected_of(name: str, shots: list[Shot]) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Return wavelengths and strengths of an element's lines in all lamps, and which are surely shown."""
    nm, strength, sure = [], [], []
    for shot in shots:
        rows = np.array([species == name for species in shot.lines.species])
        nm.append(shot.lines.wavelength_nm[rows])
        strength.append(shot.lines.strength[rows])
        sure.append(shot.lines.bright[rows])
    return np.concatenate(nm), np.concatenate(strength), np.concatenate(sure)
