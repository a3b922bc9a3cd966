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

from glowledger.runs.decay_shapes import Floats, ShapeSums

WIDE = 6.0  # standard deviations
STUDENT = 5.0  # degrees of freedom of the weights 1 / (1 + z²/5): 95 % efficient for Gaussian noise


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
    two, rise, slowing : float
        Probability that the decay has two components, that it rose first, and that it falls ever more slowly.
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
    rise: float
    slowing: float


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
class Surfaces:
    """What the evidence is made of: smooth functions of ln(tau) at its nodes, all of shape (r, k).

    Attributes
    ----------
    misfit : ndarray
        Weighted residual sum of squares above the smallest, in units of the noise variance.
    volume : ndarray
        Log of the prior times the standard error of the excess.
    excess : ndarray
        Least-squares excess.
    most : ndarray
        Largest excess that leaves an allowed floor.
    freedom : float
        Degrees of freedom of the noise estimate.
    """

    misfit: Floats
    volume: Floats
    excess: Floats
    most: Floats
    freedom: float

    def between(self, rows: NDArray[np.intp], position: Floats, prior: Floats) -> Floats:
        """Return the log evidence of some rows at fractional nodes, shape (r, f), by six-point interpolation."""
        nodes = self.misfit.shape[1]
        base = np.clip(np.floor(position).astype(int) - 2, 0, nodes - 6)
        blend = np.zeros((nodes, len(position)))
        blend[base + np.arange(6)[:, None], np.arange(len(position))] = _basis(position - base)
        misfit, volume, excess, most = (
            part[rows] @ blend for part in (self.misfit, self.volume, self.excess, self.most)
        )
        return self._evidence(misfit, volume, excess, most, prior[rows, None])

    def at_vertices(self, at: Floats, prior: Floats) -> Floats:
        """Return the log evidence of each row at its own fractional node, shape (r,)."""
        rows = np.arange(len(at))
        base = np.clip(np.floor(at).astype(int) - 2, 0, self.misfit.shape[1] - 6)
        blend = _basis(at - base)
        index = base + np.arange(6)[:, None]
        misfit, volume, excess, most = (
            np.sum(part[rows, index] * blend, axis=0) for part in (self.misfit, self.volume, self.excess, self.most)
        )
        return self._evidence(misfit, volume, excess, most, prior)

    def _evidence(self, misfit: Floats, volume: Floats, excess: Floats, most: Floats, prior: Floats) -> Floats:
        error = np.exp(volume - prior)
        mass = _log_interval(-excess / error, np.maximum(most - excess, -excess + 1e-9 * error) / error)
        return log_student(misfit, self.freedom) + volume + mass


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Evidence:
    """Evidence and linear solution of every shape.

    Attributes
    ----------
    surfaces : Surfaces
        Evidence as smooth functions of ln(tau).
    peak, peak_at : ndarray of shape (r,)
        Largest log evidence of each family, between the nodes, and its place in nodes; -inf if none is usable.
    usable : ndarray of bool, shape (r, k)
        Shapes that count.
    excess, excess_se : ndarray of shape (r, k)
        Least-squares excess of each shape and its standard error.
    least : ndarray of shape (r,)
        Least misfit of each family, as in `surfaces`; inf if none is usable.
    gain, variance : float
        Residual sum of squares that the best decay takes off what is left without one, and the noise variance.
    seen : float
        Twice the log likelihood ratio of the best decay against none.
    level : ndarray of shape (q,)
        Nuisance coefficients without a decay.
    """

    surfaces: Surfaces
    peak: Floats
    peak_at: Floats
    usable: NDArray[np.bool_]
    excess: Floats
    excess_se: Floats
    least: Floats
    gain: float
    variance: float
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
    misfit = (top - gain) / noise.variance
    volume = np.log(excess_se) + log_prior[:, None]
    vertex, at = _vertices(misfit, sums.usable)
    surfaces = Surfaces(misfit=misfit - vertex.min(), volume=volume, excess=excess, most=most, freedom=freedom)
    peak = surfaces.at_vertices(at, log_prior)
    return Evidence(
        surfaces=surfaces,
        peak=np.where(np.isfinite(vertex), peak, -np.inf),
        peak_at=at,
        usable=sums.usable,
        excess=excess,
        excess_se=excess_se,
        least=vertex - vertex.min(),
        gain=top - float(vertex.min()) * noise.variance,
        variance=noise.variance,
        seen=best / noise.variance,
        level=level,
    )


def log_student(misfit: Floats, freedom: float) -> Floats:
    """Log likelihood with the noise variance itself uncertain (Student's t)."""
    return np.asarray(-0.5 * (freedom + 1.0) * np.log1p(np.maximum(misfit, 0.0) / freedom))


_POWERS = np.linalg.inv(np.vander(np.arange(6.0), 6)).T  # coefficients of the six Lagrange polynomials


def _basis(u: Floats) -> Floats:
    """Return the Lagrange polynomials of the nodes 0 to 5 at `u`, shape (6, f)."""
    return np.asarray(_POWERS @ np.vander(u, 6).T)


_TRIAL = np.linspace(-1.0, 1.0, 17)
_ABOUT = _basis(2.0 + _TRIAL)


def _vertices(misfit: Floats, usable: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Return the least misfit of each row between the nodes and its place in nodes; inf if none is usable."""
    rows, nodes = np.arange(len(misfit)), misfit.shape[1]
    node = np.argmin(np.where(usable, misfit, np.inf), axis=1)
    base = np.clip(node - 2, 0, nodes - 6)
    value = misfit[rows[:, None], base[:, None] + np.arange(6)] @ _ABOUT
    at = np.clip(np.argmin(value, axis=1), 1, len(_TRIAL) - 2)
    left, mid, right = (value[rows, at + i] for i in (-1, 0, 1))
    with np.errstate(invalid="ignore", divide="ignore"):
        move = 0.5 * (left - right) / (left - 2 * mid + right)
        low = mid - 0.25 * (left - right) * move
    good = np.isfinite(low) & (np.abs(move) <= 1.0) & (base == node - 2)
    low = np.where(good, low, misfit[rows, node])
    place = np.where(good, node + _TRIAL[at] + move * (_TRIAL[1] - _TRIAL[0]), node)
    return np.where(usable.any(axis=1), low, np.inf), place


def _log_interval(low: Floats, high: Floats) -> Floats:
    """Log of the standard normal probability between `low` and `high`, accurate in the tails."""
    mass = np.zeros(low.shape)
    rest = (low > -WIDE) | (high < WIDE)  # elsewhere the interval holds all but 1e-9
    low, high = low[rest], high[rest]
    flip = low + high > 0
    a, b = np.where(flip, -high, low), np.where(flip, -low, high)  # now a < b and a + b <= 0
    upper = log_ndtr(b)
    mass[rest] = upper + np.log(-np.expm1(np.minimum(log_ndtr(a) - upper, -1e-15)))
    return mass
