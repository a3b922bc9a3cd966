"""The smooth light under lines and bands: continuum, scattered light, a dark level left over."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

KNOT_SPACING_NM = 80.0  # wider than any single band head's fall, narrower than a lamp or H2 continuum
WIDTHS_PER_KNOT = 25.0  # nor narrower than this many line widths


def background_basis(axis_nm: NDArray[np.float64], fwhm_nm: float) -> NDArray[np.float64]:
    """Return non-negative cubic B-splines too broad to swallow a band.

    Parameters
    ----------
    axis_nm : ndarray of shape (p,)
        nm, increasing.
    fwhm_nm : float
        Line width.

    Returns
    -------
    ndarray of shape (p, b)
        Each column positive with peak near 0.67; used with coefficients ≥ 0.
    """
    from scipy.interpolate import BSpline

    low, high = float(axis_nm[0]), float(axis_nm[-1])
    spacing = max(KNOT_SPACING_NM, WIDTHS_PER_KNOT * fwhm_nm)
    pieces = max(1, round((high - low) / spacing))
    inner = np.linspace(low, high, pieces + 1)
    knots = np.concatenate([[low] * 3, inner, [high] * 3])
    return np.asarray(BSpline.design_matrix(np.clip(axis_nm, low, high), knots, 3).toarray())
