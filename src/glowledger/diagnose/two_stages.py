"""Least-squares fit of a decay in two stages: where the run is known to have two, their times are free."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from glowledger.diagnose.estimates import Estimate

Floats = NDArray[np.float64]
STARTS = 12  # time constants tried for each stage before the fit
CLEAR = 3.0  # standard errors by which each stage has to stand out


def two_stages(time: Floats, value: Floats, error: Floats) -> tuple[Estimate, Estimate] | None:
    """Fit floor + a·exp(-t/τ₁) + b·exp(-t/τ₂), all five free.

    Parameters
    ----------
    time : ndarray of shape (n,)
        Ascending from the start of the decay, s.
    value, error : ndarray of shape (n,)
        Frames and their standard errors, which weight them.

    Returns
    -------
    tuple of Estimate or None
        Fast and slow time constant, s, with 95 % intervals on the log scale; None where the frames do not hold two
        stages apart.

    Notes
    -----
    Covariance from the Jacobian, its scale from the residuals, which are taken as a lag-one series: variance times
    (1 + phi) / (1 - phi).
    """
    from scipy.optimize import least_squares

    n = time.size
    if n < 20:
        return None
    sure = np.isfinite(error) & (error > 0)
    weight = 1.0 / np.where(sure, error, np.median(error[sure]) if sure.any() else 1.0)
    start = _start(time, value, weight)
    if start is None:
        return None
    away = time[-1] - time[0]

    def misfit(p: Floats) -> Floats:
        fast, slow = np.exp(p[3:])
        return np.asarray((p[0] + p[1] * np.exp(-time / fast) + p[2] * np.exp(-time / slow) - value) * weight)

    limits = math.log(0.3 * away / n), math.log(20.0 * away)
    fit = least_squares(
        misfit, start, x_scale="jac", bounds=([-np.inf] * 3 + [limits[0]] * 2, [np.inf] * 3 + [limits[1]] * 2)
    )
    covariance = _covariance(fit.jac, fit.fun)
    if covariance is None:
        return None
    errors = np.sqrt(np.diag(covariance))
    fast, slow = sorted((3, 4), key=lambda i: fit.x[i])
    clear = all(fit.x[i - 2] > CLEAR * errors[i - 2] for i in (3, 4))
    if not clear or errors[fast] > 1.0 or errors[slow] > 1.0:
        return None
    return _log_estimate(fit.x[fast], errors[fast]), _log_estimate(fit.x[slow], errors[slow])


def _start(time: Floats, value: Floats, weight: Floats) -> Floats | None:
    """Return the best of a grid of pairs of time constants, levels solved linearly and positive."""
    away = float(time[-1] - time[0])
    grid = np.geomspace(max(away / 60.0, 1.5 * away / time.size), 1.2 * away, STARTS)
    best, at = math.inf, None
    for i, fast in enumerate(grid):
        for slow in grid[i + 2 :]:
            design = np.column_stack([np.ones_like(time), np.exp(-time / fast), np.exp(-time / slow)]) * weight[:, None]
            level, *_ = np.linalg.lstsq(design, value * weight, rcond=None)
            left = float(np.sum((design @ level - value * weight) ** 2))
            if left < best and level[1] > 0 and level[2] > 0:
                best, at = left, np.array([*level, math.log(fast), math.log(slow)])
    return at


def _covariance(jacobian: Floats, residual: Floats) -> Floats | None:
    n, k = jacobian.shape
    normal = jacobian.T @ jacobian
    if not np.isfinite(normal).all() or np.linalg.cond(normal) > 1e14:
        return None
    phi = float(residual[1:] @ residual[:-1]) / max(float(residual @ residual), 1e-300) + k / n  # bias of order k/n
    phi = min(max(phi, 0.0), 0.97)
    variance = float(residual @ residual) / (n - k) * (1.0 + phi) / (1.0 - phi)
    return np.asarray(np.linalg.inv(normal) * variance)


def _log_estimate(log_tau: float, error: float) -> Estimate:
    half = 1.959964 * error
    return Estimate(value=math.exp(log_tau), low=math.exp(log_tau - half), high=math.exp(log_tau + half))
