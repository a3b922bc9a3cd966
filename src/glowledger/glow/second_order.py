"""Light at twice its wavelength, where a grating shows its second order."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.emitters import Emitter
from glowledger.glow.templates import EmissionGrid
from glowledger.glow.width_scale import WidthScale, halved

if TYPE_CHECKING:
    from scipy.sparse import csr_array


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

    def lit(self, amounts: NDArray[np.float64]) -> EmissionGrid:
        """Return the light of all emitters in given amounts, shape (m,), as one row of a grid."""
        few, many = _lines_of(self)
        density = few.T @ amounts
        for i in many:
            if amounts[i]:
                density += amounts[i] * self._many_lines(i)
        return EmissionGrid(self.scale, (density * self.seen)[None, :])

    def grouped(self, group: NDArray[np.intp], parts: NDArray[np.float64]) -> GroupedOrder:
        """Return the second order of groups: the group of each emitter, -1 for none, and its part in it, shape (m,)."""
        return GroupedOrder(self.scale, self._summed(group, parts) * self.seen)

    def _summed(self, group: NDArray[np.intp], parts: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return where the light of groups of emitters would stand, shape (k, q)."""
        from scipy.sparse import csr_array

        kept, k = np.flatnonzero(group >= 0), int(group.max(initial=-1)) + 1
        few, many = _lines_of(self)
        found: NDArray[np.float64] = (
            csr_array((parts[kept], (group[kept], kept)), shape=(k, group.size)) @ few
        ).toarray()
        for i in many:
            if group[i] >= 0:
                found[group[i]] += parts[i] * self._many_lines(i)
        return found

    def _many_lines(self, emitter: int) -> NDArray[np.float64]:
        """Return the light of an emitter of many lines at the nodes, shape (q,)."""
        one = self.emitters[emitter]
        return halved(self.scale).density(one.wavelength_nm, one.rate)


@lru_cache(maxsize=4)
def _lines_of(order: SecondOrder) -> tuple[csr_array, list[int]]:
    """Return the light of emitters of few lines at the nodes, shape (m, q), and which of those of many reach them."""
    scale, nm = halved(order.scale), [e.wavelength_nm for e in order.emitters]
    return scale.of_few_lines(nm, [e.rate for e in order.emitters]), scale.with_many_lines(nm)


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
