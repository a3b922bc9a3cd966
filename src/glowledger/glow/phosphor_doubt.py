"""How far the bands of a lamp's phosphor may be from those listed: their shape goes by the make of the lamp."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.fitting import Solution
from glowledger.glow.likelihood import drop_species
from glowledger.glow.phosphor import PHOSPHOR
from glowledger.glow.scene import Scene
from glowledger.glow.species_light import species_light

CLEAR_SIGMA = 8.0  # of the first fit
SHAPE_ERROR = 0.3  # of the brightest light of a band near a place: an assumption
NEAR_NM = 4.0  # a band may reach so far from where it is listed (from memory: 1.5 to 5 nm wide, off by up to 0.5 nm)


def phosphor_variance(scene: Scene, solution: Solution) -> NDArray[np.float64]:
    """Return the variance of light by which a phosphor's bands may differ from those listed, per pixel.

    Parameters
    ----------
    scene, solution : Scene, Solution
        The first fit.

    Returns
    -------
    ndarray of shape (p,)
        counts²; zero where no phosphor is seen.
    """
    from scipy.ndimage import maximum_filter1d

    columns, none = scene.columns_of(PHOSPHOR), np.zeros(scene.data.size)
    if columns.size == 0 or drop_species(scene, solution, columns).significance < CLEAR_SIGMA:
        return none
    light = species_light(scene, solution, columns)
    near = maximum_filter1d(light, 2 * max(1, round(NEAR_NM / scene.pixel_nm)) + 1)
    return np.asarray((SHAPE_ERROR * near) ** 2)
