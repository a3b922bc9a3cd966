"""The fit of one spectrum: non-negative emitters, background, and a small adjustment of the instrument.

Gauss-Newton: at each round the spectrum is linear in emitters and background (both ≥ 0) and in the
increments of shift, width, shape and response (free, with priors).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import count

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.coarse import CoarseScene, carried_over, coarse_scene
from glowledger.glow.fitted_noise import noise_of_fit
from glowledger.glow.instrument import (
    SUMMED_ERROR,
    branching_doubt,
    error_shape,
    expected_variance,
    free_columns,
    loose_columns,
    response_doubt,
    response_templates,
    second_order,
)
from glowledger.glow.noise_levels import ENOUGH, ENOUGH_MEANWHILE, NoiseLevels
from glowledger.glow.normal_equations import Normal, WeightedSums, normal_equations, weighted_sums
from glowledger.glow.scene import Adjustment, Scene
from glowledger.glow.shape_freedom import FREEDOMS, stepped

ROUNDS = 8
CLOSING = 3
NEARLY_STILL, STILL = 1.0, 0.3  # standard deviations by which the whole model may still move
CLOSED = 3.0  # the same after the rounds asked for
STILL_MISMATCH = 0.1  # of its logarithm
LONGEST_SHIFT = 0.35  # of the line width in one round: farther the derivative says nothing
MOST_RESPONSE = 0.7  # of its logarithm in one round
SEEN = 2.0  # standard deviations of light in a pixel
OUTLIER = 4.0  # residuals beyond this many standard deviations count less


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
    model, lines : ndarray of shape (p,)
        Counts with and without background.
    doubt : ndarray of shape (3, p)
        From `branching_doubt`: what uncertain branching adds.
    bent : ndarray of shape (p,)
        From `response_doubt`: part of the light by which the response may bend between its nodes.
    variance : ndarray of shape (p,)
        Used in the fit: template errors counted once per line.
    outliers : ndarray of shape (p,)
        Factor ≥ 1 by which outlying pixels count less, contained in `variance`.
    levels : NoiseLevels
        Fitted noise.
    adjustment : Adjustment
        Where the instrument was moved.
    sums : WeightedSums
        What they are made of, before `with_response`.
    increments : ndarray of shape (f,)
        `free_values` then.
    normal : Normal
        The final normal equations.
    chi2_reduced : float
        By the pixel variance.
    """

    templates: NDArray[np.float64]
    columns: NDArray[np.float64]
    free: NDArray[np.float64]
    x: NDArray[np.float64]
    free_values: NDArray[np.float64]
    model: NDArray[np.float64]
    lines: NDArray[np.float64]
    doubt: NDArray[np.float64]
    bent: NDArray[np.float64]
    variance: NDArray[np.float64]
    outliers: NDArray[np.float64]
    levels: NoiseLevels
    adjustment: Adjustment
    sums: WeightedSums
    increments: NDArray[np.float64]
    normal: Normal
    chi2_reduced: float

    def pixel_variance(self, scene: Scene) -> NDArray[np.float64]:
        """Return the variance expected in each pixel by itself, counts², shape (p,)."""
        errors = error_shape(scene, self.lines, self.doubt)
        known = self.doubt[1] + (self.bent * self.lines) ** 2 + scene.stated_variance
        return np.asarray(self.levels.pixel_variance(self.model, errors) + known)

    @property
    def shift_variance(self) -> NDArray[np.float64]:
        """Covariance of the shift terms, nm², shape (k, k)."""
        return _shift_variance(self)

    def shift_at(self, scene: Scene, pixel: int) -> float:
        """Return true minus believed wavelength at a pixel, nm."""
        return float(scene.shift_basis[pixel : pixel + 2].mean(axis=0) @ self.adjustment.shift_nm)

    def fwhm_at(self, scene: Scene, pixel: int) -> float:
        """Return the fitted line width at a pixel, nm."""
        return float(scene.line_spread.fwhm(scene.axis_nm[pixel])) * self.adjustment.shape.width

    def shift_error_at(self, scene: Scene, pixel: int) -> float:
        """Return the standard error of `shift_at`, nm."""
        term = scene.shift_basis[pixel : pixel + 2].mean(axis=0)
        return float(np.sqrt(term @ self.shift_variance @ term))


@lru_cache(maxsize=2)
def _shift_variance(solution: Solution) -> NDArray[np.float64]:
    """Return the covariance of the shift terms: every feature asks for it, rounds on the way do not."""
    terms = min(solution.adjustment.shift_nm.size, solution.free.shape[1])
    return np.asarray(np.linalg.inv(solution.normal.free)[:terms, :terms])


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Seen:
    """What a round asks of the last one: the attributes of `Solution` of the same names."""

    model: NDArray[np.float64]
    lines: NDArray[np.float64]
    doubt: NDArray[np.float64]
    bent: NDArray[np.float64]
    levels: NoiseLevels


def fit_scene(
    scene: Scene,
    start: Adjustment | None = None,
    rounds: int = ROUNDS,
    levels: NoiseLevels | None = None,
    before: tuple[Scene, Solution] | None = None,
    closing: int = CLOSING,
    nearly: float = NEARLY_STILL,
    most: int | None = None,
    amounts: NDArray[np.float64] | None = None,
) -> Solution:
    """Fit one spectrum.

    Instrument and noise are found with the faint emitters of each species kept in proportion, which is several
    times faster than with all of them free; all are freed to close.

    Parameters
    ----------
    scene : Scene
        Spectrum, emitters, priors.
    start : Adjustment, optional
        Where to begin.
    rounds : int
        Most Gauss-Newton rounds for the instrument; ends sooner when nothing moves any more. With 1 the
        instrument stays where it is and all emitters are fitted once, with 0 all are free from the start.
    levels : NoiseLevels, optional
        Noise to begin with.
    before : (Scene, Solution), optional
        A fit of the same spectrum with other emitters, to go on from.
    closing : int
        Rounds with all emitters free; fewer where nothing moves any more.
    nearly : float
        Standard deviations by which the whole model may still move when all emitters are freed.
    most : int, optional
        Most rounds with all emitters free where much still moves after those asked for; else no more than these.
    amounts : ndarray of shape (c + 1,), optional
        To begin with, and the constant after them, where no fit came before.

    Returns
    -------
    Solution
    """
    going_on, groups = before is not None, None
    last: Solution | Seen
    if before is None:
        adjustment = scene.start() if start is None else start
        levels = levels or scene.first
        if amounts is None:
            first = first_round(scene, adjustment, response_templates(scene, adjustment), levels)
            if rounds == 1:
                return first
            last, x = first, first.x
        else:
            x = amounts[:-1]
            groups = coarse_scene(scene, x)
            last = _drawn(groups, adjustment, amounts, levels)
    else:
        last, adjustment, levels = before[1], moved(*before), before[1].levels
        x = carried_over(before[0], before[1].x, scene)
        if scene.summed_pixels != before[0].summed_pixels:
            groups = coarse_scene(scene, x)
            last, x = _on_other_pixels(groups, adjustment, before, x)
            levels = last.levels
    if rounds and np.any(x[: len(scene.emitters)] > 0):
        groups = groups or coarse_scene(scene, x)
        last, x = _settled_coarsely(groups, adjustment, x, levels, last, rounds, nearly, going_on)
        adjustment, levels = moved(scene, last), last.levels
    for number in count(1):
        solution = _round(scene, adjustment, levels, x, last, going_on)
        if number >= (most or closing) or _still(scene, solution, last, STILL if number < closing else CLOSED):
            break
        last, x, levels, adjustment = solution, solution.x, solution.levels, moved(scene, solution)
    return solution


def _on_other_pixels(
    groups: CoarseScene, adjustment: Adjustment, before: tuple[Scene, Solution], x: NDArray[np.float64]
) -> tuple[Seen, NDArray[np.float64]]:
    """Return what a fit of the same spectrum in other pixels says of these, and its amounts, from `carried_over`."""
    solution, times = before[1], before[0].summed_pixels / groups.scene.summed_pixels
    amounts = in_other_pixels(np.append(x, solution.free_values[-1]), groups.group.size, times)
    levels = replace(solution.levels, read_variance=solution.levels.read_variance / times)
    return _drawn(groups, adjustment, amounts, levels), amounts[:-1]


def _drawn(
    groups: CoarseScene, adjustment: Adjustment, amounts: NDArray[np.float64], levels: NoiseLevels
) -> Seen:
    """Return what a fit with some amounts, shape (c + 1,), the constant last, would say."""
    scene, few = groups.scene, groups.merged(amounts[:-1])
    k = len(scene.emitters)
    columns = columns_at(scene, adjustment, few[:k])
    return Seen(
        model=columns @ few + amounts[-1], lines=columns[:, :k] @ few[:k],
        doubt=branching_doubt(scene, columns[:, :k], few[:k]), bent=response_doubt(scene, adjustment), levels=levels,
    )  # fmt: skip


def in_other_pixels(x: NDArray[np.float64], m: int, times: float) -> NDArray[np.float64]:
    """Return amounts, shape (c + 1,), for pixels a number of times smaller.

    Those of the background, after m emitters, are less, and the constant, which is last; that of the second order,
    before it, stays.
    """
    return np.concatenate([x[:m], x[m:-2] / times, x[-2:-1], x[-1:] / times])


def _settled_coarsely(
    coarse: CoarseScene, adjustment: Adjustment, x: NDArray[np.float64], levels: NoiseLevels, last: Solution | Seen,
    rounds: int, nearly: float, going_on: bool,
) -> tuple[Solution, NDArray[np.float64]]:
    """Return the last solution, and the amounts of all emitters, once the instrument has settled."""
    scene = coarse.scene
    solution = _round(scene, adjustment, levels, coarse.merged(x), last, going_on, ENOUGH_MEANWHILE)
    for _ in range(rounds - 1):
        if _still(scene, solution, last, nearly):
            break
        last = solution
        solution = _round(scene, moved(scene, last), last.levels, last.x, last, going_on, ENOUGH_MEANWHILE)
    return solution, coarse.split(solution.x)


def first_round(
    scene: Scene, adjustment: Adjustment, templates: NDArray[np.float64], levels: NoiseLevels
) -> Solution:
    """Fit amounts alone: as nothing is known of them, there are no derivatives yet, and noise stays as it is."""
    normal, sums, columns, free, variance = first_equations(scene, templates, levels)
    return _solution(scene, adjustment, levels, columns, free, normal, sums, None, variance, np.ones(variance.size))


def first_equations(
    scene: Scene, templates: NDArray[np.float64], levels: NoiseLevels
) -> tuple[Normal, WeightedSums, NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return the equations for amounts alone, their sums and columns, the constant, and the variance assumed."""
    variance = _first_variance(scene, levels)
    columns = np.concatenate([templates, scene.background, np.zeros((scene.data.size, 1))], axis=1)
    free = np.ones((scene.data.size, 1))
    weight = np.where(scene.used, 1.0 / variance, 0.0)
    sums = weighted_sums(columns, free, weight, scene.data)
    return normal_equations(scene, sums, np.zeros((1, 1)), np.zeros(1), None), sums, columns, free, variance


@lru_cache(maxsize=2)
def _first_variance(scene: Scene, levels: NoiseLevels) -> NDArray[np.float64]:
    above = np.maximum(scene.data - np.quantile(scene.data[scene.used], 0.1), 0.0)
    return expected_variance(scene, levels, above, above)


def _round(
    scene: Scene, adjustment: Adjustment, levels: NoiseLevels, x: NDArray[np.float64], last: Solution | Seen,
    going_on: bool, enough: float = ENOUGH,
) -> Solution:
    """Solve the linearised problem once and re-estimate the noise.

    Variance and light go by each other, and swing where a template's own error decides: half-way they settle.
    """
    m = len(scene.emitters)
    columns = columns_at(scene, adjustment, x[:m])
    free, precision, pull = free_columns(scene, adjustment, x[:m])
    variance = expected_variance(scene, levels, last.model, last.lines, last.doubt, last.bent)
    if isinstance(last, Solution) and (last.x.size, last.variance.size) == (x.size, variance.size):
        variance = np.sqrt(variance * last.variance / last.outliers)
    outliers = np.maximum(1.0, np.abs(scene.data - last.model) / (OUTLIER * np.sqrt(variance)))
    variance = variance * outliers
    weight = np.where(scene.used, 1.0 / variance, 0.0)
    sums = weighted_sums(columns, free, weight, scene.data)
    normal = normal_equations(scene, sums, precision, pull, x)
    solution = _solution(scene, adjustment, levels, columns, free, normal, sums, x > 0, variance, outliers, enough)
    return replace(solution, doubt=bounded_doubt(scene, solution)) if going_on else solution


def bounded_doubt(scene: Scene, solution: Solution) -> NDArray[np.float64]:
    """Return the doubt of a solution, that in sums of levels going by no more light than the record leaves room for.

    A sum fitted too bright would else make its own expected error so large that nothing pulls it down again. Not in a
    first fit, whose line width may be far off.
    """
    random = solution.levels.random_variance(solution.model)
    smooth = solution.model - solution.lines
    room = np.maximum(scene.data - smooth, 0.0) + SEEN * np.sqrt(random + scene.stated_variance)
    known = np.minimum(solution.doubt[1] - scene.many_lines, (SUMMED_ERROR * room) ** 2)
    return np.stack([solution.doubt[0], known + scene.many_lines, solution.doubt[2]])


def columns_at(scene: Scene, adjustment: Adjustment, amounts: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return templates, background and second order, shape (p, c)."""
    m = len(scene.emitters)
    columns = np.empty((scene.data.size, m + scene.background.shape[1] + 1))
    response_templates(scene, adjustment, out=columns[:, :m])
    columns[:, m:-1] = scene.background
    columns[:, -1] = second_order(scene, adjustment, amounts)
    return columns


def _solution(
    scene: Scene,
    adjustment: Adjustment,
    levels: NoiseLevels,
    columns: NDArray[np.float64],
    free: NDArray[np.float64],
    normal: Normal,
    sums: WeightedSums,
    guess: NDArray[np.bool_] | None,
    variance: NDArray[np.float64],
    outliers: NDArray[np.float64],
    enough: float = ENOUGH,
) -> Solution:
    m = len(scene.emitters)
    solved = normal.solve(guess=guess)
    free_values = normal.free_values(solved)
    templates = columns[:, :m]
    lines = templates @ solved[:m]
    model = columns @ solved + free @ free_values
    doubt = branching_doubt(scene, templates, solved[:m])
    bent = response_doubt(scene, adjustment)
    chi2 = float("nan")
    if guess is not None:
        spent = int((solved > 0).sum()) + free.shape[1] - _untold(scene, normal)
        known = doubt[1] + (bent * lines) ** 2
        levels, chi2 = noise_of_fit(scene, model, error_shape(scene, lines, doubt), known, levels, spent, enough)
    return Solution(
        templates=templates, columns=columns, free=free, x=solved, free_values=free_values, model=model,
        lines=lines, doubt=doubt, bent=bent, variance=variance, levels=levels, outliers=outliers, adjustment=adjustment,
        sums=sums, increments=free_values, normal=normal, chi2_reduced=chi2,
    )  # fmt: skip


def _untold(scene: Scene, normal: Normal) -> float:
    """Return how many loose quantities are known beforehand rather than from the data."""
    precision = np.diag(normal.free)
    return float(sum(np.sum(one.error**-2 / precision[where]) for one, where in loose_columns(scene)))


def _still(scene: Scene, solution: Solution, last: Solution | Seen, least: float) -> bool:
    """Return whether neither the model nor its assumed error moved much since the last round."""
    change = (solution.model - last.model)[scene.used]
    distance = float(np.sqrt(np.sum(change**2 / solution.variance[scene.used])))
    errors = solution.levels.template_error, last.levels.template_error
    return distance < least and abs(np.log(errors[0] / errors[1])) < STILL_MISMATCH


def moved(scene: Scene, solution: Solution) -> Adjustment:
    """Return the adjustment after this round's increments, damped."""
    old = solution.adjustment
    fwhm = float(scene.line_spread.fwhm(scene.axis_nm[scene.axis_nm.size // 2]))
    step = solution.free_values[:-1]
    k = old.shift_nm.size
    seen = np.append(solution.lines > SEEN * np.sqrt(solution.variance), False)
    moved_nm = scene.shift_basis @ step[:k]
    largest = float(np.abs(moved_nm[seen]).max(initial=0.0))  # where there is no light nothing can go wrong
    shift = step[:k] * min(1.0, LONGEST_SHIFT * fwhm / max(largest, 1e-12))
    shape = stepped(old.shape, step[k : k + FREEDOMS])
    response = old.log_response + np.clip(step[-old.log_response.size :], -MOST_RESPONSE, MOST_RESPONSE)
    return Adjustment(shift_nm=old.shift_nm + shift, shape=shape, log_response=response)
