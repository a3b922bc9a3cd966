"""The light of each species in a fit, as fitted and in its typical pattern, and its doubts."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.fitting import Solution
from glowledger.glow.instrument import branching_doubt
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


def lit_columns(scene: Scene, solution: Solution) -> list[NDArray[np.intp]]:
    """Return the columns of each species that has any light."""
    every = (scene.columns_of(name) for name in scene.species_of_emitters()[0])
    return [columns for columns in every if np.any(solution.x[columns] > 0)]


def species_doubt(scene: Scene, solution: Solution, columns: NDArray[np.intp]) -> NDArray[np.float64]:
    """Return what a species has of `branching_doubt`, shape (3, p)."""
    if columns.size == 0:
        return np.zeros((3, scene.data.size))
    known = _doubts(scene, solution).get(columns.tobytes())
    return _doubt_of(scene, solution, [columns])[0] if known is None else known


@lru_cache(maxsize=2)
def _doubts(scene: Scene, solution: Solution) -> dict[bytes, NDArray[np.float64]]:
    """Return the doubt of all species with light by the bytes of their columns."""
    lit = lit_columns(scene, solution)
    return {columns.tobytes(): one for columns, one in zip(lit, _doubt_of(scene, solution, lit), strict=True)}


def _doubt_of(scene: Scene, solution: Solution, groups: list[NDArray[np.intp]]) -> NDArray[np.float64]:
    """Return the doubt of groups of columns, shape (s, 3, p)."""
    m = len(scene.emitters)
    owner = np.zeros((m, len(groups)))
    for k, columns in enumerate(groups):
        owner[columns[columns < m], k] = 1.0
    return branching_doubt(scene, solution.templates, solution.x[:m], owner).transpose(1, 0, 2)


@lru_cache(maxsize=2)
def _lights(scene: Scene, solution: Solution) -> dict[bytes, tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Return fitted and pattern light of all species by the bytes of their columns: one product serves all."""
    from scipy.sparse import csr_array

    names, index = scene.species_of_emitters()
    m = index.size
    amounts = np.concatenate([solution.x[:m], [e.weight for e in scene.emitters]])
    where = np.concatenate([index, len(names) + index]), np.tile(np.arange(m), 2)
    light = csr_array((amounts, where), shape=(2 * len(names), m)) @ np.ascontiguousarray(solution.templates.T)
    light.flags.writeable = False
    return {
        scene.columns_of(name).tobytes(): (light[k], light[len(names) + k]) for k, name in enumerate(names)
    }
