"""The light of each species in a fit, as fitted and in its typical pattern."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.fitting import Solution
from glowledger.glow.scene import Scene


def species_light(scene: Scene, solution: Solution, columns: NDArray[np.intp]) -> NDArray[np.float64]:
    """Return the fitted counts of a species in each pixel, shape (p,)."""
    known = _lights(scene, solution).get(columns.tobytes())
    return np.asarray(solution.templates[:, columns] @ solution.x[columns]) if known is None else known[0]


def pattern_light(scene: Scene, solution: Solution, columns: NDArray[np.intp]) -> NDArray[np.float64]:
    """Return the counts of a species in each pixel, shape (p,), with each emitter as bright as its weight."""
    known = _lights(scene, solution).get(columns.tobytes())
    if known is not None:
        return known[1]
    weights = np.array([scene.emitters[i].weight for i in columns])
    return np.asarray(solution.templates[:, columns] @ weights)


def typical_light(scene: Scene, solution: Solution, columns: NDArray[np.intp]) -> NDArray[np.float64]:
    """Return the typical pattern of a species in each pixel, shape (p,), scaled to its brightest pixel."""
    light = pattern_light(scene, solution, columns)
    return np.asarray(light / max(float(light.max()), np.finfo(float).tiny))


def usual_light(scene: Scene, solution: Solution, columns: NDArray[np.intp]) -> NDArray[np.float64]:
    """Return the counts a species would have in its typical pattern at its fitted total, shape (p,).

    Where two species meet within a line width the fit may have given the light to the wrong one; what this
    one commonly has there is then no proof of the other.
    """
    fitted = species_light(scene, solution, columns)
    typical = typical_light(scene, solution, columns)
    total = float(typical[scene.used].sum())
    return np.asarray(typical * (float(fitted[scene.used].sum()) / total if total > 0 else 0.0))


@lru_cache(maxsize=2)
def _lights(scene: Scene, solution: Solution) -> dict[bytes, tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Return fitted and pattern light of all species by the bytes of their columns: one product serves all."""
    names, index = scene.species_of_emitters()
    m = index.size
    shares = np.zeros((m, 2 * len(names)))
    shares[np.arange(m), index] = solution.x[:m]
    shares[np.arange(m), len(names) + index] = [e.weight for e in scene.emitters]
    light = np.ascontiguousarray((solution.templates @ shares).T)
    light.flags.writeable = False
    return {
        scene.columns_of(name).tobytes(): (light[k], light[len(names) + k]) for k, name in enumerate(names)
    }
