"""Lamp spectra made ready: peaks, line width, position on the axis, and what the lamp should show."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from glowledger.bench.expected import LineList, lines_of
from glowledger.bench.linespread import of_lines, width_profile
from glowledger.bench.pattern import Pattern
from glowledger.bench.peaks import Peaks, detect, find_peaks, measure
from glowledger.bench.profiles import gaussian
from glowledger.bench.scene import Scene
from glowledger.errors import CalibrationError
from glowledger.spectra.frames import Frames

Floats = NDArray[np.float64]

MOST_PEAKS = 60
FEWEST_PEAKS = 3
LIGHT_OF_HEIGHT = 1.064  # area of a Gaussian of unit height and FWHM
SHOWN_REACH = 0.7  # of the FWHM: how far from where a scale puts it a line may lie
CONTINUUM, ABOVE_NOISE = 0.9, 20.0  # share of the light of no line, and how bright it is, of a lamp without lines
USE_LINES = (
    "Nearly all of the light is spread over the spectrum, as that of a tungsten, halogen or white LED lamp or of the "
    "room: use a lamp with lines (compact fluorescent, neon, mercury-argon), and keep other light out."
)


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
        What was found, m peaks; positions are pixel numbers from 0.
    scene : Scene
        The spectrum with its continuum and noise.
    fwhm_px : ndarray of shape (p,)
        Line width at each pixel.
    u : ndarray of shape (p,)
        The axis of the file mapped to -1..1.
    """

    lamp: str
    lines: LineList
    peaks: Peaks
    scene: Scene
    fwhm_px: Floats
    u: Floats

    def u_at(self, pixel: Floats) -> Floats:
        """Return the mapped axis at (fractional) pixel numbers, same shape."""
        return np.interp(pixel, np.arange(len(self.u), dtype=np.float64), self.u)

    def u_per_pixel(self, pixel: Floats) -> Floats:
        """Return the step of the mapped axis at pixel numbers, same shape."""
        return np.interp(pixel, np.arange(len(self.u), dtype=np.float64), np.gradient(self.u))


def prepare_shot(frames: Frames, lamp: str) -> Shot:
    """Find the peaks of a lamp spectrum (mean over its frames) and look up what the lamp should show.

    Parameters
    ----------
    frames : Frames
        One or more exposures of one lamp.
    lamp : str
        A lamp of the table, or elements with commas.

    Raises
    ------
    CalibrationError
        If the spectrum holds nothing that looks like a line.
    TableError
        If the lamp is unknown.
    """
    lines_of(lamp)  # an unknown lamp is refused first
    counts, mask = mean_spectrum(frames)
    peaks, scene = find_peaks(counts, mask, ceiling=frames.detector.ceiling_counts)
    if len(peaks) < FEWEST_PEAKS:
        raise CalibrationError(
            f"fewer than {FEWEST_PEAKS} emission lines stand out of the noise ({len(peaks)} found).",
            mend=USE_LINES
            if of_no_lines(peaks, scene)
            else "Expose longer, move the lamp closer, or check that it is on and warm.",
            file=frames.origins[0].file if frames.origins else None,
        )
    low, high = frames.axis[0], frames.axis[-1]
    u = 2.0 * (frames.axis - low) / (high - low) - 1.0
    return _named(lamp, peaks, scene, u)


def renamed(shot: Shot, lamp: str) -> Shot:
    """Return a spectrum as one of another lamp; its lines are measured anew if only one of the two has phosphor bands.

    Raises
    ------
    TableError
        If the lamp is unknown.
    """
    lines = lines_of(lamp)
    if np.all(lines.anchor) == np.all(shot.lines.anchor):
        return replace(shot, lamp=lamp, lines=lines)
    return _named(lamp, measure(shot.scene, detect(shot.scene)), shot.scene, shot.u)


def _named(lamp: str, peaks: Peaks, scene: Scene, u: Floats) -> Shot:
    """Return a spectrum as one of a lamp, of which peaks have been found, with lines as wide as those of this lamp."""
    lines, widths, narrow, rough = lines_of(lamp), width_profile(peaks, scene), scene, detect(scene)
    if not np.all(lines.anchor) and np.any(sharp := of_lines(peaks)):  # phosphor bands would pass for lines so wide
        widths = width_profile(peaks[sharp], scene, fewest=1)
        narrow = replace(scene, fwhm_px=min(float(np.median(widths)), scene.fwhm_px))
        lines_px = detect(narrow)  # lines beside bands show so, and faint bands as before
        alone = np.min(np.abs(rough[:, None] - lines_px[None, :]), axis=1, initial=np.inf) > scene.fwhm_px
        rough = np.sort(np.concatenate([lines_px, rough[alone]]))
    return Shot(lamp=lamp, lines=lines, peaks=measure(narrow, rough, widths), scene=scene, fwhm_px=widths, u=u)


def of_no_lines(peaks: Peaks, scene: Scene) -> bool:
    """Return whether there is light, and hardly any of it in lines."""
    low, high = np.percentile(scene.counts, [2.0, 90.0])
    if high - low < ABOVE_NOISE * np.median(scene.noise):
        return False
    light = float(np.sum(np.maximum(scene.counts - low, 0.0)))
    return bool(np.sum(peaks.area[~peaks.broad]) < (1.0 - CONTINUUM) * light)


def mean_spectrum(frames: Frames) -> tuple[Floats, NDArray[np.bool_]]:
    """Return the mean of the usable counts, shape (p,), and a mask where no frame is usable."""
    use = ~frames.mask
    count = use.sum(axis=0)
    total = np.where(use, frames.counts, 0.0).sum(axis=0)
    plain = frames.counts.mean(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), plain), count == 0


def pattern_of(shots: list[Shot]) -> Pattern:
    """Return the peaks of one or more shots as the matcher sees them, each shot scaled to its brightest peak."""
    columns: list[list[Floats]] = []
    tops = []
    for shot in shots:
        peaks = shot.peaks
        area = np.maximum(peaks.area, 1e-9)
        bright = np.where(peaks.saturated, 3.0, 1.0) * area
        step = np.abs(shot.u_per_pixel(peaks.pixel))
        width = shot.fwhm_px[np.clip(np.rint(peaks.pixel).astype(int), 0, len(shot.u) - 1)] * step
        top = float(np.max(area)) if len(shots) > 1 else 1.0
        tops.append(top)
        columns.append(
            [
                bright / top,
                shot.u_at(peaks.pixel),
                peaks.standard_error_px * step,
                area / top,
                peaks.saturated.astype(np.float64),
                width,
            ]
        )
    bright, u, u_se, strength, saturated, width = (
        np.concatenate(parts) for parts in zip(*columns, strict=True)
    )
    order = np.argsort(-bright, kind="stable")
    if len(shots) > 1:
        order = _without_twins(order, u, width)
    order = order[:MOST_PEAKS]
    return Pattern(
        u=u[order],
        u_se=u_se[order],
        strength=strength[order],
        saturated=saturated[order].astype(bool),
        fwhm_u=width[order],
        detection=float(np.percentile(strength[order], 5)),
        shown=np.max([_shown(shot) / scale for shot, scale in zip(shots, tops, strict=True)], axis=0),
    )


def _shown(shot: Shot) -> Floats:
    """Return the most light that a line without a peak could have at each place: what the peaks found leave there."""
    scene = shot.scene
    left = scene.counts - scene.continuum
    for at, area in zip(shot.peaks.pixel, shot.peaks.area, strict=True):
        width = float(shot.fwhm_px[min(max(round(float(at)), 0), len(left) - 1)])
        first, last = max(int(at - 2.0 * width), 0), min(int(at + 2.0 * width) + 2, len(left))
        inside = np.arange(first, last, dtype=np.float64)
        left[first:last] -= area * gaussian(inside, np.array([at]), width)[0][:, 0]
    height = np.where(scene.saturated, np.inf, np.maximum(left, 0.0))
    light = LIGHT_OF_HEIGHT * height * shot.fwhm_px
    reach = 2 * int(np.ceil(SHOWN_REACH * float(np.median(shot.fwhm_px)))) + 1
    most = ndimage.maximum_filter1d(light, reach, mode="nearest")
    even = np.linspace(-1.0, 1.0, len(most))
    return np.asarray(most[np.rint(np.interp(even, shot.u, np.arange(len(most)))).astype(np.intp)])


def _without_twins(order: NDArray[np.intp], u: Floats, width: Floats) -> NDArray[np.intp]:
    """Return the order without fainter peaks at the place of a brighter one: the same line in two spectra."""
    kept: list[int] = []
    for i in order:
        if all(abs(u[i] - u[k]) > 0.5 * width[i] for k in kept):
            kept.append(int(i))
    return np.array(kept, dtype=np.intp)


def joined_lines(shots: list[Shot]) -> LineList:
    """Return the lines of all shots as one list, each line once."""
    if len(shots) == 1:
        return shots[0].lines
    species = [name for shot in shots for name in shot.lines.species]
    arrays = {
        name: np.concatenate([getattr(shot.lines, name) for shot in shots])
        for name in ("wavelength_nm", "strength", "error_nm", "anchor", "bright")
    }
    _, first = np.unique(np.round(arrays["wavelength_nm"], 3), return_index=True)
    return LineList(
        species=tuple(species[i] for i in first), **{name: a[first] for name, a in arrays.items()}
    )


def with_better_width(shot: Shot, single: NDArray[np.bool_]) -> Shot:
    """Return the shot with its line width taken from peaks known to be single lines; itself if nothing changes.

    Parameters
    ----------
    shot : Shot
        One lamp spectrum.
    single : ndarray of bool, shape (m,)
        True for peaks that are one line and nothing else.
    """
    if np.count_nonzero(single & ~shot.peaks.saturated & np.isfinite(shot.peaks.fwhm_px)) < 2:
        return shot
    widths = width_profile(shot.peaks[single], shot.scene, fewest=2)
    if np.max(np.abs(np.log(widths / shot.fwhm_px))) < 0.05:
        return shot
    return replace(shot, fwhm_px=widths, peaks=measure(shot.scene, shot.peaks.pixel, widths))
