"""How well a species could be seen in a spectrum, whether or not it is there."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.fitting import Solution
from glowledger.glow.instrument import SUMMED_ERROR, loose_columns
from glowledger.glow.scene import Scene
from glowledger.glow.species_light import pattern_light, species_light
from glowledger.glow.variance_without import local_misfit

# of all counts of a species: far wings of lines, and of bands, whose shape is not known, and which the background
# takes; with these, 95 % intervals cover 96 % of tests/benchmarks/bench_identification.py, 93 % where lines have wings
ATOM_ERROR, BAND_ERROR = 0.0125, 0.02
TAILS = 0.25  # d ln(counts) / d ln(T): heads decide on a band's amount, the tail goes with its temperature
FLANK_ERROR = 0.1  # of light on the flanks of a cut line: measured, but shared with neighbours by a shape less sure
SHAPE_PART = 0.5  # of the variance from its own template errors: a free amount takes up one of height, not of shape


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


def reach_of(scene: Scene, solution: Solution, columns: NDArray[np.intp], log_t_error: float = 0.0) -> Reach:
    """Return how well the typical pattern of a species is told from all that is lit.

    Parameters
    ----------
    scene : Scene
        As fitted.
    solution : Solution
        Its fit.
    columns : ndarray of int
        Emitter columns of the species.
    log_t_error : float
        Standard error of the logarithm of its rotational temperature.

    Returns
    -------
    Reach
        Standard errors are marginal: the inverse of the information left when the lit others take what
        they can (Schur complement).
    """
    weights = np.array([scene.emitters[i].weight for i in columns])
    in_pixels = _light_in_pixels(scene, solution)[columns]
    counts_per_unit = float(in_pixels @ weights)
    information = float(weights @ solution.normal.gram[np.ix_(columns, columns)] @ weights)
    fitted = species_light(scene, solution, columns)
    misfit, own = (float(average[columns[0]]) for average in _where_it_shines(scene, solution))
    if np.any(solution.x[columns] > 0):
        error = float(_fitted_errors(scene, solution)[columns[0]]) * np.sqrt(1 - (1 - SHAPE_PART) * own)
    else:
        left = information - _taken(scene, solution)[columns[0]]
        error = counts_per_unit / np.sqrt(max(left, 1e-6 * information, np.finfo(float).tiny))
    rough = in_pixels * _rough_amounts(scene, solution, columns, weights)
    common = np.hypot(BAND_ERROR, TAILS * log_t_error) if _is_molecule(scene, columns) else ATOM_ERROR
    flanks = np.where(scene.used & scene.cut, fitted, 0.0)
    shape = np.hypot(common * float(in_pixels @ solution.x[columns]), FLANK_ERROR * float(flanks.sum()))
    return Reach(
        counts=float(in_pixels @ solution.x[columns]),
        # levels fitted as one sum, and all lines or bands of a species, are wrong together: no scatter shows it
        standard_error=float(np.sqrt((misfit * error) ** 2 + (SUMMED_ERROR * rough).sum() ** 2 + shape**2)),
        alone_error=misfit * counts_per_unit / np.sqrt(max(information, np.finfo(float).tiny)),
    )


@lru_cache(maxsize=2)
def _where_it_shines(scene: Scene, solution: Solution) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return, where the species of each emitter shines or would, two averages, shape (m,).

    The root of the local misfit, and the part of the variance assumed that comes from its own template errors.
    """
    names, index = scene.species_of_emitters()
    columns = [scene.columns_of(name) for name in names]
    fitted = np.stack([species_light(scene, solution, c) for c in columns])
    typical = np.stack([pattern_light(scene, solution, c) for c in columns])
    light = np.where(scene.used, typical + fitted, 0.0)
    light += 1e-9 * light.max(axis=1, keepdims=True) + 1e-300
    light /= light.sum(axis=1, keepdims=True)
    random = solution.levels.shared * solution.levels.random_variance(solution.model)
    random = np.minimum((random + scene.stated_variance) / solution.variance, 1.0)
    part = np.divide(fitted, solution.lines, out=np.zeros_like(fitted), where=solution.lines > 0)
    own = np.sum(light * (1.0 - random) * np.minimum(part, 1.0) ** 2, axis=1)
    return np.sqrt(light @ local_misfit(scene, solution))[index], own[index]


def _rough_amounts(
    scene: Scene, solution: Solution, columns: NDArray[np.intp], weights: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the light of the columns that sum several levels, as fitted or as typical beside the others."""
    x = solution.x[columns]
    summed = np.array([scene.emitters[i].summed for i in columns])
    free = ~summed
    usual = weights * float(x[free].sum()) / float(weights[free].sum()) if free.any() else np.zeros(x.size)
    return np.where(summed, np.maximum(x, usual), 0.0)


def _is_molecule(scene: Scene, columns: NDArray[np.intp]) -> bool:
    return any(" v'=" in scene.emitters[i].label for i in columns)


@lru_cache(maxsize=2)
def _light_in_pixels(scene: Scene, solution: Solution) -> NDArray[np.float64]:
    """Return the counts of every emitter per photon over all pixels used, shape (m,)."""
    return np.asarray(scene.used.astype(float) @ solution.templates)


@lru_cache(maxsize=2)
def _taken(scene: Scene, solution: Solution) -> NDArray[np.float64]:
    """Return the information on each emitter's species' unlit pattern that the lit columns take, shape (m,).

    Schur complement, of all species at once.
    """
    from scipy.linalg import lu_solve

    names, index = scene.species_of_emitters()
    lit, factor = _lit_factor(solution)
    if lit.size == 0:
        return np.zeros(index.size)
    patterns = np.zeros((index.size, len(names)))
    patterns[np.arange(index.size), index] = [e.weight for e in scene.emitters]
    cross = solution.normal.gram[lit, : index.size] @ patterns
    taken = np.sum(cross * lu_solve(factor, cross, check_finite=False), axis=0)
    return np.asarray(taken[index])


@lru_cache(maxsize=2)
def _lit_factor(solution: Solution) -> tuple[NDArray[np.intp], tuple[NDArray[np.float64], NDArray[np.intp]]]:
    from scipy.linalg import lu_factor

    lit = np.flatnonzero(solution.x > 0)
    block = solution.normal.gram[np.ix_(lit, lit)]
    block[np.diag_indices_from(block)] *= 1 + 1e-9
    return lit, lu_factor(block, check_finite=False)


@lru_cache(maxsize=2)
def _fitted_errors(scene: Scene, solution: Solution) -> NDArray[np.float64]:
    """Return the standard error of the summed counts of each emitter's species, shape (m,); 0 where it has no light.

    Notes
    -----
    Counts are what the detector gave: where the response is unknown it may rise and the light fall without a
    change of them, and so may the strength of a band, or its temperature. So the response takes part in the sum
    with the species' own light, and so does what is loose in it (GUM, JCGM 100:2008, 5.2).
    """
    names, index = scene.species_of_emitters()
    nodes, in_pixels = scene.hats.shape[1], _light_in_pixels(scene, solution)
    bent = np.zeros((solution.normal.free.shape[0], len(names)))
    light = np.stack([species_light(scene, solution, scene.columns_of(name)) for name in names])
    bent[-1 - nodes : -1] = (np.where(scene.used, light, 0.0) @ scene.hats).T
    for one, where in loose_columns(scene):
        owner = np.zeros(len(one), dtype=np.intp)
        owner[one.quantity] = index[one.emitter]
        bent[np.arange(where.start, where.stop), owner] = scene.used.astype(float) @ solution.free[:, where]
    taken = np.linalg.solve(solution.normal.free, bent)
    direction = np.zeros((solution.x.size, len(names)))
    direction[np.arange(index.size), index] = in_pixels
    variance = _variance_of_sums(scene, solution, direction - solution.normal.cross @ taken)
    lit = np.bincount(index, solution.x[: index.size] > 0, len(names)) > 0
    return np.asarray(np.sqrt(np.where(lit, np.maximum(variance + np.sum(bent * taken, axis=0), 0.0), 0.0))[index])


def _variance_of_sums(scene: Scene, solution: Solution, wanted: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the variance of a sum of amounts for each species with light, shape (s,); 0 for the others.

    Parameters
    ----------
    scene, solution : Scene and Solution
        As fitted.
    wanted : ndarray of shape (c, s)
        Factor of each amount in the sum.

    Notes
    -----
    All that is lit is free, and the species' other levels as well: where noise has put its brightest line at zero and
    left a faint one, the faint one's error is not that of the species.
    """
    names, index = scene.species_of_emitters()
    beside = solution.x.size - index.size
    owner = np.append(index, np.full(beside, -1))
    weights = np.append([e.weight for e in scene.emitters], np.zeros(beside))
    gram, tie, lit = solution.normal.gram, solution.normal.tie, np.flatnonzero(solution.x > 0)
    species = np.unique(owner[lit][owner[lit] >= 0])
    tied = gram[np.ix_(lit, lit)]
    for k in species:
        mine = np.flatnonzero(owner[lit] == k)
        tied[np.ix_(mine, mine)] += _tied_shares(tie[lit[mine]], weights[lit[mine]])
    inverse, variance = _inverse(tied), np.zeros(len(names))
    for k in species:
        own, mine = np.flatnonzero(owner == k), owner[lit] == k
        if own.size == np.count_nonzero(mine):
            variance[k] = wanted[lit, k] @ inverse @ wanted[lit, k]
            continue
        sides = np.concatenate([gram[np.ix_(lit, own)], wanted[lit, k][:, None]], axis=1)
        sides[mine] = 0.0
        others = inverse @ sides
        others -= inverse[:, mine] @ np.linalg.solve(inverse[np.ix_(mine, mine)], others[mine])
        block = gram[np.ix_(own, own)] + _tied_shares(tie[own], weights[own]) - sides[:, :-1].T @ others[:, :-1]
        left = wanted[own, k] - sides[:, :-1].T @ others[:, -1]
        variance[k] = sides[:, -1] @ others[:, -1] + left @ _inverse(block) @ left
    return variance


def _tied_shares(tie: NDArray[np.float64], weights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the precision with which a tie, shape (k,), holds the shares of levels, shape (k, k), their sum left free.

    The fit takes the scale of the tie from the amounts themselves: that tells nothing of how large they are.
    """
    pull = tie * weights
    return np.asarray(np.diag(tie) - np.outer(pull, pull) / max(float(pull @ weights), np.finfo(float).tiny))


def _inverse(gram: NDArray[np.float64]) -> NDArray[np.float64]:
    scale = 1.0 / np.sqrt(np.diag(gram))
    scaled = gram * np.outer(scale, scale)
    scaled[np.diag_indices_from(scaled)] += 1e-9
    return np.asarray(np.linalg.inv(scaled) * np.outer(scale, scale))
