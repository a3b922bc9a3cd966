"""A linear measurement: weighted least squares as one matrix, and what it does about missing values."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.nonnegative import solve_nonnegative
from glowledger.spectra.frames import Frames

GUESS_WEIGHT = 0.02  # of what other frames say of a missing value: levels keep their proportions to some 10 %
FLARE_SIGMA = 5.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Projection:
    """The linear measurement at one drift; c columns, s species, p pixels.

    Attributes
    ----------
    columns : ndarray of shape (p, c)
        Joint columns: species patterns, background, derivatives.
    solve : ndarray of shape (c, p)
        Weighted least squares.
    species : ndarray of shape (s, p)
        Counts of each species per count in each pixel.
    alone : ndarray of int, shape (a,)
        Species measured one at a time, beside the joint ones.
    alone_gram : ndarray of shape (a, a)
        Weighted overlap of what the joint columns leave of their patterns, per count.
    alone_doubt : ndarray of shape (a,)
        Counts of them that errors in the templates of the others may bring about in every frame.
    """

    columns: NDArray[np.float64]
    solve: NDArray[np.float64]
    species: NDArray[np.float64]
    alone: NDArray[np.intp]
    alone_gram: NDArray[np.float64]
    alone_doubt: NDArray[np.float64]

    def explained_away(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return counts ≥ 0 of the species measured one at a time, shape (n, a), when they share what is there.

        Parameters
        ----------
        values : ndarray of shape (n, a)
            Counts of each as if it were the only one.
        """
        return solve_nonnegative(self.alone_gram, (values * np.diag(self.alone_gram)).T).T


def least_squares(columns: NDArray[np.float64], weight: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the weighted least-squares matrix, shape (c, p)."""
    gram = columns.T @ (weight[:, None] * columns)
    scale = 1.0 / np.sqrt(np.maximum(np.diag(gram), 1e-300))
    scaled = gram * scale[:, None] * scale[None, :]
    scaled[np.diag_indices_from(scaled)] += 1e-8
    return np.asarray(scale[:, None] * np.linalg.solve(scaled, scale[:, None] * (columns * weight[:, None]).T))


def filled(
    counts: NDArray[np.float64], hidden: NDArray[np.bool_], projection: Projection
) -> NDArray[np.float64]:
    """Return the counts with values missing in single frames replaced by the fit to the others.

    Least squares without the missing values gives the same amounts (Yates 1933, from memory). What only missing
    values could tell, say a level whose one line is saturated, is taken from the other frames, in proportion to
    the light.
    """
    if not hidden.any():
        return counts
    rows = np.flatnonzero(hidden.any(axis=1))
    counted = (~hidden).sum(axis=0)
    typical = np.where(hidden, 0.0, counts).sum(axis=0) / np.maximum(counted, 1)
    typical[counted == 0] = 0.0
    result = counts.copy()
    for row in rows:  # each has gaps of its own, and few
        gone = hidden[row]
        result[row, gone] = _missing_values(counts[row], gone, projection, typical)
    return result


def _missing_values(
    counts: NDArray[np.float64], gone: NDArray[np.bool_], projection: Projection, typical: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Solve y = A S(y, the others) for the missing values y: the point where Yates' repeated fit ends."""
    rows = projection.columns[gone]
    told = rows @ (projection.solve[:, ~gone] @ counts[~gone])
    own = np.eye(len(rows)) - rows @ projection.solve[:, gone]
    like = typical[~gone]
    brightness = float(like @ counts[~gone]) / max(float(like @ like), np.finfo(float).tiny)
    own[np.diag_indices_from(own)] += GUESS_WEIGHT
    return np.asarray(np.linalg.solve(own, told + GUESS_WEIGHT * brightness * typical[gone]))


def flicker(left: NDArray[np.float64], noise: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how much residuals vary from frame to frame beyond the noise model, at least 1, shape (n,).

    Differences of consecutive frames are used, in which what never fits, frame after frame, drops out; and
    their median over the pixels, in which a flash does not count.
    """
    if left.shape[0] < 2:
        return np.ones(left.shape[0])
    change = np.diff(left, axis=0) ** 2 / (noise[1:] + noise[:-1])
    one = np.median(change, axis=1) / 0.4549  # median of chi-square with one degree of freedom
    return np.maximum(1.0, np.concatenate([one[:1], one]))


def saturated(frames: Frames, among: NDArray[np.bool_] | None = None) -> NDArray[np.bool_]:
    """Return which frames reach the ceiling of the detector somewhere, or among some pixels, shape (n,)."""
    ceiling = frames.detector.ceiling_counts
    if ceiling is None:
        return np.zeros(len(frames), dtype=bool)
    counts = frames.counts if among is None else frames.counts[:, among]
    return np.asarray((counts >= ceiling).any(axis=1))


def shared_light(
    values: NDArray[np.float64], errors: NDArray[np.float64], projection: Projection, usual: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Let species measured one at a time share the light of frames in which any of them flares up.

    One line of sodium would else be counted for every species that has a line near it. `usual`, shape (n, a), is what
    the misfit of the others gives each in every frame: shared in some frames and not in others it would pass for
    flashes.
    """
    own = projection.alone
    if own.size == 0:
        return values
    with np.errstate(divide="ignore", invalid="ignore"):
        risen = values[:, own] - usual
        sigma = np.nan_to_num(risen / np.hypot(errors[:, own], projection.alone_doubt))
    bright = np.flatnonzero(sigma.max(axis=1) > FLARE_SIGMA)
    if bright.size:
        values[np.ix_(bright, own)] = usual[bright] + projection.explained_away(risen[bright])
    return values
