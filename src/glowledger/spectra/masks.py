"""Values that must not be used: saturated, stuck and hot pixels, spikes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FULL_SCALES = tuple(float(2**bits - 1) for bits in (8, 10, 12, 14, 16, 18, 20))
FLAT_TOP = 3  # values at the very maximum that make a ceiling
_BELOW = 0.02  # part of the maximum in which an unclipped peak has more values than at its top
_LEAST_STEPS = 50  # steps of the converter below which equal values mean nothing
STUCK_FRAMES = 8  # frames a pixel must stand still in to be stuck
_REFERENCE_PEAKS = 5  # resolved peaks that must show the line width before a narrower one is refused
_PEAK_SIGMAS = 20.0
_SPIKE_SIGMAS = 12.0
_NARROWER = 0.3  # of the narrowest reference peaks


def find_ceiling(counts: NDArray[np.float64]) -> tuple[float | None, str]:
    """Find the counts at which the detector saturates.

    Parameters
    ----------
    counts : ndarray of shape (n, p)
        All frames of one detector; NaN allowed.

    Returns
    -------
    (float or None, str)
        The ceiling and why it is taken for one; None where nothing shows it.

    Notes
    -----
    A ceiling is the full scale of a converter, or a maximum at which values pile up: three or more there, and
    more than twice as many as in the two hundredths below, which an unclipped peak passes through.
    """
    top = float(np.max(counts)) if counts.size else 0.0
    if not np.isfinite(top):
        finite = counts[np.isfinite(counts)]
        top = float(np.max(finite)) if finite.size else 0.0
    if top <= 0:
        return None, ""
    if top in FULL_SCALES[1:]:
        return top, f"the highest value, {top:g}, is the full scale of {round(np.log2(top + 1))} bits"
    near = counts[counts > top * (1 - _BELOW)]
    at_top = int(np.count_nonzero(near == top))
    if at_top == np.count_nonzero(np.isfinite(counts)) and at_top >= FLAT_TOP:
        return top, f"every value is {top:g}"
    whole = bool(np.all(near == np.round(near)))
    if at_top < FLAT_TOP or at_top <= 2 * (near.size - at_top) or (whole and top < _LEAST_STEPS):
        return None, ""
    return top, f"{at_top} values stand at the very maximum, {top:g}, as under a ceiling"


def stuck_pixels(counts: NDArray[np.float64], mask: NDArray[np.bool_] | None = None) -> NDArray[np.bool_]:
    """Find pixels that read the same in every frame while the others move.

    Parameters
    ----------
    counts : ndarray of shape (n, p)
        Frames of one run.
    mask : ndarray of bool, shape (n, p), optional
        True where a value is out already; saturated pixels stand still too.

    Returns
    -------
    ndarray of bool, shape (p,)
        All False with fewer than `STUCK_FRAMES` frames, or where standing still is common (coarse steps, no
        noise).
    """
    none = np.zeros(counts.shape[1], dtype=bool)
    if len(counts) < STUCK_FRAMES:
        return none
    still = np.all(counts[: 4 * STUCK_FRAMES] == counts[0], axis=0)
    if mask is not None:
        still &= ~mask[0]
    if not still.any():
        return none
    still[still] = np.all(counts[:, still] == counts[0, still], axis=0)
    return still if still.sum() <= max(2, 0.01 * still.size) else none


def spikes(counts: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Find single pixels that stand out more narrowly than the instrument can make a line.

    Parameters
    ----------
    counts : ndarray of shape (n, p)
        Frames; finite.

    Returns
    -------
    ndarray of bool, shape (n, p)
        True at single high pixels, and at single low pixels within lines. All False where fewer than five
        strong peaks show how wide a line is: in an undersampled spectrum a single pixel may be a line.
    """
    n, p = counts.shape
    found = np.zeros((n, p), dtype=bool)
    if p < 20:
        return found
    base = np.median(counts, axis=1, keepdims=True)
    step = np.diff(counts, n=2, axis=1)
    sigma = np.maximum(np.median(np.abs(step), axis=1, keepdims=True) / 0.6745 / np.sqrt(6.0), 0.5)
    middle, left, right = counts[:, 1:-1] - base, counts[:, :-2] - base, counts[:, 2:] - base
    side = np.maximum(left, right)
    peak = (middle > left) & (middle >= right) & (middle > _PEAK_SIGMAS * sigma)
    ratio = np.where(peak, side / np.where(peak, middle, 1.0), np.nan)
    for i in np.flatnonzero(peak.sum(axis=1) > _REFERENCE_PEAKS):  # few frames reach this
        ratios = np.sort(ratio[i][peak[i]])
        resolved = ratios[ratios > 0.3]  # wider than some 1.3 pixels at half height
        if len(resolved) < max(_REFERENCE_PEAKS, 3 * (len(ratios) - len(resolved))):
            continue
        limit = _NARROWER * resolved[len(resolved) // 10]
        stands_out = middle[i] - side[i] > _SPIKE_SIGMAS * sigma[i]
        found[i, 1:-1] = (
            peak[i] & stands_out & (np.abs(side[i]) < np.maximum(limit * middle[i], 4 * sigma[i]))
        )
    return found


def hot_pixels(dark: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Find pixels that stand far above their neighbours without light.

    Parameters
    ----------
    dark : ndarray of shape (p,)
        Mean of dark frames: no line can be in it, so that any single high pixel is the detector's.

    Returns
    -------
    ndarray of bool, shape (p,)
    """
    if dark.size < 9:
        return np.zeros(dark.size, dtype=bool)
    padded = np.pad(dark, 2, mode="reflect")
    around = np.median(np.stack([padded[k : k + dark.size] for k in (0, 1, 3, 4)]), axis=0)
    excess = dark - around
    scatter = np.median(np.abs(excess - np.median(excess))) / 0.6745
    return np.asarray(excess > _SPIKE_SIGMAS * max(float(scatter), 0.5))
