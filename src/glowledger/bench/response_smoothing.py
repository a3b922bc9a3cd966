"""A smooth positive curve through noisy values: penalised spline in the logarithm, smoothing by cross-validation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ROUNDS = 30
OUTLIER = 4.0  # standard deviations beyond which a value counts less
PENALTIES = np.logspace(-3, 7, 11)  # tried, in units of the mean information of a coefficient


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SmoothLog:
    """ln of a positive curve as a cubic B-spline; k coefficients.

    Attributes
    ----------
    knots : ndarray
        With repeated ends.
    coefficients : ndarray of shape (k,)
        Of ln(value).
    covariance : ndarray of shape (k, k)
        Noise and smoothing together, scaled to the scatter found.
    chi2_reduced : float
        Of the values about the curve, by the variances given.
    freedom : float
        Effective number of parameters.
    """

    knots: Floats
    coefficients: Floats
    covariance: Floats
    chi2_reduced: float
    freedom: float

    def log_at(self, nm: Floats) -> tuple[Floats, Floats]:
        """Return ln(value) and its standard error at wavelengths within the knots, shape (m,)."""
        basis = _basis(nm, self.knots)
        error = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", basis, self.covariance, basis), 0.0))
        return basis @ self.coefficients, error


def smooth_log(nm: Floats, values: Floats, scale: Floats, variance: Floats, spacing_nm: float) -> SmoothLog:
    """Fit values = scale · exp(spline).

    Parameters
    ----------
    nm : ndarray of shape (n,)
        Wavelengths, rising.
    values : ndarray of shape (n,)
        Measured; may be negative by noise.
    scale : ndarray of shape (n,)
        Known positive factor.
    variance : ndarray of shape (n,)
        Of the values.
    spacing_nm : float
        Distance of the knots: the finest detail that the curve can follow.

    Returns
    -------
    SmoothLog

    Notes
    -----
    Penalised splines: Eilers & Marx, Statist. Sci. 11, 89 (1996), second differences; the penalty has the least
    generalised cross-validation score of Craven & Wahba, Numer. Math. 31, 377 (1979). From memory.
    """
    knots = _knots(float(nm[0]), float(nm[-1]), spacing_nm)
    basis = _basis(nm, knots)
    start = _start(basis, values / scale, variance / scale**2)
    trust = np.ones(nm.size)
    penalties = PENALTIES
    for _ in range(2):  # once to find outliers, once with them counting less
        coefficients, penalty, fitted = _chosen(basis, values, scale, variance * trust, start, penalties)
        start, penalties = coefficients, penalty * np.array([0.2, 0.45, 1.0, 2.2, 5.0])
        misfit = np.abs(values - scale * np.exp(basis @ coefficients)) / np.sqrt(variance)
        typical = max(float(np.median(misfit)) / 0.6745, 1.0)
        trust = np.maximum(1.0, misfit / (OUTLIER * typical))
    inverse, chi2, freedom = fitted
    return SmoothLog(
        knots=knots, coefficients=coefficients, covariance=inverse * max(chi2, 1.0), chi2_reduced=chi2,
        freedom=freedom,
    )  # fmt: skip


def _knots(low: float, high: float, spacing: float) -> Floats:
    pieces = max(4, round((high - low) / spacing))
    inner = np.linspace(low, high, pieces + 1)
    step = inner[1] - inner[0]
    return np.concatenate([low - step * np.arange(3, 0, -1), inner, high + step * np.arange(1, 4)])


def _basis(nm: Floats, knots: Floats) -> Floats:
    from scipy.interpolate import BSpline

    inside = np.clip(nm, knots[3], knots[-4])
    return np.asarray(BSpline.design_matrix(inside, knots, 3).toarray())


def _start(basis: Floats, ratio: Floats, variance: Floats) -> Floats:
    """Return coefficients near the curve: the plain smooth mean, floored, in the logarithm."""
    weight = basis / variance[:, None]
    mean = (weight.T @ ratio) / np.maximum(weight.sum(axis=0), 1e-300)
    floor = 1e-4 * max(float(np.max(mean)), 1e-300)
    return np.log(np.maximum(mean, floor))


def _chosen(
    basis: Floats, values: Floats, scale: Floats, variance: Floats, start: Floats, penalties: Floats
) -> tuple[Floats, float, tuple[Floats, float, float]]:
    """Return the coefficients at the best penalty, it, and (covariance, reduced χ², effective parameters)."""
    size = basis.shape[1]
    bend = np.diff(np.eye(size), n=2, axis=0)
    stiff = bend.T @ bend
    stiff += 1e-9 * np.eye(size)
    information = np.median((basis**2).T @ ((scale * np.exp(basis @ start)) ** 2 / variance))
    best: tuple[float, Floats, Floats, float, float, float] | None = None
    coefficients = start
    for penalty in penalties[::-1]:  # from stiff to supple, each from the last
        coefficients, normal, gram = _newton(
            basis, values, scale, variance, penalty * information * stiff, coefficients
        )
        freedom = float(np.trace(np.linalg.solve(normal, gram)))
        left = (values - scale * np.exp(basis @ coefficients)) ** 2 / variance
        n = values.size
        score = n * float(left.sum()) / (n - freedom) ** 2
        if best is None or score < best[0]:
            best = (score, coefficients, normal, float(left.sum()) / (n - freedom), freedom, float(penalty))
    if best is None:
        raise ValueError("no penalty was tried")
    _, coefficients, normal, chi2, freedom, penalty = best
    return coefficients, penalty, (np.asarray(np.linalg.inv(normal), dtype=np.float64), chi2, freedom)


def _newton(
    basis: Floats, values: Floats, scale: Floats, variance: Floats, penalty: Floats, start: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return the penalised least-squares coefficients, their normal matrix and its unpenalised part."""
    coefficients = start
    for _ in range(ROUNDS):
        model = scale * np.exp(basis @ coefficients)
        weighted = basis * (model / np.sqrt(variance))[:, None]
        gram = weighted.T @ weighted
        normal = gram + penalty
        gradient = weighted.T @ ((values - model) / np.sqrt(variance)) - penalty @ coefficients
        step = np.linalg.solve(normal, gradient)
        coefficients = coefficients + step * min(1.0, 1.0 / max(float(np.max(np.abs(step))), 1e-12))
        if np.max(np.abs(step)) < 1e-4:
            break
    return coefficients, normal, gram
