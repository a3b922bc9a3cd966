"""How much of the data a species explains that nothing else can: drop it, refit, compare."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.fitting import Solution
from glowledger.glow.instrument import free_columns, loosened, loosened_of
from glowledger.glow.noise_levels import LARGEST_MISMATCH
from glowledger.glow.nonnegative import Minima
from glowledger.glow.normal_equations import Normal, WeightedSums, normal_equations, weighted_sums
from glowledger.glow.scene import Scene
from glowledger.glow.shape_freedom import settled_sd
from glowledger.glow.significance import significance
from glowledger.glow.species_light import species_light
from glowledger.glow.untypical_levels import cost, sure_levels, yielding
from glowledger.glow.variance_without import local_misfit, variance_without

CLEARLY_NOTHING = 3.0  # nobody claims a species below
MARGIN = 1.5  # of χ², by which the exact test may find more all the same, as weights and ties differ
AMOUNT_MARGIN = 2.0  # the same where the amounts without the species are looked at
SETTLED_WIDTHS = 0.07  # of the line width: how far the axis may still move when a species is dropped
LOOSER = 3.0  # by this factor other species may stray further from their typical patterns where one is dropped
CAPPED = 0.99  # most of the variance that may be a species' own
OWN_BRIGHT = 0.1  # of its brightest pixel: there its own errors count
NEARLY = 0.9  # of the largest error: what is usual holds it back a little
LISTED_ERROR = 0.25  # of a template, to which it may err before the light is called that of nothing listed
BAD_FIT = 3.0  # reduced χ², template errors already allowed for
SAME = 3e-2  # relative: a difference in weight or light this small is none
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
    if _clearly_nothing(scene, solution, columns, 1.0 / (1.0 - CAPPED)):
        return _nothing(scene, solution, columns)
    variance = variance_without(scene, solution, columns)
    if _clearly_nothing(scene, solution, columns, MARGIN * _held_back(scene, solution, columns, variance)):
        return _nothing(scene, solution, columns)
    if _clearly_nothing(scene, solution, columns, AMOUNT_MARGIN * _risen(scene, solution, columns, variance)):
        return _nothing(scene, solution, columns)
    normal, free = _without_own_shape(scene, solution, columns, variance)
    normal = _loosened(normal, columns)
    lit = _base(scene, solution).lit
    minima = normal.minima(lit[0])
    full = minima.without(_only(x.size))
    without = minima.without(_only(x.size, columns), guess=full > 0)
    bright = sure_levels(scene, normal, x)
    without = yielding(normal, without, bright, columns)
    lit[0] = full > 0
    loss = max(cost(normal, without, bright) - cost(normal, full, bright), 0.0)
    left = [
        scene.data - solution.columns @ amounts - free @ normal.free_values(amounts) for amounts in (without, full)
    ]
    levels = max(int((full[columns] > 0).sum()), 1)
    return Drop(
        loss=loss,
        levels=levels,
        significance=significance(loss, freedom(normal, columns, full)),
        residual=left[0],
        residual_with=left[1],
        variance=variance,
    )


def _clearly_nothing(scene: Scene, solution: Solution, columns: NDArray[np.intp], held_back: float) -> bool:
    """Return whether a species would be no more than noise if its own template errors held it back by a factor."""
    most = _quick_loss(scene, solution, columns) * held_back
    if most < CLEARLY_NOTHING**2:  # with one level significance is the root
        return True
    return significance(most, freedom(solution.normal, columns, solution.x)) < CLEARLY_NOTHING


def _nothing(scene: Scene, solution: Solution, columns: NDArray[np.intp]) -> Drop:
    """Return what the quick test says of a species that is no more than noise."""
    quick, residual = quick_significance(scene, solution, columns), scene.data - solution.model
    return Drop(
        loss=quick**2, levels=int((solution.x[columns] > 0).sum()), significance=quick, residual=residual,
        residual_with=residual, variance=solution.variance * local_misfit(scene, solution),
    )  # fmt: skip


def _loosened(normal: Normal, columns: NDArray[np.intp]) -> Normal:
    """Return the equations with all other species tied more loosely to their typical patterns than in the fit.

    What is typical must not make a species: argon's 5p levels may be ten times as bright as typical, and light that
    they explain as well is no evidence of a molecule.
    """
    factor = np.full(normal.tie.size, LOOSER**-2)
    factor[columns] = 1.0
    return replace(normal, tie=normal.tie * factor, tie_rhs=normal.tie_rhs * factor)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Base:
    """The equations with all species in weights and free columns; those without one differ where it has light.

    With them which amounts were positive in the minimum found last: the next one is near.
    """

    weight: NDArray[np.float64]
    free: NDArray[np.float64]
    precision: NDArray[np.float64]
    pull: NDArray[np.float64]
    sums: WeightedSums
    lit: list[NDArray[np.bool_]]


@lru_cache(maxsize=2)
def _base(scene: Scene, solution: Solution) -> _Base:
    variance = variance_without(scene, solution, np.zeros(0, dtype=np.intp))
    weight = np.where(scene.used, 1.0 / variance, 0.0)
    free, precision, prior = free_columns(scene, solution.adjustment, solution.x[: len(scene.emitters)])
    pull, mine = np.zeros(prior.size), loosened(scene)
    pull[mine] = prior[mine]  # the instrument is where it is
    sums = weighted_sums(solution.columns, free, weight, scene.data)
    precision = precision + np.diag(_settled(scene))
    return _Base(weight=weight, free=free, precision=precision, pull=pull, sums=sums, lit=[solution.x > 0])


def _without_own_shape(
    scene: Scene, solution: Solution, columns: NDArray[np.intp], variance: NDArray[np.float64]
) -> tuple[Normal, NDArray[np.float64]]:
    """Return the equations of all columns, and the free columns, as a species' own light does not shape them.

    Its template errors do not count, nor may it lend shape to the free columns: they would stand in for it.
    """
    base = _base(scene, solution)
    m = len(scene.emitters)
    own = np.where(np.isin(np.arange(m), columns), solution.x[:m], 0.0)
    shaped, _, _ = free_columns(scene, solution.adjustment, own, loose=False)
    weight = np.where(scene.used, 1.0 / variance, 0.0)
    light = species_light(scene, solution, columns)
    differs = (np.abs(weight - base.weight) > SAME * base.weight) | (light > SAME * solution.lines)
    rows = np.flatnonzero(differs & scene.used)
    free = base.free.copy()
    free[rows, :-1] -= shaped[rows, :-1]  # the last is the constant, which has no shape
    free[np.ix_(rows, loosened_of(scene, np.flatnonzero(own)))] = 0.0
    sums = base.sums.reweighted(
        solution.columns[rows], (base.free[rows], free[rows]), (base.weight[rows], weight[rows]), scene.data[rows]
    )
    return normal_equations(scene, sums, base.precision, base.pull, solution.x), free


def quick_significance(scene: Scene, solution: Solution, columns: NDArray[np.intp]) -> float:
    """Return the significance of a species with the instrument held where the fit has put it.

    Template errors of the species' own light count against it here; for a faint species that is nothing, and
    a bright one passes all the same, where templates err little. Were the instrument free, the derivative columns
    of a species alone in its region would paint its light without it.
    """
    return significance(_quick_loss(scene, solution, columns), freedom(solution.normal, columns, solution.x))


def _quick_loss(scene: Scene, solution: Solution, columns: NDArray[np.intp]) -> float:
    """Return the χ² lost without a species, the instrument held."""
    if not np.any(solution.x[columns] > 0):
        return 0.0
    held = _held(solution)
    return max(held.equations.misfit(_held_without(solution, columns)) - held.misfit, 0.0)


def _held_without(solution: Solution, columns: NDArray[np.intp]) -> NDArray[np.float64]:
    """Return the best amounts without a species, the instrument held, shape (c,)."""
    held, key = _held(solution), columns.tobytes()
    if key not in held.found:
        held.found[key] = held.minima.without(_only(solution.x.size, columns), guess=held.x > 0)
    return held.found[key]


def more_significant(scene: Scene, solution: Solution, columns: NDArray[np.intp], sigma: float) -> bool:
    """Return whether `quick_significance` is above a limit; at once where it cannot be.

    Without the species the others can only do better than they do as they are.
    """
    if not np.any(solution.x[columns] > 0):
        return False
    held, key = _held(solution), columns.tobytes()
    if key not in held.most:
        x, gram = held.x[columns], held.equations.gram[columns[:, None], columns]
        held.most[key] = float(x @ gram @ x + held.equations.tie[columns] @ x**2)
    return held.most[key] > sigma**2 and quick_significance(scene, solution, columns) > sigma


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Held:
    """The normal equations with the instrument held and only the constant free, and their minima.

    The first minimum and its misfit; and what was found before, by the bytes of columns, as several ask for the
    significance of one and the same species: the minimum without them, and the most χ² that can be lost.
    """

    equations: Normal
    minima: Minima
    x: NDArray[np.float64]
    misfit: float
    found: dict[bytes, NDArray[np.float64]]
    most: dict[bytes, float]


def freedom(normal: Normal, columns: NDArray[np.intp], x: NDArray[np.float64]) -> int:
    """Return how many amounts of a species the data decide, rather than the tie to its typical pattern.

    Parameters
    ----------
    normal : Normal
        Equations with all species.
    columns : ndarray of int
        Columns of the species.
    x : ndarray of shape (c,)
        Amounts.

    Returns
    -------
    int
        Of those that carry light, the sum of what the data have of each one's information, rounded; at least 1 if
        any does. A level too faint to be seen by itself is no freedom (effective number of parameters: Hastie,
        Tibshirani & Friedman, The Elements of Statistical Learning, 2nd ed., 7.6, from memory).
    """
    lit = columns[x[columns] > 0]
    if lit.size == 0:
        return 0
    told = np.maximum(np.diag(normal.gram)[lit], 0.0)
    return max(1, round(float(np.sum(told / np.maximum(told + normal.tie[lit], np.finfo(float).tiny)))))


def _held_back(
    scene: Scene, solution: Solution, columns: NDArray[np.intp], variance: NDArray[np.float64]
) -> float:
    """Return the factor, at least 1, by which a species' own template errors may hold its quick loss back.

    Where templates err by a third, no single line stands more than three of its own errors high, and one in typical
    proportions not two. `variance`, shape (p,), is that without them.
    """
    light = species_light(scene, solution, columns)
    bright = scene.used & (light > OWN_BRIGHT * np.where(scene.used, light, 0.0).max())
    return max(float((solution.variance[bright] / variance[bright]).max(initial=1.0)), 1.0)


def _risen(
    scene: Scene, solution: Solution, columns: NDArray[np.intp], variance: NDArray[np.float64]
) -> float:
    """Return the factor, at least 1, by which a species' quick loss rises at the variance without it, shape (p,).

    Of the amounts as they are, or in proportion to the information on the light that they miss without it.
    """
    quick = _quick_loss(scene, solution, columns)
    if quick <= 0:
        return 1.0
    held, before = _held(solution), 1.0 / solution.variance[scene.used]
    less = held.x - _held_without(solution, columns)
    light = solution.columns @ less - (held.equations.cross[:, 0] @ less) / held.equations.free[0, 0]
    missed, left = light[scene.used], (scene.data - solution.model)[scene.used]
    more = 1.0 / variance[scene.used] - before
    of_amounts = float(more @ (missed * (2 * left + missed))) / quick
    of_light = float(more @ missed**2) / max(float(before @ missed**2), np.finfo(float).tiny)
    return 1.0 + max(of_light, of_amounts, 0.0)


class _ByNormal:
    """A solution where it counts by its equations alone: its templates may have been drawn anew since."""

    def __init__(self, solution: Solution) -> None:
        self.solution = solution

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _ByNormal) and self.solution.normal is other.solution.normal

    def __hash__(self) -> int:
        return id(self.solution.normal)


def _held(solution: Solution) -> _Held:
    return _held_of(_ByNormal(solution))


@lru_cache(maxsize=2)
def _held_of(one: _ByNormal) -> _Held:
    solution = one.solution
    sums = solution.sums.held(solution.increments)
    gram = sums.gram - sums.cross @ sums.cross.T / sums.free
    gram[np.diag_indices_from(gram)] *= 1 + 1e-7
    held = Normal(
        gram=gram, rhs=sums.rhs - sums.cross[:, 0] * (sums.free_rhs[0] / sums.free[0, 0]),
        tie=solution.normal.tie, tie_rhs=solution.normal.tie_rhs, free=sums.free, cross=sums.cross,
        free_rhs=sums.free_rhs,
    )  # fmt: skip
    minima = held.minima(solution.x > 0)
    x = minima.without(_only(solution.x.size))
    return _Held(equations=held, minima=minima, x=x, misfit=held.misfit(x), found={}, most={})


def _only(size: int, columns: NDArray[np.intp] | None = None) -> NDArray[np.bool_]:
    """Return a mask that is True for some columns, or for none."""
    mask = np.zeros(size, dtype=bool)
    if columns is not None:
        mask[columns] = True
    return mask


def _settled(scene: Scene) -> NDArray[np.float64]:
    """Return the precision that keeps the instrument near where the whole spectrum has put it.

    The derivative columns hold for small moves only; beyond them they would paint any shape.
    """
    fwhm = float(scene.line_spread.fwhm(scene.axis_nm[scene.axis_nm.size // 2]))
    shifts, nodes, loose = scene.shift_basis.shape[1], scene.hats.shape[1], loosened(scene)
    sd = np.concatenate(
        [
            np.full(shifts, SETTLED_WIDTHS * fwhm), settled_sd(),
            np.full(loose.stop - loose.start, np.inf), np.full(nodes, SETTLED_RESPONSE),
        ]
    )  # fmt: skip
    return np.append(sd**-2, 0.0)


def failed(solution: Solution) -> bool:
    """Return True if the fit is bad although templates were already given nearly the largest error."""
    return solution.chi2_reduced > BAD_FIT and solution.levels.template_error > NEARLY * LARGEST_MISMATCH


def unexplained_light(scene: Scene, solution: Solution) -> NDArray[np.float64]:
    """Return the counts per pixel that fit no listed species, shape (p,); zero where the fit as a whole is good."""
    if solution.chi2_reduced < BAD_FIT:
        return np.zeros(scene.data.size)
    # a line whose strength or shape is far off is a listed one all the same
    levels = replace(solution.levels, mismatch=max(solution.levels.mismatch, LISTED_ERROR))
    variance = replace(solution, levels=levels).pixel_variance(scene)
    # and where a listed line is fainter than its template there is no light at all
    residual = scene.data - solution.model
    missing = (residual < 0) & (solution.lines > np.abs(residual))
    beyond = np.where(missing, 0.0, np.maximum(np.abs(residual) - 2 * np.sqrt(variance), 0.0))
    return np.where(scene.used, beyond, 0.0)


def unexplained_part(scene: Scene, solution: Solution) -> float:
    """Return the part of the light that fits no listed species; 0 where the fit as a whole is good."""
    strange = float(unexplained_light(scene, solution).sum())
    return strange / max(float(solution.lines[scene.used].sum()), strange, np.finfo(float).tiny)
