"""What is held fixed of a species through a run, and which of its light counts."""

from __future__ import annotations

from functools import lru_cache
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.identifying import Identified

Pattern: TypeAlias = tuple[NDArray[np.intp], NDArray[np.float64]]  # columns of emitters, their fixed proportions

FREE_LEVEL = 0.01  # of a species' light: fainter levels keep their proportions
HIDDEN = 0.1  # part of a pattern's light in pixels left out from which on its amount hangs on the flanks of a line
BROAD = 4  # shapes of smooth light that may change in a run beside that of its mean
MOSTLY = 0.4  # of a species' light missing in one frame from which on its other lines do not make up for it
GUESSED = 0.1  # of what is missing below that: levels keep their proportions to some 10 %
LEVEL_CHANGE = 0.03  # levels of a steady glow keep their proportions to about this


def series_patterns(
    whole: Identified, early: Identified, name: str, *, free: bool
) -> list[Pattern]:
    """Return the fixed proportions of a species' emitters, from whichever mean shows it better.

    Bright species keep each bright level to itself: their populations may change during a run, and a change
    must not look like another species.
    """
    found: dict[str, float] = {}
    for one in (whole, early):
        for i, emitter in enumerate(one.scene.emitters):
            if emitter.species == name:
                found[emitter.label] = max(found.get(emitter.label, 0.0), float(one.solution.x[i]))
    columns = [i for i, e in enumerate(whole.scene.emitters) if e.species == name and found.get(e.label, 0.0) > 0]
    if not columns:
        return []
    amounts = np.array([found[whole.scene.emitters[i].label] for i in columns])
    if not free:
        return [(np.array(columns, dtype=np.intp), amounts)]
    light = whole.solution.templates[whole.scene.used].sum(axis=0)[columns] * amounts
    bright = light >= FREE_LEVEL * light.sum()
    groups = [
        (np.array([c], dtype=np.intp), np.array([a]))
        for c, a, alone in zip(columns, amounts, bright, strict=True)
        if alone
    ]
    if not bright.all():
        rest = np.flatnonzero(~bright)
        groups.append((np.array(columns, dtype=np.intp)[rest], amounts[rest]))
    return groups


def brightness(
    seen: NDArray[np.float64], whole: NDArray[np.float64], variance: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return what each pattern of a species adds to the species' counts, shape (k,).

    Their sum, less of those in doubt and accordingly more of the others: a faint line under a band that fades, or
    the flanks of a line at the ceiling, would else move the sum, and with it every ratio to it.

    Zero where nothing of the species is measured, its only line being cut: such a species has no answer.

    Parameters
    ----------
    seen, whole : ndarray of shape (k,)
        Counts of each pattern in the pixels that are used, and in all.
    variance : ndarray of shape (k,)
        Relative variance of each pattern's amount in one frame, from noise and from the light of other species.
    """
    part = seen / (1.0 + variance / LEVEL_CHANGE**2)
    open_to_view = seen > (1.0 - HIDDEN) * whole
    if open_to_view.any():
        part = np.where(open_to_view, part, 0.0)
    total = float(part.sum())
    return np.asarray(part * (seen.sum() / total)) if total > 0 else np.zeros(seen.size)


@lru_cache(maxsize=4)
def continuum(identified: Identified) -> NDArray[np.float64]:
    """Return the smooth light of one frame as columns, shape (p, k): the mean's, and what is broad beside it.

    Between strong lines, background as free as in the mean spectrum trades with their wings.
    """
    background = identified.scene.background
    count = background.shape[1]
    few = min(count, BROAD)
    at = np.linspace(0, few - 1, count) if count > 1 else np.zeros(1)
    hats = np.maximum(0.0, 1.0 - np.abs(at[:, None] - np.arange(few)))
    m = len(identified.scene.emitters)
    mean = background @ identified.solution.x[m : m + count]
    broad = background @ hats
    if few == count or mean.sum() <= 0:
        return np.asarray(broad)
    return np.column_stack([mean, broad])


def hidden_doubt(
    identified: Identified, patterns: dict[str, list[Pattern]], names: tuple[str, ...], hidden: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Return the relative error of each species from pixels that are missing in single frames, shape (n, s).

    A line at the ceiling in a few frames is measured there by its flanks: too dim by a fifth in bright first frames,
    which had moved the end of a decay.

    Parameters
    ----------
    hidden : ndarray of bool, shape (n, p)
        Pixels missing in each frame, of those that are used.
    """
    scene, templates = identified.scene, identified.solution.templates
    if not hidden.any():
        return np.zeros((hidden.shape[0], len(names)))
    light = np.zeros((scene.data.size, len(names)))
    for k, name in enumerate(names):
        own = scene.columns_of(name)
        typical = [(own, np.array([scene.emitters[i].weight for i in own]))]
        light[:, k] = np.sum([templates[:, columns] @ w for columns, w in patterns.get(name, typical)], axis=0)
    gone = hidden @ light / np.maximum(light[scene.used].sum(axis=0), np.finfo(float).tiny)
    return np.where(gone > MOSTLY, gone, GUESSED * gone)
