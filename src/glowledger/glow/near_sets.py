"""Solutions for sets of positive unknowns that differ from one another in a few.

A test of a species asks for the same minimum without a few unknowns, and the search for the positive ones tries
sets that differ by a few: one factorisation serves them all. Unknowns added border the system by their own
equations, unknowns taken out by the condition that they vanish (block elimination of a bordered system;
Golub & Van Loan, Matrix Computations, from memory).
"""

from __future__ import annotations

from copy import copy

import numpy as np
from numpy.typing import NDArray

MANY = 0.1  # of the unknowns: a set that differs in more is factorised anew


class NearSets:
    """Minima of ½ xᵀGx - bᵀx for sets of unknowns near one that is factorised.

    Parameters
    ----------
    gram : ndarray of shape (m, m)
        Symmetric, positive definite.
    rhs : ndarray of shape (m,)
        b.
    passive : ndarray of bool, shape (m,)
        The first set: unknowns that are not zero.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the matrix of a set is not positive definite, here or in `solve`.
    """

    def __init__(self, gram: NDArray[np.float64], rhs: NDArray[np.float64], passive: NDArray[np.bool_]) -> None:
        from scipy.linalg.lapack import dpotrf

        self.gram, self.rhs = gram, rhs
        self._passive, self._rows = passive.copy(), np.flatnonzero(passive)
        self._place = np.cumsum(passive) - 1
        block = gram[self._rows].T[self._rows]  # symmetric: picking rows twice takes a sixth of the time of columns
        self._factor, failed = dpotrf(block.T, lower=1, clean=0, overwrite_a=1)
        if failed:
            raise np.linalg.LinAlgError
        self._inverse: NDArray[np.float64] | None = None
        self._asked = 0
        self._met: dict[bytes, tuple[NDArray[np.float64], NDArray[np.float64]]] = {}
        self._x = self._back(rhs[self._rows])

    def beside(self, gram: NDArray[np.float64], rhs: NDArray[np.float64]) -> NearSets:
        """Return the same with other equations for the unknowns outside the first set, and the same ones inside."""
        other = copy(self)
        other.gram, other.rhs, other._met = gram, rhs, {}
        return other

    def towards(self, passive: NDArray[np.bool_]) -> NearSets:
        """Return these, or, where a set differs in many, those near it: the next ones are likely near that one too."""
        if np.count_nonzero(passive != self._passive) <= MANY * self._rows.size:
            return self
        return NearSets(self.gram, self.rhs, passive)

    def _back(self, sides: NDArray[np.float64]) -> NDArray[np.float64]:
        from scipy.linalg.lapack import dpotrs

        if sides.size == 0:
            return sides
        if self._inverse is not None:
            return np.asarray(self._inverse @ sides)
        return np.asarray(dpotrs(self._factor, sides, lower=1)[0])

    def _inverse_columns(self, places: NDArray[np.intp]) -> NDArray[np.float64]:
        """Return columns of the inverse; the whole is made once so many are asked for that it is cheaper."""
        n = self._rows.size
        self._asked += places.size
        if self._inverse is None and self._asked > n // 4:
            self._inverse = _inverse(self._factor)
        if self._inverse is not None:
            return self._inverse[:, places]
        unit = np.zeros((n, places.size))
        unit[places, np.arange(places.size)] = 1.0
        return self._back(unit)

    def _meeting(self, added: NDArray[np.intp]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return how unknowns meet those of the first set, and what these make of that; sets in turn often share it."""
        key = added.tobytes()
        if key not in self._met:
            meets = self.gram[added].T[self._rows]
            self._met = {key: (meets, self._back(meets))}
        return self._met[key]

    def solve(self, passive: NDArray[np.bool_]) -> NDArray[np.float64]:
        """Return the minimum with all unknowns outside a set at zero, shape (m,)."""
        changed = np.flatnonzero(passive != self._passive)
        x = np.zeros(self.rhs.size)
        x[self._rows] = self._x
        if changed.size == 0:
            return x
        added, removed = changed[passive[changed]], changed[~passive[changed]]
        out, a = self._place[removed], added.size
        meets, met = self._meeting(added)
        back = np.concatenate([met, self._inverse_columns(out)], axis=1)
        small = np.empty((changed.size, changed.size))
        small[:a] = -meets.T @ back
        small[a:] = -back[out]
        small[:a, :a] += self.gram[added].T[added]
        beside = np.concatenate([self.rhs[added] - meets.T @ self._x, -self._x[out]])
        found = _solved(small, beside)
        x[self._rows] = self._x - back @ found
        x[added], x[removed] = found[:a], 0.0
        return x


def _solved(matrix: NDArray[np.float64], side: NDArray[np.float64]) -> NDArray[np.float64]:
    from scipy.linalg.lapack import dgesv

    _, _, found, failed = dgesv(matrix, side)
    if failed:
        raise np.linalg.LinAlgError
    return np.asarray(found)


def _inverse(factor: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the inverse of the matrix whose lower Cholesky factor is given."""
    from scipy.linalg.lapack import dpotri

    lower = np.tril(dpotri(factor, lower=1)[0])
    return np.asarray(lower + np.tril(lower, -1).T)
