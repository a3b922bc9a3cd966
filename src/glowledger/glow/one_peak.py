"""Are two features of a species one line of something else, that stands between or beside their places?"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.fitting import Solution
from glowledger.glow.line_shape import unit_profile
from glowledger.glow.scene import Scene

APART_WIDTHS = 3.3  # line widths, from which on a line is out of the other's foot
REACH_WIDTHS = 1.2  # on either side of the two
PLACES_IN_WIDTH = 20  # that are tried for the one line


def one_peak(
    scene: Scene,
    solution: Solution,
    shown: NDArray[np.float64],
    variance: NDArray[np.float64],
    tops: tuple[int, int],
) -> bool:
    """Return whether one line anywhere explains what is shown at two features at least as well as both do.

    Parameters
    ----------
    scene, solution : Scene, Solution
        The fit.
    shown : ndarray of shape (3, p)
        What all other species leave, the light of the species, and minus its slope.
    variance : ndarray of shape (p,)
        Of the data.
    tops : tuple of two int
        Pixels of the features.

    Returns
    -------
    bool
        False where they are too far apart for one line. Both may be brighter or fainter together and stand a little
        aside, the one line has any place; a level and a slope are left to either.
    """
    nm, shape = scene.axis_nm, solution.adjustment.shape
    low, high = sorted((float(nm[tops[0]]), float(nm[tops[1]])))
    fwhm = float(np.hypot(scene.line_spread.fwhm(low) * shape.width, scene.pixel_nm))
    if high - low > APART_WIDTHS * fwhm:
        return False
    reach = REACH_WIDTHS * fwhm
    at = np.flatnonzero(scene.used & (nm > low - reach) & (nm < high + reach))
    root = 1.0 / np.sqrt(variance[at])
    smooth = np.linalg.qr(np.stack([root, (nm[at] - low) * root], axis=1))[0]

    def upright(rows: NDArray[np.float64]) -> NDArray[np.float64]:
        scaled = rows * root
        return np.asarray(scaled - (scaled @ smooth) @ smooth.T)

    places = np.arange(low - fwhm, high + fwhm, fwhm / PLACES_IN_WIDTH)
    distance = (nm[at] - places[:, None]) / fwhm
    lines = upright(unit_profile(distance, shape.lorentz_fraction, shape.asymmetry))
    rest, both = upright(shown[0, at]), upright(shown[1:, at])
    told = (lines @ rest) ** 2 / np.maximum(np.sum(lines**2, axis=1), np.finfo(float).tiny)
    amounts = np.linalg.lstsq(both.T, rest, rcond=None)[0]
    return float(rest @ rest - told.max()) <= float(np.sum((rest - amounts @ both) ** 2))
