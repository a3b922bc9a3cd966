"""Frames that are not of one light: columns of several glows in one file, or a run through a change of gas."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from glowledger.spectra.frames import Frames

BINS = 40  # parts of the axis whose light is compared
MOST_LOOKED_AT = 200  # frames, evenly spread
FLOOR_PART = 0.1  # quantile of a frame that is taken for no light
UNLIKE = 0.25  # part of the light that stands elsewhere than in most frames
SURE = 3.0  # standard errors of that
RARE = 0.1  # of the frames: fewer are flashes and arcs


def unlike_frames(frames: Frames) -> NDArray[np.intp]:
    """Return which of several frames have much of their light elsewhere than most.

    Parameters
    ----------
    frames : Frames
        n frames; of many some are looked at.

    Returns
    -------
    ndarray of int
        Their numbers; empty where they are as few as flashes are, or noise may have made them.
    """
    n, p = frames.counts.shape
    none = np.zeros(0, dtype=np.intp)
    if n < 2 or p < 2 * BINS:
        return none
    looked = np.unique(np.linspace(0, n - 1, min(n, MOST_LOOKED_AT)).round().astype(np.intp))
    good = ~frames.mask[looked].any(axis=0)
    counts = frames.counts[looked][:, good]
    if counts.shape[1] < 2 * BINS:
        return none
    light = counts - np.quantile(counts, FLOOR_PART, axis=1, keepdims=True)
    first = np.linspace(0, light.shape[1], BINS, endpoint=False).astype(np.intp)
    inside = np.add.reduceat(light, first, axis=1)
    total = inside.sum(axis=1)
    lit = total > 0
    if lit.sum() < 2:
        return none
    # neighbouring pixels differ by noise and by lines: rather too much noise than too little
    noise = np.add.reduceat(0.5 * np.diff(light, axis=1, append=light[:, -1:]) ** 2, first, axis=1)
    part = inside[lit] / total[lit, None]
    error = 0.5 * np.sqrt(noise[lit]).sum(axis=1) / total[lit]
    usual = part[np.argmin(np.abs(part - np.median(part, axis=0)).sum(axis=1))]
    elsewhere = 0.5 * np.abs(part - usual).sum(axis=1)
    apart = elsewhere - SURE * error > UNLIKE
    return looked[lit][apart] if apart.sum() > RARE * apart.size else none
