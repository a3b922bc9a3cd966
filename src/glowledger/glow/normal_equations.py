"""Weighted least squares on normal equations: amounts ≥ 0, instrument increments free.

The free columns are eliminated by their Schur complement, so that the rest is non-negative least squares.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.nonnegative import Minima, ScaledGram, scaled_gram
from glowledger.glow.scene import Scene

TIE = 3.0  # a level may stray from its typical share by this factor of it, one standard deviation
TRACE = 1e-7


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class WeightedSums:
    """Products of columns A (c), free columns F (f) and data y under weights W.

    Attributes
    ----------
    gram : ndarray of shape (c, c)
        AᵀWA.
    cross : ndarray of shape (c, f)
        AᵀWF.
    free : ndarray of shape (f, f)
        FᵀWF.
    rhs : ndarray of shape (c,)
        AᵀWy.
    free_rhs : ndarray of shape (f,)
        FᵀWy.
    """

    gram: NDArray[np.float64]
    cross: NDArray[np.float64]
    free: NDArray[np.float64]
    rhs: NDArray[np.float64]
    free_rhs: NDArray[np.float64]

    def held(self, increments: NDArray[np.float64]) -> WeightedSums:
        """Return these sums with the free columns held at their increments, shape (f,), but for the last one."""
        moved = increments[:-1]
        return WeightedSums(
            gram=self.gram, cross=self.cross[:, -1:], free=self.free[-1:, -1:],
            rhs=self.rhs - self.cross[:, :-1] @ moved, free_rhs=self.free_rhs[-1:] - self.free[-1:, :-1] @ moved,
        )  # fmt: skip

    def reweighted(
        self,
        columns: NDArray[np.float64],
        free: tuple[NDArray[np.float64], NDArray[np.float64]],
        weight: tuple[NDArray[np.float64], NDArray[np.float64]],
        data: NDArray[np.float64],
    ) -> WeightedSums:
        """Return these sums with some rows changed.

        Parameters
        ----------
        columns : ndarray of shape (k, c)
            Those rows of A, which stay.
        free, weight : pair of ndarray of shape (k, f) and (k,)
            Those rows of F, and their weights, before and after.
        data : ndarray of shape (k,)
            Those of y.
        """
        old, new = (w[:, None] * f for w, f in zip(weight, free, strict=True))
        more = weight[1] - weight[0]
        beside = columns.T @ np.concatenate([new - old, (more * data)[:, None]], axis=1)
        gram = self.gram.copy()
        for sign in (1.0, -1.0):
            rows = np.flatnonzero(sign * more > 0)
            here = columns if rows.size == more.size else columns[rows]
            some = here * np.sqrt(np.abs(more[rows]))[:, None]
            gram += sign * (some.T @ some)
        return WeightedSums(
            gram=gram, cross=self.cross + beside[:, :-1], rhs=self.rhs + beside[:, -1],
            free=self.free + free[1].T @ new - free[0].T @ old, free_rhs=self.free_rhs + (new - old).T @ data,
        )  # fmt: skip


def weighted_sums(
    columns: NDArray[np.float64], free: NDArray[np.float64], weight: NDArray[np.float64], data: NDArray[np.float64]
) -> WeightedSums:
    """Return the products that normal equations are made of.

    Parameters
    ----------
    columns, free : ndarray of shape (p, c) and (p, f)
        Columns with amounts ≥ 0, and free ones.
    weight, data : ndarray of shape (p,)
        Inverse variance, 0 where a pixel does not count, and counts.
    """
    c, root = columns.shape[1], np.sqrt(weight)[:, None]
    everything = np.empty((data.size, c + free.shape[1] + 1))
    np.multiply(columns, root, out=everything[:, :c])
    np.multiply(free, root, out=everything[:, c:-1])
    np.multiply(data, root[:, 0], out=everything[:, -1])
    products = everything.T @ everything
    return WeightedSums(
        gram=products[:c, :c], cross=products[:c, c:-1], free=products[c:-1, c:-1], rhs=products[:c, -1],
        free_rhs=products[c:-1, -1],
    )  # fmt: skip


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
    free : ndarray of shape (f, f)
        Weighted Gram of the free columns with priors.
    cross : ndarray of shape (c, f)
        Weighted products of columns and free columns.
    free_rhs : ndarray of shape (f,)
        Right-hand side of the free columns.
    """

    gram: NDArray[np.float64]
    rhs: NDArray[np.float64]
    tie: NDArray[np.float64]
    tie_rhs: NDArray[np.float64]
    free: NDArray[np.float64]
    cross: NDArray[np.float64]
    free_rhs: NDArray[np.float64]

    def solve(
        self, keep: NDArray[np.bool_] | None = None, guess: NDArray[np.bool_] | None = None
    ) -> NDArray[np.float64]:
        """Return the solution ≥ 0, shape (c,), with the columns outside `keep` at zero."""
        return _tied(self).solve(self.rhs + self.tie_rhs, guess, None if keep is None else ~keep)

    def minima(self, guess: NDArray[np.bool_]) -> Minima:
        """Return what solves these equations quickly without one or another of the columns."""
        return _tied(self).near(self.rhs + self.tie_rhs, guess)

    def misfit(self, x: NDArray[np.float64]) -> float:
        """Return χ² of a solution up to a constant, tie included."""
        tied = float(self.tie @ x**2 - 2 * self.tie_rhs @ x)
        return float(x @ self.gram @ x - 2 * self.rhs @ x) + tied

    def free_values(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the free values, shape (f,), that go with amounts."""
        return np.asarray(np.linalg.solve(self.free, self.free_rhs - self.cross.T @ x))

    def covariance(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the covariance of amounts x, shape (c, c); zero for those at the bound."""
        lit = np.flatnonzero(x > 0)
        gram = self.gram[np.ix_(lit, lit)] + np.diag(self.tie[lit])
        scale = 1.0 / np.sqrt(np.diag(gram))
        scaled = gram * scale[:, None] * scale[None, :]
        try:
            rooted = _rooted(scaled, np.eye(lit.size))
            inverse = np.asarray(rooted.T @ rooted, dtype=np.float64)
        except np.linalg.LinAlgError:  # columns that are sums of others
            inverse = np.asarray(np.linalg.pinv(scaled, hermitian=True), dtype=np.float64)
        full = np.zeros((x.size, x.size))
        full[np.ix_(lit, lit)] = inverse * scale[:, None] * scale[None, :]
        return full


@lru_cache(maxsize=4)
def _tied(normal: Normal) -> ScaledGram:
    """Keep what all solutions of the same equations share."""
    tied = normal.gram.copy()
    tied[np.diag_indices_from(tied)] += normal.tie
    return scaled_gram(tied)


def normal_equations(
    scene: Scene,
    sums: WeightedSums,
    precision: NDArray[np.float64],
    pull: NDArray[np.float64],
    x: NDArray[np.float64] | None,
) -> Normal:
    """Eliminate the free columns and tie the levels of each species.

    Parameters
    ----------
    scene : Scene
        What is fitted.
    sums : WeightedSums
        Of its columns and data.
    precision, pull : ndarray of shape (f, f) and (f,)
        Prior of the free columns.
    x : ndarray of shape (c,) or None
        Amounts that tell the scale of each species.
    """
    free = sums.free + precision
    free[np.diag_indices_from(free)] *= 1 + 1e-9
    free_rhs = sums.free_rhs + pull
    rooted = _rooted(free, np.concatenate([sums.cross.T, free_rhs[:, None]], axis=1))
    taken = rooted.T @ rooted
    gram = sums.gram - taken[:-1, :-1]
    # a column that the free ones can copy keeps a trace of itself, or rounding would decide its amount
    gram[np.diag_indices_from(gram)] += TRACE * np.diag(sums.gram)
    rhs = sums.rhs - taken[:-1, -1]
    tie, tie_rhs = _tie(scene, gram, rhs, x)
    return Normal(
        gram=gram, rhs=rhs, tie=tie, tie_rhs=tie_rhs, free=free,
        cross=sums.cross, free_rhs=free_rhs,
    )  # fmt: skip


def _rooted(matrix: NDArray[np.float64], sides: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the inverse of the Cholesky factor of a positive definite matrix times other columns."""
    from scipy.linalg.lapack import dtrtrs

    return np.asarray(dtrtrs(np.linalg.cholesky(matrix), sides, lower=1)[0])


def _tie(
    scene: Scene, gram: NDArray[np.float64], rhs: NDArray[np.float64], x: NDArray[np.float64] | None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the loose tie of each level to its typical share of the species.

    The scale of a species is its fitted light over its typical light; where it has none, the light at which it would be
    one standard deviation. In a first fit it is that of all levels together, each as bright as it would be alone: a
    window may hide the brightest of them, and a scale by what is not seen there would bar all others.
    """
    m = len(scene.emitters)
    weights = np.array([e.weight for e in scene.emitters])
    names, index = scene.species_of_emitters()
    diagonal = np.maximum(np.diag(gram)[:m], 1e-12 * np.diag(gram)[:m].max())
    total = np.bincount(index, weights, len(names))
    amounts = np.maximum(rhs[:m], 0.0) / diagonal if x is None else x[:m]
    scale = np.bincount(index, amounts, len(names)) / total
    visible = np.sqrt(np.bincount(index, weights**2 * diagonal, len(names)))
    scale = np.maximum(scale, 1.0 / visible)
    alone = np.bincount(index, minlength=len(names)) == 1
    typical = scale[index] * weights
    precision = np.where(alone[index], 0.0, 1.0 / (TIE * typical) ** 2)
    tie, tie_rhs = np.zeros(gram.shape[0]), np.zeros(gram.shape[0])
    tie[:m] = precision
    # pulled to zero, not to the typical share, while unseen: a prior must not make light
    seen = (np.bincount(index, amounts > 0, len(names)) > 0) & (x is not None)
    tie_rhs[:m] = np.where(seen[index], precision * typical, 0.0)
    return tie, tie_rhs
