"""What a lamp should show: its lines, and how they merge at the resolution of an instrument."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from functools import cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

STRENGTH_SCATTER = 0.7  # spread of ln(line strength) between lamps of one kind; common practice, no source
ELEMENT_SCATTER = 1.0  # the same for all lines of one element in a mixed lamp: it burns as it likes
MERGE_WIDTHS = 0.8  # lines closer than this many FWHM make one peak


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LineList:
    """Lines of a lamp; arrays of shape (m,), ascending in wavelength.

    Attributes
    ----------
    wavelength_nm, strength : ndarray of shape (m,)
        Air wavelength; strength relative to the strongest.
    error_nm : ndarray of shape (m,)
        How far the centre of this entry may lie from `wavelength_nm`: 0 for a line, more for a phosphor band
        or an unresolved blend of lines whose ratio differs between lamps.
    species : tuple of str
        Standard notation, ``Hg I``.
    anchor : ndarray of bool, shape (m,)
        May carry the solution (False: only expected, as phosphor bands).
    bright : ndarray of bool, shape (m,)
        Surely shown by the lamp (False: a line that it may show, known in strength to a factor of ten).
    element : ndarray of int, shape (m,)
        Number of the species, in alphabetical order; follows from `species`.
    """

    wavelength_nm: Floats
    strength: Floats
    error_nm: Floats
    species: tuple[str, ...]
    anchor: NDArray[np.bool_]
    bright: NDArray[np.bool_]
    element: NDArray[np.intp] = field(init=False)

    def __post_init__(self) -> None:
        order = np.argsort(self.wavelength_nm, kind="stable")
        for each in fields(self):
            if each.name == "element":
                continue
            if each.name == "species":
                object.__setattr__(self, "species", tuple(self.species[i] for i in order))
                continue
            value = np.array(getattr(self, each.name))[order]
            value.flags.writeable = False
            object.__setattr__(self, each.name, value)
        number = {name: k for k, name in enumerate(sorted(set(self.species)))}
        object.__setattr__(self, "element", np.array([number[name] for name in self.species], dtype=np.intp))

    def __len__(self) -> int:
        return len(self.wavelength_nm)

    def __getitem__(self, rows: NDArray[np.bool_] | NDArray[np.intp]) -> LineList:
        """Return the chosen lines."""
        index = np.arange(len(self))[rows]
        arrays = {f.name: getattr(self, f.name)[index] for f in fields(self) if f.name not in ("species", "element")}
        return LineList(species=tuple(self.species[i] for i in index), **arrays)


def merged_ladder(lines: LineList, fwhm_nm: Sequence[float]) -> list[LineList]:
    """Return the list as seen at line widths: lines closer than `MERGE_WIDTHS` widths become one.

    Parameters
    ----------
    lines : LineList
        Single lines.
    fwhm_nm : sequence of float
        Line widths of the instrument, ascending; every step goes on from the one before.

    Returns
    -------
    list of LineList
        Strength-weighted centres; `error_nm` holds how much the centre moves when the strengths scatter by
        `STRENGTH_SCATTER` (first order).
    """
    first = list(range(len(lines)))  # of the lines of each group; neighbours only are merged
    centre = [float(w) for w in lines.wavelength_nm]
    weight = [float(s) for s in lines.strength]
    ladder = []
    for width in fwhm_nm:
        while len(first) > 1:
            gaps = np.diff(centre)
            closest = int(np.argmin(gaps))
            if gaps[closest] > MERGE_WIDTHS * width:
                break
            total = weight[closest] + weight[closest + 1]
            centre[closest] = (
                centre[closest] * weight[closest] + centre[closest + 1] * weight[closest + 1]
            ) / total
            weight[closest] = total
            del first[closest + 1], centre[closest + 1], weight[closest + 1]
        ladder.append(_as_list(lines, np.array(first), np.array(centre), np.array(weight)))
    return ladder


def _as_list(lines: LineList, first: NDArray[np.intp], centre: Floats, weight: Floats) -> LineList:
    """Return groups of neighbouring lines, each from its first one on, as a list of their blends."""
    if len(first) == 0:
        return lines
    size = np.diff(np.append(first, len(lines)))
    share = lines.strength / np.repeat(weight, size)
    offset = lines.wavelength_nm - np.repeat(centre, size)
    group = np.repeat(np.arange(len(first)), size)
    kinds = int(np.max(lines.element)) + 1
    pull = np.bincount(group * kinds + lines.element, share * offset, len(first) * kinds).reshape(-1, kinds)
    variance = STRENGTH_SCATTER**2 * np.add.reduceat((share * offset) ** 2, first)
    variance += ELEMENT_SCATTER**2 * np.sum(pull**2, axis=1)
    variance += np.add.reduceat(share * lines.error_nm**2, first)
    order = np.lexsort((-lines.strength, group))
    strongest = order[first]
    return LineList(
        wavelength_nm=centre,
        strength=weight,
        error_nm=np.sqrt(variance),
        species=tuple(lines.species[k] for k in strongest),
        anchor=np.logical_and.reduceat(lines.anchor, first),
        bright=lines.bright[strongest],
    )


BAND_ERROR_NM = 0.7  # phosphor peaks differ by up to 0.5 nm between makes, and move with the line width
# terbium's band at 487.7 nm has two tops some 4 nm apart: which one stands out, or what lies between them, differs with
# the line width and the colour filter of a camera. From memory
WIDE_BANDS_NM, WIDE_ERROR_NM = (487.7,), 2.0


@cache
def lines_of(lamp: str) -> LineList:
    """Return the lines that a lamp, or several elements in one lamp, should show.

    Parameters
    ----------
    lamp : str
        A lamp of the table, or elements with commas: ``hg,cd,ar``.

    Raises
    ------
    TableError
        If a part is no known lamp.
    """
    from glowledger.tables.lamps import lamp_lines

    rows = lamp_lines(lamp, secondary=True)
    wide = np.isin(rows.wavelength_nm, WIDE_BANDS_NM)
    return LineList(
        wavelength_nm=rows.wavelength_nm,
        strength=rows.strength,
        error_nm=np.where(rows.approximate, np.where(wide, WIDE_ERROR_NM, BAND_ERROR_NM), 0.0),
        species=tuple(str(name) for name in rows.species),
        anchor=~rows.approximate,
        bright=rows.role != "secondary",
    )
