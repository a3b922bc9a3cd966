"""From a matched pattern to a wavelength solution that may be trusted, line by line."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial.chebyshev import chebder, chebval
from numpy.typing import NDArray

from glowledger.bench.identified import Identified
from glowledger.bench.outer_lines import crowd_of, supported, uncontradicted
from glowledger.bench.polynomial import LineFit
from glowledger.bench.shifts import BAND_WIDTH_NM, Components, Shift, fit_shift
from glowledger.bench.shots import Shot

Floats = NDArray[np.float64]

SHAPE_ERROR = 0.015  # of the FWHM: how well the assumed line shape centres a real one
BLEND_ERROR = 0.03  # the same for blends, in which faint lines of no list may hide
FAINT_FACTOR = 2.5  # lines that a lamp only may show: root mean square of true over listed strength
LARGEST_BLEND_ERROR = 0.12  # of the FWHM: blends vaguer than this are not used
PLATEAU = 0.12  # of the FWHM: how far a flat-topped line may lie from the middle of its top
MISFIT = 0.08  # of the height: a peak fitted worse than this has a hot pixel or a stranger in it
LEAST_SHARE = 0.005  # lines fainter than this share of the brightest beside them do not matter
BRIGHT, SEEN_SHARE = 0.3, 0.45  # an element is there if this share of its lines above 0.3 of the brightest is


@dataclass(slots=True)
class _Trial:
    """A trial scale on the pixel grid of one shot."""

    nm: Floats
    slope: Floats
    line_px: Floats
    order: NDArray[np.intp]


def _on_grid(shot: Shot, coefficients: Floats) -> _Trial:
    pixels = np.arange(len(shot.u), dtype=np.float64)
    nm = np.asarray(chebval(shot.u, coefficients), dtype=np.float64)
    slope = np.abs(np.asarray(chebval(shot.u, chebder(coefficients)))) * np.gradient(shot.u)
    order = np.argsort(nm)
    line_px = np.interp(shot.lines.wavelength_nm, nm[order], pixels[order], left=-1e9, right=-1e9)
    return _Trial(nm=nm, slope=slope, line_px=line_px, order=order)


def identify_peaks(shot: Shot, coefficients: Floats, reach: float) -> Identified:
    """Place the lines of the lamp under a trial scale, peak by peak.

    Parameters
    ----------
    shot : Shot
        One lamp spectrum.
    coefficients : ndarray
        Chebyshev coefficients of the trial scale.
    reach : float
        Largest distance between a peak and its line, in FWHM.

    Returns
    -------
    Identified
    """
    trial = _on_grid(shot, coefficients)
    rows = [row for i in range(len(shot.peaks)) if (row := _one_peak(shot, trial, i, reach)) is not None]
    columns = list(zip(*rows, strict=True)) if rows else [()] * 9
    return Identified(
        peak=np.array(columns[0], dtype=np.intp),
        shot=np.zeros(len(rows), dtype=np.intp),
        u=np.array(columns[1], dtype=np.float64),
        wavelength_nm=np.array(columns[2], dtype=np.float64),
        error_nm=np.array(columns[3], dtype=np.float64),
        width_nm=np.array(columns[4], dtype=np.float64),
        species=tuple(columns[5]),
        anchor=np.array(columns[6], dtype=bool),
        single=np.array(columns[7], dtype=bool),
        bright=np.array(columns[8], dtype=bool),
    )


def _one_peak(
    shot: Shot, trial: _Trial, i: int, reach: float
) -> tuple[int, float, float, float, float, str, bool, bool, bool] | None:
    """Place the lines within one peak; None if there is none of the list."""
    lines, centre = shot.lines, float(shot.peaks.pixel[i])
    at = int(np.clip(round(centre), 0, len(trial.nm) - 1))
    width = float(shot.fwhm_px[at])
    distance = np.abs(trial.line_px - centre)
    within = np.flatnonzero(distance < reach * width)
    if len(within) == 0:
        return None
    around = np.flatnonzero(distance < 1.9 * width)
    around = around[lines.strength[around] > LEAST_SHARE * np.max(lines.strength[within])]
    sure = within[lines.bright[within]]
    pull = 0.0
    if len(sure):  # a line that the lamp only may show adds doubt to one that it surely shows, no more
        faint = around[~lines.bright[around]]
        around = around[lines.bright[around]]
        within = sure
        pull = _pull_of(trial.line_px[faint] - centre, lines.strength[faint] / np.max(lines.strength[sure]), width)
    listed = around[lines.anchor[around]]
    brightest = int(within[np.argmax(lines.strength[within])])
    slope = float(trial.slope[at])
    if not lines.anchor[brightest]:
        return _band_peak(shot, i, brightest, width, slope)
    fit = _shift_here(shot, trial, i, width, slope, listed, around[~lines.anchor[around]])
    if fit is None:
        return None
    near = np.isin(listed, within)
    chosen = int(np.flatnonzero(near)[np.argmax(fit.area[near])])
    place = trial.line_px[listed[chosen]] + fit.shift_px
    blend = len(listed) > 1 or len(around) > len(listed)
    floor = BLEND_ERROR if blend else SHAPE_ERROR
    error = float(np.hypot((2.0 if blend else 1.0) * fit.standard_error_px, np.hypot(floor * width, pull)))
    likely = lines.strength[listed[chosen]] > 0.3 * np.max(lines.strength[listed[near]])
    good = likely and fit.misfit < MISFIT and _as_the_plateau_says(shot, i, place, width)
    good = good and error < LARGEST_BLEND_ERROR * width and abs(fit.shift_px) < reach * width
    share = fit.area / max(float(np.sum(fit.area)), 1e-300)
    others = (np.abs(trial.line_px[listed] - trial.line_px[listed[chosen]]) < 1.5 * width) & (share > 0.03)
    single = pull < SHAPE_ERROR * width and bool(np.count_nonzero(others) <= 1 and not np.any(~lines.anchor[around]))
    nm = float(lines.wavelength_nm[listed[chosen]])
    u = float(shot.u_at(np.array(place)))
    return (
        i, u, nm, error * slope, width * slope, lines.species[listed[chosen]], bool(good), single,
        bool(lines.bright[listed[chosen]]),
    )  # fmt: skip


def _band_peak(
    shot: Shot, i: int, brightest: int, width: float, slope: float
) -> tuple[int, float, float, float, float, str, bool, bool, bool]:
    """Return a peak that a phosphor band explains: known, but never an anchor of the solution."""
    lines = shot.lines
    u = float(shot.u_at(np.array(float(shot.peaks.pixel[i]))))
    error = float(np.hypot(lines.error_nm[brightest], shot.peaks.standard_error_px[i] * slope))
    nm, bright = float(lines.wavelength_nm[brightest]), bool(lines.bright[brightest])
    return (i, u, nm, error, width * slope, lines.species[brightest], False, False, bright)


def _pull_of(offset_px: Floats, share: Floats, width: float) -> float:
    """Return how far unseen neighbours may pull the centre of a line: first order for a Gaussian, pixels."""
    near = np.exp(-2.0 * (offset_px / width) ** 2)
    return float(np.sqrt(np.sum((np.minimum(FAINT_FACTOR * share, 2.0) * offset_px * near) ** 2)))


def _as_the_plateau_says(shot: Shot, i: int, place: float, width: float) -> bool:
    """Return whether a flat-topped line lies in the middle of its top; True for any other."""
    if not shot.peaks.saturated[i]:
        return True
    run = np.flatnonzero(shot.scene.saturated)
    run = run[np.abs(run - shot.peaks.pixel[i]) < 1.5 * width + 1.0]
    if len(run) == 0:
        return True
    return bool(abs(0.5 * (run[0] + run[-1]) - place) < PLATEAU * width + 0.5)


def _shift_here(
    shot: Shot,
    trial: _Trial,
    i: int,
    width: float,
    slope: float,
    listed: NDArray[np.intp],
    bands: NDArray[np.intp],
) -> Shift | None:
    """Fit the lines around one peak; neighbours that are not of the lamp are fitted along, unmoved."""
    centre = float(shot.peaks.pixel[i])
    half_window = 1.05 * width + 1.5
    inside = np.arange(
        max(int(np.ceil(centre - half_window)), 0), min(int(centre + half_window) + 1, len(trial.nm))
    )
    inside = inside[shot.scene.usable[inside]]
    nearby = np.flatnonzero(np.abs(shot.peaks.pixel - centre) < 1.9 * width)
    foreign = [
        float(p) for p in shot.peaks.pixel[nearby] if np.min(np.abs(trial.line_px[listed] - p)) > 0.7 * width
    ]
    band_px = float(np.hypot(width, BAND_WIDTH_NM / slope))
    loose = np.array(foreign + [float(p) for p in trial.line_px[bands]])
    loose_width = np.array([width] * len(foreign) + [band_px] * len(bands))
    parts = Components(
        centre_px=trial.line_px[listed], share=shot.lines.strength[listed], width_px=width, loose_px=loose,
        loose_width_px=loose_width,
    )  # fmt: skip
    return fit_shift(inside.astype(np.float64), shot.scene.counts[inside], shot.scene.noise[inside], parts)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Refined:
    """The polynomial and the lines behind it.

    Attributes
    ----------
    fit : LineFit
        Over the used lines.
    found : Identified
        Every identified peak.
    used : ndarray of bool, shape (k,)
        Whether a line carries the solution.
    residual_nm : ndarray of shape (k,)
        Published minus fitted wavelength.
    """

    fit: LineFit
    found: Identified
    used: NDArray[np.bool_]
    residual_nm: Floats


def refine_solution(scale: Floats, shots: list[Shot]) -> Refined | None:
    """Turn a matched scale into the final polynomial; None if too few lines remain.

    Parameters
    ----------
    scale : ndarray
        Chebyshev coefficients from the blind match.
    shots : list of Shot
        Lamp spectra of one instrument.

    Returns
    -------
    Refined or None
    """
    coefficients = scale
    span = 2.0 * abs(float(scale[1]))
    result: Refined | None = None
    for reach in (0.9, 0.6):
        found = _joined([identify_peaks(shot, coefficients, reach) for shot in shots])
        usable = np.flatnonzero(_best_of_each(found) & _of_seen_elements(found, shots, coefficients))
        if len(usable) < 3:
            return None
        crowd = crowd_of(shots, coefficients)
        fit, kept = supported(found, usable, span, crowd)
        if fit is not None:
            fit, kept = uncontradicted(found, usable, kept, fit, span, crowd)
        if fit is None:
            return None
        used = np.zeros(len(found.peak), dtype=bool)
        used[kept[fit.weight > 0.05]] = True
        result = Refined(fit=fit, found=found, used=used, residual_nm=found.wavelength_nm - fit.nm(found.u))
        coefficients = fit.coefficients
    return result


def _joined(parts: list[Identified]) -> Identified:
    """Return the lines of several spectra as one, ordered by place."""
    u = np.concatenate([p.u for p in parts])
    order = np.argsort(u, kind="stable")
    species = [name for p in parts for name in p.species]
    arrays = {
        name: np.concatenate([getattr(p, name) for p in parts])[order]
        for name in ("peak", "wavelength_nm", "error_nm", "width_nm", "anchor", "single", "bright")
    }
    shot = np.concatenate([np.full(len(p.u), k, dtype=np.intp) for k, p in enumerate(parts)])[order]
    return Identified(u=u[order], shot=shot, species=tuple(species[i] for i in order), **arrays)


def _best_of_each(found: Identified) -> NDArray[np.bool_]:
    """Return the usable rows, each published line once: where it is placed best."""
    keep = found.anchor.copy()
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
    for name in set(found.species):
        nm, strength = _expected_of(name, shots)
        inside = (nm > ends[0]) & (nm < ends[1])
        if not np.any(inside):
            continue
        bright = nm[inside & (strength >= BRIGHT * np.max(strength[inside]))]
        rows = names == name
        width = float(np.median(found.width_nm[rows]))
        seen = [np.min(np.abs(found.wavelength_nm[rows] - w)) < 1.5 * width for w in bright]
        if np.mean(seen) < SEEN_SHARE:
            keep[rows] = False
    return keep if np.any(keep) else ~keep


def _expected_of(name: str, shots: list[Shot]) -> tuple[Floats, Floats]:
    """Return wavelengths and strengths of an element's lines in all lamps."""
    nm, strength = [], []
    for shot in shots:
        rows = np.array([species == name for species in shot.lines.species])
        nm.append(shot.lines.wavelength_nm[rows])
        strength.append(shot.lines.strength[rows])
    return np.concatenate(nm), np.concatenate(strength)
