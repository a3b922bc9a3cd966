"""Noise that differs along the axis: a spectrum divided by the response before it was written.

Software that corrects for the response multiplies what the detector hardly sees by factors of ten and more, its noise
with it. One read noise and one gain for all pixels then believe ripples at the ends, and doubt lines in the middle.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.fitting import Solution
from glowledger.glow.instrument import error_shape
from glowledger.glow.scene import Scene

PARTS = 20  # of the axis
FEWEST_PAIRS = 10  # of neighbours in a part
CURVE = 4  # degree of the curve through the logarithm of their variance
BEYOND = 0.025  # of the axis: half a part
MEDIAN_OF_SQUARE = 0.4549  # of a standard normal deviate
FEWEST_PARTS = 4
UNEVEN = 6.0  # between noisy parts and quiet ones (20 and 80 %): less is chance, or what lines leave


def uneven_variance(scene: Scene, solution: Solution) -> NDArray[np.float64]:
    """Return by how much the noise of each pixel exceeds that of the quietest part of the axis, counts², shape (p,).

    Parameters
    ----------
    scene, solution : Scene, Solution
        A fit with one read noise and one gain.

    Returns
    -------
    ndarray
        Zeros where parts do not differ by `UNEVEN` in variance, from differences of the residuals of
        neighbours where noise, not the template, errs.
    """
    random = solution.levels.random_variance(solution.model) + scene.stated_variance
    errors = error_shape(scene, solution.lines, solution.doubt)
    noisy = scene.used & (solution.levels.template_variance(errors) + scene.many_lines < random)
    square = np.diff(scene.data - solution.model) ** 2 / (random[1:] + random[:-1])
    pairs = np.flatnonzero(noisy[1:] & noisy[:-1])
    square, part = square[pairs], pairs * PARTS // scene.data.size
    told = [number for number in range(PARTS) if np.count_nonzero(part == number) >= FEWEST_PAIRS]
    if len(told) < FEWEST_PARTS:
        return np.zeros(scene.data.size)
    places = np.array([np.mean(pairs[part == number]) for number in told])
    log = np.log([max(float(np.median(square[part == number])) / MEDIAN_OF_SQUARE, 1e-6) for number in told])
    least, most = np.quantile(log, [0.2, 0.8])
    if most - least < np.log(UNEVEN):
        return np.zeros(scene.data.size)
    curve = np.polyfit(places, log, min(CURVE, len(told) - 2), w=np.sqrt([np.count_nonzero(part == n) for n in told]))
    at = np.arange(scene.data.size)
    along = np.polyval(curve, np.clip(at, places[0] - BEYOND * at.size, places[-1] + BEYOND * at.size))
    return np.asarray((np.exp(np.clip(along, least, log.max() + 1.0)) - np.exp(least)) * random)
