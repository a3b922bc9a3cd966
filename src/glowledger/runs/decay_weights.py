"""Posterior weights on a fine grid of time constants, and distributions made from them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from glowledger.runs.decay import Evidence, log_student
from glowledger.runs.decay_pair import NormalMixture
from glowledger.runs.decay_shapes import Floats

POINTS = 96  # of the fine grid


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Weights:
    """Posterior probability on a fine grid of time constants.

    Attributes
    ----------
    log_tau : ndarray of shape (f,)
        ln of the fast time constant, equally spaced.
    weight : ndarray of shape (r, f)
        Probability of each family and time constant; sums to 1.
    rows : ndarray of int, shape (r,)
        Which families these are.
    spacing : float
        Of `log_tau`.
    """

    log_tau: Floats
    weight: Floats
    rows: NDArray[np.intp]
    spacing: float

    def of(self, some: NDArray[np.bool_]) -> Weights:
        """Return those of some rows alone, (r,), that have any weight, with a sum of 1 again unless there are none."""
        some = some & (self.weight.max(axis=1) > 0.0)
        kept = self.weight[some]
        return replace(self, weight=kept / (float(kept.sum()) or 1.0), rows=self.rows[some])


def fine_weights(found: Evidence, log_tau: Floats, log_prior: Floats) -> Weights:
    """Interpolate the evidence between the nodes and normalise it, ever finer until its peak is resolved.

    Parameters
    ----------
    found : Evidence
        At the nodes.
    log_tau : ndarray of shape (k,)
        Nodes, equally spaced.
    log_prior : ndarray of shape (r,)
        Of the families.

    Returns
    -------
    Weights
    """
    rows = np.flatnonzero(found.peak > found.peak.max() - 12.0)
    surfaces = found.surfaces
    nodes = surfaces.misfit.shape[1]
    likely = log_student(surfaces.misfit[rows], surfaces.freedom) + surfaces.volume[rows]
    likely = np.where(found.usable[rows], likely, -np.inf)
    good = np.flatnonzero((likely > found.peak.max() - 18.0).any(axis=0))
    low = min(float(good[0]) if len(good) else np.inf, found.peak_at[rows].min())
    high = max(float(good[-1]) if len(good) else 0.0, found.peak_at[rows].max())
    low, high = max(low - 1.0, 0.0), min(high + 1.0, nodes - 1.0)
    for _ in range(5):
        position = np.linspace(low, high, POINTS)
        weight = _surface(found, rows, position, log_prior)
        weight = np.exp(weight - weight.max())
        keep = np.flatnonzero(weight.max(axis=0) > 1e-7)
        if len(keep) > POINTS // 5:
            break
        low, high = position[max(keep[0] - 1, 0)], position[min(keep[-1] + 1, POINTS - 1)]
    kept = slice(keep[0], keep[-1] + 1)
    weight = weight[:, kept]
    step = float(log_tau[1] - log_tau[0])
    return Weights(
        log_tau=log_tau[0] + step * position[kept],
        weight=weight / weight.sum(),
        rows=rows,
        spacing=step * float(position[1] - position[0]),
    )


def _surface(found: Evidence, rows: NDArray[np.intp], position: Floats, prior: Floats) -> Floats:
    """Log evidence at fractional nodes, shape (r, f); -inf where a neighbouring node is not usable."""
    value = found.surfaces.between(rows, position, prior)
    usable = found.usable[rows]
    both = usable[:, np.floor(position).astype(int)] & usable[:, np.ceil(position).astype(int)]
    return np.where(both, value, -np.inf)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Distribution:
    """A cumulative distribution on equally spaced nodes.

    Attributes
    ----------
    at, cumulative : ndarray of shape (m,)
        Nodes, and the probability of a smaller value, linear between.
    """

    at: Floats
    cumulative: Floats

    def quantile(self, *levels: float) -> Floats:
        """Return the values below which the levels lie."""
        return np.asarray(np.interp(levels, self.cumulative, self.at))

    def below(self, value: float) -> float:
        """Return the probability of a smaller value."""
        return float(np.interp(value, self.at, self.cumulative, left=0.0, right=1.0))


def distribution(values: Floats, weight: Floats, width: float) -> Distribution:
    """Collect weighted values in cells of a given width, each shared between its two neighbours."""
    if values.size == 0:
        return Distribution(at=np.array([0.0, width]), cumulative=np.array([0.0, 1.0]))
    low = float(values.min()) - 2 * width
    cell = (values.ravel() - low) / width
    index = cell.astype(np.int64)
    part = (cell - index) * weight.ravel()
    size = int(index.max()) + 3
    mass = np.bincount(index, weight.ravel() - part, size)
    mass[1:] += np.bincount(index, part, size)[:-1]
    at = np.asarray(low + width * np.arange(size), dtype=np.float64)
    return Distribution(at=at, cumulative=np.cumsum(mass) - 0.5 * mass)


def quantiles(one: Distribution, other: NormalMixture | None, part: float, *levels: float) -> Floats:
    """Return the values below which the levels lie where the other holds with a probability, and else the one."""
    if other is None or part == 0.0:
        return one.quantile(*levels)
    low, high = other.span
    if part < 1.0:
        low, high = min(low, float(one.at[0])), max(high, float(one.at[-1]))
    lower, upper = np.full(len(levels), low), np.full(len(levels), high)
    for _ in range(32):
        at = 0.5 * (lower + upper)
        below = part * other.below(at)
        if part < 1.0:
            below = below + (1.0 - part) * np.interp(at, one.at, one.cumulative, left=0.0, right=1.0)
        lower, upper = np.where(below < levels, at, lower), np.where(below < levels, upper, at)
    return 0.5 * (lower + upper)
