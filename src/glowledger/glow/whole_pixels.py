"""A fit of summed pixels in every pixel of its spectrum: drawn there, or fitted on."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.coarse import coarse_scene
from glowledger.glow.final_templates import with_loosened, with_response
from glowledger.glow.fitting import Solution, columns_at, fit_scene, in_other_pixels, moved
from glowledger.glow.instrument import branching_doubt, error_shape, response_doubt
from glowledger.glow.scene import Scene


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Drawn:
    """What a fit says of every pixel; p pixels.

    Attributes
    ----------
    model, background, standard_deviation : ndarray of shape (p,)
        Counts; `model` includes `background`.
    light : dict of str to ndarray of shape (p,)
        Counts of each species that has any.
    """

    model: NDArray[np.float64]
    background: NDArray[np.float64]
    standard_deviation: NDArray[np.float64]
    light: dict[str, NDArray[np.float64]]


def drawn(whole: Scene, scene: Scene, solution: Solution) -> Drawn:
    """Draw a fit in other pixels of the same spectrum.

    Parameters
    ----------
    whole : Scene
        The pixels.
    scene, solution : Scene, Solution
        The fit.
    """
    times, m = scene.summed_pixels / whole.summed_pixels, len(scene.emitters)
    x = in_other_pixels(np.append(solution.x, solution.free_values[-1]), m, times)
    x, constant = x[:-1], float(x[-1])
    groups = coarse_scene(_alike(whole, scene), x)
    few, amounts, adjustment = groups.scene, groups.merged(x), moved(scene, solution)
    k = len(few.emitters)
    columns = columns_at(few, adjustment, amounts[:k])
    light = columns[:, :k] * amounts[:k]
    lines, background = light.sum(axis=1), columns[:, k:] @ amounts[k:] + constant
    doubt = branching_doubt(few, columns[:, :k], amounts[:k])
    levels = replace(solution.levels, read_variance=solution.levels.read_variance / times)
    known = doubt[1] + (response_doubt(few, adjustment) * lines) ** 2 + few.stated_variance
    variance = levels.pixel_variance(lines + background, error_shape(few, lines, doubt)) + known
    return Drawn(
        model=lines + background, background=background, standard_deviation=np.sqrt(variance),
        light={name: light[:, few.columns_of(name)].sum(axis=1) for name in few.species_of_emitters()[0]},
    )  # fmt: skip


def fitted(whole: Scene, scene: Scene, solution: Solution) -> tuple[Scene, Solution]:
    """Return the scene of other pixels of the same spectrum, and its fit, from one that is done.

    Parameters
    ----------
    whole : Scene
        The pixels.
    scene, solution : Scene, Solution
        The fit that is done.
    """
    if whole.summed_pixels == scene.summed_pixels:
        return scene, solution
    other = _alike(whole, scene)
    other, found = with_loosened(other, fit_scene(other, rounds=0, before=(scene, solution)))
    return other, with_response(other, found)


def _alike(whole: Scene, scene: Scene) -> Scene:
    """Return a scene with the templates of another, as far as they were taken up there."""
    return replace(whole, grid=scene.grid, loose=scene.loose, rotation=scene.rotation)
