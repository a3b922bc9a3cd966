"""How readily light that nothing explains would pass for a line: the null hypothesis, measured in the spectrum.

No table holds every line of a glow. What the fit leaves over shows how often, and how strongly, unlisted
light and errors of the templates stand up like a line; a claim must rise above that, not above noise alone.
"""

from __future__ import annotations

from functools import lru_cache
from math import comb

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.features import CONTRAST_PIXELS, CONTRAST_WIDTHS, OFF_CENTRE, FeatureTest
from glowledger.glow.fitting import Solution
from glowledger.glow.instrument import expected_variance
from glowledger.glow.line_shape import unit_profile
from glowledger.glow.quantiles import quantile
from glowledger.glow.scene import Scene
from glowledger.glow.variance_without import local_misfit

REACH_NM = 100.0  # how far around a feature the null is taken: bright gases fill parts of the range only
LEAST_PLACES = 30.0  # line widths; with fewer the whole spectrum is taken
OWN_WIDTHS = 1.5  # around the features of the species itself nothing is learnt
TAIL = 0.2  # upper part of the places from which the tail is extrapolated
COULD_SHOW = 2.0  # standard deviations
STRETCH = 2.0  # of the tail's fall: brightnesses of the lines in a forest spread wider than an exponential


@lru_cache(maxsize=2)
def line_map(scene: Scene, solution: Solution) -> NDArray[np.float64]:
    """Return the significance of a line's worth of unexplained light at each pixel, shape (p,).

    Parameters
    ----------
    scene, solution : Scene, Solution
        The final fit.

    Returns
    -------
    ndarray of shape (p,)
        Residual light in the shape of a line over a free level and slope, as standard deviations, the
        greatest within the distance by which a line may be off centre; NaN where pixels are not used.
    """
    fwhm = scene.line_spread.fwhm(scene.axis_nm) * solution.adjustment.shape.width
    step = scene.pixel_nm
    widest = max(CONTRAST_WIDTHS * float(fwhm.max()), CONTRAST_PIXELS * step)
    half = max(CONTRAST_PIXELS, round(widest / step))
    index = np.arange(scene.axis_nm.size)[:, None] + np.arange(-half, half + 1)
    inside = (index >= 0) & (index < scene.axis_nm.size)
    index = np.clip(index, 0, scene.axis_nm.size - 1)
    variance = expected_variance(
        scene, solution.levels, solution.model, solution.lines, solution.doubt, solution.bent
    )
    weight = np.where(scene.used, 1.0 / (variance * local_misfit(scene, solution)), 0.0)
    x = scene.axis_nm[index] - scene.axis_nm[:, None]
    near = np.abs(x) <= np.maximum(CONTRAST_WIDTHS * fwhm, CONTRAST_PIXELS * step)[:, None]
    w = np.where(inside & near, weight[index], 0.0)
    shape = solution.adjustment.shape
    width = np.hypot(fwhm, step)[:, None]
    line = unit_profile(x / width, shape.lorentz_fraction, shape.asymmetry)
    z = _line_over_slope(w, x, line, (scene.data - solution.model)[index])
    return _greatest_near(np.where(scene.used, z, np.nan), OFF_CENTRE * fwhm, step)


def _line_over_slope(
    w: NDArray[np.float64], x: NDArray[np.float64], line: NDArray[np.float64], y: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return amount over standard error of a line fitted to each row of y beside a level and a slope."""
    s0, s1, s2 = w.sum(axis=1), (w * x).sum(axis=1), (w * x * x).sum(axis=1)
    l0, l1 = (w * line).sum(axis=1), (w * line * x).sum(axis=1)
    determinant = np.maximum(s0 * s2 - s1**2, np.finfo(float).tiny)
    level, slope = (s2 * l0 - s1 * l1) / determinant, (s0 * l1 - s1 * l0) / determinant
    upright = w * (line - level[:, None] - slope[:, None] * x)
    information = (upright * line).sum(axis=1)
    told = information > 1e-9 * (w * line * line).sum(axis=1)
    return np.where(told, (upright * y).sum(axis=1) / np.sqrt(np.where(told, information, 1.0)), 0.0)


def _greatest_near(z: NDArray[np.float64], reach_nm: NDArray[np.float64], step_nm: float) -> NDArray[np.float64]:
    """Return the greatest of each pixel and its neighbours within a reach."""
    found = z.copy()
    for k in range(1, round(float(reach_nm.max()) / step_nm) + 1):
        far = reach_nm < (k - 0.5) * step_nm
        for side in (-k, k):
            other = np.roll(z, side)
            found = np.where(far, found, np.fmax(found, other))
    return np.where(np.isnan(z), np.nan, found)


def chance(scene: Scene, solution: Solution, tests: list[FeatureTest], light: NDArray[np.float64]) -> float:
    """Return how probable it is that unexplained structure gives a species the clean features it has.

    Parameters
    ----------
    scene, solution : Scene, Solution
        The final fit.
    tests : list of FeatureTest
        All features of the species.
    light : ndarray of shape (p,)
        Its fitted light.

    Returns
    -------
    float
        Of the best k of the n features bright enough to show, the least over k of (n over k) Π p; 1 where
        none is clean. For one species: whoever asks for many multiplies.
    """
    clean = [test for test in tests if test.feature.clean]
    p = np.sort([feature_chance(scene, solution, test, light) for test in clean])
    products = np.cumprod(p)
    places = max(len(clean), sum(test.expected_sigma > COULD_SHOW for test in tests))
    return float(min([1.0, *(comb(places, k + 1) * products[k] for k in range(len(p)))]))


def feature_chance(scene: Scene, solution: Solution, test: FeatureTest, light: NDArray[np.float64]) -> float:
    """Return how probable a place in the neighbourhood holds unexplained light as significant as a feature."""
    from scipy.special import ndtr

    z = line_map(scene, solution)
    nm, at = scene.axis_nm, test.feature.wavelength_nm
    fwhm = float(scene.line_spread.fwhm(at)) * solution.adjustment.shape.width
    step = scene.pixel_nm
    usable = np.isfinite(z) & ~_own_places(light, step, fwhm)
    near = usable & (np.abs(nm - at) < REACH_NM)
    sample = z[near if near.sum() * step > LEAST_PLACES * fwhm else usable]
    if sample.size == 0:
        return 1.0
    start = quantile(sample, 1.0 - TAIL)
    tail = sample[sample >= start]
    mean_excess = max(float(tail.mean()) - start, 1e-3)
    beyond = test.sigma - start
    rarer = TAIL * float(np.exp(-beyond / (STRETCH * mean_excess))) if beyond > 0 else 1.0
    return float(max(rarer, ndtr(-test.sigma)))



def _own_places(light: NDArray[np.float64], step_nm: float, fwhm: float) -> NDArray[np.bool_]:
    """Return the pixels near the tops of a species' own light, shape (p,)."""
    bright = light > 0.03 * max(float(light.max()), np.finfo(float).tiny)
    half = max(1, round(OWN_WIDTHS * fwhm / step_nm))
    return np.convolve(bright, np.ones(2 * half + 1), mode="same")[: light.size] > 0
