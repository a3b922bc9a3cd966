"""Does the light at a feature look like the feature? It may be misshapen, a detector's ripple, or a gap of daylight.

A fit gives its templates room for errors, and where it has gone astray it takes much of it: then lines of anything
stand for light of quite another shape, with residuals as large as themselves that pass for errors of templates.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.daylight import darkest, daylight
from glowledger.glow.fitting import Solution
from glowledger.glow.noise_levels import LARGEST_MISMATCH
from glowledger.glow.scene import Scene

# Interference in a thinned chip, from where silicon lets light through to its rear (common practice, no source): a few
# per cent of the light either way
FRINGES_FROM_NM, FRINGES = 650.0, 0.1  # from crest to trough, of the smooth light
THICKEST_NM, SILICON = 20_000.0, 3.7  # thinned chips are 10 to 20 µm thick; refractive index (both from memory)
SAMPLED, WITHIN_PIXEL = 2.0, 0.25  # pixels to a line, from which on its shape is seen; pixels, as an axis may ripple
MOSTLY = 0.5  # of the line light: else the misfit is that of something else
MISSHAPEN = "the light near {} has not its shape"


def doubt_of_shape(
    scene: Scene, solution: Solution, light: NDArray[np.float64], at: tuple[int, NDArray[np.intp], NDArray[np.intp]],
    share: float,
) -> str:
    """Return why the light at a feature may not be the feature's, with a blank for its name, or ''.

    Parameters
    ----------
    scene, solution : Scene, Solution
        The fit.
    light : ndarray of shape (p,)
        Fitted light of the species.
    at : (int, ndarray of int, ndarray of int)
        Top of the feature, the pixels it fills, and those around it.
    share : float
        Of the line light there, the species' part.

    Returns
    -------
    str
    """
    top, near, around = at
    if light[top] <= 0 or near.size == 0:
        return ""
    if scene.pixels_per_line < SAMPLED and top in np.flatnonzero(scene.used)[[0, -1]]:
        return "{} is but the last pixel of the range, and may be no line"
    if share >= MOSTLY and unmatched(scene, solution, light, near, around) > LARGEST_MISMATCH:
        return MISSHAPEN
    if daylight(scene, solution) and light[top] < MOSTLY * (solution.model[top] - darkest(scene, solution)):
        return "{} may be the light between two dark lines of daylight"
    if _may_be_fringe(scene, solution, light, top):
        return "{} stands out of the smooth light by no more than the fringes of a detector may"
    return ""


def unmatched(
    scene: Scene, solution: Solution, light: NDArray[np.float64], near: NDArray[np.intp], around: NDArray[np.intp]
) -> float:
    """Return the light left over or too much at a feature, beyond noise and a slope, as part of the feature's light.

    Each pixel counts by the feature's part of the line light there: in the wing of a bright line the misfit is that
    line's. 0 where the top is cut off: the flanks of it have not the shape of a line. Where a line is hardly wider than
    a pixel, a displacement by a part of that moves much of its light into the next: place is judged apart.
    """
    if scene.cut[near].any():
        return 0.0
    random = solution.levels.random_variance(solution.model) + scene.stated_variance + scene.many_lines
    left = scene.data - solution.model
    x = scene.axis_nm - scene.axis_nm[near[0]]
    slope = np.polyfit(x[around], left[around], 1) if around.size > 2 else np.zeros(2)
    misfit = left[near] - np.polyval(slope, x[near])
    misfit = misfit - _displaced(scene, solution, misfit, near)
    positive = np.maximum(light[near], 0.0)  # far off, a lopsided line may fall below zero
    part = np.minimum(positive / np.maximum(solution.lines[near], np.finfo(float).tiny), 1.0)
    beyond = part @ (np.abs(misfit) - np.sqrt(2.0 / np.pi * random[near]))
    return float(max(beyond, 0.0) / max(float(light[near].sum()), np.finfo(float).tiny))


def _displaced(
    scene: Scene, solution: Solution, misfit: NDArray[np.float64], near: NDArray[np.intp]
) -> NDArray[np.float64]:
    """Return what of a misfit a displacement within one pixel explains; nothing where lines are well sampled."""
    slope = solution.free[near, 0] / scene.shift_basis[near, 0]
    if scene.pixels_per_line >= SAMPLED or not np.any(slope):
        return np.zeros(near.size)
    most = WITHIN_PIXEL * scene.pixel_nm
    return np.asarray(np.clip(float(slope @ misfit) / float(slope @ slope), -most, most) * slope)


def left_light(scene: Scene, solution: Solution) -> NDArray[np.float64]:
    """Return the counts in each pixel that no template holds, however good the fit is as a whole, shape (p,).

    Twice noise is taken off, and the most that templates may err. What the response may bend or branching may err is
    not: a limit set by other lines of a species, through strengths beside this one, must not be narrower than light
    that is there.
    """
    random = solution.levels.random_variance(solution.model) + scene.stated_variance + scene.many_lines
    known = LARGEST_MISMATCH * solution.lines + 2.0 * np.sqrt(random)
    return np.where(scene.used, np.maximum(scene.data - solution.model - known, 0.0), 0.0)


def _may_be_fringe(scene: Scene, solution: Solution, light: NDArray[np.float64], top: int) -> bool:
    """Return whether a feature is as wide as fringes and no higher; half a period of them is λ² / (4 n d)."""
    at = float(scene.axis_nm[top])
    if at < FRINGES_FROM_NM or solution.fwhm_at(scene, top) < at**2 / (4.0 * SILICON * THICKEST_NM):
        return False
    smooth = float(solution.model[top] - solution.lines[top])
    return bool(light[top] < FRINGES * (smooth - darkest(scene, solution)))
