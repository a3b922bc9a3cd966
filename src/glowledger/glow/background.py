"""The smooth light under lines and bands: continuum, scattered light, a dark level left over."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

KNOT_SPACING_NM = 80.0  # wider than any single band head's fall, narrower than a lamp or H2 continuum
WIDTHS_PER_KNOT = 25.0  # nor narrower than this many line widths
# A window's edge in smooth light: glass, acrylic, polycarbonate (where they cut off: common practice, no source)
EDGES_NM = (300.0, 420.0)
# The blue peak of a white LED, 15 to 35 nm wide between 435 and 470 nm, before its phosphor: common practice, no source
LED_TOPS_NM, LED_REACH_NM, LED_VALLEY_NM, LED_HILL_NM = (434.0, 472.0), 50.0, (12.0, 45.0), (520.0, 640.0)
LED_KNOTS_NM, LED_WIDTHS_PER_KNOT = 10.0, 4.0
PHOSPHOR_KNOTS_NM, PHOSPHOR_WIDTHS_PER_KNOT = 50.0, 15.0  # its standard deviation is some 50 nm
LED_VALLEY, LED_HILL, LED_STEP = 0.8, 1.3, 0.45  # at most, of the top; at least, of the valley; at most, of the top
LED_NARROW, LED_WIDE = 10.0, 45.0  # nm: full width at half the height over the valley and the violet side
LEVEL_NM, LOWER = 4.0, 0.25
LEAST_LEVELS = 20
AWAY = (3, 8)  # steps of `LEVEL_NM` before and after
EDGE_SIGMA = 8.0  # of the scatter from step to step
AT_ONCE = 0.75  # of the rise comes between
STILL_DARK, STAYS = 0.25, (0.7, 1.5)  # parts of the rise: at most there before it, and what is left after it
EDGE_OFFSETS_NM, EDGE_WIDTH_NM = (-8.0, 0.0, 8.0), 3.0  # edges tried beside each other; their sum may rise slowly


def background_basis(
    axis_nm: NDArray[np.float64], fwhm_nm: float, edge_nm: float | None = None, led_nm: float | None = None
) -> NDArray[np.float64]:
    """Return non-negative cubic B-splines too broad to swallow a band.

    Parameters
    ----------
    axis_nm : ndarray of shape (p,)
        nm, increasing.
    fwhm_nm : float
        Line width.
    edge_nm : float, optional
        Where a window cuts smooth light off, from `window_edge`: there the splines that reach so far also come cut off.
    led_nm : float, optional
        Top of the blue peak of a white LED, from `blue_peak`: around it come narrower splines too, and
        all are as narrow as its phosphor asks for.

    Returns
    -------
    ndarray of shape (p, b)
        Each column positive with peak near 0.67; used with coefficients ≥ 0.
    """
    low, high = float(axis_nm[0]), float(axis_nm[-1])
    knots_nm, widths = KNOT_SPACING_NM, WIDTHS_PER_KNOT
    if led_nm is not None:
        knots_nm, widths = PHOSPHOR_KNOTS_NM, PHOSPHOR_WIDTHS_PER_KNOT
    spacing = max(knots_nm, widths * fwhm_nm)
    pieces = max(1, round((high - low) / spacing))
    inner = np.linspace(low, high, pieces + 1)
    knots = np.concatenate([[low] * 3, inner, [high] * 3])
    splines = _cubic_splines(np.clip(axis_nm, low, high), knots)
    if led_nm is not None:
        splines = np.concatenate([splines, _around(axis_nm, led_nm, fwhm_nm)], axis=1)
    if edge_nm is None:
        return splines
    near = splines[:, (splines > 0)[np.argmin(np.abs(axis_nm - edge_nm))]]
    cut = [near * _passed(axis_nm, edge_nm + offset)[:, None] for offset in EDGE_OFFSETS_NM]
    return np.concatenate([splines, *cut], axis=1)


def window_edge(
    axis_nm: NDArray[np.float64], counts: NDArray[np.float64], used: NDArray[np.bool_]
) -> float | None:
    """Return where smooth light begins as behind a window that cuts off, nm; None where it does not.

    Parameters
    ----------
    axis_nm : ndarray of shape (p,)
        nm, increasing.
    counts : ndarray of shape (p,)
        Counts.
    used : ndarray of bool, shape (p,)
        Pixels that count.

    Notes
    -----
    What a lower quantile of each few nanometres says is free of lines; behind an edge it rises at once and stays,
    before it there is nothing.
    """
    at, level = _levels(axis_nm[used], counts[used])
    scatter = 1.4826 * float(np.median(np.abs(np.diff(level)))) / np.sqrt(2.0) if level.size > LEAST_LEVELS else np.inf
    best, found = EDGE_SIGMA * scatter, None
    for k in np.flatnonzero((at > EDGES_NM[0]) & (at < EDGES_NM[1])):
        before, after = level[max(k - AWAY[1], 0) : max(k - AWAY[0], 0)], level[k + AWAY[0] : k + AWAY[1]]
        if before.size == 0 or after.size == 0 or level[k + AWAY[0]] - level[k - AWAY[0]] <= best:
            continue
        dark, rise = float(np.median(level[: k - AWAY[0] + 1])), float(np.median(after) - np.median(before))
        stays = after.min() - dark > STAYS[0] * rise and after.max() - dark < STAYS[1] * rise
        at_once = float(level[k + AWAY[0]] - level[k - AWAY[0]])
        if at_once > max(best, AT_ONCE * rise) and stays and np.median(before) - dark < STILL_DARK * rise:
            best, found = at_once, float(at[k])
    return found


def _around(axis_nm: NDArray[np.float64], at_nm: float, fwhm_nm: float) -> NDArray[np.float64]:
    """Return narrow splines around a wavelength, shape (p, b)."""
    spacing = max(LED_KNOTS_NM, LED_WIDTHS_PER_KNOT * fwhm_nm)
    low, high = max(at_nm - LED_REACH_NM, float(axis_nm[0])), min(at_nm + LED_REACH_NM, float(axis_nm[-1]))
    inner = np.linspace(low, high, max(2, round((high - low) / spacing)) + 1)
    inside = (axis_nm >= low) & (axis_nm <= high)
    splines = _cubic_splines(np.clip(axis_nm, low, high), inner) if inner.size > 4 else np.zeros((axis_nm.size, 0))
    return splines * inside[:, None]


def blue_peak(
    axis_nm: NDArray[np.float64], counts: NDArray[np.float64], used: NDArray[np.bool_]
) -> float | None:
    """Return the top of the blue peak of a white LED, nm; None where smooth light has none.

    Parameters
    ----------
    axis_nm : ndarray of shape (p,)
        nm, increasing.
    counts : ndarray of shape (p,)
        Counts.
    used : ndarray of bool, shape (p,)
        Pixels that count.

    Notes
    -----
    It rises and falls gently, a band at its head at once; beyond a valley the phosphor shines.
    """
    at, level = _levels(axis_nm[used], counts[used])
    tops = np.flatnonzero((at > LED_TOPS_NM[0]) & (at < LED_TOPS_NM[1]))
    if level.size <= LEAST_LEVELS or tops.size == 0:
        return None
    scatter = 1.4826 * float(np.median(np.abs(np.diff(level, 2)))) / np.sqrt(6.0)
    top = int(tops[np.argmax(level[tops])])
    beyond = (at > at[top] + LED_VALLEY_NM[0]) & (at < at[top] + LED_VALLEY_NM[1])
    hill = (at > LED_HILL_NM[0]) & (at < LED_HILL_NM[1])
    before = (at > at[top] - LED_REACH_NM) & (at < at[top])
    if not (beyond.any() and hill.any() and before.any()):
        return None
    above = level - float(level.min())
    valley, height = float(above[beyond].min()), float(above[top])
    near = np.flatnonzero((at > at[top] - LED_REACH_NM / 2) & (at < at[top] + LED_VALLEY_NM[1]))
    half = 0.5 * (height + max(valley, float(above[before].min())))
    wide = LEVEL_NM * np.count_nonzero(above[near] > half)
    gently = np.abs(np.diff(above[near])).max() < LED_STEP * height
    shaped = valley < LED_VALLEY * height and above[hill].max() > LED_HILL * valley and LED_NARROW < wide < LED_WIDE
    return float(at[top]) if gently and shaped and height - valley > EDGE_SIGMA * scatter else None


def _levels(
    axis_nm: NDArray[np.float64], counts: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the middle and a lower quantile of the counts of every few nanometres."""
    number = ((axis_nm - axis_nm[0]) / LEVEL_NM).astype(np.int64)
    starts = np.flatnonzero(np.diff(number, prepend=-1))
    sizes = np.diff(starts, append=number.size)
    ranked = counts[np.lexsort((counts, number))]  # quantiles of hundreds of pieces at once
    rank = LOWER * (sizes - 1)
    below, above = (starts + edge(rank).astype(np.int64) for edge in (np.floor, np.ceil))
    return (
        np.add.reduceat(axis_nm, starts) / sizes,
        ranked[below] + (rank - np.floor(rank)) * (ranked[above] - ranked[below]),
    )  # fmt: skip


def _passed(axis_nm: NDArray[np.float64], edge_nm: float) -> NDArray[np.float64]:
    """Return what a plastic's edge at a wavelength passes, half of it there."""
    return np.asarray(1.0 / (1.0 + np.exp(-(axis_nm - edge_nm) / EDGE_WIDTH_NM)))


def _cubic_splines(x: NDArray[np.float64], knots: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the cubic B-splines on k knots at places within them, shape (p, k - 4).

    The recursion of de Boor (J. Approx. Theory 6, 50 (1972), from memory); a few lines here spare every start of
    the program the import of `scipy.interpolate`.
    """
    at = x[:, None]
    splines = ((knots[:-1] <= at) & (at < knots[1:])).astype(np.float64)
    splines[x == knots[-1], np.flatnonzero(np.diff(knots))[-1]] = 1.0
    for degree in (1, 2, 3):
        span = knots[degree:] - knots[:-degree]
        per_nm = np.divide(1.0, span, out=np.zeros_like(span), where=span > 0)
        rising, falling = (at - knots[: -degree - 1]) * per_nm[:-1], (knots[degree + 1 :] - at) * per_nm[1:]
        splines = rising * splines[:, :-1] + falling * splines[:, 1:]
    return splines
