"""Where a fit begins when no bench tells: the line width and the offset of the axis, from the data."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.model import LineSpread
from glowledger.glow.noise_levels import noise_of_one
from glowledger.spectra.frames import Frames
from glowledger.spectra.noise import variance_of

Noise = Callable[[NDArray[np.float64]], NDArray[np.float64]]

LN2_8 = 8 * np.log(2)  # FWHM² of a Gaussian over its variance
STANDS_OUT = 8.0  # peaks must exceed the noise by this factor to speak of width
NARROWER = 0.15  # quantile of the widths taken for that of single lines
MOST_PEAKS = 40
WELL_SAMPLED = 7  # pixels between the half heights
FLOOR_PART = 0.3  # of its reach: lines must be narrower than this for the floor to lie under them
LEAST_PIXELS = 0.3  # no guess is narrower
UNSEEN_PIXELS = 3.0  # the width where no peak stands out
IN_REACH_PIXELS = 6.0  # up to twice that a fit widens its lines by itself
GUESS_ERROR = 0.3  # relative, of the guess
WIDTH_LADDER = 0.03  # of ln width: a guess is put to the next step, far finer than it is good
ANYWHERE_NM = 500.0  # one width holds everywhere
SHIFT_STEP = 0.35  # of the FWHM: finer than the reach of the Gauss-Newton fit


def peak_widths(axis_nm: NDArray[np.float64], data: NDArray[np.float64], noise: Noise) -> NDArray[np.float64]:
    """Return the FWHM of every peak that stands out.

    Parameters
    ----------
    axis_nm, data : ndarray of shape (p,)
        Spectrum.
    noise : callable
        The standard deviation of noise in every pixel at levels of shape (p,), counts.

    Returns
    -------
    ndarray
        nm, the pixel's own width taken out; blends look wider, never narrower.
    """
    step = float(np.median(np.diff(axis_nm)))
    reach = max(5, axis_nm.size // 60)
    while True:  # the floor must lie under the lines, so it has to be drawn wider than they are
        widths = _widths(axis_nm, data, noise, reach)
        fits = widths.size < 3 or float(np.quantile(widths, NARROWER)) < FLOOR_PART * reach * step
        if fits or 3 * reach > axis_nm.size:
            return widths
        reach *= 2


def _widths(
    axis_nm: NDArray[np.float64], data: NDArray[np.float64], noise: Noise, reach: int
) -> NDArray[np.float64]:
    """Return the FWHM of the peaks over a floor of some reach in pixels, brightest first."""
    from scipy.ndimage import minimum_filter1d, percentile_filter

    floor = np.minimum(minimum_filter1d(data, reach | 1), percentile_filter(data, 20, (3 * reach) | 1))
    light = data - floor
    inner = light[1:-1]
    top = (inner > light[:-2]) & (inner >= light[2:])
    top &= (inner > STANDS_OUT * noise(floor)[1:-1]) & (light[:-2] > 0) & (light[2:] > 0)
    index = np.flatnonzero(top) + 1
    taken = np.zeros(axis_nm.size, dtype=bool)
    found: list[float] = []
    for peak in index[np.argsort(-light[index], kind="stable")]:
        if taken[peak]:  # a ripple on the side of a brighter peak
            continue
        below = light < 0.5 * light[peak]
        left = int(np.flatnonzero(below[:peak])[-1]) if below[:peak].any() else 0
        right = peak + int(np.argmax(below[peak:])) if below[peak:].any() else axis_nm.size - 1
        taken[left : right + 1] = True
        found.append(_full_width(axis_nm, light, int(peak), left, right))
        if len(found) == MOST_PEAKS:
            break
    return np.array(found)


def _full_width(
    axis_nm: NDArray[np.float64], light: NDArray[np.float64], peak: int, left: int, right: int
) -> float:
    """Return the FWHM of one peak that falls below half its height at two pixels."""
    step = 0.5 * float(axis_nm[peak + 1] - axis_nm[peak - 1])
    if right - left < WELL_SAMPLED:  # the parabola through the top in the logarithm is exact for a Gaussian
        bend = 2 * np.log(light[peak]) - np.log(light[peak - 1]) - np.log(light[peak + 1])
        variance = step**2 / max(float(bend), 1e-3)
    else:  # there noise on the top would pass for a narrow peak
        half = 0.5 * light[peak]
        low = np.interp(half, light[left : left + 2], axis_nm[left : left + 2])
        high = np.interp(half, light[right - 1 : right + 1][::-1], axis_nm[right - 1 : right + 1][::-1])
        variance = float(high - low) ** 2 / LN2_8
    # the pixel adds its own variance Δ²/12, and a width below a third of a pixel cannot be told
    return float(np.sqrt(LN2_8 * max(variance - step**2 / 12, (step / 3) ** 2 / LN2_8)))


def bridged(counts: NDArray[np.float64], masked: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return a spectrum, shape (p,), with masked pixels bridged by a straight line between their neighbours.

    Any other level would cut a line whose top is saturated into two that look narrow.
    """
    at = np.arange(counts.size)
    return np.where(masked, np.interp(at, at[~masked], counts[~masked]), counts)


def guessed_line_spread(frames: Frames) -> LineSpread:
    """Return `first_line_spread` of one spectrum.

    Noise goes by the light under the peaks: on a bright background ripples of photon noise would pass for lines, and
    make all others look wide.
    """
    mask, detector, scans = frames.mask[0], noise_of_one(frames).detector, float(frames.averages[0])
    known = frames.known_variance

    def noise(level: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.sqrt(variance_of(level, detector, scans) if known is None else bridged(known[0], mask))

    return first_line_spread(frames.axis, bridged(frames.counts[0], mask), noise)


def first_line_spread(axis_nm: NDArray[np.float64], data: NDArray[np.float64], noise: Noise) -> LineSpread:
    """Return a constant line width guessed from the narrower peaks; the fit refines it.

    Parameters
    ----------
    axis_nm, data : ndarray of shape (p,)
        Spectrum.
    noise : callable
        The standard deviation of noise in every pixel at levels of shape (p,), counts.

    Returns
    -------
    LineSpread
        Three pixels where no peak stands out, or but one or two that may be bands or hot pixels: unless the narrower is
        so wide that a fit would not find so far, and put two lines in place of one.
    """
    widths = peak_widths(axis_nm, data, noise)
    pixel = float(np.median(np.diff(axis_nm)))
    if widths.size < 3:
        narrower = float(widths.min()) if widths.size else 0.0
        return _on_ladder(narrower) if narrower > IN_REACH_PIXELS * pixel else _constant_width(UNSEEN_PIXELS * pixel)
    return _on_ladder(max(float(np.quantile(widths, NARROWER)), LEAST_PIXELS * pixel))


def narrowed(spread: LineSpread, part: float) -> LineSpread:
    """Return a guess of `first_line_spread` that turned out too wide: part of it is true."""
    return _on_ladder(part * float(spread.fwhm_nm[0]))


def _on_ladder(width_nm: float) -> LineSpread:
    return _constant_width(float(np.exp(np.round(np.log(width_nm) / WIDTH_LADDER) * WIDTH_LADDER)))


@lru_cache(maxsize=64)
def _constant_width(width_nm: float) -> LineSpread:
    """Return one and the same line-spread for guesses that hardly differ: what is tabulated for it serves again."""
    return LineSpread(
        at_nm=np.array([ANYWHERE_NM]), fwhm_nm=np.array([width_nm]), fwhm_se_nm=np.array([GUESS_ERROR * width_nm])
    )


def shift_steps(fwhm_nm: float, shift_sd_nm: float) -> NDArray[np.float64]:
    """Return the offsets worth trying, nm, nearest to zero first; none but 0 where the axis is trusted."""
    step = SHIFT_STEP * fwhm_nm
    count = int(np.ceil(2.0 * shift_sd_nm / step)) if 2.0 * shift_sd_nm > step else 0
    steps = np.arange(-count, count + 1) * step
    return np.asarray(steps[np.argsort(np.abs(steps), kind="stable")])
