"""Noise that neighbouring pixels share, because the spectrum was smoothed or resampled before it was written.

Many spectrometers write running means, or values interpolated to round wavelengths. Each pixel by itself then looks
quiet, but its neighbours err with it: a line that is as wide as the smoothing gains nothing from having many pixels.
For a line of profile t in noise of variance v and correlation r(k) at a distance of k pixels, the variance of a fitted
amount is v Σ_ij t_i t_j r(i-j) / (Σ t²)², which is that of independent pixels times 1 + 2 Σ_k r(k) c(k), with c the
autocorrelation of t: the variance of any weighted sum of correlated values.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

LARGEST = 4.0  # standard deviations: beyond, a residual is something unlisted and counts as this much
FEWEST_PIXELS = 80  # told from fewer, the correlation is no better than none
REACH_WIDTHS = 1.5  # line widths: beyond, the profile shares nothing with itself
AROUND_WIDTHS = 12.0  # line widths: what is broader is no noise of a detector
SURE = 2.0  # standard errors by which the sharing must be seen before anything is widened
MOST_TERMS = 60
PASSES = 4
MOST_DIFFERENCES = 24
SIGMA_PER_FWHM = 1.0 / np.sqrt(8.0 * np.log(2.0))  # of a Gaussian


def shared_pixels(residual: NDArray[np.float64], noisy: NDArray[np.bool_], pixels_per_line: float) -> float:
    """Return by how much sharing raises the variance of a fitted line, at least 1.

    Parameters
    ----------
    residual : ndarray of shape (p,) or (n, p)
        Data minus model over the standard deviation expected of each pixel; of n frames.
    noisy : ndarray of bool, shape (p,)
        Pixels that count and where noise, not the template, is what errs.
    pixels_per_line : float
        FWHM of a line in pixels.

    Returns
    -------
    float
        1 where neighbours are independent or nothing can be told.
    """
    if int(noisy.sum()) < FEWEST_PIXELS:
        return 1.0
    size = max(15, round(AROUND_WIDTHS * pixels_per_line)) | 1
    part = _from_surroundings(np.atleast_2d(residual), noisy, size)
    distance = np.arange(1, min(MOST_TERMS, max(2, int(REACH_WIDTHS * pixels_per_line) + 1)) + 1)
    here = noisy.astype(np.float64)
    pairs = len(part) * np.array([here[:-k] @ here[k:] for k in distance])
    products = np.array([np.vdot(part[:, :-k], part[:, k:]) for k in distance])
    square = float(np.sum(part**2)) / (len(part) * float(here.sum()))
    if square <= 0 or np.any(pairs < FEWEST_PIXELS / 2):
        return 1.0
    sigma = SIGMA_PER_FWHM * pixels_per_line
    alike = np.exp(-((distance / (2.0 * sigma)) ** 2))
    found = 1.0
    for _ in range(PASSES):
        # taking the mean of the surroundings away takes the sum of all correlations over their size from each
        taken = found / size
        correlation = (products / (pairs * square) * (1.0 - taken) + taken).clip(-1.0, 1.0)
        found = 1.0 + 2.0 * float(alike @ correlation)
    error = 2.0 * float(np.sqrt(np.sum(alike**2 / pairs)))
    return float(np.clip(found, 1.0, 1.0 + 2.0 * float(alike.sum()))) if found > 1.0 + SURE * error else 1.0


def shared_in_time(counts: NDArray[np.float64], noisy: NDArray[np.bool_], pixels_per_line: float) -> float:
    """Return the factor of `shared_pixels` from the change between frames of a run, at least 1.

    Parameters
    ----------
    counts : ndarray of shape (n, p)
        Frames in order of time, of which the first 72 are asked; three at least, or nothing can be told.
    noisy : ndarray of bool, shape (p,)
        Pixels that count; of these the darker half is asked, where flicker of the glow is least.
    pixels_per_line : float
        FWHM of a line in pixels.

    Returns
    -------
    float
        1 where neighbours are independent or nothing can be told.
    """
    from scipy.ndimage import uniform_filter1d

    counts = counts[: 3 * MOST_DIFFERENCES]
    starts = np.arange(0, len(counts) - 2, 3)
    if starts.size == 0 or not noisy.any():
        return 1.0
    change = counts[starts] - 2 * counts[starts + 1] + counts[starts + 2]
    size = max(3, round(AROUND_WIDTHS * pixels_per_line))  # wider than noise: a pixel is not asked because it is low
    level = uniform_filter1d(np.where(noisy, counts.mean(axis=0), 0.0), size)
    dark = noisy & (level <= np.median(level[noisy])) & np.isfinite(change).all(axis=0)
    scale = 1.4826 * np.median(np.abs(change[:, dark]), axis=1, keepdims=True) if dark.any() else np.zeros((1, 1))
    if not np.all(scale > 0):
        return 1.0
    return shared_pixels(np.where(dark, change, 0.0) / scale, dark, pixels_per_line)


def _from_surroundings(
    residual: NDArray[np.float64], noisy: NDArray[np.bool_], size: int
) -> NDArray[np.float64]:
    """Return residuals from the mean of their surroundings, outliers held back, zero where nothing is told."""
    from scipy.ndimage import uniform_filter1d

    part = np.where(noisy, np.clip(residual, -LARGEST, LARGEST), 0.0)
    near = np.maximum(uniform_filter1d(noisy.astype(np.float64), size), 1.0 / size)
    return np.where(noisy, part - uniform_filter1d(part, size, axis=1) / near, 0.0)
