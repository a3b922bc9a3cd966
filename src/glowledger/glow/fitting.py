"""The fit of one spectrum: non-negative emitters, background, and a small adjustment of the instrument.

Gauss-Newton: at each round the spectrum is linear in emitters and background (both ≥ 0) and in the
increments of shift, width, shape and response (free, with priors). The free ones are eliminated by their
Schur complement, so that the rest is non-negative least squares on normal equations.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.instrument import (
    error_shape,
    expected_variance,
    free_columns,
    response_templates,
    second_order,
)
from glowledger.glow.noise_levels import NoiseLevels, fitted_levels
from glowledger.glow.nonnegative import solve_nonnegative
from glowledger.glow.scene import Adjustment, Scene
from glowledger.glow.templates import LineShape

ROUNDS = 12
TIE = 3.0  # a level may stray from its typical share by this factor of it, one standard deviation
TRACE = 1e-7
OUTLIER = 4.0  # residuals beyond this many standard deviations count less


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Normal:
    """Normal equations with the free columns eliminated; c = m emitters + b background columns.

    Attributes
    ----------
    gram : ndarray of shape (c, c)
        Without the tie.
    rhs : ndarray of shape (c,)
        Without the tie.
    tie : ndarray of shape (c,)
        Diagonal of the tie.
    tie_rhs : ndarray of shape (c,)
        Its right-hand side.
    """

    gram: NDArray[np.float64]
    rhs: NDArray[np.float64]
    tie: NDArray[np.float64]
    tie_rhs: NDArray[np.float64]

    def solve(
        self, keep: NDArray[np.bool_] | None = None, guess: NDArray[np.bool_] | None = None
    ) -> NDArray[Any]:
        """Return the solution ≥ 0, shape (c,), with the columns outside `keep` at zero."""
        rows = np.arange(self.rhs.size) if keep is None else np.flatnonzero(keep)
        gram = self.gram[np.ix_(rows, rows)] + np.diag(self.tie[rows])
        x = np.zeros(self.rhs.size)
        start = None if guess is None else guess[rows]
        x[rows] = solve_nonnegative(gram, (self.rhs + self.tie_rhs)[rows], start)
        return x

    def misfit(self, x: NDArray[np.float64]) -> float:
        """Return χ² of a solution up to a constant, tie included."""
        tied = float(self.tie @ x**2 - 2 * self.tie_rhs @ x)
        return float(x @ self.gram @ x - 2 * self.rhs @ x) + tied


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Solution:
    """A fitted scene; p pixels, m emitters.

    Attributes
    ----------
    templates : ndarray of shape (p, m)
        Counts per photon of each emitter.
    columns : ndarray of shape (p, c)
        Templates, background columns, and the second order of all lines.
    free : ndarray of shape (p, f)
        Derivative columns and the constant.
    x : ndarray of shape (c,)
        Fitted amounts ≥ 0.
    free_values : ndarray of shape (f,)
        Increments left at the end, and the constant.
    free_normal : ndarray of shape (f, f)
        Weighted Gram of the free columns with priors.
    model, lines : ndarray of shape (p,)
        Counts with and without background.
    variance : ndarray of shape (p,)
        Used in the fit: template errors counted once per line.
    outliers : ndarray of shape (p,)
        Factor ≥ 1 by which outlying pixels count less, contained in `variance`.
    levels : NoiseLevels
        Fitted noise.
    adjustment : Adjustment
        Where the instrument was moved.
    normal : Normal
        The final normal equations.
    shift_variance : ndarray of shape (k, k)
        Covariance of the shift terms, nm².
    chi2_reduced : float
        By the pixel variance.
    """

    templates: NDArray[np.float64]
    columns: NDArray[np.float64]
    free: NDArray[np.float64]
    x: NDArray[np.float64]
    free_values: NDArray[np.float64]
    free_normal: NDArray[np.float64]
    model: NDArray[np.float64]
    lines: NDArray[np.float64]
    variance: NDArray[np.float64]
    outliers: NDArray[np.float64]
    levels: NoiseLevels
    adjustment: Adjustment
    normal: Normal
    shift_variance: NDArray[np.float64]
    chi2_reduced: float

    def shift_at(self, scene: Scene, pixel: int) -> float:
        """Return true minus believed wavelength at a pixel, nm."""
        return float(scene.shift_basis[pixel : pixel + 2].mean(axis=0) @ self.adjustment.shift_nm)

    def shift_error_at(self, scene: Scene, pixel: int) -> float:
        """Return the standard error of `shift_at`, nm."""
        term = scene.shift_basis[pixel : pixel + 2].mean(axis=0)
        return float(np.sqrt(term @ self.shift_variance @ term))


def fit_scene(
    scene: Scene, start: Adjustment | None = None, rounds: int = ROUNDS, levels: NoiseLevels | None = None
) -> Solution:
    """Fit one spectrum.

    Parameters
    ----------
    scene : Scene
        Spectrum, emitters, priors.
    start : Adjustment, optional
        Where to begin, e.g. from a fit with other emitters.
    levels : NoiseLevels, optional
        Noise to begin with.
    rounds : int
        Most Gauss-Newton rounds; ends sooner when nothing moves any more.

    Returns
    -------
    Solution
    """
    adjustment = scene.start() if start is None else start
    levels = levels or scene.first
    x: NDArray[np.float64] | None = None
    templates = response_templates(scene, adjustment)
    solution: Solution | None = None
    for _ in range(rounds):
        solution = _round(scene, adjustment, templates, levels, x, solution)
        moved, still = _moved(scene, solution)
        x, levels = solution.x, solution.levels
        if still:
            break
        adjustment = moved
        templates = response_templates(scene, adjustment)
    if solution is None:
        raise ValueError("a fit needs at least one round")
    return solution


def _round(
    scene: Scene,
    adjustment: Adjustment,
    templates: NDArray[np.float64],
    levels: NoiseLevels,
    x: NDArray[np.float64] | None,
    last: Solution | None,
) -> Solution:
    """Solve the linearised problem once and re-estimate the noise."""
    m = len(scene.emitters)
    ghost = second_order(scene, adjustment, None if x is None else x[:m])
    columns = np.concatenate([templates, scene.background, ghost[:, None]], axis=1)
    constant = np.ones((scene.data.size, 1))
    if x is None:  # first round: amounts unknown, so no derivatives yet
        free, precision, pull = constant, np.zeros((1, 1)), np.zeros(1)
        lines_guess = np.maximum(scene.data - np.quantile(scene.data[scene.used], 0.1), 0.0)
        variance = expected_variance(scene, levels, lines_guess, lines_guess)
        outliers = np.ones(scene.data.size)
    else:
        free, precision, pull = free_columns(scene, adjustment, x[:m])
        model = last.model  # type: ignore[union-attr]
        variance = expected_variance(scene, levels, model, last.lines)  # type: ignore[union-attr]
        outliers = np.maximum(1.0, np.abs(scene.data - model) / (OUTLIER * np.sqrt(variance)))
        variance = variance * outliers
    weight = np.where(scene.used, 1.0 / variance, 0.0)
    normal, free_normal, cross, free_rhs = normal_equations(scene, columns, free, weight, precision, pull, x)
    solved = normal.solve(guess=None if x is None else x > 0)
    free_values = np.linalg.solve(free_normal, free_rhs - cross.T @ solved)
    lines = templates @ solved[:m]
    model = columns @ solved + free @ free_values
    spent = int((solved > 0).sum()) + free.shape[1]
    levels, chi2 = _noise(scene, model, lines, levels, spent) if last is not None else (levels, float("nan"))
    covariance = np.asarray(np.linalg.inv(free_normal), dtype=np.float64)
    terms = min(scene.shift_basis.shape[1], free.shape[1])
    return Solution(
        templates=templates, columns=columns, free=free, x=solved, free_values=free_values,
        free_normal=free_normal, model=model, lines=lines, variance=variance, levels=levels,
        outliers=outliers,
        adjustment=adjustment, normal=normal, shift_variance=covariance[:terms, :terms], chi2_reduced=chi2,
    )  # fmt: skip


def normal_equations(
    scene: Scene,
    columns: NDArray[np.float64],
    free: NDArray[np.float64],
    weight: NDArray[np.float64],
    precision: NDArray[np.float64],
    pull: NDArray[np.float64],
    x: NDArray[np.float64] | None,
) -> tuple[Normal, NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Build the normal equations and eliminate the free columns."""
    root = np.sqrt(weight)[:, None]
    a, f = columns * root, free * root
    y = scene.data * root[:, 0]
    cross = a.T @ f
    free_normal = f.T @ f + precision
    free_normal[np.diag_indices_from(free_normal)] *= 1 + 1e-9
    free_rhs = f.T @ y + pull
    eliminated = np.linalg.solve(free_normal, np.concatenate([cross.T, free_rhs[:, None]], axis=1))
    full = a.T @ a
    taken = cross @ eliminated[:, :-1]
    gram = full - 0.5 * (taken + taken.T)
    # a column that the free ones can copy keeps a trace of itself, or rounding would decide its amount
    gram[np.diag_indices_from(gram)] += TRACE * np.diag(full)
    rhs = a.T @ y - cross @ eliminated[:, -1]
    tie, tie_rhs = _tie(scene, gram, x)
    return Normal(gram=gram, rhs=rhs, tie=tie, tie_rhs=tie_rhs), free_normal, cross, free_rhs


def _tie(
    scene: Scene, gram: NDArray[np.float64], x: NDArray[np.float64] | None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the loose tie of each level to its typical share of the species.

    The scale of a species is its fitted light over its typical light; where it has none, the light at
    which it would be one standard deviation.
    """
    m = len(scene.emitters)
    weights = np.array([e.weight for e in scene.emitters])
    names, index = scene.species_of_emitters()
    diagonal = np.maximum(np.diag(gram)[:m], 1e-12 * np.diag(gram)[:m].max())
    total = np.bincount(index, weights, len(names))
    amounts = np.zeros(m) if x is None else x[:m]
    scale = np.bincount(index, amounts, len(names)) / total
    visible = np.sqrt(np.bincount(index, weights**2 * diagonal, len(names)))
    scale = np.maximum(scale, 1.0 / visible)
    alone = np.bincount(index, minlength=len(names)) == 1
    typical = scale[index] * weights
    precision = np.where(alone[index], 0.0, 1.0 / (TIE * typical) ** 2)
    tie, rhs = np.zeros(gram.shape[0]), np.zeros(gram.shape[0])
    tie[:m] = precision
    # pulled to zero, not to the typical share, while unseen: a prior must not make light
    seen = (amounts > 0)[None, :] @ (index[:, None] == index[None, :])
    rhs[:m] = np.where(seen[0], precision * typical, 0.0)
    return tie, rhs


def _noise(
    scene: Scene, model: NDArray[np.float64], lines: NDArray[np.float64], last: NoiseLevels, parameters: int
) -> tuple[NoiseLevels, float]:
    """Re-estimate the noise levels; return them and the reduced χ² by pixel."""
    used = scene.used
    residual = (scene.data - model)[used]
    shape = error_shape(scene, lines)[used]
    freedom = max(1.0 - parameters / used.sum(), 0.2)
    levels = fitted_levels(
        residual, model[used], shape, scene.stated_variance[used], scene.first, last,
        freedom=freedom, gain_known=scene.gain_known, least_mismatch=scene.least_mismatch,
    )  # fmt: skip
    variance = levels.pixel_variance(model[used], shape) + scene.stated_variance[used]
    chi2 = float(np.mean(residual**2 / variance)) / freedom
    return levels, chi2


def _moved(scene: Scene, solution: Solution) -> tuple[Adjustment, bool]:
    """Return the adjustment after this round's increments, damped, and whether it stands still."""
    old = solution.adjustment
    if solution.free_values.size == 1:
        return old, False
    fwhm = float(scene.line_spread.fwhm(scene.axis_nm[scene.axis_nm.size // 2]))
    step = solution.free_values[:-1]
    k = old.shift_nm.size
    moved_nm = scene.shift_basis @ step[:k]
    shift = step[:k] * min(1.0, 0.35 * fwhm / max(float(np.abs(moved_nm).max()), 1e-12))
    width, lorentz, asymmetry = np.clip(step[k : k + 3], -0.15, 0.15)
    response = old.log_response + np.clip(step[k + 3 :], -0.7, 0.7)
    shape = LineShape(
        width=float(np.clip(old.shape.width * np.exp(width), 0.4, 2.5)),
        lorentz_fraction=float(np.clip(old.shape.lorentz_fraction + lorentz, 0.0, 1.0)),
        asymmetry=float(np.clip(old.shape.asymmetry + asymmetry, -0.5, 0.5)),
    )
    moved = Adjustment(shift_nm=old.shift_nm + shift, shape=shape, log_response=response)
    told = solution.free_normal.diagonal()[k + 3 : -1] > 2 * scene.priors.log_response**-2
    still = bool(
        np.abs(moved_nm).max() < 0.02 * fwhm
        and abs(width) < 0.01
        and np.abs((response - old.log_response)[told]).max(initial=0.0) < 0.03
    )
    return moved, still
