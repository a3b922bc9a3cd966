"""A linear measurement: weighted least squares as one matrix, and what it does about missing values."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.flares import FLARE_SIGMA, NOTED, SURE_FLARE_SIGMA, Flares, flares
from glowledger.spectra.frames import Frames

GUESS_WEIGHT = 0.02  # of what other frames say of a missing value: levels keep their proportions to some 10 %


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Measured:
    """Frames as they were measured.

    Attributes
    ----------
    counts, noise : ndarray of shape (n, p)
        With missing values filled, and the variance expected.
    hidden : ndarray of bool, shape (n, p)
        Values that were missing.
    """

    counts: NDArray[np.float64]
    noise: NDArray[np.float64]
    hidden: NDArray[np.bool_]


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
    flares : Flares
        Of the species measured one at a time, beside the joint ones.
    shades : ndarray of shape (2, p) or None
        Short-wave and long-wave light of a steady gas, see `own_shades`; None where no gas shows both.
    """

    columns: NDArray[np.float64]
    solve: NDArray[np.float64]
    species: NDArray[np.float64]
    flares: Flares
    shades: NDArray[np.float64] | None = None

    def without(self, gone: NDArray[np.bool_]) -> Flares:
        """Return the flares as they show in a frame in which some pixels, shape (p,), are missing.

        There the joint columns tell what would have been, as `filled` says, and of a pattern just as of the counts.
        """
        one = self.flares
        patterns = one.patterns.copy()
        patterns[:, gone] = np.linalg.solve(*_told_of(gone, self, patterns.T)).T
        joint = self.species.copy()
        joint[one.own] = 0.0
        weight = np.where(gone, 0.0, one.weight)
        return flares(one.own, patterns, self.columns, self.solve, joint, weight, one.template)


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
    own, told = _told_of(gone, projection, counts)
    like = typical[~gone]
    brightness = float(like @ counts[~gone]) / max(float(like @ like), np.finfo(float).tiny)
    return np.asarray(np.linalg.solve(own, told + GUESS_WEIGHT * brightness * typical[gone]))


def _told_of(
    gone: NDArray[np.bool_], projection: Projection, counts: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return matrix and right-hand side of the equations for missing values of counts of shape (p, ...)."""
    rows = projection.columns[gone]
    own = np.eye(len(rows)) - rows @ projection.solve[:, gone]
    own[np.diag_indices_from(own)] += GUESS_WEIGHT
    return own, rows @ (projection.solve[:, ~gone] @ counts[~gone])


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


def with_flares(
    values: NDArray[np.float64], errors: NDArray[np.float64], frames: Measured, projection: Projection,
    usual: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Let species measured one at a time share the light of frames in which any of them flares up.

    One line of sodium would else be counted for every species that has a line near it, and for some of the joint ones.

    Parameters
    ----------
    values, errors : ndarray of shape (n, s)
        Counts of every species in n frames, and their standard errors.
    frames : Measured
        Those frames.
    projection : Projection
        What they were measured by.
    usual : ndarray of shape (n, a)
        What the misfit of the others gives each species in every frame: shared in some frames and not in others it
        would pass for flashes.

    Returns
    -------
    values, errors : ndarray of shape (n, s)
    """
    one = projection.flares
    own = one.own
    if own.size == 0:
        return values, errors
    doubt = np.broadcast_to(one.doubt, usual.shape).copy()
    beside: dict[int, Flares] = {}
    dim = (frames.hidden @ one.patterns.T > NOTED).any(axis=1) if frames.hidden.any() else np.zeros(len(values), bool)
    for row in np.flatnonzero(dim):
        beside[int(row)] = here = projection.without(frames.hidden[row])
        values[row, own] = here.measure @ frames.counts[row]
        errors[row, own] = np.sqrt(here.measure**2 @ frames.noise[row])
        doubt[row] = here.doubt
    with np.errstate(divide="ignore", invalid="ignore"):
        risen = values[:, own] - usual
        sigma = np.nan_to_num(risen / np.hypot(errors[:, own], doubt)).max(axis=1)
    bright = sigma > FLARE_SIGMA
    plain = bright & ~np.isin(np.arange(len(values)), list(beside))
    for rows, how in [(np.flatnonzero(plain), one), *((np.array([k]), f) for k, f in beside.items() if bright[k])]:
        shared = how.shared(risen[rows])
        sure = np.clip((sigma[rows] - FLARE_SIGMA) / (SURE_FLARE_SIGMA - FLARE_SIGMA), 0.0, 1.0)
        values[rows] -= sure[:, None] * (shared @ how.taken.T)
        values[np.ix_(rows, own)] = usual[rows] + shared
    return values, errors
