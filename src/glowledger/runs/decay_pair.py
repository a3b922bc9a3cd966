"""Two exponentials, or a rise and a fall, that show beyond doubt: searched for and integrated over, not gridded.

Once a second component is clear, its amplitude, share and time constants are known better than any fixed mesh of
pairs resolves. Gauss-Newton finds the likeliest pair of time constants; a small lattice about it, spread along the
axes of their covariance, carries the curvature and the tails. The trapezoidal sum of a Gaussian at a spacing of 1.2
standard deviations is good to 1e-5 (Trefethen & Weideman, SIAM Review 56, 385, 2014), so few points do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr, logsumexp, ndtr

from glowledger.runs.decay import Noise, log_student
from glowledger.runs.decay_shapes import Floats

CLEAR = 4.0  # standard errors by which both amplitudes have to differ from zero; a fast one below zero is a rise
LEAST_RATIO = 1.3  # of the time constants, anywhere on the lattice that counts
ROUNDS = 4
SPACING = 1.2  # standard deviations
_AXIS = SPACING * np.arange(-3.0, 4.0)
_LATTICE = np.array([(a, b) for a in _AXIS for b in _AXIS]).T


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Pair:
    """Posterior of a decay with two components, a mixture of normal distributions over the lattice.

    Attributes
    ----------
    weight : ndarray of shape (m,)
        Probability of each pair of time constants; sums to 1.
    log_end, log_end_sd : ndarray of shape (m,)
        ln of the end time, its standard deviation for these time constants.
    left, left_sd : ndarray of shape (m,)
        The same of the part of the excess that is left now.
    log_fast : ndarray of shape (m,)
        ln of the fast time constant.
    gain : float
        Residual sum of squares that the likeliest pair takes off what is left without a decay.
    log_mass : float
        ln of the evidence of all pairs at the prior density 1 per unit of ln of each time constant and of the share
        of the slow one, likelihoods relative to the likeliest pair.
    centre : tuple of float
        ln of both time constants, and amplitude of the fast component over that of the slow one, where the data are
        fitted best.
    """

    weight: Floats
    log_end: Floats
    log_end_sd: Floats
    left: Floats
    left_sd: Floats
    log_fast: Floats
    gain: float
    log_mass: float
    centre: tuple[float, float, float]

    @property
    def rises(self) -> bool:
        """True if it rises before it falls."""
        return self.centre[2] < 0

    def shape(self, time: Floats) -> Floats:
        """Return the decay that fits best, 1 at its top."""
        fast, slow, rho = np.exp(self.centre[0]), np.exp(self.centre[1]), np.asarray(self.centre[2])
        height = _top(fast, slow, rho)[1]
        return np.asarray((rho * np.exp(-time / fast) + np.exp(-time / slow)) / height)

    @property
    def log_ends(self) -> NormalMixture:
        """Of ln of the end time."""
        return NormalMixture(self.log_end, self.log_end_sd, self.weight)

    @property
    def lefts(self) -> NormalMixture:
        """Of the part of the excess that is left."""
        return NormalMixture(self.left, self.left_sd, self.weight)

    @property
    def log_fasts(self) -> NormalMixture:
        """Of ln of the fast time constant; between the points of the lattice as far as these lie apart."""
        spread = float(np.sqrt(self.weight @ (self.log_fast - self.weight @ self.log_fast) ** 2))
        return NormalMixture(self.log_fast, np.full(self.log_fast.size, max(0.3 * spread, 1e-6)), self.weight)


@dataclass(frozen=True, slots=True, eq=False)
class NormalMixture:
    """A mixture of normal distributions: means, standard deviations and weights, all of shape (m,)."""

    mean: Floats
    sd: Floats
    weight: Floats

    def below(self, value: Floats | float) -> Floats:
        """Return the probability of a smaller value, shape (k,) for k values."""
        return np.asarray(ndtr((np.atleast_1d(value)[:, None] - self.mean) / self.sd) @ self.weight)

    @property
    def span(self) -> tuple[float, float]:
        """Values between which all but nothing lies."""
        return float((self.mean - 6 * self.sd).min()), float((self.mean + 6 * self.sd).max())


def pair_posterior(
    time: Floats,
    value: Floats,
    weight: Floats,
    columns: Floats,
    noise: Noise,
    start: tuple[float, float],
    fraction: float,
    least_floor: float,
) -> Pair | None:
    """Return the posterior about the likeliest pair of time constants, or None if two are not clear there.

    Parameters
    ----------
    time, value, weight : ndarray of shape (n,)
        Bins and their robust weights times precision.
    columns : ndarray of shape (n, q)
        Nuisance columns, the floor first.
    noise : Noise
        Of the residuals.
    start : tuple of float
        ln of the fast and of the slow time constant to start from.
    fraction : float
        Part of the starting excess at which the decay counts as ended.
    least_floor : float
        The floor cannot lie below this.

    Returns
    -------
    Pair or None

    Notes
    -----
    Floor and amplitudes are linear and projected out (variable projection, Golub & Pereyra 1973). Prior: flat in
    the logarithms of both time constants, in the amplitude of the slow component and in the fast one's ratio to it.
    """
    root = np.sqrt(weight)
    found = _search(time, value * root, root, columns, np.array(start))
    if found is None:
        return None
    centre, covariance = found
    try:
        axes = np.linalg.cholesky(noise.variance * covariance)
    except np.linalg.LinAlgError:
        return None
    if not np.all(np.isfinite(axes)) or axes[0, 0] > 0.5 or np.hypot(*axes[1]) > 0.5:
        return None
    log_tau = centre[:, None] + axes @ _LATTICE
    cell = float(axes[0, 0] * axes[1, 1]) * SPACING**2
    return _integrate(time, value, weight, columns, noise, log_tau, cell, fraction, least_floor)


def _search(time: Floats, data: Floats, root: Floats, columns: Floats, at: Floats) -> tuple[Floats, Floats] | None:
    """Gauss-Newton in both ln(time constant); return the point and its covariance at unit variance."""
    q, size = columns.shape[1], 2.0
    for _ in range(ROUNDS):
        x = time[:, None] / np.exp(at)
        shape = np.exp(-x)
        design = np.column_stack([columns, shape]) * root[:, None]
        linear = np.linalg.lstsq(design, data, rcond=None)[0]
        slope = linear[q:] * x * shape * root[:, None]
        full = np.column_stack([design, slope])
        scale = np.sqrt(np.sum(full**2, axis=0))
        if not np.all(scale > 0):
            return None
        normal = (full / scale).T @ (full / scale)
        try:
            inverse = np.linalg.inv(normal)
        except np.linalg.LinAlgError:
            return None
        move = (inverse @ (full.T @ (data - design @ linear) / scale) / scale)[q + 2 :]
        size = float(np.abs(move).max())
        at = at + move * min(1.0, 0.25 / max(size, 1e-12))
        if at[1] - at[0] < np.log(LEAST_RATIO):
            return None
        if size < 1e-3:
            break
    if size > 0.05:
        return None
    return at, inverse[q + 2 :, q + 2 :] / np.outer(scale[q + 2 :], scale[q + 2 :])


def _integrate(
    time: Floats,
    value: Floats,
    weight: Floats,
    columns: Floats,
    noise: Noise,
    log_tau: Floats,
    cell: float,
    fraction: float,
    least_floor: float,
) -> Pair | None:
    """Project out what is linear at every point of the lattice, of cells of an area in ln(tau)², and weigh them."""
    points = log_tau.shape[1]
    shape = np.exp(-time[:, None] / np.exp(log_tau.ravel()))  # (n, 2 points): fast ones first
    weighted = columns * weight[:, None]
    inverse = np.linalg.inv(weighted.T @ columns)
    level = inverse @ (weighted.T @ value)
    cross = weighted.T @ shape
    g = ((weight * (value - columns @ level)) @ shape).reshape(2, points)
    shaped = shape.reshape(len(time), 2, points)
    between = np.sum((shaped[:, 0] * weight[:, None]) * shaped[:, 1], axis=0)
    own = (weight @ shape**2 - np.sum(cross * (inverse @ cross), axis=0)).reshape(2, points)
    split = cross.reshape(-1, 2, points)
    mixed = between - np.sum(split[:, 0] * np.einsum("ij,jk->ik", inverse, split[:, 1]), axis=0)
    determinant = own[0] * own[1] - mixed**2
    ok = (determinant > 1e-10 * own[0] * own[1]) & (log_tau[1] - log_tau[0] > np.log(LEAST_RATIO))
    determinant = np.where(ok, determinant, 1.0)
    a = np.array([own[1] * g[0] - mixed * g[1], own[0] * g[1] - mixed * g[0]]) / determinant
    cov = noise.variance * np.array([own[1], own[0], -mixed]) / determinant
    gain = np.where(ok, np.sum(a * g, axis=0), -np.inf)
    middle = points // 2
    if not ok[middle] or a[1, middle] <= 0 or np.any(np.abs(a[:, middle]) < CLEAR * np.sqrt(cov[:2, middle])):
        return None
    ok &= (a[1] > 0) & (a[0] * a[0, middle] > 0)
    slow_part = np.where(ok, a[1], 1.0)
    rho = a[0] / slow_part
    floor = level[0] - np.sum((inverse[0] @ split.reshape(len(inverse), -1)).reshape(2, points) * a, axis=0)
    slack = 2.0 * np.sqrt(noise.variance * inverse[0, 0])
    freedom = float(max(len(time) - 4 - columns.shape[1], 2))
    log_weight = log_student((gain[ok].max() - gain) / noise.variance, freedom) - 0.5 * np.log(determinant)
    log_weight = log_weight - np.log(slow_part) + log_ndtr((floor - least_floor + slack) / slack)
    # of excess and share of the slow part: their volume is that of the amplitudes over their sum
    height = np.maximum(np.abs(a[0]) + slow_part, 1e-300)
    mass = log_weight + np.log(2 * np.pi * noise.variance * cell * slow_part / height)
    rho_sd = np.sqrt(np.maximum(cov[0] - 2 * cov[2] * rho + cov[1] * rho**2, 0.0)) / slow_part
    keep = ok & np.isfinite(log_weight)
    best = (float(log_tau[0, middle]), float(log_tau[1, middle]), float(rho[middle]))
    told = float(gain[ok].max()), float(logsumexp(mass[keep])), best
    return _mixture(log_weight[keep], log_tau[:, keep], rho[keep], rho_sd[keep], fraction, float(time[-1]), told)


def _top(fast: Floats, slow: Floats, rho: Floats) -> tuple[Floats, Floats]:
    """Return when rho exp(-t/fast) + exp(-t/slow) is highest, 0 unless it rises first, and its height there."""
    rises = -rho * slow / fast
    at = np.where(rises > 1.0, np.log(np.maximum(rises, 1.0)) / (1.0 / fast - 1.0 / slow), 0.0)
    return at, rho * np.exp(-at / fast) + np.exp(-at / slow)


def _mixture(
    log_weight: Floats,
    log_tau: Floats,
    rho: Floats,
    rho_sd: Floats,
    fraction: float,
    now: float,
    told: tuple[float, float, tuple[float, float, float]],
) -> Pair:
    """Turn time constants and ratios of the amplitudes into end times and parts left, errors of the ratio included.

    `told` holds gain, log_mass and centre of the pair.
    """
    weight = np.exp(log_weight - log_weight.max())
    fast, slow = np.exp(log_tau)
    low, height = _top(fast, slow, rho)
    at_top = np.exp(-low / fast)
    end = low + slow * np.log((1.0 + np.maximum(rho, 0.0)) / (fraction * height))
    for _ in range(40):
        middle = 0.5 * (low + end)
        above = rho * np.exp(-middle / fast) + np.exp(-middle / slow) > fraction * height
        low, end = np.where(above, middle, low), np.where(above, end, middle)
    quick, late = np.exp(-end / fast), np.exp(-end / slow)
    fall = np.maximum(rho * quick / fast + late / slow, 1e-12 * late / slow)
    later = max(now, 0.0)
    left = (rho * np.exp(-later / fast) + np.exp(-later / slow)) / height
    return Pair(
        weight=weight / weight.sum(),
        log_end=np.log(end),
        log_end_sd=np.maximum(np.abs(quick - fraction * at_top) * rho_sd / fall / end, 1e-6),
        left=left,
        left_sd=np.maximum(np.abs(np.exp(-later / fast) - left * at_top) * rho_sd / height, 1e-9),
        log_fast=log_tau[0],
        gain=told[0],
        log_mass=told[1],
        centre=told[2],
    )
