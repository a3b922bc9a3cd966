"""Variance over brightness as a straight line, robust against lines, flashes and flicker.

Photon transfer: Janesick, Photon Transfer, SPIE Press (2007), from memory.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_QUANTILES = (0.0, 0.25, 0.5, 0.65, 0.75, 0.82, 0.88, 0.92, 0.95, 0.97, 0.985, 1.0)
_BIN = 30  # samples in a bin by brightness, at least
_FEWEST = 12  # samples that make a median
_EFFICIENCY = 0.37 / 2.0  # of a median of squares; differences that overlap count about half
MEDIAN_OF_SQUARE = 0.454936  # median of chi-square with one degree of freedom


def fit_line(
    light: NDArray[np.float64], squares: list[NDArray[np.float64]], floor: float, usual: float
) -> tuple[float, float, float, float]:
    """Fit ``variance = read² + gain * light``.

    Parameters
    ----------
    light : ndarray of shape (m, p)
        Counts above the offset at which each difference stands; NaN where unknown.
    squares : list of ndarray of shape (m, p)
        Squared differences whose expectation is the variance, for each order of difference; NaN where
        unknown.
    floor : float
        Least variance, that of the steps of the converter.
    usual : float
        Gain to start from.

    Returns
    -------
    (float, float, float, float)
        read², gain, and the standard errors of both; infinite where the light does not tell the gain.
    """
    valid = np.isfinite(light)
    if valid.sum() < 8:
        return max(floor, 1.0), 0.0, float("nan"), float("inf")
    edges = np.quantile(light[valid], _quantiles(int(valid.sum())))
    which = np.clip(np.searchsorted(edges, light, side="right") - 1, 0, len(edges) - 2)
    which = np.where(valid, which, -1)
    read2, gain = max(floor, 1e-12), usual
    result = (read2, gain, float("nan"), float("inf"))
    for _ in range(5):  # the variance within a bin is not one number, so bins are read through the last line
        x, v, weight = _bins(light, squares, which, read2, gain, floor)
        if x.size == 0:
            break
        if x.size == 1:
            result = (float(v[0]), 0.0, float(v[0] * np.sqrt(2.0 / weight[0])), float("inf"))
            break
        result = _weighted_line(x, v, weight, floor)
        read2, gain = max(result[0], floor, 1e-12), max(result[1], 0.0)
    return (max(read2, floor), *result[1:])


def _quantiles(samples: int) -> list[float]:
    """Return edges of bins by brightness, finer where it is bright, none with fewer than `_BIN` samples."""
    kept = [0.0]
    for edge in _QUANTILES[1:-1]:
        if (edge - kept[-1]) * samples >= _BIN and (1.0 - edge) * samples >= _BIN:
            kept.append(edge)
    return [*kept, 1.0]


def _bins(
    light: NDArray[np.float64],
    squares: list[NDArray[np.float64]],
    which: NDArray[np.intp],
    read2: float,
    gain: float,
    floor: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return brightness, variance and number of independent samples of each bin."""
    model = read2 + gain * np.maximum(light, 0.0)
    x, v, weight = [], [], []
    for b in range(which.max() + 1):
        chosen = which == b
        best, samples = _least(squares, chosen, model)
        if samples:
            middle = float(np.mean(np.maximum(light[chosen], 0.0)))
            x.append(middle)
            v.append(max(best * (read2 + gain * middle), floor))
            weight.append(_EFFICIENCY * samples)
    return np.array(x), np.array(v), np.array(weight)


def _least(
    squares: list[NDArray[np.float64]], chosen: NDArray[np.bool_], model: NDArray[np.float64]
) -> tuple[float, int]:
    """Return the variance of a bin over the model, and its samples: of the lowest order of difference, unless
    a higher one is less by more than chance, as it is where lines or flicker get through.
    """
    best, samples = np.inf, 0
    for square in squares:
        ratio = square[chosen] / model[chosen]
        ratio = ratio[np.isfinite(ratio)]
        if ratio.size < _FEWEST:
            continue
        scale = float(np.median(ratio)) / MEDIAN_OF_SQUARE
        chance = np.sqrt(2.0 / (_EFFICIENCY * ratio.size))
        if scale < best * (1.0 - min(chance, 0.9)):
            best, samples = scale, ratio.size
    return best, samples


def _weighted_line(
    x: NDArray[np.float64], v: NDArray[np.float64], samples: NDArray[np.float64], floor: float
) -> tuple[float, float, float, float]:
    """Fit a line with errors in proportion to its own value; points high above it (structure) count less."""
    fit = np.full(x.size, np.median(v))
    coefficient = np.array([v[0], 0.0])
    covariance = np.full((2, 2), np.nan)
    for _ in range(20):
        weight = samples / (2.0 * np.maximum(fit, 1e-300) ** 2)
        weight = weight * np.minimum(1.0, (np.maximum(fit, 1e-300) / np.maximum(v, 1e-300)) ** 2)
        design = np.stack([np.ones_like(x), x], axis=1)
        normal = design.T @ (design * weight[:, None])
        scale = np.sqrt(np.diag(normal))
        if not np.all(scale > 0):
            return float(max(v[0], floor)), 0.0, float("nan"), float("inf")
        covariance = np.linalg.pinv(normal / np.outer(scale, scale)) / np.outer(scale, scale)
        coefficient = covariance @ (design.T @ (weight * v))
        if coefficient[1] < 0:
            coefficient = np.array([np.sum(weight * v) / np.sum(weight), 0.0])
        elif coefficient[0] < floor:
            slope = np.sum(weight * x * (v - floor)) / max(np.sum(weight * x * x), 1e-300)
            coefficient = np.array([floor, max(slope, 0.0)])
        fit = np.maximum(coefficient[0] + coefficient[1] * x, max(floor, 1e-12))
    spread = max(1.0, float(np.sum(samples / 2.0 * (np.minimum(v / fit, 3.0) - 1) ** 2) / max(x.size - 2, 1)))
    error = np.sqrt(np.diag(covariance) * spread)
    return float(coefficient[0]), float(coefficient[1]), float(error[0]), float(error[1])
