"""Frames without any light: dark ones, those of a plasma that is off, or of one too faint to tell anything of."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from glowledger.spectra.frames import Frames
from glowledger.spectra.masks import LONE

NO_LIGHT = "there is no light in it above the noise: a dark frame, or a glow too faint to tell anything of"
NARROW_PIXELS, NARROW_SIGMA = (2, 4, 8), 5.0  # lines; of some thousand sums one in 2000 spectra is as high by chance
SMOOTH_PIXELS, SMOOTH_SIGMA = 64, 2.0
MEDIAN_OF_NORMAL = 0.6744897501960817  # upper quartile of the normal distribution
MOST_LONE = 0.02  # of the pixels


def no_light(counts: NDArray[np.float64]) -> bool:
    """Return whether nothing in a spectrum stands out of its noise, neither narrow nor smooth.

    Noise is told from one pixel to the next. What is smooth is looked for in the means of many pixels: below the noise
    of a pixel or two it is no more than the drift of a dark signal.

    Parameters
    ----------
    counts : ndarray of shape (k,)
        Those pixels of it that are used, in their order.
    """
    if counts.size < 2 * SMOOTH_PIXELS:
        return False
    sd = _noise(counts)
    left = _smooth(counts)
    level = counts - left
    if np.ptp(level) > (SMOOTH_SIGMA + 2 * NARROW_SIGMA / np.sqrt(SMOOTH_PIXELS)) * sd:  # the means err as well
        return False
    total = np.cumsum(np.append(0.0, left))
    return all(np.abs(total[n:] - total[:-n]).max() <= NARROW_SIGMA * sd * np.sqrt(n) for n in NARROW_PIXELS)


def without_single_pixels(frames: Frames) -> Frames:
    """Mask single high pixels where they are all that stands out of the noise: hot ones of a dark frame.

    No spectrometer makes a line as narrow as that, but what shows how wide its lines are is not there.

    Parameters
    ----------
    frames : Frames
        One frame.
    """
    used = np.flatnonzero(~frames.mask[0])
    counts = frames.counts[0, used]
    if counts.size < 2 * SMOOTH_PIXELS or no_light(counts):
        return frames
    lone = _lone(counts)
    if not lone.any() or np.count_nonzero(lone) > MOST_LONE * counts.size or not no_light(counts[~lone]):
        return frames
    mask = frames.mask.copy()
    mask[0, used[lone]] = True
    return replace(frames, mask=mask)


def _noise(counts: NDArray[np.float64]) -> float:
    return float(np.median(np.abs(np.diff(counts)))) / (np.sqrt(2.0) * MEDIAN_OF_NORMAL)


def _smooth(counts: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the counts less their running mean."""
    half = SMOOTH_PIXELS // 2
    level = np.convolve(np.pad(counts, half, mode="edge"), np.ones(SMOOTH_PIXELS) / SMOOTH_PIXELS, "same")
    return counts - level[half:][: counts.size]


def _lone(counts: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return which pixels stand out of the noise with neighbours that do not, shape (k,)."""
    from scipy.ndimage import median_filter

    sd, above = _noise(counts), counts - median_filter(counts, SMOOTH_PIXELS + 1)
    side = np.zeros(counts.size)
    side[1:-1] = np.maximum(above[:-2], above[2:])
    return np.asarray((above > NARROW_SIGMA * sd) & (side < LONE * above + NARROW_SIGMA / 2 * sd))
