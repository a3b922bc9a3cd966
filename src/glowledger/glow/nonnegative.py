"""Non-negative least squares on normal equations, many right-hand sides at once.

Block principal pivoting: Kim & Park, SIAM J. Sci. Comput. 33, 3261 (2011), doi 10.1137/110821172
(from memory), with their backup rule, which ends after finitely many exchanges.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.near_sets import NearSets

TOLERANCE = 1e-10  # relative to the largest right-hand side of the scaled problem
TRIES = 3  # full exchanges allowed without progress before one variable at a time is moved
MAX_EXCHANGES = 60
RIDGE = 1e-8  # of the scaled diagonal: columns may be exact sums of others


def solve_nonnegative(
    gram: NDArray[np.float64], rhs: NDArray[np.float64], passive: NDArray[np.bool_] | None = None
) -> NDArray[np.float64]:
    """Minimise ½ xᵀGx - bᵀx subject to x ≥ 0 for every column b.

    Parameters
    ----------
    gram : ndarray of shape (m, m)
        Symmetric, positive semi-definite.
    rhs : ndarray of shape (m,) or (m, n)
        Right-hand sides.
    passive : ndarray of bool, same shape as `rhs`, optional
        A guess of which unknowns are positive: a warm start.

    Returns
    -------
    ndarray
        Same shape as `rhs`.
    """
    return scaled_gram(gram).solve(rhs, passive)


@dataclass(frozen=True, slots=True, eq=False)
class ScaledGram:
    """A Gram matrix scaled to a unit diagonal, ready for any right-hand side.

    Attributes
    ----------
    scale : ndarray of shape (m,)
        What rows and columns were multiplied by; 0 for an empty column.
    matrix : ndarray of shape (m, m)
        The scaled Gram with its ridge.
    """

    scale: NDArray[np.float64]
    matrix: NDArray[np.float64]

    def solve(
        self,
        rhs: NDArray[np.float64],
        passive: NDArray[np.bool_] | None = None,
        barred: NDArray[np.bool_] | None = None,
    ) -> NDArray[np.float64]:
        """Return the minimum as `solve_nonnegative`, with the unknowns in `barred`, shape (m,), at zero."""
        guess = np.zeros(rhs.shape, dtype=bool) if passive is None else passive
        if rhs.ndim == 1:
            return self.near(rhs, guess).without(np.zeros(rhs.size, dtype=bool) if barred is None else barred)
        scaled = rhs * self.scale[:, None]
        start = guess.copy()
        if barred is not None:
            start[barred] = False
            scaled[barred] = -np.inf  # no light, however little, would pay
        return np.asarray(_pivot(self.matrix, scaled, start) * self.scale[:, None])

    def near(self, rhs: NDArray[np.float64], passive: NDArray[np.bool_]) -> Minima:
        """Return the minima for one right-hand side of shape (m,) with any unknowns barred, from a first guess."""
        return Minima(self, rhs * self.scale, passive)


@dataclass(slots=True, eq=False)
class Minima:
    """The minima of one problem with different unknowns barred, each found from the set of positive ones of a guess.

    Attributes
    ----------
    gram : ScaledGram
        The matrix.
    rhs : ndarray of shape (m,)
        Scaled right-hand side.
    passive : ndarray of bool, shape (m,)
        Where the search for positive unknowns begins.
    """

    gram: ScaledGram
    rhs: NDArray[np.float64]
    passive: NDArray[np.bool_]
    _near: NearSets | None = field(default=None, init=False)

    def without(
        self,
        barred: NDArray[np.bool_],
        unbounded: NDArray[np.bool_] | None = None,
        guess: NDArray[np.bool_] | None = None,
    ) -> NDArray[np.float64]:
        """Return the minimum ≥ 0 with the unknowns in `barred` at zero, those `unbounded` of any sign, shape (m,).

        The search begins at `guess` if one is given.
        """
        passive = (self.passive if guess is None else guess) & ~barred
        try:
            x = _pivot_one(self._factorised(), passive, barred, unbounded)
        except np.linalg.LinAlgError:  # indefinite by rounding, or nearly equal columns keep changing places
            free = np.zeros(passive.size, dtype=bool) if unbounded is None else unbounded
            x = _pivot_slowly(self.gram.matrix, np.where(barred, -np.inf, self.rhs), passive, free)
        return np.asarray(x * self.gram.scale)

    def beside(self, gram: ScaledGram, rhs: NDArray[np.float64], passive: NDArray[np.bool_]) -> Minima:
        """Return the minima of another problem that has the same equations among the unknowns in `self.passive`."""
        other = gram.near(rhs, passive)
        other._near = self._factorised().beside(gram.matrix, other.rhs)
        return other

    def _factorised(self) -> NearSets:
        if self._near is None:
            self._near = NearSets(self.gram.matrix, self.rhs, self.passive)
        return self._near


def scaled_gram(gram: NDArray[np.float64]) -> ScaledGram:
    """Scale a Gram matrix of shape (m, m) for `ScaledGram.solve`."""
    diagonal = np.diag(gram)
    scale = np.where(diagonal > 0, 1.0 / np.sqrt(np.maximum(diagonal, np.finfo(float).tiny)), 0.0)
    scaled = gram * scale[:, None]
    scaled *= scale
    np.fill_diagonal(scaled, 1.0 + RIDGE)
    return ScaledGram(scale, scaled)


def _pivot_one(
    near: NearSets, passive: NDArray[np.bool_], barred: NDArray[np.bool_], unbounded: NDArray[np.bool_] | None = None
) -> NDArray[np.float64]:
    """As `_pivot` for one column, every set solved from one near it."""
    bounded = np.ones(passive.size, dtype=bool) if unbounded is None else ~unbounded
    tolerance = TOLERANCE * max(float(np.abs(near.rhs[~barred]).max(initial=0.0)), np.finfo(float).tiny)
    fewest, tries = passive.size + 1, TRIES
    for _ in range(MAX_EXCHANGES):
        near = near.towards(passive)
        x = near.solve(passive)
        gradient = near.gram @ x - near.rhs
        wrong = np.where(passive, (x < -tolerance) & bounded, (gradient < -tolerance) & ~barred)
        count = int(np.count_nonzero(wrong))
        if count == 0:
            return np.where(bounded, np.maximum(x, 0.0), x)
        if count < fewest:
            fewest, tries = count, TRIES
        elif tries > 0:
            tries -= 1
        else:  # backup rule: only the last wrong variable
            last = np.flatnonzero(wrong)[-1]
            wrong[:] = False
            wrong[last] = True
        passive = passive ^ wrong
    raise np.linalg.LinAlgError  # rounding keeps nearly equal columns changing places


def _pivot_slowly(
    gram: NDArray[np.float64], b: NDArray[np.float64], passive: NDArray[np.bool_], unbounded: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """As `_pivot` for one column, after unknowns of any sign are eliminated by their Schur complement."""
    bounded, x = ~unbounded, np.zeros(b.size)
    meets, free = gram[np.ix_(bounded, unbounded)], gram[np.ix_(unbounded, unbounded)]
    taken = np.linalg.solve(free, np.concatenate([meets.T, b[unbounded, None]], axis=1))
    left, right = gram[np.ix_(bounded, bounded)] - meets @ taken[:, :-1], b[bounded] - meets @ taken[:, -1]
    x[bounded] = _pivot(left, right[:, None], passive[bounded, None].copy())[:, 0]
    x[unbounded] = taken[:, -1] - taken[:, :-1] @ x[bounded]
    return x


def _pivot(
    gram: NDArray[np.float64], b: NDArray[np.float64], passive: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Exchange variables between the positive and the zero set until both sides are optimal."""
    m, n = b.shape
    tolerance = TOLERANCE * np.maximum(np.abs(np.where(np.isfinite(b), b, 0.0)).max(axis=0), np.finfo(float).tiny)
    x, y = _solve_sets(gram, b, passive)
    fewest = np.full(n, m + 1)
    tries = np.full(n, TRIES)
    for _ in range(MAX_EXCHANGES):
        wrong = (passive & (x < -tolerance)) | (~passive & (y < -tolerance))
        count = wrong.sum(axis=0)
        open_columns = np.flatnonzero(count)
        if open_columns.size == 0:
            break
        for column in open_columns:  # columns differ in their exchanges: cheap bookkeeping only
            exchange = wrong[:, column]
            if count[column] < fewest[column]:
                fewest[column], tries[column] = count[column], TRIES
            elif tries[column] > 0:
                tries[column] -= 1
            else:  # backup rule: only the last wrong variable
                last = np.flatnonzero(exchange)[-1]
                exchange = np.zeros(m, dtype=bool)
                exchange[last] = True
            passive[exchange, column] ^= True
        x[:, open_columns], y[:, open_columns] = _solve_sets(
            gram, b[:, open_columns], passive[:, open_columns]
        )
    else:  # rounding keeps nearly equal columns changing places
        for column in np.flatnonzero(((passive & (x < -tolerance)) | (~passive & (y < -tolerance))).any(axis=0)):
            told = np.isfinite(b[:, column])
            x[told, column] = _by_active_set(gram[np.ix_(told, told)], b[told, column])
            passive[:, column] = x[:, column] > 0
    return np.where(passive, np.maximum(x, 0.0), 0.0)


def _by_active_set(gram: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Solve one column by Lawson and Hanson's method on a square root of the matrix."""
    from scipy.optimize import nnls

    value, vector = np.linalg.eigh(gram)
    root = np.sqrt(np.maximum(value, RIDGE))
    found, _ = nnls(root[:, None] * vector.T, (vector.T @ b) / root, maxiter=30 * b.size)
    return np.asarray(found)


def _solve_sets(
    gram: NDArray[np.float64], b: NDArray[np.float64], passive: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Solve for the positive sets, one factorisation per distinct set; return x and the gradient."""
    from scipy.linalg.lapack import dposv

    x = np.zeros(b.shape)
    packed = np.packbits(passive, axis=0)
    _, first, group = np.unique(packed, axis=1, return_index=True, return_inverse=True)
    group = group.reshape(-1)
    for number, column in enumerate(first):
        rows = np.flatnonzero(passive[:, column])
        columns = np.flatnonzero(group == number)
        if rows.size:
            block, sides = gram[np.ix_(rows, rows)], b[np.ix_(rows, columns)]
            _, part, failed = dposv(block.T, sides, overwrite_a=True)  # symmetric; transposed it is not copied
            if failed:  # indefinite by rounding: drop the directions it says nothing of
                part = np.linalg.pinv(gram[np.ix_(rows, rows)], rcond=1e-7, hermitian=True) @ sides
            x[np.ix_(rows, columns)] = part
    y = gram @ x - b
    y[passive] = 0.0
    return x, y
