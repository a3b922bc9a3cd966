"""Light where none can be: scattered light, and lines that come again at twice their wavelength."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.model import Bench

Floats = NDArray[np.float64]

BLOCKED_BELOW = 0.005  # transmission of the window, two standard errors above: no light gets through
FEWEST_PIXELS = 20
HAZE = 0.3  # relative: scattered light is not quite the same everywhere; common practice, no source
BRIGHT_SIGMA = 300.0  # a line must be this clear for its ghost of a few parts in a thousand to be told
AGREE = 2.0
CLEAN = 2.5  # noise of the level beside a ghost, in its own: more, and other light is there


def blocked_to_nm(axis: Floats, bench: Bench) -> float | None:
    """Return the wavelength below which the window of the bench lets nothing through; None if it is not known."""
    if bench.window.measured:
        value, error = bench.window.measured_at(axis)
    elif bench.window.material == "unknown":
        return None
    else:
        from glowledger.tables.windows import transmission

        value, error = transmission(bench.window.material, bench.window.thickness_mm, axis)
    opened = np.flatnonzero(value + 2 * error >= BLOCKED_BELOW)
    return float(axis[opened[0]]) if opened.size and opened[0] > 0 else None


def stray_fraction(axis: Floats, counts: Floats, variance: Floats, dark_to_nm: float) -> tuple[float, float] | None:
    """Return scattered light per pixel, times the number of pixels, as part of all light.

    Parameters
    ----------
    axis : ndarray of shape (p,)
        nm.
    counts, variance : ndarray of shape (p,)
        Dark-subtracted counts, NaN where masked, and their variance.
    dark_to_nm : float
        No light of its own can arrive below.

    Returns
    -------
    (float, float) or None
        Fraction and its standard error; None where too few pixels lie there, or there is no light at all.
    """
    dark = (axis < dark_to_nm) & np.isfinite(counts)
    total = float(np.nansum(np.maximum(counts, 0.0)))
    if np.count_nonzero(dark) < FEWEST_PIXELS or total <= 0:
        return None
    level = float(np.median(counts[dark]))
    noise = 1.2533 * float(np.sqrt(np.mean(variance[dark]) / np.count_nonzero(dark)))
    scale = axis.size / total
    return level * scale, float(np.hypot(noise, HAZE * abs(level))) * scale


def second_order(axis: Floats, counts: Floats, variance: Floats, fwhm_nm: Floats) -> tuple[float, float, int] | None:
    """Return the light that lines show at twice their wavelength, as part of the line.

    Parameters
    ----------
    axis : ndarray of shape (p,)
        nm.
    counts, variance : ndarray of shape (p,)
        Dark-subtracted counts, NaN where masked, and their variance.
    fwhm_nm : ndarray of shape (p,)
        Line width over the axis.

    Returns
    -------
    (float, float, int) or None
        Fraction, its standard error and the number of lines that agree on it. Light of other lines can only
        add, so it is the lowest value that stands; with one line it is an upper bound. None where no clear
        line has its double on the axis.
    """
    found = []
    for top in _bright_tops(axis, counts):
        if 2 * axis[top] > axis[-1] - 3 * fwhm_nm[-1]:
            continue
        line, line_var = _area(axis, counts, variance, float(axis[top]), float(fwhm_nm[top]))
        if not line > BRIGHT_SIGMA * np.sqrt(line_var):
            continue
        at = int(np.searchsorted(axis, 2 * axis[top]))
        ghost, ghost_var = _area(axis, counts, variance, float(2 * axis[top]), float(fwhm_nm[at]), clean=True)
        if np.isfinite(ghost) and ghost > -3.0 * np.sqrt(ghost_var):
            found.append((ghost / line, float(np.sqrt(ghost_var)) / line))
    if not found:
        return None
    value, error = (np.array(column) for column in zip(*found, strict=True))
    lowest = int(np.argmin(value + 2 * error))
    agree = np.abs(value - value[lowest]) < AGREE * np.hypot(error, error[lowest])
    weight = error[agree] ** -2
    return float(np.average(value[agree], weights=weight)), float(np.sum(weight) ** -0.5), int(agree.sum())


def _bright_tops(axis: Floats, counts: Floats) -> NDArray[np.intp]:
    filled = np.where(np.isfinite(counts), counts, -np.inf)
    inner = filled[1:-1]
    tops = np.flatnonzero((inner > filled[:-2]) & (inner >= filled[2:])) + 1
    return tops[np.argsort(-filled[tops])][:40]


def _area(
    axis: Floats, counts: Floats, variance: Floats, centre: float, fwhm: float, clean: bool = False
) -> tuple[float, float]:
    """Return counts within ±FWHM of a place above the level beside it, and their variance.

    NaN if masked, or, where it has to be `clean`, if the level beside it is no level.
    """
    away = np.abs(axis - centre)
    inside, beside = away < fwhm, (away >= 1.5 * fwhm) & (away < 3.0 * fwhm)
    if not (inside.any() and beside.sum() >= 2) or not np.all(np.isfinite(counts[inside])):
        return float("nan"), float("nan")
    around = np.flatnonzero(beside & np.isfinite(counts))
    if around.size < 4 or axis[around[0]] > centre or axis[around[-1]] < centre:
        return float("nan"), float("nan")
    line = np.polyfit(axis[around] - centre, counts[around], 1)
    left = counts[around] - np.polyval(line, axis[around] - centre)
    scatter = 1.4826 * float(np.median(np.abs(left)))
    if clean and scatter > CLEAN * float(np.sqrt(np.mean(variance[around]))):
        return float("nan"), float("nan")
    n = int(inside.sum())
    level_var = float(np.mean(variance[around])) / around.size
    total = float(np.sum(counts[inside] - np.polyval(line, axis[inside] - centre)))
    return total, float(variance[inside].sum()) + n**2 * level_var
