"""Width and shape of an unresolved line over the axis, from the lamp's own isolated lines."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.model import LineSpread
from glowledger.bench.peaks import Peaks
from glowledger.bench.scene import Scene

Floats = NDArray[np.float64]

SMOOTHING = 0.12  # of the axis: how slowly the width of a spectrometer changes
NARROW = 0.3
ALIKE, LEAST_LIGHT = 0.2, 0.05  # ln of widths that are those of lines; light over that of the brightest peak
WIDTH_SCATTER = 0.06  # line-to-line scatter of ln(width): unresolved structure, pixel phase


def clean_widths(peaks: Peaks) -> NDArray[np.bool_]:
    """Return which peaks tell the width: alone, not flat-topped, not a band, well above noise."""
    strong = peaks.area > 20.0 * np.maximum(peaks.area_se, 1e-300)
    return np.isfinite(peaks.fwhm_px) & ~peaks.saturated & ~peaks.blended & ~peaks.broad & strong


def of_lines(peaks: Peaks) -> NDArray[np.bool_]:
    """Return which of the clean peaks (m,) of a lamp with phosphor bands are lines: the narrowest, as bands are wider.

    A faint peak that is by itself the narrowest is no line: a hot pixel may make it.
    """
    clean = np.flatnonzero(clean_widths(peaks))
    order = clean[np.argsort(peaks.fwhm_px[clean], kind="stable")]
    least = LEAST_LIGHT * float(np.max(peaks.area, initial=0.0))
    while len(order) > 1 and peaks.area[order[0]] < least and _log_ratio(peaks, order[1], order[0]) > ALIKE:
        order = order[1:]
    chosen = np.zeros(len(peaks), dtype=bool)
    chosen[[k for k in order.tolist() if _log_ratio(peaks, k, order[0]) <= ALIKE]] = True
    return chosen


def _log_ratio(peaks: Peaks, k: int, other: int) -> float:
    """Return ln of the width of a peak over that of another one."""
    return float(np.log(peaks.fwhm_px[k] / peaks.fwhm_px[other]))


def width_profile(peaks: Peaks, scene: Scene, fewest: int = 3) -> Floats:
    """Return the FWHM in pixels at every pixel, shape (p,); the typical width where no line tells.

    A running weighted median over the clean lines, pulled to the overall median where there are few: blends that
    went unnoticed are wider and must not count.
    """
    length = len(scene.counts)
    good = clean_widths(peaks)
    if np.count_nonzero(good) < fewest:
        return np.full(length, scene.fwhm_px)
    place, width = peaks.pixel[good], np.log(peaks.fwhm_px[good])
    overall = float(np.quantile(width, NARROW))  # blends and bands are wider than a line, nothing is narrower
    near = np.abs(width - overall) < 0.35
    if np.count_nonzero(near) < fewest:
        return np.full(length, float(np.exp(overall)))
    overall = float(np.median(width[near]))
    place, width = place[near], width[near]
    nodes = np.linspace(0, length - 1, 17)
    values = np.empty(17)
    for k, node in enumerate(nodes):
        weight = np.exp(-0.5 * ((place - node) / (SMOOTHING * length)) ** 2)
        total = float(np.sum(weight))
        local = _weighted_median(width, weight + 1e-9)
        values[k] = (total * local + 0.7 * overall) / (total + 0.7)
    return np.exp(np.interp(np.arange(length), nodes, values))


def _weighted_median(values: Floats, weight: Floats) -> float:
    order = np.argsort(values)
    share = (np.cumsum(weight[order]) - 0.5 * weight[order]) / np.sum(weight)
    return float(np.interp(0.5, share, values[order]))


def measured_linespread(at_nm: Floats, fwhm_nm: Floats) -> LineSpread:
    """Return the line-spread through widths of single lines.

    Parameters
    ----------
    at_nm, fwhm_nm : ndarray of shape (k,)
        Wavelengths and widths of clean lines, at least one.

    Returns
    -------
    LineSpread
        Up to five nodes, each the median of neighbouring lines with its standard error.
    """
    order = np.argsort(at_nm)
    at, width = at_nm[order], fwhm_nm[order]
    count = int(np.clip(len(at) // 3, 1, 5))
    nodes, value, error = [], [], []
    for part in np.array_split(np.arange(len(at)), count):
        middle = float(np.median(width[part]))
        spread = 1.4826 * float(np.median(np.abs(width[part] - middle))) if len(part) > 2 else 0.0
        spread = max(spread, WIDTH_SCATTER * middle)
        nodes.append(float(np.mean(at[part])))
        value.append(middle)
        error.append(1.2533 * spread / np.sqrt(len(part)))
    return LineSpread(at_nm=np.array(nodes), fwhm_nm=np.array(value), fwhm_se_nm=np.array(error))
