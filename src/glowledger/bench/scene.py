"""One spectrum prepared for peak finding: gaps bridged, noise, continuum, hot pixels, flat tops, typical width."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, signal
from scipy.special import ndtr

Floats = NDArray[np.float64]

QUIET, QUIET_SD = 0.2, 0.2533  # share of the second differences; standard normal deviate that bounds it
# pixels: narrowest line meant here; a hot pixel has beside it less than half of what such a line, or one half as wide
# as those of the spectrum, puts into the next pixel
NARROWEST_PX = 1.2
FEWEST_LINES = 3  # that tell how wide lines are
FULL_SCALES = tuple(2.0**bits - 1.0 for bits in (8, 10, 12, 14, 16))  # of converters; common practice


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Scene:
    """One spectrum prepared for peak finding; arrays of shape (p,) in counts.

    Attributes
    ----------
    counts, continuum, noise : ndarray of shape (p,)
        Counts with gaps bridged, the smooth part below the lines, standard deviation of a pixel.
    usable, saturated : ndarray of bool, shape (p,)
        True where a pixel may be fitted; True at the ceiling.
    fwhm_px : float
        Typical line width in pixels.
    hot : ndarray of intp
        Pixels taken for hot ones (brighter than any line shape allows).
    """

    counts: Floats
    continuum: Floats
    noise: Floats
    usable: NDArray[np.bool_]
    saturated: NDArray[np.bool_]
    fwhm_px: float
    hot: NDArray[np.intp]


def noise_level(counts: Floats) -> float:
    """Return the standard deviation of the pixel-to-pixel noise, robust against lines.

    Second differences remove any smooth spectrum; their smallest fifth (of a normal distribution: within 0.2533
    standard deviations) ignores lines as long as these leave some pixels free.
    """
    second = counts[2:] - 2.0 * counts[1:-1] + counts[:-2]
    spread = float(np.quantile(np.abs(second - np.median(second)), QUIET)) / QUIET_SD / np.sqrt(6.0)
    return max(spread, 1e-9 * float(np.ptp(counts)) if len(counts) else 0.0, 1e-300)


def flat_tops(counts: Floats, ceiling: float | None) -> NDArray[np.bool_]:
    """Return True where pixels are at the ceiling: the stated one, a converter's, or equal neighbours at the top."""
    if ceiling is not None:
        return np.asarray(counts >= ceiling)
    top = float(np.max(counts))
    if top in FULL_SCALES:
        return np.asarray(counts >= top)
    height = top - float(np.median(counts))
    near = counts >= top - 1e-3 * height
    run = ndimage.label(near)[0]
    sizes = np.bincount(run.ravel())
    flat = near & (sizes[run] >= 3)
    steps = np.abs(np.diff(counts))[flat[1:] & flat[:-1]]
    # a real top of three pixels is curved; equal values side by side are a ceiling, for every pixel that reaches it
    ceiled = len(steps) > 0 and float(np.median(steps)) <= 1e-4 * height
    return flat | (counts >= top - 1e-4 * height) if ceiled else flat & False


def continuum_below(counts: Floats, fwhm_px: float) -> Floats:
    """Return the smooth light below the lines, shape (p,): a smoothed opening, then smoothed again."""
    smooth = ndimage.gaussian_filter1d(counts, max(0.35 * fwhm_px, 0.5), mode="nearest")
    size = 2 * int(np.ceil(2.2 * fwhm_px)) + 1
    opened = ndimage.grey_opening(smooth, size=size, mode="nearest")
    return np.asarray(ndimage.gaussian_filter1d(opened, 1.2 * fwhm_px, mode="nearest"))


def hot_pixels(
    counts: Floats, noise: Floats | float, fwhm_px: float = NARROWEST_PX, leeway: float = 2.0
) -> NDArray[np.intp]:
    """Return pixels that stand alone: both neighbours get less light than lines of that width would give them.

    They may have more by a leeway in standard deviations, or if that is negative must have so much less.
    """
    edges = ndtr(np.array([-0.5, 0.5, 1.5]) * 2.0 * np.sqrt(2.0 * np.log(2.0)) / fwhm_px)
    share = 0.5 * float((edges[2] - edges[1]) / (edges[1] - edges[0]))
    padded = np.pad(counts, 2, mode="edge")
    base = np.minimum(padded[:-4], padded[4:])
    height = counts - base
    beside = np.maximum(padded[1:-3], padded[3:-1]) - base
    alone = (height > 8.0 * noise) & (beside < share * height + leeway * noise)
    return np.flatnonzero(alone)


def typical_width(counts: Floats, noise: float) -> float:
    """Return the FWHM in pixels of the narrowest quarter of the prominent peaks, or NaN; blends are wider."""
    smooth = counts
    if len(counts) > 600:  # a three-point average tames noise and widens a line of 3 px by a tenth only
        smooth = ndimage.gaussian_filter1d(counts, 0.6, mode="nearest")
    found, facts = signal.find_peaks(smooth, prominence=8.0 * noise)
    if len(found) == 0:
        return float("nan")
    strongest = np.argsort(-facts["prominences"], kind="stable")[:40]
    widths = signal.peak_widths(smooth, found[strongest], rel_height=0.5)[0]
    sampled = np.sqrt(np.maximum(widths**2 - (0.6 * 2.355) ** 2 * (len(counts) > 600) - 0.46, 1.0))
    weights = np.sqrt(facts["prominences"][strongest])
    width = _narrow_quarter(sampled, weights)
    lines = sampled > NARROWEST_PX
    if width > NARROWEST_PX or np.count_nonzero(lines) < FEWEST_LINES:
        return width
    return _narrow_quarter(sampled[lines], weights[lines])  # what is narrower has a hot pixel in it


def _narrow_quarter(widths: Floats, weights: Floats) -> float:
    """Return the weighted quarter of widths (k,)."""
    order = np.argsort(widths)
    share = np.cumsum(weights[order]) / np.sum(weights)
    return float(widths[order][np.searchsorted(share, 0.25)])


def _bridged(counts: Floats, hot: NDArray[np.intp]) -> tuple[Floats, NDArray[np.intp]]:
    """Return counts with straight lines in place of hot pixels, and these."""
    if len(hot) == 0:
        return counts, hot
    index, keep = np.arange(len(counts)), np.ones(len(counts), dtype=bool)
    keep[hot] = False
    return np.where(keep, counts, np.interp(index, index[keep], counts[keep])), hot


def _below(counts: Floats, level: float, width: float) -> tuple[Floats, Floats]:
    """Return the continuum and the standard deviation of each pixel, shape (p,)."""
    continuum = continuum_below(counts, width if np.isfinite(width) else 4.0)
    gain = 1e-4 * float(np.ptp(counts))  # photon noise until the fit knows better: 1 % at the brightest pixel
    gain = min(gain, 1.0) if np.ptp(counts) > 300 else gain
    return continuum, np.sqrt(level**2 + gain * np.maximum(counts - continuum, 0.0))


def prepare(counts: Floats, mask: NDArray[np.bool_] | None = None, *, ceiling: float | None = None) -> Scene:
    """Bridge gaps, estimate noise, width and continuum of one spectrum.

    Parameters
    ----------
    counts : ndarray of shape (p,)
        Counts.
    mask : ndarray of bool, shape (p,), optional
        True where a value must not be used.
    ceiling : float, optional
        Counts at which a pixel is saturated; flat tops are recognised without it.

    Returns
    -------
    Scene
    """
    counts = np.asarray(counts, dtype=np.float64)
    bad = ~np.isfinite(counts) if mask is None else (~np.isfinite(counts) | mask)
    index = np.arange(len(counts))
    safe = np.where(np.isfinite(counts), counts, 0.0)
    saturated = flat_tops(safe, ceiling)
    gaps = bad & ~saturated
    if np.any(gaps) and not np.all(gaps):
        safe = np.where(gaps, np.interp(index, index[~gaps], safe[~gaps]), safe)
    level = noise_level(safe)
    hot = hot_pixels(safe, level)
    safe, hot = _bridged(safe, hot[~saturated[hot]])
    width = typical_width(safe, level)
    continuum, noise = _below(safe, level, width)
    if width > 2.0 * NARROWEST_PX:  # what is no line of this spectrum, though some spectrum could have it
        more = hot_pixels(safe, noise, 0.5 * width, -4.0)
        safe, more = _bridged(safe, more[~saturated[more]])
        if len(more):
            hot, width = np.union1d(hot, more), typical_width(safe, level)
            continuum, noise = _below(safe, level, width)
    usable = ~(bad | saturated)
    usable[hot] = False
    return Scene(
        counts=safe,
        continuum=continuum,
        noise=noise,
        usable=usable,
        saturated=saturated,
        fwhm_px=width,
        hot=hot,
    )
