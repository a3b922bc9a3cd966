"""Place labels above a spectrum like flags on poles, so that no two touch and no pole crosses a label."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def flag_rows(
    pole: ArrayLike, width: ArrayLike, rank: ArrayLike, *, rows: int, gap: float = 4.0
) -> NDArray[np.intp]:
    """Give every label a row, or leave it out where there is no room.

    A pole stands at each position; its label begins there and runs to the right. A label must be in a
    higher row than every label whose pole it passes over: then no pole crosses a label and no two labels
    of a row touch. Labels are taken in the order of their rank as long as the rows suffice.

    Parameters
    ----------
    pole : array_like of shape (m,)
        Horizontal position of the poles, screen units.
    width : array_like of shape (m,)
        Widths of the labels, same units.
    rank : array_like of shape (m,)
        0 is the most important.
    rows : int
        Rows at hand.
    gap : float
        Free space to keep to the right of a label, same units.

    Returns
    -------
    ndarray of int, shape (m,)
        Row of each label, 0 the lowest; -1 where it is left out.
    """
    poles = np.asarray(pole, dtype=float)
    ends = poles + np.asarray(width, dtype=float) + gap
    order = np.argsort(np.asarray(rank), kind="stable")
    chosen: list[int] = []
    placed = np.full(poles.size, -1, dtype=np.intp)
    for index in order:  # greedy by rank: a label enters only if all before it keep a place
        trial = [*chosen, int(index)]
        heights = _heights(poles, ends, trial)
        if max(heights.values()) < rows:
            chosen = trial
            placed[list(heights)] = list(heights.values())
    return placed


def _heights(poles: NDArray[np.float64], ends: NDArray[np.float64], which: list[int]) -> dict[int, int]:
    """Return the lowest possible row of each label, found from right to left."""
    heights: dict[int, int] = {}
    for index in sorted(which, key=lambda i: (-poles[i], i)):
        below = [row for other, row in heights.items() if poles[other] <= ends[index]]
        heights[index] = 1 + max(below, default=-1)
    return heights
