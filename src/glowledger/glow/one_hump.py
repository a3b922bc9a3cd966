"""Light that is one broad hump, as of a coloured LED, or smooth throughout: patterns fit it, and none is there."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

NEARLY_ALL = 0.9  # of the light lies in the hump
BESIDE = 1.5  # widths to either side of its top that belong to it
MUCH_NARROWER = 0.1  # of the hump: lines so narrow are none of its own making
SMOOTH_NM = 24.0  # no band or line of a spectrometer that can tell species apart is so wide
LEAST_NM, MOST_NM, STANDS_OUT = 1.0, 6.0, 5.0  # sums of so many nanometres; some hundred of them, in both directions
MEDIAN_OF_NORMAL = 0.6744897501960817  # upper quartile of the normal distribution
SMOOTHED = 0.5  # of a line width: over what noise is averaged before the top is sought


def hump_width_nm(axis_nm: NDArray[np.float64], data: NDArray[np.float64], fwhm_nm: float) -> float:
    """Return the full width at half maximum of the hump that is nearly all of the light; 0 where there is none.

    Parameters
    ----------
    axis_nm, data : ndarray of shape (p,)
        Spectrum, masked pixels bridged.
    fwhm_nm : float
        Width of the lines that were fitted to it.

    Returns
    -------
    float
        nm.
    """
    from scipy.ndimage import uniform_filter1d

    step = float(np.median(np.diff(axis_nm)))
    light = data - np.median(data)  # a hump that is no glow fills less than half of the axis
    smooth = uniform_filter1d(light, max(1, round(SMOOTHED * fwhm_nm / step)), mode="nearest")
    top = int(np.argmax(smooth))
    low = np.flatnonzero(smooth < 0.5 * smooth[top])
    left, right = int(low[low < top].max(initial=0)), int(low[low > top].min(initial=axis_nm.size - 1))
    width = float(axis_nm[right] - axis_nm[left])
    inside = np.abs(axis_nm - axis_nm[top]) < BESIDE * width
    alone = abs(float(light[~inside].sum())) < (1.0 - NEARLY_ALL) * float(light[inside].sum())
    return width if alone and fwhm_nm > MUCH_NARROWER * width else 0.0


def smooth_over_nm(axis_nm: NDArray[np.float64], data: NDArray[np.float64]) -> float:
    """Return how wide the narrowest structure of a spectrum may be that is smooth throughout, nm; 0 where it is not.

    Every line and every band head stands out of a cubic through what lies around it. Nothing that does so is left
    where noise alone, told from how a pixel differs from the mean of its neighbours, would make as much of it: from one
    pixel to the next the slopes of lines that are a few coarse pixels wide would pass for noise.

    Parameters
    ----------
    axis_nm, data : ndarray of shape (p,)
        Spectrum, masked pixels bridged.
    """
    from scipy.signal import savgol_filter

    step = float(np.median(np.diff(axis_nm)))
    window = round(SMOOTH_NM / step) | 1
    if window < 9 or window > data.size:
        return 0.0
    left = data - savgol_filter(data, window, 3)
    # noise goes by the light: told over as many pixels as the smooth curve is
    size = window * max(1, round(2 * SMOOTH_NM / (window * step)))
    bend = np.abs(np.pad(data[1:-1] - 0.5 * (data[2:] + data[:-2]), 1, mode="edge"))
    sd = np.array([np.median(bend[max(k - size, 0) : k + size]) for k in range(0, data.size, size)])
    sd = np.interp(np.arange(data.size), np.arange(0, data.size, size), sd) / (np.sqrt(1.5) * MEDIAN_OF_NORMAL)
    if not np.all(sd > 0):
        return 0.0
    total = np.cumsum(np.append(0.0, left / sd))
    for part in (LEAST_NM, 0.5 * (LEAST_NM + MOST_NM), MOST_NM):
        n = max(1, round(part / step))
        sums = (total[n:] - total[:-n]) / np.sqrt(n)
        # many faint bands show in the scatter of all sums, of which one in n is independent
        if np.abs(sums).max() > STANDS_OUT or np.mean(sums**2) > 1.0 + STANDS_OUT * np.sqrt(2.0 * n / sums.size):
            return 0.0
    return SMOOTH_NM
