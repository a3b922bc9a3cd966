"""Light that is one broad hump, as of a coloured LED: patterns of wide lines fit it, and none of them is there."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

NEARLY_ALL = 0.9  # of the light lies in the hump
BESIDE = 1.5  # widths to either side of its top that belong to it
MUCH_NARROWER = 0.1  # of the hump: lines so narrow are none of its own making
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
