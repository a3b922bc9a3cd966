"""Axes written with few decimals: where the pixels really are."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

MOST_DECIMALS = 6
COARSE = 0.02  # of a step; by less than this rounding does not change what a pixel collects
HIGHEST_DEGREE = 6  # polynomials of spectrometers are of third degree; a little more for other units
SLACK = 3.0  # standard errors of the curve, beyond half a unit of the last decimal
LEAST_POINTS = 50


def unrounded(axis: NDArray[np.float64]) -> tuple[NDArray[np.float64], float] | None:
    """Return the smooth curve that an axis was rounded from.

    Pixels of a third of a nm written to a tenth look 0.3 or 0.4 nm wide in turn, those below a tenth stand on one
    place. Where a low polynomial of the pixel number goes through all points within half a unit of the last decimal,
    rounding explains all of the steps, and the curve is nearer to the truth than the numbers.

    Parameters
    ----------
    axis : ndarray of shape (p,)
        As written, in any unit.

    Returns
    -------
    (ndarray of shape (p,), float) or None
        The curve, rising or falling throughout, and the unit of the last decimal; None if rounding does not matter, or
        does not explain the steps.
    """
    found = _unrounded(axis.tobytes())
    return None if found is None else (found[0].copy(), found[1])


@lru_cache(maxsize=4)
def _unrounded(raw: bytes) -> tuple[NDArray[np.float64], float] | None:
    axis = np.frombuffer(raw)
    n = axis.size
    if n < LEAST_POINTS or not np.all(np.isfinite(axis)):
        return None
    unit, step = _last_decimal(axis), abs(axis[-1] - axis[0]) / (n - 1)
    if unit is None or unit < COARSE * step:
        return None
    place = np.linspace(-1.0, 1.0, n)
    for degree in range(1, HIGHEST_DEGREE + 1):
        powers = np.vander(place, degree + 1)
        curve = powers @ np.linalg.lstsq(powers, axis, rcond=None)[0]
        farthest = float(np.abs(curve - axis).max())
        error = (degree + 1) / np.sqrt(12.0 * n)  # at the ends; rounding errs by a twelfth of the unit's square
        if farthest <= (0.5 + SLACK * error) * unit:
            break
    else:
        return None
    steps = np.diff(curve)
    if farthest < 1e-3 * unit or not (np.all(steps > 0) or np.all(steps < 0)):
        return None
    return curve, unit


def _last_decimal(axis: NDArray[np.float64]) -> float | None:
    """Return the unit of the last decimal that any number has, None if they have more than a few."""
    for decimals in range(MOST_DECIMALS + 1):
        if np.all(np.abs(axis - np.round(axis, decimals)) <= 1e-9 * np.abs(axis).max()):
            return float(10.0**-decimals)
    return None
