"""Levels far brighter than typical: where a species is dropped, what is typical of others counts for so much only.

Levels fed by metastables or by other atoms may be a hundred times as bright as typical. Ties by squares would make such
a level dearer than any molecule that shines where it does, and the molecule would be claimed.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.normal_equations import Normal
from glowledger.glow.scene import Scene

MOST_TYPICAL = 9.0  # χ²: what is typical of one level is no more evidence of another species than three sigma
SURE = 20.0  # standard deviations of all light of a species, were it alone: what is faint keeps its pattern
ROUNDS = 3
ENOUGH = 0.3  # χ²: a round that gains less is the last


def sure_levels(scene: Scene, normal: Normal, x: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return which of the columns, shape (c,), are levels of species that are surely there, by fitted amounts."""
    m = len(scene.emitters)
    names, index = scene.species_of_emitters()
    seen = np.bincount(index, x[:m] ** 2 * np.diag(normal.gram)[:m], len(names)) > SURE**2
    return np.append(seen[index], np.zeros(x.size - m, dtype=bool))


def cost(normal: Normal, x: NDArray[np.float64], levels: NDArray[np.bool_]) -> float:
    """Return χ² of amounts, tie included, in which no level costs more than `MOST_TYPICAL` for being bright.

    Parameters
    ----------
    normal : Normal
        The equations.
    x : ndarray of shape (c,)
        Amounts.
    levels : ndarray of bool, shape (c,)
        The columns for which that holds.
    """
    strays = _strays(normal, x, levels)
    return normal.misfit(x) - float(np.sum(strays - strays / (1.0 + strays / MOST_TYPICAL)))


def yielding(
    normal: Normal, x: NDArray[np.float64], levels: NDArray[np.bool_], barred: NDArray[np.intp]
) -> NDArray[np.float64]:
    """Return the best amounts with some columns at zero, by `cost`.

    Parameters
    ----------
    normal : Normal
        The equations.
    x : ndarray of shape (c,)
        The best amounts by squares alone.
    levels : ndarray of bool, shape (c,)
        The columns whose ties yield.
    barred : ndarray of int
        Columns that stay at zero.

    Notes
    -----
    Reweighted by the amounts of the last round; redescending weights of Geman & McClure, Bull. Int. Stat. Inst. 52, 5
    (1987), from memory.
    """
    keep = np.ones(x.size, dtype=bool)
    keep[barred] = False
    before = cost(normal, x, levels)
    for _ in range(ROUNDS):
        strays = _strays(normal, x, levels)
        if strays.max(initial=0.0) < MOST_TYPICAL:
            break
        factor = (1.0 + strays / MOST_TYPICAL) ** -2
        x = replace(normal, tie=normal.tie * factor, tie_rhs=normal.tie_rhs * factor).solve(keep, x > 0)
        now = cost(normal, x, levels)
        if before - now < ENOUGH:
            break
        before = now
    return x


def _strays(normal: Normal, x: NDArray[np.float64], levels: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return the χ² that each column costs for being brighter than typical, shape (c,)."""
    above = np.where(levels, np.maximum(normal.tie * x - normal.tie_rhs, 0.0), 0.0)
    return np.divide(above**2, normal.tie, out=np.zeros(x.size), where=normal.tie > 0)
