"""The design of a linear model of narrow lines on a bent background: each column touches a few neighbouring bins only.

Sparse matrices of a library do the same; for columns that are all short runs of bins plain arrays are twice as fast.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dpbsv

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Hats:
    """A broken line over bins, (b,): one column for each of its nodes (c,), straight in between.

    Attributes
    ----------
    value : ndarray of shape (b, c)
        The columns.
    left : ndarray of intp, shape (b,)
        The node to the left of each bin, never the last one.
    share : ndarray of shape (b,)
        Value of the right node's column at each bin; that of the left one is the rest.
    """

    value: Floats
    left: NDArray[np.intp]
    share: Floats

    @classmethod
    def of(cls, bins: int, nodes: int) -> Hats:
        """Return evenly spaced nodes, at least two, from the first bin to the last."""
        at = np.linspace(0.0, nodes - 1.0, bins)
        left = np.minimum(at.astype(np.intp), nodes - 2)
        share = at - left
        value = np.zeros((bins, nodes))
        value[np.arange(bins), left], value[np.arange(bins), left + 1] = 1.0 - share, share
        return cls(value, left, share)


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

    @cached_property
    def pairs(self) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Which runs overlap, each pair once: the one that begins first, and the other or itself."""
        order = np.argsort(self.first, kind="stable")
        rising = self.first[order]
        count = np.searchsorted(rising, rising + self.width) - np.arange(len(order))
        one = np.repeat(np.arange(len(order)), count)
        other = one + np.arange(len(one)) - np.repeat(np.cumsum(count) - count, count)
        return order[one], order[other]


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

    def sums(self, values: Floats) -> Floats:
        """Return the sums of values (b,) or (b, d) over the bins, weighted by each column, (n,) or (n, d)."""
        there = values[self.places.inside]
        return np.asarray(np.einsum("nw,nw->n" if values.ndim == 1 else "nw,nwd->nd", self.value, there))

    def spread(self, light: Floats) -> Floats:
        """Return light (n,) or (n, d) spread over the bins, (b,) or (b, d)."""
        at, bins = self.places.inside.ravel(), self.places.bins
        if light.ndim == 1:
            return _sums_at(at, self.value * light[:, None], bins)
        rows = [_sums_at(at, self.value * each[:, None], bins) for each in light.T]
        return np.array(rows).reshape(-1, bins).T

    def products(self, weight: Floats | None = None) -> Floats:
        """Return the products (n, n) of the columns, the bins weighted (b,)."""
        n, w = self.value.shape
        one, other = self.places.pairs
        padded = np.zeros((n, 2 * w))
        padded[:, :w] = self.value if weight is None else self.value * weight[self.places.inside]
        shift = self.places.first[other] - self.places.first[one]
        at = (one * (2 * w) + shift)[:, None] + np.arange(w)
        out = np.zeros((n, n))
        out[one, other] = np.einsum("pw,pw->p", padded.ravel()[at], self.value[other])
        out[other, one] = out[one, other]
        return out


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

    Attributes
    ----------
    order : ndarray of intp, shape (n,)
        The columns as they begin.
    one, other : ndarray of intp, shape (n, w)
        For each of them, itself w times, and it and the next ones with which it may overlap.
    inside : ndarray of bool, shape (n, w)
        Whether there is such a next one.
    """

    order: NDArray[np.intp]
    one: NDArray[np.intp]
    other: NDArray[np.intp]
    inside: NDArray[np.bool_]

    @classmethod
    def of(cls, first: Floats, last: Floats) -> Band:
        """Return the band of columns that reach from first to last bins, (n,)."""
        order = np.argsort(first, kind="stable")
        overlap = np.searchsorted(first[order], last[order], side="right") - np.arange(len(order))
        after = np.arange(len(order))[:, None] + np.arange(int(np.max(overlap, initial=1)))
        other = order[np.minimum(after, len(order) - 1)]
        return cls(order, np.broadcast_to(order[:, None], other.shape), other, after < len(order))

    def taken(self, gram: Floats) -> Floats:
        """Return the band (n, w) of products (n, n)."""
        return np.where(self.inside, gram[self.one, self.other], 0.0)

    def solved(self, band: Floats, prior: Floats, free: NDArray[np.bool_], right: Floats) -> Floats:
        """Return the solution, as `right` (n,) or (n, k), of normal equations; zero where a column is not free.

        By Cholesky: light that differs by powers of ten does it no harm. How well it does is a matter of the matrix
        scaled to a unit diagonal (van der Sluis 1969, from memory). `prior` (n,) is added to the diagonal.
        """
        every = bool(np.all(free))
        normal = band.copy() if every else band * (free[self.one] & free[self.other])
        normal[:, 0] += prior[self.order] if every else np.where(free, prior, 1.0)[self.order]
        asked = right if every else (right.T * free).T
        _, solution, failed = dpbsv(normal.T, asked[self.order], lower=1, overwrite_ab=True)
        if failed:
            raise np.linalg.LinAlgError("normal equations of the light have no solution")
        out = np.empty_like(right)
        out[self.order] = solution
        return out


@dataclass(frozen=True, eq=False)
class Design:
    """Lines, then a background, both over noise: the columns (n + c) of a linear model of b bins.

    Attributes
    ----------
    runs : Runs
        The lines.
    hats : Hats
        The background.
    rate : ndarray of shape (b,)
        One over noise, by which the background still has to be multiplied.
    """

    runs: Runs
    hats: Hats
    rate: Floats

    @cached_property
    def band(self) -> Band:
        """Which columns overlap."""
        bins, nodes = self.runs.places.bins, self.hats.value.shape[1]
        apart = (bins - 1.0) / (nodes - 1.0)
        node = apart * np.arange(nodes)
        first = np.concatenate([self.runs.places.first, node - apart])
        last = np.concatenate([self.runs.places.first + self.runs.places.width - 1.0, node + apart])
        return Band.of(first, last)

    def sums(self, values: Floats) -> Floats:
        """Return the products of the columns with values (b,) or (b, d), shape (n + c,) or (n + c, d)."""
        rated = values * (self.rate if values.ndim == 1 else self.rate[:, None])
        return np.concatenate([self.runs.sums(values), self.hats.value.T @ rated])

    def spread(self, light: Floats) -> Floats:
        """Return light (n + c,) spread over the bins, (b,)."""
        lines = len(self.runs)
        return self.runs.spread(light[:lines]) + self.rate * (self.hats.value @ light[lines:])

    def products(self, weight: Floats | None = None) -> Floats:
        """Return the products (n + c, n + c) of the columns, the bins weighted (b,)."""
        runs, hats, lines = self.runs, self.hats, len(self.runs)
        nodes = hats.value.shape[1]
        out = np.zeros((lines + nodes, lines + nodes))
        out[:lines, :lines] = runs.products(weight)
        rate = self.rate if weight is None else self.rate * weight
        cross = self.by_node(runs, rate)
        out[:lines, lines:], out[lines:, :lines] = cross, cross.T
        square, left, share = self.rate * rate, hats.left, hats.share
        beside = np.bincount(left, square * share * (1.0 - share), nodes)[:-1]
        own = np.bincount(left, square * (1.0 - share) ** 2, nodes) + np.bincount(left + 1, square * share**2, nodes)
        node = lines + np.arange(nodes)
        out[node, node] = own
        out[node[:-1], node[1:]] = out[node[1:], node[:-1]] = beside
        return out

    def by_node(self, runs: Runs, rate: Floats) -> Floats:
        """Return the products (n, c) of runs with the background at a rate (b,)."""
        n, nodes = len(runs), self.hats.value.shape[1]
        value = runs.value * rate[runs.places.inside]
        share = self.hats.share[runs.places.inside]
        at = self.hats.left[runs.places.inside] + nodes * np.arange(n)[:, None]
        out = _sums_at(at.ravel(), value * (1.0 - share), n * nodes)
        out += _sums_at(at.ravel() + 1, value * share, n * nodes)
        return out.reshape(n, nodes)

    def products_with(self, runs: Runs) -> Floats:
        """Return the products (n + c, m) of the columns with other lines (m), over noise."""
        lines = len(self.runs)
        both = joined(self.runs, runs).products()
        return np.vstack([both[:lines, lines:], self.by_node(runs, self.rate).T])
