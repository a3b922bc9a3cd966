"""A scene with fewer columns: faint emitters of a species kept in the proportions that a fit gave them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.emitters import Emitter
from glowledger.glow.scene import Scene
from glowledger.glow.templates import EmissionGrid

OWN_COLUMN = 0.003  # of all line light: brighter emitters stay free
TYPICALLY_OWN = 0.03  # of the typical light of a species: brighter emitters stay free


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
    group, parts = faint_together(scene, x)
    merged = replace(
        _merged(scene, group, parts), doubled=scene.doubled.grouped(group, parts),
        loose=scene.loose and scene.loose.grouped(group, parts),
        rotation=scene.rotation and scene.rotation.grouped(group, parts),
    )
    return CoarseScene(scene=merged, parts=parts, group=group)


def typically_coarse(scene: Scene) -> CoarseScene:
    """Group the faint emitters of each species in their typical proportions, for a first look.

    Parameters
    ----------
    scene : Scene
        With m emitters. Of the scene returned amounts can be asked, not its second order.
    """
    names, index = scene.species_of_emitters()
    weights = np.array([e.weight for e in scene.emitters])
    light = weights * scene.grid.light
    own = light > TYPICALLY_OWN * np.bincount(index, light, len(names))[index]
    _, group = np.unique(np.where(own, len(names) + np.arange(index.size), index), return_inverse=True)
    parts = weights / np.bincount(group, weights)[group]
    return CoarseScene(scene=_merged(scene, group, parts), parts=parts, group=group)


def _merged(scene: Scene, group: NDArray[np.intp], parts: NDArray[np.float64]) -> Scene:
    """Return a scene with one emitter for each group, of those in it, -1 for none, in parts, shape (m,)."""
    from scipy.sparse import csr_array

    kept = np.flatnonzero(group >= 0)
    k = int(group.max(initial=-1)) + 1
    density = csr_array((parts[kept], (group[kept], kept)), shape=(k, group.size)) @ scene.grid.density
    emitters = tuple(_together(scene, np.flatnonzero(group == row)) for row in range(k))
    return replace(scene, emitters=emitters, grid=EmissionGrid(scene.grid.scale, density))


def faint_together(scene: Scene, x: NDArray[np.float64]) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Return the group of each emitter, -1 for those without light, and its part in it, shape (m,)."""
    amounts = x[: len(scene.emitters)]
    light = amounts * scene.grid.light
    _, species = scene.species_of_emitters()
    own = light > OWN_COLUMN * light.sum()
    key = np.where(own, species.max() + 1 + np.arange(amounts.size), species)
    lit = np.flatnonzero(amounts > 0)
    _, number = np.unique(key[lit], return_inverse=True)
    group = np.full(amounts.size, -1, dtype=np.intp)
    group[lit] = number
    parts = np.zeros(amounts.size)
    if lit.size:
        parts[lit] = amounts[lit] / np.bincount(number, amounts[lit])[number]
    return group, parts


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
    before = x[: len(old.emitters)].tolist()
    amounts = {_key(e): a for e, a in zip(old.emitters, before, strict=True)}
    found = np.array([amounts.get(_key(e), np.nan) for e in new.emitters])
    left: dict[str, float] = {}
    for e, a in zip(old.emitters, before, strict=True):
        left[e.species] = left.get(e.species, 0.0) + a
    for e, a in zip(new.emitters, found.tolist(), strict=True):
        left[e.species] = left.get(e.species, 0.0) - (a if a == a else 0.0)
    names, index = new.species_of_emitters()
    weights = np.array([e.weight for e in new.emitters])
    unknown = np.isnan(found)
    total = np.bincount(index[unknown], weights[unknown], len(names))
    shares = np.divide(weights, total[index], out=np.zeros(weights.size), where=unknown)
    rest = np.array([max(left[name], 0.0) for name in names])[index] * shares
    return np.concatenate([np.where(unknown, rest, found), x[len(old.emitters) :]])


def _key(emitter: Emitter) -> tuple[str, str, float]:
    """Return what tells an emitter from others; two levels may have the same energy to two decimals."""
    return emitter.species, emitter.label, emitter.wavelength_nm.item(0)
