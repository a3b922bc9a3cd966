"""A scene with fewer columns: faint emitters of a species kept in the proportions that a fit gave them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.emitters import Emitter
from glowledger.glow.scene import Scene
from glowledger.glow.templates import EmissionGrid

OWN_COLUMN = 0.003  # of all line light: brighter emitters stay free


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CoarseScene:
    """A scene with k groups of the m emitters of another.

    Attributes
    ----------
    scene : Scene
        With one emitter per group.
    parts : ndarray of shape (m,)
        Part of each emitter in its group; parts of a group sum to 1.
    group : ndarray of int, shape (m,)
        The group of each emitter; -1 for those left out.
    """

    scene: Scene
    parts: NDArray[np.float64]
    group: NDArray[np.intp]

    def merged(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the amounts of the groups, those of the background after them as they were."""
        m, k = self.group.size, len(self.scene.emitters)
        kept = self.group >= 0
        return np.concatenate([np.bincount(self.group[kept], x[:m][kept], k), x[m:]])

    def split(self, amounts: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the amounts of all emitters, from those of the groups."""
        k = len(self.scene.emitters)
        return np.concatenate([np.where(self.group >= 0, amounts[self.group] * self.parts, 0.0), amounts[k:]])


def coarse_scene(scene: Scene, x: NDArray[np.float64]) -> CoarseScene:
    """Group the faint emitters of each species in the proportions of a fit; those without light are left out.

    Parameters
    ----------
    scene : Scene
        With m emitters.
    x : ndarray of shape (c,)
        Fitted amounts, the first m those of the emitters.
    """
    m = len(scene.emitters)
    amounts = x[:m]
    light = amounts * scene.grid.density.sum(axis=1)
    _, species = scene.species_of_emitters()
    own = light > OWN_COLUMN * light.sum()
    key = np.where(own, species.max() + 1 + np.arange(m), species)
    lit = np.flatnonzero(amounts > 0)
    _, number = np.unique(key[lit], return_inverse=True)
    group = np.full(m, -1, dtype=np.intp)
    group[lit] = number
    k = int(number.max()) + 1
    total = np.bincount(number, amounts[lit], k)
    parts = np.zeros(m)
    parts[lit] = amounts[lit] / total[number]
    members = [np.flatnonzero(group == row) for row in range(k)]
    emitters = tuple(_together(scene, rows) for rows in members)
    grids = [
        EmissionGrid(grid.scale, np.stack([parts[rows] @ grid.density[rows] for rows in members]))
        for grid in (scene.grid, scene.doubled)
    ]
    merged = replace(scene, emitters=emitters, grid=grids[0], doubled=grids[1])
    return CoarseScene(scene=merged, parts=parts, group=group)


def _together(scene: Scene, rows: NDArray[np.intp]) -> Emitter:
    """Return an emitter that stands for several in all that a fit asks of one: its species and typical light."""
    first = scene.emitters[rows[0]]
    if rows.size == 1:
        return first
    return replace(first, label=f"{first.species} together", weight=sum(scene.emitters[i].weight for i in rows))


def carried_over(old: Scene, x: NDArray[np.float64], new: Scene) -> NDArray[np.float64]:
    """Return the amounts of one scene for the emitters of another scene of the same spectrum.

    Parameters
    ----------
    old : Scene
        Fitted.
    x : ndarray of shape (c,)
        Its amounts.
    new : Scene
        Of the same spectrum, some species split into other emitters.

    Returns
    -------
    ndarray
        The same amount for the same emitter; what a species has besides, shared as is typical.
    """
    amounts = {_key(e): float(a) for e, a in zip(old.emitters, x, strict=False)}
    found = np.array([amounts.get(_key(e), np.nan) for e in new.emitters])
    left: dict[str, float] = {}
    for e, a in zip(old.emitters, x, strict=False):
        left[e.species] = left.get(e.species, 0.0) + float(a)
    for e, a in zip(new.emitters, found, strict=True):
        left[e.species] = left.get(e.species, 0.0) - float(np.nan_to_num(a))
    names, index = new.species_of_emitters()
    weights = np.array([e.weight for e in new.emitters])
    unknown = np.isnan(found)
    total = np.bincount(index[unknown], weights[unknown], len(names))
    shares = np.divide(weights, total[index], out=np.zeros(weights.size), where=unknown)
    rest = np.array([max(left[name], 0.0) for name in names])[index] * shares
    return np.concatenate([np.where(unknown, rest, found), x[len(old.emitters) :]])


def _key(emitter: Emitter) -> tuple[str, str, float]:
    """Return what tells an emitter from others; two levels may have the same energy to two decimals."""
    return emitter.species, emitter.label, float(emitter.wavelength_nm[0])
