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
    low, high = float(axis_nm[0]), float(axis_nm[-1])
    spacing = max(KNOT_SPACING_NM, WIDTHS_PER_KNOT * fwhm_nm)
    pieces = max(1, round((high - low) / spacing))
    inner = np.linspace(low, high, pieces + 1)
    knots = np.concatenate([[low] * 3, inner, [high] * 3])
    return _cubic_splines(np.clip(axis_nm, low, high), knots)


def _cubic_splines(x: NDArray[np.float64], knots: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the cubic B-splines on k knots at places within them, shape (p, k - 4).

    The recursion of de Boor (J. Approx. Theory 6, 50 (1972), from memory); a few lines here spare every start of
    the program the import of `scipy.interpolate`.
    """
    at = x[:, None]
    splines = ((knots[:-1] <= at) & (at < knots[1:])).astype(np.float64)
    splines[x == knots[-1], np.flatnonzero(np.diff(knots))[-1]] = 1.0
    for degree in (1, 2, 3):
        span = knots[degree:] - knots[:-degree]
        per_nm = np.divide(1.0, span, out=np.zeros_like(span), where=span > 0)
        rising, falling = (at - knots[: -degree - 1]) * per_nm[:-1], (knots[degree + 1 :] - at) * per_nm[1:]
        splines = rising * splines[:, :-1] + falling * splines[:, 1:]
    return splines
