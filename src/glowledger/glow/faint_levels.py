"""Levels of atoms too faint for a spectrum to tell from one another: what a fit need not free one by one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.emitters import Emitter, lines_of
from glowledger.glow.fitting import Solution
from glowledger.glow.instrument import response_at
from glowledger.glow.scene import Scene

# standard deviations that a level has in its typical share: ten times as bright it would hardly be seen
UNTOLD = 0.3
PEAKED = 0.664  # sum of the squares of a Gaussian in pixels, times its FWHM in pixels: root of 2 ln 2 / pi


@dataclass(frozen=True, slots=True, eq=False)
class Light:
    """How bright each species is in a fit, and how much a line of it would tell.

    Attributes
    ----------
    axis_nm, information : ndarray of shape (p,)
        Wavelengths, and the information on a line there, per squared photon.
    brightness : dict of str to float
        Photons of each species over its typical light; the largest that its parts have, or that noise would hide.
    """

    axis_nm: NDArray[np.float64]
    information: NDArray[np.float64]
    brightness: dict[str, float]

    def told(self, emitters: tuple[Emitter, ...]) -> NDArray[np.bool_]:
        """Return which emitters of one species could be told from noise in their typical shares, shape (m,)."""
        nm, rate, owner = lines_of(emitters)
        here = np.interp(nm, self.axis_nm, self.information, 0.0, 0.0)
        per_photon = np.bincount(owner, rate**2 * here, len(emitters))
        photons = self.brightness.get(emitters[0].species, np.inf) * np.array([e.weight for e in emitters])
        return np.asarray(photons * np.sqrt(per_photon) >= UNTOLD)


def light_of(scene: Scene, solution: Solution) -> Light:
    """Return the light of all species in a fit.

    Parameters
    ----------
    scene, solution : Scene, Solution
        The fit.
    """
    m = len(scene.emitters)
    names, index = scene.species_of_emitters()
    weights = np.array([e.weight for e in scene.emitters])
    total = np.bincount(index, weights, len(names))
    fitted = np.bincount(index, solution.x[:m], len(names)) / total
    diagonal = np.maximum(np.diag(solution.normal.gram)[:m], np.finfo(float).tiny)
    hidden = 1.0 / np.sqrt(np.bincount(index, weights**2 * diagonal, len(names)))
    parts = np.zeros(len(names))
    summed = np.array([e.summed for e in scene.emitters])
    np.maximum.at(parts, index[summed], (solution.x[:m] / weights)[summed])
    brightness = np.maximum(np.maximum(fitted, parts), hidden)
    # Noise alone: errors of templates are those of the sums that such levels are in so far. And where the fit had no
    # lines to put light in it may have taken the response for nothing.
    noise = solution.levels.random_variance(solution.model) + scene.stated_variance
    seen = np.maximum(response_at(scene, solution.adjustment), scene.expected)
    weight = np.where(scene.used, seen**2 / noise, 0.0)
    return Light(scene.axis_nm, weight * PEAKED / scene.pixels_per_line, dict(zip(names, brightness, strict=True)))
