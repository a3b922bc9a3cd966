"""Posterior of a decay to an unknown floor: how likely is it over, when was or will it be.

value(t) = floor + excess * shape(t) + nuisance columns + noise. Floor, excess and nuisances enter linearly and
are integrated in closed form for each shape on a grid (`decay_shapes`), so nothing is searched for and nothing
can fail to converge. Noise: Student weights against heavy tails, scale and lag-one correlation from the
residuals; the correlation widens the answer by (1 + phi) / (1 - phi), the variance of a mean of an AR(1) series.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr

from glowledger.runs.decay_shapes import STEP, Floats, ShapeSums

STUDENT = 5.0  # degrees of freedom of the weights 1 / (1 + z²/5): 95 % efficient for Gaussian noise
FINE = 10  # interpolated points between nodes


@dataclass(frozen=True, slots=True, kw_only=True)
class Posterior:
    """What the data so far say of one decay; times in s from the start of the decay.

    Attributes
    ----------
    seen : float
        Likelihood ratio of a decay against none, 2 ln L; about chi-squared if there is none.
    done : float
        Probability that the excess is below the wanted fraction of its start, now.
    end, tau : tuple of float
        2.5, 50 and 97.5 % points of the end time and of the (fast) time constant.
    latest : float
        Time before which the end lies with the probability the follower asks for.
    floor, floor_se, excess, excess_se : float
        Floor and starting excess for the most likely shape.
    left : tuple of float
        2.5, 50 and 97.5 % points of the part of the excess that is left now.
    noise : float
        Scale of one frame's noise at its median weight.
    correlation : float
        Lag-one correlation of the noise.
    two : float
        Probability that the decay has two components.
    """

    seen: float
    done: float
    end: tuple[float, float, float]
    tau: tuple[float, float, float]
    latest: float
    floor: float
    floor_se: float
    excess: float
    excess_se: float
    left: tuple[float, float, float]
    noise: float
    correlation: float
    two: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """Noise of the residuals.

    Attributes
    ----------
    scale : float
        Robust standard deviation at unit weight.
    variance : float
        What divides the weighted residual sum of squares so that its curvature is right, correlation included.
    correlation : float
        Lag-one correlation.
    """

    scale: float
    variance: float
    correlation: float


def middle(values: Floats) -> float:
    """Return the median of a short one-dimensional array."""
    half = len(values) // 2
    return float(np.partition(values, half)[half])


def estimate_noise(residual: Floats, follows: NDArray[np.bool_], parameters: int) -> tuple[Noise, Floats]:
    """Estimate scale, correlation and robust weights from residuals of unit-weight scaling.

    Parameters
    ----------
    residual : ndarray of shape (n,)
        Residuals times the square root of their prior weight.
    follows : ndarray of bool, shape (n,)
        True where a frame directly follows the one before it.
    parameters : int
        Number of fitted parameters.

    Returns
    -------
    Noise
        Scale and correlation.
    ndarray of shape (n,)
        Student weights, 1 for a residual of zero.

    Notes
    -----
    Asymptotic variance of an M-estimate, E psi² / (E psi')² (Huber & Ronchetti, Robust Statistics, 2nd ed. 2009,
    section 3.2). The lag-one correlation is raised by (3 + parameters) / n against its known bias.
    """
    n = len(residual)
    freedom = max(n - parameters, 1)
    scale = 1.4826 * middle(np.abs(residual)) * math.sqrt(n / freedom)
    spread = math.sqrt(float(residual @ residual) / n)
    scale = max(scale, 1e-3 * spread, 1e-12)
    z2 = (residual / scale) ** 2
    weight = 1.0 / (1.0 + z2 / STUDENT)
    psi = residual * weight
    slope = float((1.0 - z2 / STUDENT) @ weight**2) / n
    variance = float(psi @ psi) / freedom / max(slope, 0.3) ** 2
    correlation = 0.0
    if n > 8 and follows.any():
        later = psi[1:] * follows[1:]
        raw = float(later @ psi[:-1]) / max(float(later @ later), 1e-300)
        correlation = min(max(raw + (3.0 + parameters) / n, 0.0), 0.97)
    variance *= float(weight.sum()) / n * (1.0 + correlation) / (1.0 - correlation)
    return Noise(scale=scale, variance=variance, correlation=correlation), weight


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Evidence:
    """Evidence and linear solution of every shape.

    Attributes
    ----------
    log_evidence : ndarray of shape (r, k)
        Log of prior times likelihood integrated over the linear parameters.
    usable : ndarray of bool, shape (r, k)
        Shapes that count.
    excess, excess_se : ndarray of shape (r, k)
        Least-squares excess of each shape and its standard error.
    seen : float
        Twice the log likelihood ratio of the best decay against none.
    level : ndarray of shape (q,)
        Nuisance coefficients without a decay.
    """

    log_evidence: Floats
    usable: NDArray[np.bool_]
    excess: Floats
    excess_se: Floats
    seen: float
    level: Floats


def evidence(
    sums: ShapeSums,
    normal: Floats,
    column_data: Floats,
    noise: Noise,
    log_prior: Floats,
    least_floor: float,
    freedom: float,
) -> Evidence:
    """Integrate floor, excess and nuisances out of every shape.

    Parameters
    ----------
    sums : ShapeSums
        Sums of shapes with data and columns.
    normal : ndarray of shape (q, q)
        Weighted normal matrix of the nuisance columns, priors included.
    column_data : ndarray of shape (q,)
        Weighted sums of columns with data.
    noise : Noise
        Of the residuals.
    log_prior : ndarray of shape (r,)
        Of the families.
    least_floor : float
        The floor cannot lie below this (an emission is not negative).
    freedom : float
        Degrees of freedom of the noise estimate.

    Returns
    -------
    Evidence
    """
    inverse = np.linalg.inv(normal)
    level = inverse @ column_data
    q, r, k = sums.with_columns.shape
    flat = sums.with_columns.reshape(q, -1)
    projected = inverse @ flat
    spread = sums.squared - np.sum(flat * projected, axis=0).reshape(r, k)
    signal = sums.with_data - (level @ flat).reshape(r, k)
    spread = np.maximum(spread, 1e-12 * np.maximum(sums.squared, 1e-300))
    excess = signal / spread
    excess_se = np.sqrt(noise.variance / spread)
    gain = signal**2 / spread  # residual sum of squares lost by adding the shape
    mean_shape = np.maximum(flat[0].reshape(r, k) / normal[0, 0], 1e-9)
    slack = 2.0 * np.sqrt(noise.variance * inverse[0, 0])
    most = np.maximum(level[0] - least_floor + slack, slack) / mean_shape
    inside = (excess > 0) & (excess < most) & sums.usable
    best = float(gain[inside].max()) if inside.any() else 0.0
    top = float(gain[sums.usable].max())
    log_likelihood = (
        -0.5 * (freedom + 1.0) * np.log1p(np.maximum(top - gain, 0.0) / (noise.variance * freedom))
    )
    near = sums.usable & (log_likelihood > log_likelihood[sums.usable].max() - 40.0)
    mass = _log_mass(excess, excess_se, most, near)
    value = log_likelihood + np.log(excess_se) + mass + log_prior[:, None]
    return Evidence(
        log_evidence=value,
        usable=sums.usable,
        excess=excess,
        excess_se=excess_se,
        seen=best / noise.variance,
        level=level,
    )


def _log_mass(excess: Floats, excess_se: Floats, most: Floats, near: NDArray[np.bool_]) -> Floats:
    """Log probability that the excess lies between 0 and `most`; exact where `near`, its exponent elsewhere."""
    low, high = -excess / excess_se, (most - excess) / excess_se
    outside = np.maximum(np.maximum(low, -high), 0.0)
    mass = -0.5 * outside**2
    mass[near] = _log_interval(low[near], high[near])
    return mass


def _log_interval(low: Floats, high: Floats) -> Floats:
    """Log of the standard normal probability between `low` and `high`, accurate in the tails."""
    flip = low + high > 0
    a, b = np.where(flip, -high, low), np.where(flip, -low, high)  # now a < b and a + b <= 0
    upper = log_ndtr(b)
    return np.asarray(upper + np.log(-np.expm1(np.minimum(log_ndtr(a) - upper, -1e-15))))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Weights:
    """Posterior probability on a fine grid of time constants.

    Attributes
    ----------
    log_tau : ndarray of shape (f,)
        ln of the fast time constant.
    weight : ndarray of shape (r, f)
        Probability of each family and time constant; sums to 1.
    rows : ndarray of int, shape (r,)
        Which families these are.
    """

    log_tau: Floats
    weight: Floats
    rows: NDArray[np.intp]


def fine_weights(found: Evidence, log_tau: Floats) -> Weights:
    """Interpolate the evidence between the nodes (cubic) and normalise it.

    Parameters
    ----------
    found : Evidence
        At the nodes.
    log_tau : ndarray of shape (k,)
        Nodes, equally spaced.

    Returns
    -------
    Weights
    """
    masked = np.where(found.usable, found.log_evidence, -np.inf)
    top = masked.max(axis=1)
    rows = np.flatnonzero(top > top.max() - 12.0)
    column = masked[rows].max(axis=0)
    good = np.flatnonzero(column > column.max() - 18.0)
    low, high = max(good[0] - 2, 0), min(good[-1] + 3, len(log_tau))
    if high - low < 4:
        low, high = max(min(low, len(log_tau) - 4), 0), min(max(high, 4), len(log_tau))
    nodes = high - low
    fine = FINE if nodes < 24 else FINE // 2
    position = np.arange((nodes - 1) * fine + 1) / fine
    base = np.clip(position.astype(int) - 1, 0, nodes - 4)
    u = position - base
    stencil = (  # Lagrange polynomials through four neighbouring nodes
        -(u - 1) * (u - 2) * (u - 3) / 6,
        u * (u - 2) * (u - 3) / 2,
        -u * (u - 1) * (u - 3) / 2,
        u * (u - 1) * (u - 2) / 6,
    )
    values = found.log_evidence[rows, low:high] - column.max()
    surface = sum(stencil[i] * values[:, base + i] for i in range(4))
    usable = found.usable[rows, low:high]
    surface[~(usable[:, np.floor(position).astype(int)] & usable[:, np.ceil(position).astype(int)])] = -np.inf
    weight = np.exp(surface - surface.max())
    weight[:, 0] *= 0.5
    weight[:, -1] *= 0.5
    keep = np.flatnonzero(weight.max(axis=0) > 1e-7)
    kept = slice(keep[0], keep[-1] + 1)
    weight = weight[:, kept]
    return Weights(log_tau=log_tau[low] + STEP * position[kept], weight=weight / weight.sum(), rows=rows)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Distribution:
    """A cumulative distribution on equally spaced nodes.

    Attributes
    ----------
    at, cumulative : ndarray of shape (m,)
        Nodes, and the probability of a smaller value, linear between.
    """

    at: Floats
    cumulative: Floats

    def quantile(self, *levels: float) -> Floats:
        """Return the values below which the levels lie."""
        return np.asarray(np.interp(levels, self.cumulative, self.at))

    def below(self, value: float) -> float:
        """Return the probability of a smaller value."""
        return float(np.interp(value, self.at, self.cumulative, left=0.0, right=1.0))


def distribution(values: Floats, weight: Floats, width: float) -> Distribution:
    """Collect weighted values in cells of a given width, each shared between its two neighbours."""
    low = float(values.min()) - 2 * width
    cell = (values.ravel() - low) / width
    index = cell.astype(np.int64)
    part = (cell - index) * weight.ravel()
    size = int(index.max()) + 3
    mass = np.bincount(index, weight.ravel() - part, size)
    mass[1:] += np.bincount(index, part, size)[:-1]
    return Distribution(at=low + width * np.arange(size), cumulative=np.cumsum(mass) - 0.5 * mass)
