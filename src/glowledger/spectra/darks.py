"""Subtraction of dark frames, with what it adds to the noise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from glowledger.errors import ReadError
from glowledger.spectra.frames import Detector, Frames
from glowledger.spectra.masks import hot_pixels
from glowledger.spectra.noise import estimate_noise, variance_of

SAME_EXPOSURE = 0.01  # relative difference up to which two exposures count as one
_PEDESTAL_QUANTILE = 0.05


def subtract_dark(frames: Frames, dark: Frames, noise: Detector | None = None) -> Frames:
    """Subtract the mean of dark frames.

    The part of a dark that grows with exposure is scaled where exposures are known and differ: fitted per
    pixel where the darks themselves have two or more exposures, else what stands above the lowest pixels (the
    pedestal is common to all pixels and does not grow).

    Parameters
    ----------
    frames : Frames
        Spectra, n frames of p points.
    dark : Frames
        Dark frames on the same axis.
    noise : Detector, optional
        What `estimate_noise` says of the dark, for callers that subtract it frame by frame.

    Returns
    -------
    Frames
        Counts less the dark, its variance in `added_variance`, its masked and hot pixels in `mask`.

    Raises
    ------
    ReadError
        If the axes differ.
    """
    _same_axis(frames, dark)
    usable = ~dark.mask
    seen = usable.sum(axis=0)
    total = np.where(usable, dark.counts, 0.0).sum(axis=0)
    mean = total / np.maximum(seen, 1)
    subtracted, how = _scaled(frames, dark, mean)
    detector = noise or estimate_noise(dark).detector
    scans = np.where(usable, dark.averages[:, None], 0.0).sum(axis=0)
    added = variance_of(mean, detector, np.maximum(scans, 1.0))
    if frames.added_variance is not None:
        added = added + frames.added_variance
    hot = hot_pixels(mean) & (seen > 0)
    sentence = f"A dark of {len(dark)} frame{'s' if len(dark) > 1 else ''} was subtracted{how}."
    if hot.any():
        sentence += f" {np.count_nonzero(hot)} hot pixels, high in the dark, are masked."
    offset = frames.detector.offset_counts
    return replace(
        frames,
        counts=frames.counts - subtracted,
        mask=frames.mask | (seen == 0) | hot,
        added_variance=added,
        detector=replace(
            frames.detector, offset_counts=None if offset is None else offset - float(np.median(mean))
        ),
        origins=tuple(replace(o, understood=(*o.understood, sentence)) for o in frames.origins),
    )


def _same_axis(frames: Frames, dark: Frames) -> None:
    step = float(np.median(np.diff(frames.axis))) if frames.axis.size > 1 else 1.0
    same = frames.axis.shape == dark.axis.shape and frames.axis_kind == dark.axis_kind
    if same and np.max(np.abs(frames.axis - dark.axis)) <= 1e-3 * step:
        return
    raise ReadError(
        f"the dark has {dark.axis.size} points from {dark.axis[0]:g} to {dark.axis[-1]:g} "
        f"({dark.axis_kind}), the "
        f"spectra have {frames.axis.size} from {frames.axis[0]:g} to {frames.axis[-1]:g} "
        f"({frames.axis_kind}).",
        mend="Record the dark with the same instrument and settings.",
        file=dark.origins[0].file if dark.origins else None,
    )


def _scaled(frames: Frames, dark: Frames, mean: NDArray[np.float64]) -> tuple[NDArray[np.float64], str]:
    """Return what to subtract, of shape (n, p) or (p,), and how it was scaled."""
    theirs = dark.exposure_s
    ours = frames.exposure_s
    if not (np.all(np.isfinite(theirs)) and np.all(np.isfinite(ours))):
        return mean, " as it is (an exposure is not known)"
    if np.all(np.abs(ours - np.mean(theirs)) <= SAME_EXPOSURE * np.mean(theirs)):
        return mean, ""
    if np.ptp(theirs) > SAME_EXPOSURE * np.mean(theirs):
        centred = theirs - np.mean(theirs)
        rate = centred @ (dark.counts - mean) / np.sum(centred**2)
        return mean + rate * (ours - np.mean(theirs))[:, None], ", fitted to its exposures"
    pedestal = np.quantile(mean, _PEDESTAL_QUANTILE)
    factor = ours / np.mean(theirs)
    return pedestal + (mean - pedestal) * factor[:, None], (
        f", what stands above {pedestal:.4g} counts scaled to the exposure"
    )
