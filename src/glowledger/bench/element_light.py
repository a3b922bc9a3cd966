"""How bright a lamp burns each of its elements, and the lines that it only may show: in one lamp that is anything."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.expected import LineList
from glowledger.bench.shots import LIGHT_OF_HEIGHT, Shot

Floats = NDArray[np.float64]

AT_PEAK, BESIDE = 0.6, 0.8  # of the FWHM: a peak so near is of the line; light of lines so near is seen as one
TELLING = 0.05  # share of the brightest of its kind on the axis: fainter lines do not tell how bright the kind is
OWN = 0.5  # share of the light expected at a place, of a kind: else it tells of another kind
FEWEST_FAINT, MOST_OF_FAINT = 4, 0.75  # lines that tell how bright a lamp shows those that it only may; their quantile
ROUNDS = 4  # in which kinds share the light of peaks that several may make
FAINTEST = -7.0  # natural log of the light of a kind over the brightest one, both over the listed strengths


def as_it_burns(shot: Shot, line_px: Floats) -> LineList:
    """Return the lines of a lamp as bright, element by element, as those of their kind are in a spectrum.

    What is listed compares the sure lines of one element; how bright another element burns, and how bright the lines
    are that a lamp only may show, each lamp tells: by the peaks at their places, and where there are none by what light
    there is. A kind of which no line tells is as bright as listed beside the brightest one.

    Parameters
    ----------
    shot : Shot
        One lamp spectrum.
    line_px : ndarray of shape (l,)
        Where its lines are under a trial scale, pixels; those of no pixel are not recorded.
    """
    lines = shot.lines
    rows = np.flatnonzero((line_px > -0.5) & (line_px < len(shot.u) - 0.5) & lines.anchor)
    kind = 2 * lines.element + ~lines.bright  # sure lines of the first element, faint ones, those of the next
    if len(rows) == 0 or np.all(kind == kind[0]):
        return lines
    kinds = 2 * (int(np.max(lines.element)) + 1)
    brightest = np.zeros(kinds)
    np.maximum.at(brightest, kind[rows], lines.strength[rows])
    rows = rows[lines.strength[rows] > TELLING * brightest[kind[rows]]]
    width = _width_at(shot, line_px[rows])
    near = np.abs(line_px[rows][:, None] - line_px[None, :]) < BESIDE * width[:, None]
    alike = (near & (kind[rows][:, None] == kind[None, :])).astype(np.float64)  # once: for fast products
    near, listed = near.astype(np.float64), alike @ lines.strength
    seen, factor = np.log(_light_at(shot, line_px[rows], width)), np.zeros(kinds)
    for _ in range(ROUNDS):
        light = lines.strength * np.exp(factor[kind])
        share = (alike @ light) / (near @ light)
        told = seen + np.log(share) - np.log(listed)
        factor = _factors(told, kind[rows], share > OWN, kinds)
    return replace(lines, strength=lines.strength * np.exp(factor[kind]))


def _factors(told: Floats, kind: NDArray[np.intp], own: NDArray[np.bool_], kinds: int) -> Floats:
    """Return ln of how bright each kind is over its listed strengths, the brightest element being 0.

    `told` is the same by each line (k,) of a kind, and `own` says whether the light there is that of its kind.
    """
    sure = np.full(kinds // 2, np.nan)
    for number in range(kinds // 2):
        rows = kind == 2 * number
        if np.any(rows):
            sure[number] = np.median(told[rows & own] if np.any(rows & own) else told[rows])
    if np.all(np.isnan(sure)):
        return np.zeros(kinds)
    top = float(np.nanmax(sure))
    factor = np.repeat(np.nan_to_num(sure - top, nan=0.0), 2)
    for number in np.flatnonzero(~np.isnan(sure)).tolist():
        rows = (kind == 2 * number + 1) & own
        if np.count_nonzero(rows) >= FEWEST_FAINT:
            factor[2 * number + 1] += min(float(np.quantile(told[rows], MOST_OF_FAINT)) - sure[number], 0.0)
    return np.maximum(factor, FAINTEST)


def _width_at(shot: Shot, pixel: Floats) -> Floats:
    """Return the line width at pixels, same shape."""
    return shot.fwhm_px[np.clip(np.rint(pixel).astype(np.intp), 0, len(shot.u) - 1)]


def _light_at(shot: Shot, pixel: Floats, width: Floats) -> Floats:
    """Return the light at places of lines of some widths (k,): of the peak there, or of one as high as what is seen."""
    peaks, scene = shot.peaks, shot.scene
    at = np.clip(np.rint(pixel).astype(np.intp), 0, len(shot.u) - 1)
    light = LIGHT_OF_HEIGHT * np.maximum(scene.counts[at] - scene.continuum[at], scene.noise[at]) * width
    off = np.abs(peaks.pixel[None, :] - pixel[:, None])
    next_peak = np.argmin(off, axis=1)
    at_peak = np.min(off, axis=1) < AT_PEAK * width
    return np.maximum(np.where(at_peak, peaks.area[next_peak], light), 1e-9)
