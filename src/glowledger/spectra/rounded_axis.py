"""Axes written with few decimals: where the pixels really are."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

MOST_DECIMALS = 6
COARSE = 0.02  # of a step; by less than this rounding does not change what a pixel collects
HIGHEST_DEGREE = 6  # polynomials of spectrometers are of third degree; a little more for other units
FARTHEST = 0.55  # of the unit of the last decimal: half of it, and what the curve may lack after its last step
MOST_STEPS = 200
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
        curve = _through(axis, np.linalg.qr(np.vander(place, degree + 1))[0], 0.5 * unit)
        farthest = float(np.abs(curve - axis).max())
        if farthest <= FARTHEST * unit:
            break
    else:
        return None
    steps = np.diff(curve)
    if farthest < 1e-3 * unit or not (np.all(steps > 0) or np.all(steps < 0)):
        return None
    return curve, unit


def _through(axis: NDArray[np.float64], basis: NDArray[np.float64], half: float) -> NDArray[np.float64]:
    """Return a curve within half a unit of all points, if there is one, by turns the nearest curve and nearest points.

    Rounding errs by the same amounts again and again where a step is a simple fraction of the unit: the curve of least
    squares may leave the points then. `basis`, shape (p, d), is orthonormal.
    """
    curve = basis @ (basis.T @ axis)
    for _ in range(MOST_STEPS):
        inside = np.clip(curve, axis - half, axis + half)
        if np.array_equal(inside, curve):
            break
        curve = basis @ (basis.T @ inside)
    return np.asarray(curve)


def _last_decimal(axis: NDArray[np.float64]) -> float | None:
    """Return the unit of the last decimal that any number has, None if they have more than a few."""
    for decimals in range(MOST_DECIMALS + 1):
        if np.all(np.abs(axis - np.round(axis, decimals)) <= 1e-9 * np.abs(axis).max()):
            return float(10.0**-decimals)
    return None
