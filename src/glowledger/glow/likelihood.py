"""How much of the data a species explains that nothing else can: drop it, refit, compare."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.fitting import Normal, Solution, normal_equations
from glowledger.glow.instrument import error_shape, expected_variance, free_columns
from glowledger.glow.scene import Scene

CLEARLY_NOTHING = 1.0  # with the instrument held; with it free the exact test gives no more
SETTLED_WIDTHS = 0.07  # of the line width: how far the axis may still move when a species is dropped
BAD_FIT = 3.0  # reduced χ², template errors already allowed for
MISFIT_CAP = 25.0  # one outlier does not make a region
MISFIT_REACH_NM, MISFIT_WIDTHS = 25.0, 12.0
SETTLED_SHAPE = 0.05
SETTLED_RESPONSE = 0.2


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Drop:
    """What happens without one species.

    Attributes
    ----------
    loss : float
        χ² lost.
    levels : int
        Emitters of the species that carry light.
    significance : float
        Equivalent Gaussian standard deviations.
    residual, residual_with : ndarray of shape (p,)
        Data minus the best model without the species, and with it at the same weights.
    variance : ndarray of shape (p,)
        As it would be without the species.
    """

    loss: float
    levels: int
    significance: float
    residual: NDArray[np.float64]
    residual_with: NDArray[np.float64]
    variance: NDArray[np.float64]


def drop_species(scene: Scene, solution: Solution, columns: NDArray[np.intp]) -> Drop:
    """Refit without some columns, with the variance that would hold without them.

    Parameters
    ----------
    scene : Scene
        As fitted.
    solution : Solution
        Its fit.
    columns : ndarray of int
        Columns of the species.

    Returns
    -------
    Drop
    """
    x = solution.x
    lit = int((x[columns] > 0).sum())
    variance = variance_without(scene, solution, columns)
    quick = quick_significance(scene, solution, columns)
    if quick < CLEARLY_NOTHING:
        residual = scene.data - solution.model
        return Drop(
            loss=quick**2, levels=lit, significance=quick, residual=residual, residual_with=residual,
            variance=variance,
        )  # fmt: skip
    weight = np.where(scene.used, 1.0 / variance, 0.0)
    others = np.where(np.isin(np.arange(len(scene.emitters)), columns), 0.0, x[: len(scene.emitters)])
    # nor may the species' own light lend shape to the free columns: they would stand in for it
    free, precision, _ = free_columns(scene, solution.adjustment, others)
    precision = precision + np.diag(_settled(scene))
    normal, free_normal, cross, free_rhs = normal_equations(
        scene, solution.columns, free, weight, precision, np.zeros(precision.shape[0]), x
    )
    keep = np.ones(x.size, dtype=bool)
    keep[columns] = False
    full = normal.solve(guess=x > 0)
    without = normal.solve(keep, guess=x > 0)
    loss = max(normal.misfit(without) - normal.misfit(full), 0.0)
    left = []
    for amounts in (without, full):
        free_values = np.linalg.solve(free_normal, free_rhs - cross.T @ amounts)
        left.append(scene.data - solution.columns @ amounts - free @ free_values)
    lit = max(int((full[columns] > 0).sum()), 1)
    return Drop(
        loss=loss,
        levels=lit,
        significance=significance(loss, lit),
        residual=left[0],
        residual_with=left[1],
        variance=variance,
    )


def quick_significance(scene: Scene, solution: Solution, columns: NDArray[np.intp]) -> float:
    """Return the significance of a species with the instrument held where the fit has put it.

    Template errors of the species' own light count against it here; for a faint species that is nothing, and
    a bright one passes all the same. Were the instrument free, the derivative columns of a species alone in
    its region would paint its light without it.
    """
    lit = int((solution.x[columns] > 0).sum())
    if lit == 0:
        return 0.0
    keep = np.ones(solution.x.size, dtype=bool)
    keep[columns] = False
    held, full = _held(scene, solution)
    without = held.solve(keep, guess=solution.x > 0)
    return significance(max(held.misfit(without) - full, 0.0), lit)


@lru_cache(maxsize=2)
def _held(scene: Scene, solution: Solution) -> tuple[Normal, float]:
    """Return the normal equations with the instrument held and only the constant free, and their misfit."""
    root = np.where(scene.used, 1.0 / np.sqrt(solution.variance), 0.0)[:, None]
    moved = solution.free[:, :-1] @ solution.free_values[:-1]
    y, one = (scene.data - moved) * root[:, 0], root[:, 0]
    a = solution.columns * root
    a -= np.outer(one, one @ a) / (one @ one)
    gram = a.T @ a
    gram[np.diag_indices_from(gram)] *= 1 + 1e-7
    tie, tie_rhs = solution.normal.tie, solution.normal.tie_rhs
    held = Normal(gram=gram, rhs=a.T @ y, tie=tie, tie_rhs=tie_rhs)
    return held, held.misfit(held.solve(guess=solution.x > 0))


def _settled(scene: Scene) -> NDArray[np.float64]:
    """Return the precision that keeps the instrument near where the whole spectrum has put it.

    The derivative columns hold for small moves only; beyond them they would paint any shape.
    """
    fwhm = float(scene.line_spread.fwhm(scene.axis_nm[scene.axis_nm.size // 2]))
    shifts, nodes = scene.shift_basis.shape[1], scene.hats.shape[1]
    sd = np.concatenate(
        [np.full(shifts, SETTLED_WIDTHS * fwhm), np.full(3, SETTLED_SHAPE), np.full(nodes, SETTLED_RESPONSE)]
    )
    return np.append(sd**-2, 0.0)


def variance_without(scene: Scene, solution: Solution, columns: NDArray[np.intp]) -> NDArray[np.float64]:
    """Return the variance if a species were not there: template errors come from the others' light alone."""
    m = len(scene.emitters)
    own = columns[columns < m]
    lines = solution.lines - solution.templates[:, own] @ solution.x[own]
    variance = expected_variance(scene, solution.levels, solution.model, lines)
    return np.asarray(variance * solution.outliers * local_misfit(scene, solution))


def unexplained_part(scene: Scene, solution: Solution) -> float:
    """Return the part of the light that fits no listed species; 0 where the fit as a whole is good."""
    if solution.chi2_reduced < BAD_FIT:
        return 0.0
    levels, used = solution.levels, scene.used
    variance = levels.pixel_variance(solution.model, error_shape(scene, solution.lines)) + scene.stated_variance
    beyond = np.maximum(np.abs(scene.data - solution.model) - 2 * np.sqrt(variance), 0.0)
    strange = float(beyond[used].sum())
    return strange / max(float(solution.lines[used].sum()), strange, np.finfo(float).tiny)


@lru_cache(maxsize=2)
def local_misfit(scene: Scene, solution: Solution) -> NDArray[np.float64]:
    """Return by how much residuals exceed the noise model around each pixel, at least 1, shape (p,).

    Where something unlisted glows (the many lines of H2, say) residuals stay large over a whole region, and
    any line found there is the less certain: the Birge ratio (Birge, Phys. Rev. 40, 207 (1932), from
    memory), taken locally.
    """
    levels, used = solution.levels, scene.used
    variance = levels.pixel_variance(solution.model, error_shape(scene, solution.lines)) + scene.stated_variance
    squares = np.where(used, np.minimum((scene.data - solution.model) ** 2 / variance, MISFIT_CAP), 0.0)
    reach = max(MISFIT_REACH_NM, MISFIT_WIDTHS * float(scene.line_spread.fwhm(float(np.median(scene.axis_nm)))))
    half = max(5, round(reach / float(np.median(np.diff(scene.axis_nm)))))
    kernel = np.ones(2 * half + 1)
    count = np.convolve(used.astype(float), kernel, mode="same")[: squares.size]
    mean = np.convolve(squares, kernel, mode="same") / np.maximum(count, 1.0)
    return np.asarray(np.maximum(mean, 1.0))



def significance(loss: float, levels: int) -> float:
    """Return the equivalent Gaussian significance of a χ² loss with `levels` amounts bounded at zero.

    Parameters
    ----------
    loss : float
        χ² lost without them.
    levels : int
        How many amounts.

    Returns
    -------
    float
        One-sided standard deviations. Under no light the loss is a mixture of χ² of 0 to `levels` degrees
        of freedom; the binomial mixture of independent amounts is used (Self & Liang, JASA 82, 605 (1987),
        from memory).
    """
    from scipy.special import gammaincc, gammaln, logsumexp, ndtri_exp

    if levels == 0 or loss <= 0:
        return 0.0
    dof = np.arange(1, levels + 1)
    with np.errstate(divide="ignore"):
        tail = np.log(gammaincc(dof / 2, loss / 2))
    # far out the library's tail underflows: leading term of the incomplete gamma function (DLMF 8.11.2)
    far = (dof / 2 - 1) * np.log(loss / 2) - loss / 2 - gammaln(dof / 2)
    tail = np.where(np.isfinite(tail), tail, far)
    log_binomial = gammaln(levels + 1) - gammaln(dof + 1) - gammaln(levels - dof + 1) - levels * np.log(2)
    return float(max(-ndtri_exp(logsumexp(tail + log_binomial)), 0.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """How well the typical pattern of a species could be seen here.

    Attributes
    ----------
    counts, standard_error : float
        Fitted counts in the pattern's direction and their standard error with all others free.
    alone_error : float
        The standard error if nothing else were there.
    """

    counts: float
    standard_error: float
    alone_error: float


def reach_of(scene: Scene, solution: Solution, columns: NDArray[np.intp]) -> Reach:
    """Return how well the typical pattern of a species is told from all that is lit.

    Parameters
    ----------
    scene : Scene
        As fitted.
    solution : Solution
        Its fit.
    columns : ndarray of int
        Emitter columns of the species.

    Returns
    -------
    Reach
        Standard errors are marginal: the inverse of the information left when the lit others take what
        they can (Schur complement).
    """
    gram = solution.normal.gram
    weights = np.array([scene.emitters[i].weight for i in columns])
    in_pixels = solution.templates[scene.used][:, columns].sum(axis=0)
    counts_per_unit = float(in_pixels @ weights)
    information = float(weights @ gram[np.ix_(columns, columns)] @ weights)
    others = np.setdiff1d(np.flatnonzero(solution.x > 0), columns)
    cross = gram[np.ix_(others, columns)] @ weights
    block = gram[np.ix_(others, others)].copy()
    block[np.diag_indices_from(block)] *= 1 + 1e-9
    taken = float(cross @ np.linalg.solve(block, cross)) if others.size else 0.0
    left = max(information - taken, 1e-6 * information, np.finfo(float).tiny)
    light = np.where(scene.used, solution.templates[:, columns] @ (weights + solution.x[columns]), 0.0)
    misfit = float(np.sqrt(np.average(local_misfit(scene, solution), weights=light + 1e-9 * light.max() + 1e-300)))
    lit = np.flatnonzero(solution.x > 0)
    error = counts_per_unit / np.sqrt(left)
    if np.any(np.isin(columns, lit)):
        error = _fitted_error(solution, columns, lit, in_pixels)
    return Reach(
        counts=float(in_pixels @ solution.x[columns]),
        standard_error=misfit * error,
        alone_error=misfit * counts_per_unit / np.sqrt(max(information, np.finfo(float).tiny)),
    )


def _fitted_error(
    solution: Solution, columns: NDArray[np.intp], lit: NDArray[np.intp], in_pixels: NDArray[np.float64]
) -> float:
    """Return the standard error of the summed counts of a fitted species, all lit columns free."""
    gram = solution.normal.gram[np.ix_(lit, lit)] + np.diag(solution.normal.tie[lit])
    scale = 1.0 / np.sqrt(np.diag(gram))
    direction = np.zeros(solution.x.size)
    direction[columns] = in_pixels
    wanted = direction[lit] * scale
    scaled = gram * scale[:, None] * scale[None, :]
    scaled[np.diag_indices_from(scaled)] += 1e-9
    return float(np.sqrt(max(float(wanted @ np.linalg.solve(scaled, wanted)), 0.0)))
