"""Templates that may each be a little wrong: how they change is a free column, within what is known beforehand.

Such columns are random effects in generalised least squares (Aitken, Proc. R. Soc. Edinb. 55, 42 (1935), from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.templates import EmissionGrid


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LooseTemplates:
    """How templates of a scene may change: b quantities, k parts of emitters that they change.

    Attributes
    ----------
    emitter : ndarray of int, shape (k,)
        The emitter of each part in the scene.
    share : ndarray of shape (k,)
        Photons of what `grid` is made for, per photon of the emitter: less than 1 where that stands for several
        levels, 0 where it has no light.
    grid : EmissionGrid
        Change of each part for one unit of its quantity.
    quantity : ndarray of int, shape (k,)
        The quantity that each part goes with.
    error : ndarray of shape (b,)
        Standard error of each quantity beforehand.
    found : ndarray of shape (b,)
        By how much the templates of the scene have been changed already.
    limits : tuple of float
        Least and most by which a quantity may change.
    """

    emitter: NDArray[np.intp]
    share: NDArray[np.float64]
    grid: EmissionGrid
    quantity: NDArray[np.intp]
    error: NDArray[np.float64]
    found: NDArray[np.float64]
    limits: tuple[float, float]

    def __len__(self) -> int:
        """Return how many quantities there are."""
        return int(self.error.size)

    def amounts(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the light of each part, shape (k,), from amounts of the emitters, shape (m,)."""
        return np.asarray(x[self.emitter] * self.share)

    def weights(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return how much of each part a quantity changes, shape (b, k), from amounts of the emitters."""
        weights = np.zeros((len(self), self.emitter.size))
        weights[self.quantity, np.arange(self.emitter.size)] = self.amounts(x)
        return weights

    def within(self, changes: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return changes, shape (b,), none beyond the limits."""
        return np.clip(changes, *self.limits)

    def of(self, columns: NDArray[np.intp]) -> NDArray[np.bool_]:
        """Return which quantities change some of the emitters, shape (b,)."""
        mine = np.zeros(len(self), dtype=bool)
        mine[self.quantity[np.isin(self.emitter, columns)]] = True
        return mine

    def grouped(self, group: NDArray[np.intp], parts: NDArray[np.float64]) -> LooseTemplates:
        """Return the same for groups of the emitters; those left out have no light."""
        there = group[self.emitter] >= 0
        return replace(
            self, emitter=np.where(there, group[self.emitter], 0),
            share=np.where(there, self.share * parts[self.emitter], 0.0),
        )  # fmt: skip

    def taken_up(self, grid: EmissionGrid, changes: NDArray[np.float64]) -> tuple[LooseTemplates, EmissionGrid]:
        """Return these, and the grid of the scene's emitters, with changes, shape (b,), taken into it."""
        density, mine = grid.density.copy(), np.unique(self.emitter)
        factors = self.share * changes[self.quantity]
        for emitter, part, factor in zip(self.emitter, self.grid.density, factors, strict=True):
            density[emitter] += part * factor
        density[mine] = np.maximum(density[mine], 0.0)
        return replace(self, found=self.found + changes), EmissionGrid(grid.scale, density)
