"""Robust polynomials through matched lines: covariance, leave-one-out, never turning back."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.polynomial.chebyshev import chebder, chebval, chebvander
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Standard deviations of Chebyshev coefficients c2, c3, ... over the span: how crooked spectrometers are.
# They matter only where lines are too few to say. Grating equation over a flat chip; common practice.
CROOKEDNESS = (0.02, 0.007, 0.0015, 0.0008, 0.0005, 0.0004)
ROBUST = 4.685  # Tukey's biweight at 95 % efficiency for normal errors (Holland & Welsch 1977)
USUAL_WORTH = 6.0  # lines that the usual share of errors counts for, beside what the residuals themselves say
GAIN, GREAT_GAIN = 1.0, 8.0  # in log predictive density that a higher degree must bring; a very high one
LINES_PER_DEGREE = 3
FEWEST_TO_DROP, FEW_LINES = 5, 12
DROP_COST = 12.0  # chi² that leaving a line out must save
# every spectrometer is bent and twisted; the prior keeps a straight one straight. More than the highest only with many
# lines: two chips or a corrected lens
LOWEST_DEGREE, HIGHEST_DEGREE, VERY_HIGHEST, MANY_PER_DEGREE = 3, 5, 7, 4


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LineFit:
    """A polynomial through lines; arrays over the m lines given.

    Attributes
    ----------
    coefficients, covariance : ndarray of shape (d + 1,), (d + 1, d + 1)
        Chebyshev coefficients over u in -1..1, nm, and their covariance.
    weight : ndarray of shape (m,)
        Robust weight, 0 for an outlier.
    residual_nm, left_out_nm, left_out_se_nm : ndarray of shape (m,)
        Line minus solution; the same with that line left out of the fit, and the standard error of the latter.
    scatter_nm : float
        Scatter beyond the lines' own errors.
    log_predictive : float
        Sum over lines of the log density with which the others predict each; decides the degree.
    error_share : float
        Part of their stated errors by which the lines scatter; the covariance is of errors so much smaller.
    """

    coefficients: Floats
    covariance: Floats
    weight: Floats
    residual_nm: Floats
    left_out_nm: Floats
    left_out_se_nm: Floats
    scatter_nm: float
    log_predictive: float
    error_share: float = 1.0

    @property
    def degree(self) -> int:
        """Degree of the polynomial."""
        return len(self.coefficients) - 1

    def rate(self, error_nm: Floats) -> Floats:
        """Return what each line of stated error (m,) adds to the precision, 1/nm²."""
        return np.asarray(self.weight / ((self.error_share * error_nm) ** 2 + self.scatter_nm**2))

    def nm(self, u: Floats) -> Floats:
        """Return nm at u, same shape."""
        return np.asarray(chebval(u, self.coefficients))

    def standard_error_nm(self, u: Floats) -> Floats:
        """Return the standard error of `nm` at u."""
        basis = chebvander(np.asarray(u, dtype=float), self.degree)
        return np.sqrt(np.einsum("...i,ij,...j->...", basis, self.covariance, basis))


def crookedness(span_nm: float) -> Floats:
    """Return the standard deviations of Chebyshev coefficients, from c0 on, of instruments of a span, nm."""
    return np.concatenate([[200.0, 100.0], np.array(CROOKEDNESS) * span_nm])


def _solve(
    basis: Floats, nm: Floats, variance: Floats, weight: Floats, precision: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return coefficients, covariance, leverage of a weighted ridge fit."""
    rate = weight / variance
    normal = (basis * rate[:, None]).T @ basis + np.diag(precision)
    covariance = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    coefficients = covariance @ (basis.T @ (rate * nm))
    leverage = np.sum((basis @ covariance) * basis, axis=1) * rate
    return coefficients, covariance, leverage


def _start(basis: Floats, nm: Floats, variance: Floats, precision: Floats) -> Floats:
    """Return starting weights (m,): all ones, or with the one or two lines left out that spoil a small set.

    Re-weighting alone fails for few lines: one foreign line bends the first fit so far that all look like outliers.
    """
    count = len(nm)
    everything = np.ones(count)
    if not FEWEST_TO_DROP <= count <= FEW_LINES:
        return everything
    least = float(_costs(basis, nm, variance, everything[None, :], precision)[0])
    if least < DROP_COST:
        return everything
    drops: list[tuple[int, ...]] = [(i,) for i in range(count)]
    drops += list(combinations(range(count), 2)) if count > FEWEST_TO_DROP else []
    weight = np.ones((len(drops), count))
    for row, drop in zip(weight, drops, strict=True):
        row[list(drop)] = 0.0
    cost = _costs(basis, nm, variance, weight, precision) + DROP_COST * np.sum(weight == 0.0, axis=1)
    best = int(np.argmin(cost))
    return weight[best] if cost[best] < least else everything


def _costs(basis: Floats, nm: Floats, variance: Floats, weight: Floats, precision: Floats) -> Floats:
    """Return what weighted ridge fits leave unexplained and how much they bend, (h,), for weights (h, m)."""
    rate = weight / variance
    normal = (basis.T[None, :, :] * rate[:, None, :]) @ basis + np.diag(precision)
    coefficients = np.linalg.solve(normal, ((rate * nm) @ basis)[..., None])[..., 0]
    left = np.sum(rate * (nm - coefficients @ basis.T) ** 2, axis=1)
    return np.asarray(left + coefficients[:, 2:] ** 2 @ precision[2:])


def fit_lines(
    u: Floats, nm: Floats, error_nm: Floats, degree: int, span_nm: float, usual_share: float = 1.0
) -> LineFit:
    """Fit a polynomial robustly to line positions.

    Parameters
    ----------
    u : ndarray of shape (m,)
        Positions on the axis mapped to -1..1.
    nm, error_nm : ndarray of shape (m,)
        Published wavelengths, and the standard errors of the measured positions in nm.
    degree : int
        Degree of the polynomial.
    span_nm : float
        Rough span of the axis, scale of the prior on crookedness.
    usual_share : float
        Part of errors on the safe side by which lines usually scatter: what part it is here the residuals tell as well.
        1 takes errors as they are stated.

    Returns
    -------
    LineFit
    """
    basis = np.asarray(chebvander(u, degree), dtype=np.float64)
    precision = _crooked(degree, span_nm)
    weight = _start(basis, nm, error_nm**2, precision)
    scatter2 = 0.0
    for _ in range(12):
        variance = error_nm**2 + scatter2
        coefficients, covariance, leverage = _solve(basis, nm, variance, weight, precision)
        residual = nm - basis @ coefficients
        free = np.clip(1.0 - leverage, 0.2, 1.0)
        z = residual / np.sqrt(variance * free)
        kept = weight > 0.1
        if np.count_nonzero(kept) < min(3, len(u)):  # no line agrees with another: say so by a large scatter
            weight, scatter2 = np.ones(len(u)), _median(residual**2)
            break
        spread = 1.4826 * _median(np.abs(z[kept])) if np.count_nonzero(kept) > degree + 3 else 1.0
        spread = max(spread, 1.0)
        typical2 = _median(error_nm[kept] ** 2)
        target = (
            max((spread**2 - 1.0) * (typical2 + scatter2) + scatter2, 0.0) if spread > 1.0 else scatter2 * 0.7
        )
        new = np.where(np.abs(z / spread) < ROBUST, (1.0 - (z / spread / ROBUST) ** 2) ** 2, 0.0)
        done = np.max(np.abs(new - weight)) < 1e-3 and abs(target - scatter2) < 1e-3 * (typical2 + scatter2)
        weight, scatter2 = new, target
        if done or np.count_nonzero(weight > 0.0) < 3:
            break
    variance = error_nm**2 + scatter2
    coefficients, covariance, leverage = _solve(basis, nm, variance, weight, precision)
    residual = nm - basis @ coefficients
    z = residual / np.sqrt(variance * np.clip(1.0 - leverage, 0.2, 1.0))
    share = _error_share(z, weight, degree, usual_share) if scatter2 == 0.0 else 1.0
    left_out, total, log_predictive = _predicted(basis, covariance, weight, (residual, variance, leverage), span_nm)
    return LineFit(
        coefficients=coefficients,
        covariance=_solve(basis, nm, variance * share**2, weight, precision)[1],
        error_share=share,
        weight=weight,
        residual_nm=residual,
        left_out_nm=left_out,
        left_out_se_nm=np.sqrt(total),
        scatter_nm=float(np.sqrt(scatter2)),
        log_predictive=log_predictive,
    )


def through(u: Floats, nm: Floats, error_nm: Floats, like: LineFit, span_nm: float) -> Floats:
    """Return the coefficients of a polynomial of the degree of another fit through lines (m,), none of them doubted."""
    basis = np.asarray(chebvander(u, like.degree), dtype=np.float64)
    return _solve(basis, nm, error_nm**2, np.ones(len(u)), _crooked(like.degree, span_nm))[0]


def _crooked(degree: int, span_nm: float) -> Floats:
    """Return the prior precision of the coefficients (degree + 1,)."""
    precision = np.full(degree + 1, 1e-8)  # 10 µm: no opinion, but never singular
    precision[2:] = 1.0 / (np.array(CROOKEDNESS[: max(degree - 1, 0)]) * span_nm) ** 2
    return precision


def _median(values: Floats) -> float:
    """Return the median of a few numbers: several times faster than `numpy.median`."""
    ordered = np.sort(values)
    return 0.5 * float(ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2])


def _predicted(
    basis: Floats, covariance: Floats, weight: Floats, lines: tuple[Floats, Floats, Floats], span_nm: float
) -> tuple[Floats, Floats, float]:
    """Return how far each line is from where the others foretell it, the variance of that, and how likely all that is.

    Of the lines their residuals, variances and leverages (m,).
    """
    residual, variance, leverage = lines
    free = np.clip(1.0 - leverage, 1e-3, 1.0)
    left_out = residual / free
    own = np.sum((basis @ covariance) * basis, axis=1)
    total = np.maximum(np.where(weight > 0.0, own / free, own), 0.0) + variance
    # heavy tails, so that one foreign line cannot decide the degree
    z2 = np.minimum(left_out**2 / total, 1e3)
    density = np.log(0.97 * np.exp(-0.5 * z2) / np.sqrt(2 * np.pi * total) + 0.03 / span_nm)
    return left_out, total, float(np.sum(density))


def _error_share(z: Floats, weight: Floats, degree: int, usual: float) -> float:
    """Return the part of their stated errors by which lines scatter, from their residuals over these (m,) and weights.

    A mean of squares with a scaled inverse chi-square prior (Gelman et al., Bayesian Data Analysis, 3.2, from memory).
    """
    if usual == 1.0:
        return 1.0
    freedom = max(float(np.sum(weight)) - degree - 1.0, 0.0)
    mean_square = float(np.sum(weight * z**2) / max(np.sum(weight), 1e-9))
    worth = USUAL_WORTH + freedom
    return float(min(np.sqrt((USUAL_WORTH * usual**2 + freedom * mean_square) / worth), 1.0))


def best_degree(u: Floats, nm: Floats, error_nm: Floats, span_nm: float, usual_share: float = 1.0) -> LineFit:
    """Return the fit whose degree predicts left-out lines best, among those that never turn back.

    Raises
    ------
    ValueError
        If not even a straight line can be fitted.
    """
    best: LineFit | None = None
    lowest = min(LOWEST_DEGREE, max(len(u) - 1, 1))
    for degree in range(lowest, min(VERY_HIGHEST, max(len(u) - 2, lowest)) + 1):
        if degree > lowest and len(u) < (LINES_PER_DEGREE if degree <= HIGHEST_DEGREE else MANY_PER_DEGREE) * degree:
            break  # so few lines can be bent to any one that is wrong
        fit = fit_lines(u, nm, error_nm, degree, span_nm, usual_share)
        gain = GAIN if degree <= HIGHEST_DEGREE else GREAT_GAIN
        if monotonic(fit.coefficients) and (best is None or fit.log_predictive > best.log_predictive + gain):
            best = fit
    for degree in range(lowest - 1, 0, -1):  # only where the fit would turn back otherwise
        if best is not None:
            break
        fit = fit_lines(u, nm, error_nm, degree, span_nm, usual_share)
        best = fit if monotonic(fit.coefficients) else None
    if best is None:
        raise ValueError("no monotonic polynomial")
    return best


def monotonic(coefficients: Floats) -> bool:
    """Return whether a Chebyshev series rises or falls throughout -1..1."""
    slope = chebval(np.linspace(-1.0, 1.0, 513), chebder(coefficients))
    return bool(np.all(slope > 0) or np.all(slope < 0))
