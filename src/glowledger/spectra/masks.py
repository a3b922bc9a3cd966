"""Values that must not be used: not a number, saturated, hot pixels."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FULL_SCALES = tuple(float(2**bits - 1) for bits in (8, 10, 12, 14, 16, 18, 20))
FLAT_TOP = 3  # neighbours at the maximum that make a flat top


def find_ceiling(counts: NDArray[np.float64]) -> tuple[float | None, str]:
    """Find the counts at which the detector saturates.

    Parameters
    ----------
    counts : ndarray of shape (n, p)
        All frames of one detector; NaN allowed.

    Returns
    -------
    (float or None, str)
        The ceiling and why it is taken for one; None where nothing shows it.
    """
    finite = counts[np.isfinite(counts)]
    if finite.size == 0:
        return None, ""
    top = float(np.max(finite))
    if top <= 0:
        return None, ""
    at_top = counts == top
    if top in FULL_SCALES[1:]:
        return top, f"the highest value, {top:g}, is the full scale of {int(np.log2(top + 1))} bits"
    if np.min(finite) == top:
        return top, f"every value is {top:g}"
    runs = at_top[:, :-2] & at_top[:, 1:-1] & at_top[:, 2:] if counts.shape[1] > 2 else at_top[:, :0]
    if np.any(runs):
        return top, f"the highest value, {top:g}, stands {FLAT_TOP} or more times side by side (a flat top)"
    return None, ""
