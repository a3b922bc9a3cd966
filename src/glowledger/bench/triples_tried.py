"""Which triples of peaks are taken for which triples of lines, so that three lines of the lamp are among them."""

from __future__ import annotations

from math import comb

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.expected import LineList
from glowledger.bench.hypotheses import all_triples
from glowledger.bench.pattern import Pattern

TOP_PEAKS, PART_PEAKS = 12, 6
TOP_LINES, PART_LINES, MORE_LINES = 14, 8, (80, 56, 40, 28, 20, 14, 11, 8, 6)
PARTS_NM = ((0.0, 600.0), (350.0, 700.0), (450.0, 850.0), (600.0, 1300.0))
SMALL_PARTS_NM = ((300.0, 450.0), (400.0, 550.0), (500.0, 650.0))  # where many lamps have faint lines only
MIN_EXTENT = 0.16  # of the mapped axis: three peaks closer than that say nothing of the rest
# line triples that may always be tried, and pairs of them with peak triples that may
MOST_TRIPLES, MOST_PAIRS = 2600, 650_000


def peak_triples(pattern: Pattern, of_all: int = TOP_PEAKS, of_part: int = PART_PEAKS) -> NDArray[np.intp]:
    """Return triples of bright peaks: so many of the brightest of all, and of each part of the axis."""
    count = len(pattern.u)
    sets = [np.arange(min(of_all, count))]
    for lo, hi in ((-1.0, 0.0), (-0.5, 0.5), (0.0, 1.0)):
        members = np.flatnonzero((pattern.u >= lo) & (pattern.u <= hi))[:of_part]
        sets.append(members)
    rows = all_triples(sets)
    rows = np.take_along_axis(rows, np.argsort(pattern.u[rows], axis=1), axis=1)
    return rows[pattern.u[rows[:, 2]] - pattern.u[rows[:, 0]] > MIN_EXTENT]


def hang_on_one(of_peaks: NDArray[np.intp]) -> bool:
    """Return whether one peak is in all triples (t, 3): unless its line is among those tried, no right scale was."""
    return any(bool(np.all(np.any(of_peaks == peak, axis=1))) for peak in np.unique(of_peaks))


def line_triples(listed: LineList, of_part: int = PART_LINES, top: int = TOP_LINES) -> NDArray[np.intp]:
    """Return lines to combine: of the strongest of all, of each part of the spectrum, of each element.

    An instrument may be blind to the part where a lamp is brightest. In a mixed lamp the elements differ in
    brightness by any factor, but three of the brightest peaks are nearly always of one element.
    """
    return all_triples(_line_sets(listed, of_part, PARTS_NM, top))


def more_line_triples(listed: LineList, beside: int) -> NDArray[np.intp]:
    """Return as many lines to combine as may be tried beside so many triples of peaks.

    Also such as are bright only where there are no others: an instrument may show nothing else. Where peaks leave few
    triples, nearly all lines can be tried.
    """
    most = max(MOST_TRIPLES, MOST_PAIRS // max(beside, 1))
    for count in MORE_LINES:
        sets = _line_sets(listed, count, PARTS_NM + SMALL_PARTS_NM, max(count, TOP_LINES))
        if max(comb(len(members), 3) for members in sets) > most:
            continue  # the others can only add to these
        rows = all_triples(sets)
        if len(rows) <= most:
            return rows
    return np.zeros((0, 3), dtype=np.intp)


def _line_sets(
    listed: LineList, of_part: int, parts: tuple[tuple[float, float], ...], top: int
) -> list[NDArray[np.intp]]:
    """Return sets of lines: so many of each part of the spectrum, nm, and of all, for each element."""
    names = np.array(listed.species)
    nm = listed.wavelength_nm
    order = np.argsort(-listed.strength, kind="stable")
    sets = [order[:top]]
    for name in sorted(set(listed.species)):
        own = order[names[order] == name]
        sets.append(own[:top])
        for lo, hi in parts:
            sets.append(own[(nm[own] >= lo) & (nm[own] < hi)][:of_part])
    return sets


def without(rows: NDArray[np.intp], tried: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return the triples (t, 3) that are not among those tried."""
    code, old = ((each[:, 0] * 4096 + each[:, 1]) * 4096 + each[:, 2] for each in (rows, tried))
    return rows[~np.isin(code, old)]
