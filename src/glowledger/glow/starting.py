"""Where a fit begins when no bench tells: the line width and the offset of the axis, from the data."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.model import LineSpread

LN2_8 = 8 * np.log(2)  # FWHM² of a Gaussian over its variance
STANDS_OUT = 8.0  # peaks must exceed the noise by this factor to speak of width
SHIFT_STEP = 0.35  # of the FWHM: finer than the reach of the Gauss-Newton fit


def peak_widths(axis_nm: NDArray[np.float64], data: NDArray[np.float64], noise: float) -> NDArray[np.float64]:
    """Return the FWHM of every peak that stands out, from the parabola through its top in the logarithm.

    Parameters
    ----------
    axis_nm, data : ndarray of shape (p,)
        Spectrum.
    noise : float
        Standard deviation in the dark, counts.

    Returns
    -------
    ndarray
        nm, the pixel's own width taken out; blends look wider, never narrower.
    """
    from scipy.ndimage import minimum_filter1d, percentile_filter

    reach = max(5, axis_nm.size // 60) | 1
    floor = np.minimum(minimum_filter1d(data, reach), percentile_filter(data, 20, 3 * reach))
    light = data - floor
    inner = light[1:-1]
    top = (inner > light[:-2]) & (inner >= light[2:])
    top &= (inner > STANDS_OUT * noise) & (light[:-2] > 0) & (light[2:] > 0)
    index = np.flatnonzero(top) + 1
    if index.size == 0:
        return np.zeros(0)
    index = index[np.argsort(-light[index])][:40]
    step = 0.5 * (axis_nm[index + 1] - axis_nm[index - 1])
    bend = 2 * np.log(light[index]) - np.log(light[index - 1]) - np.log(light[index + 1])
    variance = step**2 / np.maximum(bend, 1e-3)
    # the pixel adds its own variance Δ²/12, and a width below a third of a pixel cannot be told
    return np.asarray(np.sqrt(LN2_8 * np.maximum(variance - step**2 / 12, (step / 3) ** 2 / LN2_8)))


def first_line_spread(axis_nm: NDArray[np.float64], data: NDArray[np.float64], noise: float) -> LineSpread:
    """Return a constant line width guessed from the narrower peaks; the fit refines it.

    Parameters
    ----------
    axis_nm, data : ndarray of shape (p,)
        Spectrum.
    noise : float
        Standard deviation in the dark, counts.

    Returns
    -------
    LineSpread
        Three pixels where no peak stands out.
    """
    widths = peak_widths(axis_nm, data, noise)
    pixel = float(np.median(np.diff(axis_nm)))
    width = float(np.quantile(widths, 0.3)) if widths.size >= 3 else 3 * pixel
    middle = np.array([0.5 * (axis_nm[0] + axis_nm[-1])])
    return LineSpread(at_nm=middle, fwhm_nm=np.array([max(width, 0.3 * pixel)]), fwhm_se_nm=np.array([0.3 * width]))


def shift_steps(fwhm_nm: float, shift_sd_nm: float) -> NDArray[np.float64]:
    """Return the offsets worth trying, nm, nearest to zero first; none but 0 where the axis is trusted."""
    step = SHIFT_STEP * fwhm_nm
    count = int(np.ceil(2.0 * shift_sd_nm / step)) if 2.0 * shift_sd_nm > step else 0
    steps = np.arange(-count, count + 1) * step
    return np.asarray(steps[np.argsort(np.abs(steps), kind="stable")])
