"""The mean of several frames, with its noise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from glowledger.spectra.frames import Frames, Origin

MOST_MASKED = 0.1  # a pixel masked in a larger part of the frames is masked in the mean


def mean_frame(frames: Frames) -> Frames:
    """Return the mean of all frames as one frame.

    Parameters
    ----------
    frames : Frames
        Spectra, n frames of p points.

    Returns
    -------
    Frames
        One frame. A pixel that is masked in more than a tenth of the frames is masked: the mean of the frames
        in which it is not saturated would be too low. `averages` is the sum, so that noise falls as it
        should; the variance of a subtracted dark does not fall, because it is the same in every frame.

    Raises
    ------
    ValueError
        If there is no frame.
    """
    n = len(frames)
    if n == 0:
        raise ValueError("no frame to average")
    usable = ~frames.mask
    seen = usable.sum(axis=0)
    mean = np.where(usable, frames.counts, 0.0).sum(axis=0) / np.maximum(seen, 1)
    known = frames.known_variance
    if known is not None:
        known = np.where(usable, known, 0.0).sum(axis=0, keepdims=True) / np.maximum(seen, 1) ** 2
    first = frames.origins[0] if frames.origins else Origin()
    note = () if n == 1 else (f"The mean of {n} frames was taken.",)
    exposures = np.unique(frames.exposure_s[np.isfinite(frames.exposure_s)])
    return replace(
        frames,
        counts=mean[None, :],
        mask=(seen < (1 - MOST_MASKED) * n)[None, :],
        time_s=np.array([frames.time_s.mean()]),
        exposure_s=np.array([exposures.mean() if exposures.size else np.nan]),
        averages=np.array([frames.averages.sum()]),
        origins=(replace(first, line=first.line if n == 1 else None, understood=(*first.understood, *note)),),
        known_variance=known,
    )
