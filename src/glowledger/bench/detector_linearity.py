"""Where counts stop growing in proportion to light, from exposures of one lamp."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from glowledger.spectra.frames import Frames

Floats = NDArray[np.float64]

FEWEST_EXPOSURES = 4
DIM = 0.4  # of the highest counts: taken as linear; common practice, no source
BINS = 16
TOLERATED = 0.03  # departure beyond which counts are treated as saturated
FEWEST_IN_BIN = 20


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Linearity:
    """Departure from proportion over the counts of a pixel; k levels.

    Attributes
    ----------
    counts : ndarray of shape (k,)
        Raw counts above the dark.
    departure, standard_error : ndarray of shape (k,)
        Counts over what dim exposures predict, minus 1.
    linear_to_counts : float or None
        Raw counts (dark included) above which the departure exceeds `TOLERATED`; None if it never does.
    """

    counts: Floats
    departure: Floats
    standard_error: Floats
    linear_to_counts: float | None

    def sentence(self) -> str:
        """Return what the user should know."""
        worst = int(np.argmax(np.abs(self.departure)))
        text = (
            f"Largest departure from proportion {100 * self.departure[worst]:+.1f} ± "
            f"{100 * self.standard_error[worst]:.1f} % at {self.counts[worst]:.0f} counts above the dark"
        )
        if self.linear_to_counts is None:
            told = f"within {100 * TOLERATED:.0f} % of proportion up to {self.counts[-1]:.0f}, the most that tell"
            return f"{text}: {told}."
        return f"{text}; beyond {self.linear_to_counts:.0f} raw counts it exceeds {100 * TOLERATED:.0f} %."


def linearity(frames: Frames, offset: Floats | float, ceiling: float | None = None) -> Linearity | None:
    """Return how counts depart from proportion, from exposures of a lamp.

    Parameters
    ----------
    frames : Frames
        Raw frames of one lamp at several known exposures.
    offset : float or ndarray of shape (p,) or (n, p)
        Dark counts under the light.
    ceiling : float, optional
        Counts at which the converter ends; values there are left out.

    Returns
    -------
    Linearity or None
        None where fewer than `FEWEST_EXPOSURES` exposures are known.

    Notes
    -----
    A lamp may drift and a shutter be late: each exposure has a free factor, settled by its dim pixels. What is
    left depends on counts alone, which is the detector's.
    """
    exposure = frames.exposure_s
    if not np.all(np.isfinite(exposure)) or np.unique(np.round(exposure, 9)).size < FEWEST_EXPOSURES:
        return None
    light = frames.counts - offset
    raw_top = float(np.max(np.where(frames.mask, -np.inf, frames.counts)))
    use = ~frames.mask & (frames.counts < (np.inf if ceiling is None else ceiling))
    top = float(np.max(np.where(use, light, -np.inf)))
    if not top > 0:
        return None
    dim = use & (light < DIM * top) & (light > 0.02 * top)
    rate, factor = _rates(light, exposure, dim)
    told = (dim.sum(axis=0) >= 2) & (rate > 0)
    rows = use & told[None, :]
    ratio = np.where(rows, light / np.where(rows, rate * (exposure * factor)[:, None], 1.0), np.nan)
    edges = np.linspace(0.05 * top, top, BINS + 1)
    number = np.digitize(light, edges) - 1
    level, departure, error = [], [], []
    for b in range(BINS):
        chosen = ratio[rows & ((number == b) | ((number == BINS) & (b == BINS - 1)))]
        if chosen.size >= FEWEST_IN_BIN:
            level.append(0.5 * (edges[b] + edges[b + 1]))
            departure.append(float(np.median(chosen)) - 1.0)
            error.append(1.2533 * 1.4826 * float(np.median(np.abs(chosen - np.median(chosen)))) / np.sqrt(chosen.size))
    if len(level) < 3:
        return None
    counts, off, se = np.array(level), np.array(departure), np.array(error)
    bent = (np.abs(off) > TOLERATED + 2 * se) & (counts > DIM * top)
    limit = None
    if bent.any():
        first = int(np.argmax(bent))
        limit = float(counts[max(first - 1, 0)] + np.median(np.broadcast_to(offset, light.shape)))
        limit = min(limit, raw_top)
    return Linearity(counts=counts, departure=off, standard_error=se, linear_to_counts=limit)


def between(one: Linearity, other: Linearity | None) -> Linearity:
    """Return the mean of two that hold different things true of the dark, with half their difference in the error."""
    if other is None:
        return one
    beside = np.interp(one.counts, other.counts, other.departure)
    departure, half = 0.5 * (one.departure + beside), 0.5 * np.abs(one.departure - beside)
    limits = [found.linear_to_counts for found in (one, other)]
    known = [limit for limit in limits if limit is not None]
    return Linearity(
        counts=one.counts, departure=departure, standard_error=np.hypot(one.standard_error, half),
        linear_to_counts=max(known) if len(known) == len(limits) else None,
    )  # fmt: skip


def _rates(light: Floats, exposure: Floats, dim: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Return counts per second of each pixel and the factor of each exposure, from dim values alone."""
    factor = np.ones(exposure.size)
    rate = np.zeros(light.shape[1])
    for _ in range(5):
        time = (exposure * factor)[:, None]
        rate = np.sum(np.where(dim, light, 0.0), axis=0) / np.maximum(np.sum(np.where(dim, time, 0.0), axis=0), 1e-300)
        for k in range(exposure.size):  # exposures are few
            here = dim[k] & (rate > 0)
            if here.sum() >= FEWEST_IN_BIN:
                factor[k] = float(np.sum(light[k, here]) / np.sum(rate[here] * exposure[k]))
    return rate, factor
