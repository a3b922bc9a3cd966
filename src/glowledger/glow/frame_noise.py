"""Noise of single frames that differs along the axis, told from how a run changes from frame to frame.

Software that divides by the response before it writes multiplies the noise of what the detector hardly sees by
factors of ten and more. One read noise and one gain for all pixels then believe ripples at the ends of the axis, frame
by frame, and ripples that are believed pass for flashes.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

PARTS = 24  # of the axis
FEWEST_VALUES = 60  # differences in a part
MOST_FRAMES = 72
UNEVEN = 3.0  # between noisy parts and quiet ones (10 and 90 %): less is chance, or what flicker leaves
MEDIAN_OF_SQUARE = 0.4549  # of a standard normal deviate


def noise_along(
    left: NDArray[np.float64], noise: NDArray[np.float64], used: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Return by how much the variance of each pixel exceeds what is expected, shape (p,).

    Parameters
    ----------
    left : ndarray of shape (n, p)
        Residuals of frames in order of time: what never fits, frame after frame, drops out of their differences.
    noise : ndarray of shape (n, p)
        Variances expected.
    used : ndarray of bool, shape (p,)
        Pixels that count.

    Returns
    -------
    ndarray
        Ones where parts of the axis do not differ by `UNEVEN`. Scaled so that the quietest tenth of the parts is 1:
        what all pixels share is told for each frame by `projection.flicker`.
    """
    p = used.size
    change = np.diff(left, axis=0) ** 2 / (noise[1:] + noise[:-1])
    pixels = np.flatnonzero(used)
    part = pixels * PARTS // p
    told = [k for k in range(PARTS) if np.count_nonzero(part == k) * len(change) >= FEWEST_VALUES]
    if len(told) < PARTS // 4:
        return np.ones(p)
    log = np.log([max(float(np.median(change[:, pixels[part == k]])) / MEDIAN_OF_SQUARE, 1e-6) for k in told])
    least, most = np.quantile(log, [0.1, 0.9])
    if most - least < np.log(UNEVEN):
        return np.ones(p)
    places = np.array([np.mean(pixels[part == k]) for k in told])
    return np.asarray(np.exp(np.maximum(np.interp(np.arange(p), places, log - least), 0.0)))
