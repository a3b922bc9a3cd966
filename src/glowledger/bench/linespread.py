"""Width and shape of an unresolved line over the axis, from the lamp's own isolated lines."""

from __future__ import annotations

import numpy as np
from numpy.polynomial.chebyshev import chebvander
from numpy.typing import NDArray

from glowledger.bench.model import LineSpread
from glowledger.bench.peaks import Peaks
from glowledger.bench.scene import Scene

Floats = NDArray[np.float64]

SMOOTHING = 0.12  # of the axis: how slowly the width of a spectrometer changes
NARROW = 0.3
ALIKE, LEAST_LIGHT = 0.2, 0.05  # ln of widths that are those of lines; light over that of the brightest peak
WIDTH_SCATTER = 0.06  # line-to-line scatter of ln(width): unresolved structure, pixel phase
# of ln(width) over the range: level, rise from the middle to an end, bend; common practice, no source
TERMS_SD = (5.0, 0.3, 0.15)
BESIDE_WIDTHS, NEIGHBOURS_SHARE = 3.5, 0.3  # FWHM within which lines disturb a width; by what part of their light
SHARE_WORTH = 3.0  # lines that the stated errors of widths count for, beside what the lines themselves say
NODES, ROUNDS = 5, 10  # of the line-spread; of re-weighting
# ln of widths: lines from which it begins; scatter of any lamp's lines, and what no parabola follows; Tukey's biweight
NEAR_LEVEL, LEAST_SCATTER, ROBUST = 0.5, 0.015, 4.685


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


def doubt_of_widths(peaks: Peaks, fwhm_px: Floats) -> Floats:
    """Return the standard errors (m,) of ln(width) of peaks where lines of such widths (m,) stand beside them.

    The light of neighbours in the window of a fit passes for background or for flanks of the line.
    """
    apart = np.abs(peaks.pixel[:, None] - peaks.pixel[None, :])
    beside = (apart < BESIDE_WIDTHS * fwhm_px[:, None]) & (apart > 0.0)
    light = np.maximum(peaks.area, 1e-300)
    error = np.maximum(peaks.area_se, 0.0) / light
    return np.asarray(np.hypot(error, NEIGHBOURS_SHARE * (beside @ light) / light))


def measured_linespread(
    at_nm: Floats, fwhm_nm: Floats, log_error: Floats, range_nm: tuple[float, float]
) -> LineSpread:
    """Return the line-spread through widths of single lines.

    A parabola of ln(width) over wavelength, drawn robustly, with priors on how much the width of a spectrometer's
    lines rises and bends, so that few lines, or those of one end, do not tell more of the others than they can.

    Parameters
    ----------
    at_nm, fwhm_nm : ndarray of shape (k,)
        Wavelengths and widths of clean lines, at least one.
    log_error : ndarray of shape (k,)
        Standard errors of ln(width) beside the scatter that all lines have.
    range_nm : tuple of float
        Range over which it is told, nm.

    Returns
    -------
    LineSpread
        `NODES` nodes over the range with their standard errors; one where it has no extent.
    """
    low, high = min(range_nm), max(range_nm)
    first, last = min(low, float(np.min(at_nm))), max(high, float(np.max(at_nm)))  # lines may lie beyond the range
    middle, half = 0.5 * (first + last), max(0.5 * (last - first), float(np.median(fwhm_nm)))
    nodes = np.linspace(low, high, NODES) if high - low > float(np.median(fwhm_nm)) else np.array([0.5 * (low + high)])
    basis, at_nodes = (
        np.asarray(chebvander((nm - middle) / half, len(TERMS_SD) - 1), dtype=np.float64)
        for nm in (at_nm, nodes)
    )
    width = np.log(fwhm_nm)
    level = float(np.quantile(width, NARROW))  # blends and bands are wider than a line, nothing is narrower
    precision = np.diag(np.array(TERMS_SD) ** -2.0)
    weight = np.where(np.abs(width - level) < NEAR_LEVEL, 1.0, 1e-6)
    scatter, covariance, terms = WIDTH_SCATTER, np.linalg.inv(precision), np.zeros(len(TERMS_SD))
    left = np.zeros(len(width))
    for _ in range(ROUNDS):
        variance = scatter**2 + log_error**2
        covariance = np.linalg.inv((basis * (weight / variance)[:, None]).T @ basis + precision)
        terms = covariance @ (basis.T @ (weight / variance * (width - level)))
        left = (width - level - basis @ terms) / np.sqrt(variance)
        telling = (weight > 0.1) & (log_error < WIDTH_SCATTER)
        many = np.count_nonzero(telling) > len(terms) + 2
        spread = scatter * 1.4826 * float(np.median(np.abs(left[telling]))) if many else WIDTH_SCATTER
        scatter = max(spread, LEAST_SCATTER)
        weight = np.maximum(np.clip(1.0 - (left / ROBUST) ** 2, 0.0, None) ** 2, 1e-6)
    value = np.exp(level + at_nodes @ terms)
    seen = (SHARE_WORTH + float(np.sum(weight * left**2))) / (SHARE_WORTH + float(np.sum(weight)))
    known = np.einsum("ki,ij,kj->k", at_nodes, covariance, at_nodes) * min(seen, 1.0) + LEAST_SCATTER**2
    return LineSpread(at_nm=nodes, fwhm_nm=value, fwhm_se_nm=value * np.sqrt(known))
