"""Variance over brightness as a straight line, robust against lines, flashes and flicker.

Photon transfer: Janesick, Photon Transfer, SPIE Press (2007), from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_QUANTILES = (0.0, 0.25, 0.5, 0.65, 0.75, 0.82, 0.88, 0.92, 0.95, 0.97, 0.985, 1.0)
_BIN = 30  # samples in a bin by brightness, at least
_FEWEST = 12  # samples that make a median
_EFFICIENCY = 0.37 / 2.0  # of a median of squares; differences that overlap count about half
MEDIAN_OF_SQUARE = 0.454936  # median of chi-square with one degree of freedom


_SETTLED = 1e-6
_OUTSIDE = 3.0  # standard errors above the line at which a bin holds structure
_TOLERANCE = 0.05  # of the variance of a bin, for what the line leaves out (steps, slow drift)
_SINGULAR = 1e-9  # determinant over the product of the diagonal: a line through one point
_FEWEST_BINS = 3  # on a line, for the gain to be told


@dataclass(frozen=True, slots=True)
class Line:
    """``variance = read2 + gain * light`` with standard errors.

    `most_gain` is what the spectra allow at most; at the brightness `pivot` the variance is known best.
    """

    read2: float
    read2_se: float
    gain: float
    gain_se: float
    most_gain: float
    pivot: float

    def read2_with(self, gain: float) -> float:
        """Return read² of the line through the pivot with another gain, a tenth of the variance at least."""
        there = self.read2 + self.gain * self.pivot
        return max(there - gain * self.pivot, 0.1 * there)


def fit_line(
    light: NDArray[np.float64], squares: list[NDArray[np.float64]], floor: float, usual: float
) -> Line:
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
    Line
    """
    valid = np.isfinite(light)
    unknown = Line(max(floor, 1.0), float("nan"), 0.0, float("inf"), usual, 0.0)
    if valid.sum() < _FEWEST:
        return unknown
    edges = np.quantile(light[valid], _quantiles(int(valid.sum())))
    which = np.clip(np.searchsorted(edges, light, side="right") - 1, 0, len(edges) - 2)
    bins = [_in_bin(light, squares, valid & (which == b)) for b in range(int(which[valid].max()) + 1)]
    read2, gain = max(_least(bins[0], 1.0, 0.0)[0], floor, 1e-12), 0.0
    found = unknown
    for _ in range(4):  # the variance within a bin is not one number, so bins are read through the last line
        x, v, error = _read(bins, read2, gain, floor)
        if x.size == 0:
            return unknown
        found = _lowest_line(x, v, error, max(floor, 1e-12))
        read2, gain = found.read2, found.gain
    return found


def _quantiles(samples: int) -> list[float]:
    """Return edges of bins by brightness, finer where it is bright, none with fewer than `_BIN` samples."""
    kept = [0.0]
    for edge in _QUANTILES[1:-1]:
        if (edge - kept[-1]) * samples >= _BIN and (1.0 - edge) * samples >= _BIN:
            kept.append(edge)
    return [*kept, 1.0]


@dataclass(frozen=True, slots=True, eq=False)
class _Order:
    """The squares of one order of difference in a bin that are known, shape (k,), and the light they stand at."""

    square: NDArray[np.float64]
    light: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class _Bin:
    """What differences show at one brightness."""

    light: float
    orders: list[_Order]


def _in_bin(light: NDArray[np.float64], squares: list[NDArray[np.float64]], chosen: NDArray[np.bool_]) -> _Bin:
    """Return the samples of a bin, of the orders that have enough of them."""
    bright, orders = np.maximum(light[chosen], 0.0), []
    for square in squares:
        here = square[chosen]
        known = np.isfinite(here)
        if np.count_nonzero(known) >= _FEWEST:
            orders.append(_Order(here[known], bright[known]))
    return _Bin(float(np.mean(bright)) if bright.size else 0.0, orders)


def _read(
    bins: list[_Bin], read2: float, gain: float, floor: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return brightness, variance and its standard error for each bin, read through a line."""
    x, v, error = [], [], []
    for one in bins:
        best, samples = _least(one, read2, gain)
        if samples:
            x.append(one.light)
            v.append(max(best * (read2 + gain * one.light), floor))
            error.append(v[-1] * np.hypot(np.sqrt(2.0 / (_EFFICIENCY * samples)), _TOLERANCE))
    return np.array(x), np.array(v), np.array(error)


def _least(one: _Bin, read2: float, gain: float) -> tuple[float, int]:
    """Return the variance of a bin over that of a line, and its samples: of the lowest order of difference, unless
    a higher one is less by more than chance, as it is where lines or flicker get through.
    """
    best, samples = np.inf, 0
    for order in one.orders:
        scale = _median(order.square / (read2 + gain * order.light)) / MEDIAN_OF_SQUARE
        chance = math.sqrt(2.0 / (_EFFICIENCY * order.square.size))
        if scale < best * (1.0 - min(chance, 0.9)):
            best, samples = scale, order.square.size
    return best, samples


def _median(values: NDArray[np.float64]) -> float:
    """As `numpy.median` of one dimension without gaps, which takes four times as long."""
    middle = values.size // 2
    if values.size % 2:
        return float(np.partition(values, middle)[middle])
    return float(np.partition(values, (middle - 1, middle))[middle - 1 : middle + 1].mean())


def _lowest_line(
    x: NDArray[np.float64], v: NDArray[np.float64], error: NDArray[np.float64], floor: float
) -> Line:
    """Fit a line through the bins on the lower edge: structure can only add to the variance."""
    most = float(np.min((v + 2 * error) / np.maximum(x, 1e-300)))
    near = x - x[0] > 0
    if not near.any():
        return Line(float(v[0]), float(error[0]), 0.0, float("inf"), most, float(x[0]))
    slope = np.where(near, (v - v[0] + np.hypot(error, error[0])) / np.where(near, x - x[0], 1.0), np.inf)
    gain = max(float(np.min(slope)), 0.0)
    most = min(
        most,
        gain
        + float(
            np.min(np.where(near, 2 * np.hypot(error, error[0]) / np.where(near, x - x[0], 1.0), np.inf))
        ),
    )
    read2 = max(float(v[0]) - gain * x[0], floor)
    inside = np.ones(x.size, dtype=bool)
    covariance = np.full((2, 2), np.inf)
    for _ in range(10):
        fit = np.maximum(read2 + gain * x, floor)
        spread = fit * error / np.maximum(v, 1e-300)  # errors are in proportion to the variance
        inside = np.abs(v - fit) <= _OUTSIDE * spread
        inside[0] = True
        design = np.stack([np.ones_like(x), x], axis=1)[inside] / spread[inside, None]
        if inside.sum() < 2:
            break
        covariance = _inverse(design.T @ design)
        before = read2, gain
        read2, gain = (float(c) for c in covariance @ (design.T @ (v[inside] / spread[inside])))
        read2, gain = max(read2, floor), max(gain, 0.0)
        if all(abs(new - old) <= _SETTLED * abs(old) for new, old in zip((read2, gain), before, strict=True)):
            break
    se = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    if inside.sum() < max(_FEWEST_BINS, x.size / 2):
        return Line(float(v[0]), float(error[0]), 0.0, float("inf"), most, float(x[0]))
    weight = inside / spread**2
    pivot = float(np.sum(weight * x) / np.sum(weight))
    return Line(read2, float(se[0]), gain, float(se[1]), max(most, gain), pivot)


def _inverse(normal: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the inverse of a symmetric matrix of shape (2, 2), or the pseudo-inverse where it has none."""
    (a, b), (_, d) = normal.tolist()
    determinant = a * d - b * b
    if determinant > _SINGULAR * a * d:
        return np.array([[d, -b], [-b, a]]) / determinant
    return np.asarray(np.linalg.pinv(normal, rcond=1e-14, hermitian=True))
