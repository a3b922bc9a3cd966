"""Light at twice its wavelength, where a grating shows its second order."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.emitters import Emitter
from glowledger.glow.templates import EmissionGrid
from glowledger.glow.width_scale import WidthScale, halved


@dataclass(frozen=True, slots=True, eq=False)
class SecondOrder:
    """Lines of emitters at twice their wavelength; only those that glow are ever placed.

    Attributes
    ----------
    scale : WidthScale
        Where the grid lies.
    emitters : tuple of Emitter, length m
        Whose lines they are.
    seen : ndarray of shape (q,)
        What the instrument leaves of light of half the wavelength of each node.
    """

    scale: WidthScale
    emitters: tuple[Emitter, ...]
    seen: NDArray[np.float64]
    _rows: dict[int, NDArray[np.float64] | None] = field(default_factory=dict, repr=False)

    def lit(self, amounts: NDArray[np.float64]) -> EmissionGrid:
        """Return the light of all emitters in given amounts, shape (m,), as one row of a grid."""
        total = np.zeros(self.scale.nodes)
        for i in np.flatnonzero(amounts).tolist():
            row = self._row(i)
            if row is not None:
                total += amounts[i] * row
        return EmissionGrid(self.scale, (total * self.seen)[None, :])

    def grouped(self, group: NDArray[np.intp], parts: NDArray[np.float64]) -> GroupedOrder:
        """Return the second order of groups: the group of each emitter, -1 for none, and its part in it, shape (m,)."""
        density = np.zeros((int(group.max(initial=-1)) + 1, self.scale.nodes))
        for i in np.flatnonzero(group >= 0).tolist():
            row = self._row(i)
            if row is not None:
                density[group[i]] += parts[i] * row
        return GroupedOrder(self.scale, density * self.seen)

    def _row(self, number: int) -> NDArray[np.float64] | None:
        """Return where an emitter's light would stand; None if nowhere on the grid."""
        if number not in self._rows:
            one = self.emitters[number]
            scale = halved(self.scale)
            here = scale.holds(one.wavelength_nm)
            self._rows[number] = scale.density(one.wavelength_nm, one.rate) if here else None
        return self._rows[number]


@dataclass(frozen=True, slots=True, eq=False)
class GroupedOrder:
    """As `SecondOrder`, of k groups of emitters in fixed proportions; `density` is dimmed already, shape (k, q)."""

    scale: WidthScale
    density: NDArray[np.float64]

    def lit(self, amounts: NDArray[np.float64]) -> EmissionGrid:
        """Return the light of all groups in given amounts, shape (k,), as one row of a grid."""
        return EmissionGrid(self.scale, (amounts @ self.density)[None, :])

    def grouped(self, group: NDArray[np.intp], parts: NDArray[np.float64]) -> GroupedOrder:
        """Return the second order of groups of these groups, as `SecondOrder.grouped`."""
        density = np.zeros((int(group.max(initial=-1)) + 1, self.scale.nodes))
        kept = group >= 0
        np.add.at(density, group[kept], parts[kept, None] * self.density[kept])
        return GroupedOrder(self.scale, density)
