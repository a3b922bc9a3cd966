"""Where a fit of an unknown instrument begins: offsets and widths tried on a coarser spectrum."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.axis_freedom import LOOSE_OFFSET_SD_NM
from glowledger.glow.binning import binned, enough_pixels, summed_pixels
from glowledger.glow.coarse import typically_coarse
from glowledger.glow.fitting import Solution, first_equations, fit_scene, in_other_pixels
from glowledger.glow.instrument import response_templates
from glowledger.glow.line_shape import LineShape
from glowledger.glow.scene import Adjustment, Scene
from glowledger.glow.shape_freedom import NO_SKIRT_SD
from glowledger.glow.starting import shift_steps
from glowledger.glow.templates import SINGLE, EmissionGrid, SpreadLines

TRUSTED_WIDTHS = 0.8  # line widths by which a start may be off the axis without a second look
ASTRAY = 30.0  # reduced χ² of a first fit whose lines are not where they are looked for; of others it is 1 to 15
FAR = 4.0  # by this factor an axis that nobody has calibrated may be farther off than usual
CLEARLY = 30.0  # less -2 ln likelihood: a freer response alone wins some ten
LOST = 2.0  # times the error that templates were given: of 63 invented glows one was so much worse, and not clearly so
NEARLY = 10.0  # standard deviations by which the model may still move: freeing all emitters moves it by some twenty
FARTHER = 2  # widths on from the best one before no narrower one is tried
HELD_WIDTH_SD = 0.1  # of the logarithm of a width that is tried: free, it goes back to where it came from
WIDTHS_TRIED = (0.85, 0.7, 0.5, 0.35)  # beside it, of the first guess: blends make lines look wide, never narrow


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Start:
    """Where a fit may begin.

    Attributes
    ----------
    adjustment : Adjustment
        Where the instrument stands.
    amounts : ndarray of shape (c + 1,)
        The best there, and the constant.
    misfit : float
        What they leave: χ² up to a constant.
    """

    adjustment: Adjustment
    amounts: NDArray[np.float64]
    misfit: float


def first_fit(
    scene: Scene, shift_sd_nm: float, *, width_known: bool, closing: int, whole: bool = False, width_held: bool = False
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
    width_held : bool
        Stay near the width as it is.

    Returns
    -------
    Scene, Solution
        The scene with as many pixels summed as a line needs, and its fit.
    """
    width_log = min(scene.priors.width_log, HELD_WIDTH_SD) if width_held else scene.priors.width_log
    held = replace(scene, priors=replace(scene.priors, skirt=NO_SKIRT_SD, width_log=width_log))
    few, solution = _best_fit(held, shift_sd_nm, width_known or width_held, closing, whole)
    return replace(few, priors=scene.priors), solution


def _best_fit(
    scene: Scene, shift_sd_nm: float, width_known: bool, closing: int, whole: bool
) -> tuple[Scene, Solution]:
    """Return scene and fit as `first_fit`."""
    width = float(scene.line_spread.fwhm(scene.axis_nm[scene.axis_nm.size // 2]))
    groups = typically_coarse(binned(scene, width))
    coarse = groups.scene
    best = best_offset(coarse, shift_steps(width, shift_sd_nm))

    def tried(start: Start) -> Start:
        return start if width_known else _with_width(coarse, start)

    begun = tried(best)
    few = scene if whole else summed_pixels(scene, enough_pixels(scene, begun.adjustment.shape.width))

    def fit_from(start: Start) -> Solution:
        times = coarse.summed_pixels / few.summed_pixels
        amounts = in_other_pixels(groups.split(start.amounts), len(few.emitters), times)
        return fit_scene(few, start.adjustment, closing=closing, nearly=NEARLY, amounts=amounts)

    fitted = fit_from(begun)
    if fitted.chi2_reduced > ASTRAY and shift_sd_nm >= LOOSE_OFFSET_SD_NM:
        far = best_offset(coarse, shift_steps(width, FAR * shift_sd_nm))
        pairs = (fitted, best), (fit_from(tried(far)), far)
        fitted, best = min(pairs, key=lambda pair: _deviance(few, pair[0]))
    trusted = 0.0 if scene.many_lines.any() else TRUSTED_WIDTHS * width  # lines that stand in no table pull at the axis
    if abs(float(best.adjustment.shift_nm[0])) <= trusted:
        return _with_enough_pixels(scene, few, fitted, closing)
    # far from where the axis says: one linear fit can err there, so the fit from the axis as it is must be worse
    both = fit_from(tried(_starts(coarse, [scene.start()])[0])), fitted
    return _with_enough_pixels(scene, few, min(both, key=lambda solution: _deviance(few, solution)), closing)


def _with_enough_pixels(scene: Scene, few: Scene, fitted: Solution, closing: int) -> tuple[Scene, Solution]:
    """Fit again where lines turned out narrower than they looked, and so too few pixels were kept to a line."""
    many = enough_pixels(scene, fitted.adjustment.shape.width)
    if few.summed_pixels <= many:
        return few, fitted
    more = summed_pixels(scene, many)
    return more, fit_scene(more, fitted.adjustment, closing=closing, nearly=NEARLY)


def clearly_better(one: tuple[Scene, Solution], usual: tuple[Scene, Solution]) -> bool:
    """Return whether a fit describes a spectrum so much better than another fit of it as chance would not."""
    many = int(np.lcm(one[0].summed_pixels, usual[0].summed_pixels))
    better, worse = (_deviance(*each, many // each[0].summed_pixels) for each in (one, usual))
    return better < worse - CLEARLY


def lost(one: tuple[Scene, Solution], before: tuple[Scene, Solution]) -> bool:
    """Return whether a fit lost what the earlier one that it went on from had found.

    It may be a little worse, as other emitters leave other noise. But each round is linear in the response and in the
    place of lines: one that asks for far too large a step describes no spectrum, the errors that it lets templates have
    make the next one larger still, and another gas may stand in the end where the first was.
    """
    errors = one[1].levels.template_error, before[1].levels.template_error
    return errors[0] > LOST * errors[1] and clearly_better(before, one)


def _with_width(scene: Scene, start: Start) -> Start:
    """Return the start with the best of several line widths."""
    best, worse = start, 0
    for width in WIDTHS_TRIED:
        shape = replace(start.adjustment.shape, width=width)
        one = _starts(scene, [replace(start.adjustment, shape=shape)])[0]
        worse = worse + 1 if one.misfit > best.misfit else 0
        if one.misfit <= best.misfit:
            best = one
        elif worse >= FARTHER:
            break
    return best


def _deviance(scene: Scene, solution: Solution, together: int = 1) -> float:
    """Return -2 ln likelihood of a fit with its own noise levels, up to a constant, and the prior of its shift.

    So many neighbouring pixels are taken together: fits of pixels summed differently compare in the same ones.
    """
    first = np.arange(0, scene.data.size - together + 1, together)
    left, variance = (
        np.add.reduceat(np.where(scene.used, each, 0.0)[: first[-1] + together], first)
        for each in (scene.data - solution.model, solution.variance)
    )
    used = variance > 0
    offset = float(solution.adjustment.shift_nm[0]) / float(scene.priors.shift_nm[0])
    return float(np.sum(left[used] ** 2 / variance[used] + np.log(variance[used])) + offset**2)


def best_offset(scene: Scene, steps_nm: NDArray[np.float64]) -> Start:
    """Return the offset of the axis at which amounts alone leave least.

    Every second offset is tried, then the neighbours of the best: a line is felt two steps away.
    """
    start = scene.start()
    steps = np.sort(steps_nm)
    shifted = [replace(start, shift_nm=step * np.eye(start.shift_nm.size)[0]) for step in steps]
    first = int(np.argmin(np.abs(steps))) % 2  # no offset is among those tried
    tried = dict(zip(range(first, steps.size, 2), _starts(scene, shifted[first::2]), strict=True))

    def best() -> int:
        return min(tried, key=lambda k: tried[k].misfit)

    beside = [k for k in (best() - 1, best() + 1) if 0 <= k < steps.size]
    tried.update(zip(beside, _starts(scene, [shifted[k] for k in beside]), strict=True))
    return tried[best()]


def _starts(scene: Scene, adjustments: list[Adjustment]) -> list[Start]:
    """Return how well amounts alone fit under some adjustments."""
    found: list[Start] = []
    guess: NDArray[np.bool_] | None = None
    for one in adjustments:
        spread = _spread(scene.grid, one.shape)
        normal = first_equations(scene, response_templates(scene, one, spread), scene.first)[0]
        x = normal.solve(guess=guess)
        guess = x > 0
        amounts = np.append(x, normal.free_values(x)[-1])
        found.append(Start(adjustment=one, amounts=amounts, misfit=normal.misfit(x)))
    return found


@lru_cache(maxsize=1)
def _spread(grid: EmissionGrid, shape: LineShape) -> SpreadLines:
    return grid.spread(shape, SINGLE)
