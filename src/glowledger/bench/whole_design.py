"""The design of a linear model of narrow lines on a bent background: each column touches a few neighbouring bins only.

Sparse matrices of a library do the same; for columns that are all short runs of bins plain arrays are twice as fast.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.linalg.lapack import dpbsv, dpbtrf
from scipy.sparse import csc_array, csr_array

Floats = NDArray[np.float64]

HELD = 1e100  # precision of what is held


@dataclass(frozen=True, eq=False)
class Hats:
    """A broken line over bins, (b,), over noise: one column for each of its nodes (c,), straight in between.

    Attributes
    ----------
    value : csr_array of shape (b, c)
        The columns, over noise; nearly all of them is zero.
    turned : csr_array of shape (c, b)
        The same, turned.
    squared : csr_array of shape (2 c, b)
        What each bin adds to the product of each column with itself, then to that of each one with the next.
    left : ndarray of intp, shape (b,)
        The node to the left of each bin, never the last one.
    share : ndarray of shape (b,)
        Value of the right node's column at each bin, before noise; that of the left one is the rest.
    rate : ndarray of shape (b,)
        One over noise.
    """

    value: csr_array
    turned: csr_array
    squared: csr_array
    left: NDArray[np.intp]
    share: Floats
    rate: Floats

    @classmethod
    def of(cls, nodes: int, rate: Floats) -> Hats:
        """Return evenly spaced nodes, at least two, from the first bin to the last; `rate` (b,) is one over noise."""
        bins = len(rate)
        at = np.linspace(0.0, nodes - 1.0, bins)
        left = np.minimum(at.astype(np.intp), nodes - 2)
        share = at - left
        both = np.column_stack([1.0 - share, share]) * rate[:, None]
        columns = np.column_stack([left, left + 1])
        value = csr_array((both.ravel(), columns.ravel(), 2 * np.arange(bins + 1)), shape=(bins, nodes))
        terms = np.column_stack([both**2, both[:, 0] * both[:, 1]])
        rows = np.column_stack([columns, left + nodes])
        squared = csr_array((terms.ravel(), rows.ravel(), 3 * np.arange(bins + 1)), shape=(bins, 2 * nodes))
        return cls(value, value.T.tocsr(), squared.T.tocsr(), left, share, rate)


@dataclass(frozen=True, eq=False)
class Places:
    """Where runs of w bins, out of b, lie.

    Attributes
    ----------
    first : ndarray of intp, shape (n,)
        First bin of each run; may lie beyond the bins.
    width, bins : int
        Bins of a run, and of all.
    """

    first: NDArray[np.intp]
    width: int
    bins: int

    @cached_property
    def inside(self) -> NDArray[np.intp]:
        """Bins (n, w) of the runs, drawn to the nearest one where there is none."""
        return np.clip(self.first[:, None] + np.arange(self.width), 0, self.bins - 1)


@dataclass(frozen=True, eq=False)
class Runs:
    """Columns of which each is a run of bins; values (n, w), zero where there is no bin."""

    places: Places
    value: Floats

    def __len__(self) -> int:
        return len(self.value)

    def scaled(self, rate: Floats) -> Runs:
        """Return the columns with each bin times a rate (b,)."""
        return Runs(self.places, self.value * rate[self.places.inside])

    def chosen(self, rows: NDArray[np.intp]) -> Runs:
        """Return some of the columns."""
        return Runs(Places(self.places.first[rows], self.places.width, self.places.bins), self.value[rows])

    def sums(self, values: Floats) -> Floats:
        """Return the sums of values (b,) or (b, d) over the bins, weighted by each column, (n,) or (n, d)."""
        if values.ndim == 1:
            return np.asarray(np.einsum("nw,nw->n", self.value, values[self.places.inside]))
        return np.asarray(self._turned @ values)

    def spread(self, light: Floats) -> Floats:
        """Return light (n,) or (n, d) spread over the bins, (b,) or (b, d)."""
        if light.ndim == 1:
            return _sums_at(self.places.inside.ravel(), self.value * light[:, None], self.places.bins)
        return np.asarray(csc_array(self._sparse, shape=(self.places.bins, len(self))) @ light)

    @cached_property
    def _turned(self) -> csr_array:
        return csr_array(self._sparse, shape=(len(self), self.places.bins))

    @property
    def _sparse(self) -> tuple[Floats, NDArray[np.intp], NDArray[np.intp]]:
        """The columns as libraries want sparse ones: faster where there are several products."""
        n, width = self.value.shape
        return self.value.ravel(), self.places.inside.ravel(), width * np.arange(n + 1)

    def products(self, one: NDArray[np.intp], other: NDArray[np.intp], weight: Floats | None = None) -> Floats:
        """Return the products (p,) of pairs of columns that overlap, bins weighted (b,); `one` begins no later."""
        n, w = self.value.shape
        padded = np.zeros((n, 2 * w))
        padded[:, :w] = self.value if weight is None else self.value * weight[self.places.inside]
        shift = self.places.first[other] - self.places.first[one]
        there = sliding_window_view(padded, w, axis=1)[one, shift]
        return np.asarray(np.einsum("pw,pw->p", there, self.value[other]))


def _sums_at(at: NDArray[np.intp], values: Floats, length: int) -> Floats:
    """Return the sums (length,) of values at places, as many."""
    return np.asarray(np.bincount(at, values.ravel(), length), dtype=np.float64)


def joined(one: Runs, other: Runs) -> Runs:
    """Return the columns of one, then those of another one."""
    width = max(one.value.shape[1], other.value.shape[1])
    value = [np.pad(each.value, ((0, 0), (0, width - each.value.shape[1]))) for each in (one, other)]
    first = np.concatenate([one.places.first, other.places.first])
    return Runs(Places(first, width, one.places.bins), np.concatenate(value))


@dataclass(frozen=True, eq=False)
class Band:
    """Columns in the order in which they begin: their products are a band about the diagonal.

    Row i of a band holds the products of the i-th of them with itself and the next ones, as far as these may overlap.

    Attributes
    ----------
    order : ndarray of intp, shape (n,)
        The columns as they begin.
    overlap : ndarray of intp, shape (n,)
        For each of them, how many begin within it, itself included.
    """

    order: NDArray[np.intp]
    overlap: NDArray[np.intp]

    @classmethod
    def of(cls, first: Floats, last: Floats) -> Band:
        """Return the band of columns that reach from first to last bins, (n,)."""
        order = np.argsort(first, kind="stable")
        return cls(order, np.searchsorted(first[order], last[order], side="right") - np.arange(len(order)))

    @cached_property
    def width(self) -> int:
        """Length of the rows."""
        return int(np.max(self.overlap, initial=1))

    @cached_property
    def pairs(self) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]:
        """Columns that overlap, each pair once: the one that begins first, the other or itself, place in the band."""
        one = np.repeat(np.arange(len(self.order)), self.overlap)
        ahead = np.arange(len(one)) - np.repeat(np.cumsum(self.overlap) - self.overlap, self.overlap)
        return self.order[one], self.order[one + ahead], one * self.width + ahead

    def solved(self, band: Floats, prior: Floats, free: NDArray[np.bool_], right: Floats) -> Floats:
        """Return the solution, as `right` (n,) or (n, k), of normal equations; zero where a column is not free.

        By Cholesky: light that differs by powers of ten does it no harm. How well it does is a matter of the matrix
        scaled to a unit diagonal (van der Sluis 1969, from memory). `prior` (n,) is added to the diagonal.
        """
        _, solution, failed = dpbsv(self._normal(band, prior, free).T, right[self.order], lower=1, overwrite_ab=True)
        if failed:
            raise np.linalg.LinAlgError("normal equations of the light have no solution")
        out = np.empty_like(right)
        out[self.order] = solution
        out[~free] = 0.0
        return out

    def squares(self, band: Floats) -> Floats:
        """Return the products (n,) of each column with itself."""
        out = np.empty(len(band))
        out[self.order] = band[:, 0]
        return out

    def log_determinant(self, band: Floats, prior: Floats, free: NDArray[np.bool_]) -> float:
        """Return the natural log of the determinant of the normal matrix of the free columns."""
        factor, failed = dpbtrf(self._normal(band, prior, free).T, lower=1, overwrite_ab=True)
        if failed:
            raise np.linalg.LinAlgError("normal equations of the light have no solution")
        return 2.0 * float(np.sum(np.log(factor[0, free[self.order]])))

    def _normal(self, band: Floats, prior: Floats, free: NDArray[np.bool_]) -> Floats:
        """Return the band with the prior (n,) added, one so sure of columns that are not free that they stay at zero.

        So far above all else that next to it the others' part in these is lost, as if they were not there.
        """
        normal = band.copy()
        normal[:, 0] += np.where(free, prior, HELD)[self.order]
        return normal


@dataclass(frozen=True, eq=False)
class _Kinds:
    """The pairs of a design by kind: columns, and place in the band; of a line and a node the line comes first."""

    lines: tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]
    mixed: tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]
    nodes: tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]


@dataclass(frozen=True, eq=False)
class Design:
    """Lines, then a background, both over noise: the columns (n + c) of a linear model of b bins.

    Attributes
    ----------
    runs : Runs
        The lines.
    hats : Hats
        The background.
    """

    runs: Runs
    hats: Hats

    @cached_property
    def band(self) -> Band:
        """Which columns overlap."""
        bins, nodes = self.runs.places.bins, self.hats.value.shape[1]
        apart = (bins - 1.0) / (nodes - 1.0)
        node = apart * np.arange(nodes)
        first = np.concatenate([self.runs.places.first, node - apart])
        last = np.concatenate([self.runs.places.first + self.runs.places.width - 1.0, node + apart])
        return Band.of(first, last)

    @cached_property
    def _kinds(self) -> _Kinds:
        one, other, at = self.band.pairs
        lines = len(self.runs)
        node, of_node = one >= lines, other >= lines
        rows = [np.flatnonzero(~(node | of_node)), np.flatnonzero(node != of_node), np.flatnonzero(node & of_node)]
        both = np.minimum(one[rows[1]], other[rows[1]]), np.maximum(one[rows[1]], other[rows[1]]) - lines
        return _Kinds(
            (one[rows[0]], other[rows[0]], at[rows[0]]), (*both, at[rows[1]]),
            (one[rows[2]] - lines, other[rows[2]] - lines, at[rows[2]]),
        )  # fmt: skip

    def sums(self, values: Floats) -> Floats:
        """Return the products of the columns with values (b,) or (b, d), shape (n + c,) or (n + c, d)."""
        return np.concatenate([self.runs.sums(values), self.hats.turned @ values])

    def spread(self, light: Floats) -> Floats:
        """Return light (n + c,) spread over the bins, (b,)."""
        lines = len(self.runs)
        return self.runs.spread(light[:lines]) + self.hats.value @ light[lines:]

    def products(self, weight: Floats | None = None) -> Floats:
        """Return the band (n + c, w) of the products of the columns, the bins weighted (b,)."""
        kinds, hats = self._kinds, self.hats
        nodes = hats.value.shape[1]
        out = np.zeros((len(self.runs) + nodes, self.band.width))
        flat = out.reshape(-1)
        one, other, at = kinds.lines
        flat[at] = self.runs.products(one, other, weight)
        rate = hats.rate if weight is None else hats.rate * weight
        line, node, at = kinds.mixed
        flat[at] = self.by_node(self.runs, rate)[line, node]
        one, other, at = kinds.nodes
        node_products = hats.squared @ (np.ones(len(hats.rate)) if weight is None else weight)
        own, beside = node_products[:nodes], node_products[nodes:]
        flat[at] = np.where(one == other, own[one], np.where(other == one + 1, beside[one], 0.0))
        return out

    def by_node(self, runs: Runs, rate: Floats) -> Floats:
        """Return the products (n, c) of runs with the background at a rate (b,)."""
        n, nodes = len(runs), self.hats.value.shape[1]
        value = runs.value * rate[runs.places.inside]
        right = value * self.hats.share[runs.places.inside]
        at = (self.hats.left[runs.places.inside] + nodes * np.arange(n)[:, None]).ravel()
        out = _sums_at(at, value - right, n * nodes) + _sums_at(at + 1, right, n * nodes)
        return out.reshape(n, nodes)

    def products_with(self, runs: Runs) -> Floats:
        """Return the products (n + c, m) of the columns with other lines (m), over noise."""
        lines = len(self.runs)
        both = joined(self.runs, runs)
        first = both.places.first
        one, other = np.nonzero(np.abs(first[:lines, None] - first[None, lines:]) < both.places.width)
        later = first[one] > first[lines + other]
        out = np.zeros((lines, len(runs)))
        out[one, other] = both.products(np.where(later, lines + other, one), np.where(later, one, lines + other))
        return np.vstack([out, self.by_node(runs, self.hats.rate).T])
