"""Cosmic rays in one of several frames: a few pixels that stand out there, and in no other frame.

A muon frees some thousand electrons in the one to three pixels it crosses; which frame it falls in is chance. A mean
does not take it out: of eight frames an eighth is left, and looks like a line.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from glowledger.spectra.frames import Frames
from glowledger.spectra.noise import estimate_noise, variance_of

FEWEST, MOST = 3, 256  # frames; in the mean of more of them nothing is left of one
SIGMAS = 12.0  # in one pixel of all frames; a normal deviate never gets there
OTHERS = 0.2  # of its height: more light in any other frame is light that comes and goes
FLICKER = 0.1  # of the light of a pixel, from frame to frame, besides its brightness as a whole
WIDEST = 3  # pixels
MOST_SPOTS = 3  # in one frame: where more stand out, something else glowed
BRIGHT = 0.05  # of the brightest pixel: what has less tells little of how bright a frame is


@dataclass(frozen=True, slots=True, kw_only=True)
class CosmicRay:
    """Pixels of one frame that stand out in no other one: `frame`, `first` to `last` pixel, and the counts above."""

    frame: int
    first: int
    last: int
    counts: float


def without_cosmic_rays(frames: Frames) -> Frames:
    """Return frames with what others show there in place of cosmic rays, which `cosmic_rays` finds."""
    found = cosmic_rays(frames)
    if not found:
        return frames
    counts, expected = frames.counts.copy(), _expected(frames)
    for ray in found:
        there = slice(ray.first, ray.last + 1)
        counts[ray.frame, there] = expected[ray.frame, there]
    return replace(frames, counts=counts)


@lru_cache(maxsize=2)
def cosmic_rays(frames: Frames) -> tuple[CosmicRay, ...]:
    """Find cosmic rays in frames of one glow.

    Parameters
    ----------
    frames : Frames
        n frames of p points. Of fewer than three, or of a long run, nothing is said.

    Returns
    -------
    tuple of CosmicRay
        Up to three pixels wide each; none of frames in which many pixels stand out, as where the glow changed.
    """
    if not FEWEST <= len(frames) <= MOST:
        return ()
    expected = _expected(frames)
    over = np.where(frames.mask, 0.0, frames.counts - expected)
    detector = estimate_noise(frames).detector
    light = np.maximum(expected - (detector.offset_counts or 0.0), 0.0)
    sd = np.sqrt(variance_of(expected, detector, frames.averages[:, None]) + (FLICKER * light) ** 2)
    two = np.partition(over, -2, axis=0)[-2:]
    alone = (over == two[1]) & (two[0] < OTHERS * two[1]) & (over > SIGMAS * sd)
    found: list[CosmicRay] = []
    for frame in np.flatnonzero(alone.any(axis=1)):
        spots = _runs(alone[frame])
        if len(spots) <= MOST_SPOTS and all(last - first < WIDEST for first, last in spots):
            found.extend(
                CosmicRay(frame=int(frame), first=first, last=last, counts=float(over[frame, first : last + 1].sum()))
                for first, last in spots
            )
    return tuple(found)


def _expected(frames: Frames) -> NDArray[np.float64]:
    """Return what each frame should show by all others: their median, as bright as it is, shape (n, p)."""
    level = np.median(frames.counts, axis=0)
    level = np.where(np.isfinite(level), level, np.nanmedian(level))
    dark = float(np.quantile(level, 0.02))
    return np.asarray(dark + _brightness(frames.counts - dark, level - dark)[:, None] * (level - dark))


def _brightness(light: NDArray[np.float64], level: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how bright each frame is beside a common spectrum: the median of their ratios, weighted with the light."""
    told = level > BRIGHT * np.max(level, initial=0.0)
    if not told.any():
        return np.ones(len(light))
    ratio = np.where(np.isfinite(light), light, 0.0)[:, told] / level[told]
    order = np.argsort(ratio, axis=1)
    below = np.cumsum(level[told][order], axis=1)
    middle = np.argmax(below >= 0.5 * below[:, -1:], axis=1)
    return np.asarray(ratio[np.arange(len(ratio)), order[np.arange(len(ratio)), middle]])


def _runs(marked: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return first and last of each run of neighbouring marked pixels."""
    edge = np.diff(np.concatenate([[0], marked.astype(np.int8), [0]]))
    return list(zip(np.flatnonzero(edge == 1).tolist(), (np.flatnonzero(edge == -1) - 1).tolist(), strict=True))
