"""Where a fit of an unknown instrument begins: offsets and widths tried on a coarser spectrum."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.axis_freedom import LOOSE_OFFSET_SD_NM
from glowledger.glow.binning import binned, enough_pixels, summed_pixels
from glowledger.glow.fitting import Solution, first_equations, fit_scene
from glowledger.glow.instrument import response_templates
from glowledger.glow.scene import Adjustment, Scene
from glowledger.glow.starting import shift_steps
from glowledger.glow.templates import EmissionGrid, LineShape, SpreadLines

TRUSTED_WIDTHS = 0.8  # line widths by which a start may be off the axis without a second look
ASTRAY = 30.0  # reduced χ² of a first fit whose lines are not where they are looked for; of others it is 1 to 15
FAR = 4.0  # by this factor an axis that nobody has calibrated may be farther off than usual
NEARLY = 3.0  # standard deviations: freeing the emitters moves the whole model by some twenty
FARTHER = 2  # widths on from the best one before no narrower one is tried
WIDTHS_TRIED = (0.85, 0.7, 0.5, 0.35)  # beside it, of the first guess: blends make lines look wide, never narrow


def first_fit(
    scene: Scene, shift_sd_nm: float, *, width_known: bool, closing: int, whole: bool = False
) -> tuple[Scene, Solution]:
    """Fit from the best of several offsets of the axis and, where no bench tells it, of several line widths.

    Parameters
    ----------
    scene : Scene
        What is to be fitted.
    shift_sd_nm : float
        How far the axis may be off.
    width_known : bool
        Do not try other widths.
    closing : int
        As for `fit_scene`.
    whole : bool
        Keep all pixels.

    Returns
    -------
    Scene, Solution
        The scene with as many pixels summed as a line needs, and its fit.
    """
    width = float(scene.line_spread.fwhm(scene.axis_nm[scene.axis_nm.size // 2]))
    coarse = binned(scene, width)
    best, misfit = best_offset(coarse, shift_steps(width, shift_sd_nm))

    def tried(start: Adjustment, misfit: float = float("nan")) -> Adjustment:
        return start if width_known else _with_width(coarse, start, misfit)

    begun = tried(best, misfit)
    few = scene if whole else summed_pixels(scene, enough_pixels(scene, begun.shape.width))

    def fit_from(start: Adjustment) -> Solution:
        return fit_scene(few, start, closing=closing, nearly=NEARLY)

    fitted = fit_from(begun)
    if fitted.chi2_reduced > ASTRAY and shift_sd_nm >= LOOSE_OFFSET_SD_NM:
        far, misfit = best_offset(coarse, shift_steps(width, FAR * shift_sd_nm))
        pairs = (fitted, best), (fit_from(tried(far, misfit)), far)
        fitted, best = min(pairs, key=lambda pair: _deviance(few, pair[0]))
    if abs(float(best.shift_nm[0])) <= TRUSTED_WIDTHS * width:
        return _with_enough_pixels(scene, few, fitted, closing)
    # far from where the axis says: one linear fit can err there, so the fit from the axis as it is must be worse
    both = fit_from(tried(scene.start())), fitted
    return _with_enough_pixels(scene, few, min(both, key=lambda solution: _deviance(few, solution)), closing)


def _with_enough_pixels(scene: Scene, few: Scene, fitted: Solution, closing: int) -> tuple[Scene, Solution]:
    """Fit again where lines turned out narrower than they looked, and so too few pixels were kept to a line."""
    many = enough_pixels(scene, fitted.adjustment.shape.width)
    if few.summed_pixels <= many:
        return few, fitted
    more = summed_pixels(scene, many)
    return more, fit_scene(more, fitted.adjustment, closing=closing, nearly=NEARLY)


def _with_width(scene: Scene, start: Adjustment, misfit: float = float("nan")) -> Adjustment:
    """Return the start with the best of several line widths; how well it fits as it is may be known."""
    least = float(_misfits(scene, [start])[0]) if np.isnan(misfit) else misfit
    best, worse = start, 0
    for width in WIDTHS_TRIED:
        one = replace(start, shape=replace(start.shape, width=width))
        left = float(_misfits(scene, [one])[0])
        worse = worse + 1 if left > least else 0
        if left <= least:
            best, least = one, left
        elif worse >= FARTHER:
            break
    return best


def _deviance(scene: Scene, solution: Solution) -> float:
    """Return -2 ln likelihood of a fit with its own noise levels, up to a constant, and the prior of its shift."""
    left = (scene.data - solution.model)[scene.used]
    variance = solution.variance[scene.used]
    offset = float(solution.adjustment.shift_nm[0]) / float(scene.priors.shift_nm[0])
    return float(np.sum(left**2 / variance + np.log(variance)) + offset**2)


def best_offset(scene: Scene, steps_nm: NDArray[np.float64]) -> tuple[Adjustment, float]:
    """Return the offset of the axis at which amounts alone leave least, and what they leave (χ² up to a constant).

    Every second offset is tried, then the neighbours of the best: a line is felt two steps away.
    """
    start = scene.start()
    if steps_nm.size == 1:
        return start, float("nan")
    steps = np.sort(steps_nm)
    shifted = [replace(start, shift_nm=step * np.eye(start.shift_nm.size)[0]) for step in steps]
    left = np.full(steps.size, np.inf)
    first = int(np.argmin(np.abs(steps))) % 2  # no offset is among those tried
    left[first::2] = _misfits(scene, shifted[first::2])
    best = int(left.argmin())
    beside = [k for k in (best - 1, best + 1) if 0 <= k < steps.size]
    if beside:
        left[beside] = _misfits(scene, [shifted[k] for k in beside])
    best = int(left.argmin())
    return shifted[best], float(left[best])


def _misfits(scene: Scene, starts: list[Adjustment]) -> NDArray[np.float64]:
    alike = len({start.shape for start in starts}) == 1
    spread = _spread(scene.grid, starts[0].shape) if alike else None
    guess: NDArray[np.bool_] | None = None
    found = []
    for start in starts:
        normal = first_equations(scene, response_templates(scene, start, spread), scene.first)[0]
        x = normal.solve(guess=guess)
        guess = x > 0
        found.append(normal.misfit(x))
    return np.array(found)


@lru_cache(maxsize=1)
def _spread(grid: EmissionGrid, shape: LineShape) -> SpreadLines:
    return grid.spread(shape)
