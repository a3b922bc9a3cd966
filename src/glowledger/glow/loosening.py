"""What of a scene's templates is free within limits: bands so bright that an error of strength shows, temperatures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.coarse import carried_over
from glowledger.glow.fitting import Solution
from glowledger.glow.instrument import response_at
from glowledger.glow.likelihood import more_significant
from glowledger.glow.loose_bands import TELLING, loose_bands
from glowledger.glow.loose_rotation import loose_rotation
from glowledger.glow.scene import Scene
from glowledger.tables.species import ListedSpecies

SURE = 40.0  # standard deviations of the species: factors must not shape one that may not be there


def with_loosened_templates(
    scene: Scene, before: tuple[Scene, Solution], listed: tuple[ListedSpecies, ...], kelvin: dict[str, float]
) -> Scene:
    """Return a scene with a factor for every band bright enough, of species clearly there, and free temperatures.

    Parameters
    ----------
    scene : Scene
        To be fitted.
    before : (Scene, Solution)
        An earlier fit of the same spectrum, on the same grid of line widths.
    listed : tuple of ListedSpecies
        All species.
    kelvin : dict
        By species, at which temperature the bands of those that tell theirs are drawn, K.
    """
    old, solution = before
    amounts = carried_over(old, solution.x, scene)[: len(scene.emitters)]
    response = response_at(old, solution.adjustment)
    random = solution.levels.random_variance(solution.model) + old.stated_variance
    per_pixel = np.where(old.used & ~old.cut, response / np.sqrt(random), 0.0)
    width_nm = old.width_px * old.pixel_nm
    low, high = float(old.edges_nm[0]), float(old.edges_nm[-1])
    bright = np.where(amounts * per_pixel.max() > TELLING, amounts, 0.0)  # were all its light in one pixel
    names, index = scene.species_of_emitters()
    sure = [more_significant(old, solution, old.columns_of(name), SURE) for name in names]
    bright = np.where(np.array(sure)[index], bright, 0.0)

    def seen(nm: NDArray[np.float64], photons: NDArray[np.float64]) -> float:
        """Signal to noise of a band, its light gathered into steps of a line width."""
        here = (nm > low) & (nm < high)
        if not here.any():
            return 0.0
        step = float(np.interp(nm[here][0], old.axis_nm, width_nm))
        bins = ((nm[here] - low) / step).astype(np.int64)
        light = np.bincount(bins - bins.min(), photons[here])
        at = low + (np.arange(light.size) + bins.min() + 0.5) * step
        signal = light * np.interp(at, old.axis_nm, per_pixel) / np.sqrt(step / old.pixel_nm)
        return float(np.sqrt(np.sum(signal**2)))

    scale = scene.grid.scale
    return replace(
        scene, loose=loose_bands(scene.emitters, bright, scale, seen),
        rotation=loose_rotation(scene.emitters, listed, kelvin, scale),
    )  # fmt: skip
