"""One refit of a decay: robust weights, evidence of every shape, posterior of the end."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logsumexp

from glowledger.runs import decay, decay_shapes, decay_weights
from glowledger.runs.decay import Evidence, Noise, Posterior
from glowledger.runs.decay_onset import Step, abrupt_step, normal_inverse
from glowledger.runs.decay_pair import Pair, pair_posterior
from glowledger.runs.decay_shapes import EXTENSION, PLATEAUS, STEP, Families, Floats
from glowledger.runs.decay_weights import Weights

BEYOND_DOUBT = 8.0  # ln of the evidence
MESH = 0.012  # relative error of an end between the pairs of components, or the plateaus, that are tried
LOG_RATIOS = 1.9  # range of ln of the ratio of two time constants over which it is alike likely beforehand
LEAST_STEP = 0.04  # of the starting excess: smaller steps matter little, and may be a shape between those tried


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class DecayData:
    """What a refit needs; time counts from the start of the decay.

    Attributes
    ----------
    time, value, precision : ndarray of shape (n,)
        Bins; precision has median 1.
    columns : ndarray of shape (n, q)
        Nuisance columns, the floor first.
    tau : ndarray of shape (k + extension,)
        Grid of time constants.
    table : ndarray of shape (n, k + extension)
        exp(-time / tau).
    slow : ndarray of shape (n, SLOW_ROWS * k)
        What falls ever more slowly, from `decay_shapes.slowing`.
    family : Families
        Rows of the shape library.
    least_floor : float
        Lower bound of the floor.
    onset : ndarray of shape (PLATEAUS,)
        Ends of the plateaus tried, increasing.
    log_prior : ndarray of shape (r,)
        Of each family, see `log_priors`.
    fraction : float
        Part of the starting excess at which the decay counts as ended.
    pair : tuple of float or None
        ln of both time constants of a pair fitted before; empty if a pair is wanted but none has been; None if not.
    """

    time: Floats
    value: Floats
    precision: Floats
    columns: Floats
    tau: Floats
    table: Floats
    slow: Floats
    family: Families
    least_floor: float
    onset: Floats
    log_prior: Floats
    fraction: float = 0.05
    pair: tuple[float, ...] | None = None



def log_priors(family: Families, onset: Floats, now: float) -> Floats:
    """Return the log prior of each family; plateaus share theirs evenly over the time so far."""
    prior = family.log_prior.copy()
    prior[-PLATEAUS:] += _cells(onset, now)
    return prior


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class FittedDecay:
    """Outcome of a refit.

    Attributes
    ----------
    evidence : Evidence
        Of every shape.
    noise : Noise
        From the residuals of the most likely shape.
    weight : ndarray of shape (n,)
        Robust weights.
    coefficients, standard_error : ndarray of shape (q + 1,)
        Nuisances (floor first) and excess for the most likely shape.
    step : Step or None
        A step that the fit does not know of yet.
    knee : int
        Index of the likeliest end of a plateau.
    expected : float
        Fitted value of the last bin.
    pair : Pair or None
        Two components, where they are beyond doubt.
    """

    evidence: Evidence
    noise: Noise
    weight: Floats
    coefficients: Floats
    standard_error: Floats
    step: Step | None
    knee: int
    expected: float
    pair: Pair | None = None

    def posterior(self, data: DecayData, assurance: float) -> Posterior:
        """Turn the evidence into probabilities and intervals."""
        family, now = data.family, float(data.time[-1])
        size = len(data.tau) - EXTENSION
        weights = decay_weights.fine_weights(self.evidence, np.log(data.tau[:size]), data.log_prior)
        pairs = family.offset[weights.rows] > 0
        rest = weights if self.pair is None else weights.of(~pairs)  # the pair searched for stands for all of them
        part = self._part_of_pair(rest, data)
        onset, tau, width = _row_onsets(data), np.exp(rest.log_tau), rest.spacing
        single = float(rest.weight[rest.rows == 0].sum())
        log_end = np.log(onset[rest.rows, None] + family.folds[rest.rows, None] * tau)
        ended = decay_weights.distribution(log_end, rest.weight, width)
        fast = decay_weights.distribution(rest.log_tau, rest.weight.sum(axis=0), width)
        left = decay_weights.distribution(_left(data, rest.rows, tau, onset, now), rest.weight, 0.001)
        of = (None, None, None) if self.pair is None else (self.pair.log_ends, self.pair.log_fasts, self.pair.lefts)
        log_ends = decay_weights.quantiles(ended, of[0], part, 0.025, 0.5, 0.975, assurance)
        ends = _widened(log_ends, MESH * (1.0 - single) * (1.0 - part))
        taus = np.exp(decay_weights.quantiles(fast, of[1], part, 0.025, 0.5, 0.975))
        lefts = np.clip(decay_weights.quantiles(left, of[2], part, 0.025, 0.5, 0.975), 0.0, 1.0)
        done = (1.0 - part) * ended.below(float(np.log(now)))
        if of[0] is not None:
            done += part * float(of[0].below(float(np.log(now)))[0])
        kinds = self._kinds(weights, rest, part, family)
        return Posterior(
            seen=self.evidence.seen,
            done=done,
            end=(float(ends[0]), float(ends[1]), float(ends[2])),
            tau=(float(taus[0]), float(taus[1]), float(taus[2])),
            latest=float(ends[3]),
            floor=float(self.coefficients[0]),
            floor_se=float(self.standard_error[0]),
            excess=float(self.coefficients[-1]),
            excess_se=float(self.standard_error[-1]),
            left=(float(lefts[0]), float(lefts[1]), float(lefts[2])),
            noise=self.noise.scale,
            correlation=self.noise.correlation,
            two=kinds[0],
            rise=kinds[1],
            slowing=kinds[2],
        )

    def _part_of_pair(self, rest: Weights, data: DecayData) -> float:
        """Return the probability of the pair searched for, against all shapes that are no pair."""
        if self.pair is None:
            return 0.0
        if rest.rows.size == 0:
            return 1.0
        family, found = data.family, self.evidence
        alike = (family.offset > 0) & ((family.share > 1.0) == self.pair.rises)
        mass = self.pair.log_mass + float(logsumexp(data.log_prior[alike])) - np.log(LOG_RATIOS)
        highest = rest.weight.max(axis=1)
        width = rest.weight.sum(axis=1) / highest * rest.spacing * np.sqrt(2.0 * np.pi)
        others = float(logsumexp(found.peak[rest.rows] + np.log(width)))
        ahead = (self.pair.gain - found.gain) / found.variance  # likelihoods are each relative to their own best
        step = float(decay.log_student(np.array(abs(ahead)), found.surfaces.freedom))
        odds = mass - others - np.sign(ahead) * step
        return float(expit(odds))

    def _kinds(self, weights: Weights, rest: Weights, part: float, family: Families) -> tuple[float, float, float]:
        """Return the probabilities of two components, of a rise and a fall, and of a fall that ever slows down."""
        slowing = (1.0 - part) * float(rest.weight[family.slowing[rest.rows]].sum())
        if self.pair is not None:
            return (0.0, part, slowing) if self.pair.rises else (part, 0.0, slowing)
        pairs = family.offset[weights.rows] > 0
        two = float(weights.weight[pairs & (family.share[weights.rows] < 1)].sum())
        return two, float(weights.weight[pairs].sum()) - two, slowing


def _widened(ends: Floats, relative: float) -> Floats:
    """Return times from the logs of quantiles (2.5, 50, 97.5 %, another), a relative error added to their spread."""
    middle = ends[1]
    extra = relative * np.array([1.96, 0.0, 1.96, 1.64])
    return np.asarray(np.exp(middle + np.sign(ends - middle) * np.hypot(ends - middle, extra)))


def _cells(onset: Floats, now: float) -> Floats:
    """Log of the part of the time so far that each onset stands for, times their number: a flat prior in time."""
    edges = np.concatenate([[0.0], 0.5 * (onset[1:] + onset[:-1]), [now]])
    return np.asarray(np.log(np.maximum(np.diff(edges), 1e-9 * now) / now * len(onset)))


def _row_onsets(data: DecayData) -> Floats:
    onset = np.zeros(len(data.family.offset))
    onset[-PLATEAUS:] = data.onset
    return onset


def _left(data: DecayData, rows: NDArray[np.intp], tau: Floats, onset: Floats, now: float) -> Floats:
    """Return the part of the excess left at `now`, shape (rows, tau)."""
    return data.family.left(rows, np.maximum(now - onset[rows, None], 0.0) / tau)


def fit_decay(data: DecayData, weight: Floats, noise: Noise | None, passes: int) -> FittedDecay:
    """Refit; each pass solves every shape with the weights it has and then renews weights and noise.

    Parameters
    ----------
    data : DecayData
        Bins and grids.
    weight : ndarray of shape (n,)
        Robust weights of the fit before; 1 for new bins.
    noise : Noise or None
        Of the fit before; None estimates it from differences.
    passes : int
        At least 1.

    Returns
    -------
    FittedDecay
    """
    if noise is None:
        noise = _noise_from_differences(data)
    freedom = float(max(len(data.time) - 2 - data.columns.shape[1], 2))
    gap = np.diff(data.time, prepend=data.time[0])
    follows = (gap > 0) & (gap < 2.5 * decay.middle(gap[1:]))
    root = np.sqrt(data.precision)
    for _ in range(passes):
        w = data.precision * weight
        sums = decay_shapes.shape_sums(
            data.table, data.slow, w, data.columns, data.value, data.onset, data.time, data.tau, data.family
        )
        weighted = data.columns * w[:, None]
        normal = weighted.T @ data.columns
        normal.reshape(-1)[:: len(normal) + 1] *= 1 + 1e-9
        found = decay.evidence(sums, normal, weighted.T @ data.value, noise, data.log_prior, data.least_floor, freedom)
        pair = _pair(found, data, w, noise)
        fit = _residuals_of_likeliest(found, data, w, follows, pair)
        noise, weight = fit.noise, fit.weight
    plateaus = found.peak[-PLATEAUS:]
    rest = fit.residual / root
    return FittedDecay(
        evidence=found,
        noise=noise,
        weight=weight,
        coefficients=fit.coefficients,
        standard_error=np.sqrt(noise.variance * np.maximum(np.diag(fit.inverse), 0.0)),
        step=abrupt_step(
            data.time,
            rest,
            data.precision,
            fit.design,
            2 + data.columns.shape[1],
            LEAST_STEP * abs(float(fit.coefficients[-1])),
        ),
        knee=int(np.argmax(plateaus - data.log_prior[-PLATEAUS:])),
        expected=float(data.value[-1] - rest[-1]),
        pair=pair,
    )


def _pair(found: Evidence, data: DecayData, weight: Floats, noise: Noise) -> Pair | None:
    """Search the pair of components if it is wanted and the likeliest shape is one, or falls ever more slowly."""
    row = int(np.argmax(found.peak))
    if data.pair is None or (data.family.share[row] == 0.0 and not data.family.slowing[row]):
        return None
    row = int(np.argmax(np.where(data.family.offset > 0, found.peak, -np.inf)))
    log_fast = float(np.log(data.tau[0]) + STEP * found.peak_at[row])
    start = (log_fast, log_fast + STEP * float(data.family.offset[row]))
    for at in ((data.pair[0], data.pair[1]), start) if data.pair else (start,):
        pair = pair_posterior(data.time, data.value, weight, data.columns, noise, at, data.fraction, data.least_floor)
        if pair is not None:
            return pair
    return None


def _noise_from_differences(data: DecayData) -> Noise:
    step = np.diff(data.value * np.sqrt(data.precision))
    scale = max(1.4826 * float(np.median(np.abs(step))) / np.sqrt(2.0), 1e-12)
    return Noise(scale=scale, variance=scale**2, correlation=0.0)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _ShapeFit:
    """Linear fit of one shape: design and its inverse normal matrix, coefficients, scaled residuals, noise, weights."""

    design: Floats
    inverse: Floats
    coefficients: Floats
    residual: Floats
    noise: Noise
    weight: Floats


def _residuals_of_likeliest(
    found: Evidence, data: DecayData, weight: Floats, follows: NDArray[np.bool_], pair: Pair | None
) -> _ShapeFit:
    """Fit the shape whose residuals give noise and robust weights.

    One exponential until another shape is better beyond doubt: weights tuned to a shape speak for it, and would lock
    a wrong one in. What is beyond doubt is judged by the noise about the other shape: the misfit of one exponential
    to two looks like strongly correlated noise, in which nothing would ever stand out.
    """
    slower = found.gain - found.variance * float(found.least[data.family.slowing].min())
    if pair is not None and pair.gain >= slower:
        return _fit_shape(pair.shape(data.time), data, weight, follows)
    plain = _fit_shape(_shape(found, data, 0), data, weight, follows)
    row = 1 + int(np.argmax(found.peak[1:]))
    if not np.isfinite(found.peak[row]):
        return plain
    other = _fit_shape(_shape(found, data, row), data, weight, follows)
    used = weight / data.precision
    gain = float(used @ plain.residual**2 - used @ other.residual**2)
    prior = data.log_prior
    if 0.5 * gain / other.noise.variance + prior[row] - prior[0] < BEYOND_DOUBT:
        return plain
    return other


def _fit_shape(shape: Floats, data: DecayData, weight: Floats, follows: NDArray[np.bool_]) -> _ShapeFit:
    design = np.column_stack([data.columns, shape])
    inverse = normal_inverse(design, weight)
    coefficients = inverse @ (design.T @ (weight * data.value))
    residual = (data.value - design @ coefficients) * np.sqrt(data.precision)
    noise, robust = decay.estimate_noise(residual, follows, 2 + data.columns.shape[1])
    return _ShapeFit(
        design=design, inverse=inverse, coefficients=coefficients, residual=residual, noise=noise, weight=robust
    )


def _shape(found: Evidence, data: DecayData, row: int) -> Floats:
    """Return the shape of a family at the data's times, with its likeliest time constant."""
    tau = np.exp(np.log(data.tau[0]) + STEP * found.peak_at[row])
    x = np.maximum(data.time - _row_onsets(data)[row], 0.0) / tau
    return data.family.left(np.array([row]), x[None])[0]
