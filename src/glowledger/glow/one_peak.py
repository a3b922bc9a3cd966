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
    smooth = np.stack([np.ones(at.size), nm[at] - low])
    rest = shown[0, at] * root

    def left(light: NDArray[np.float64]) -> float:
        columns = np.concatenate([light, smooth]) * root
        amounts = np.linalg.lstsq(columns.T, rest, rcond=None)[0]
        return float(np.sum((rest - amounts @ columns) ** 2))

    places = np.arange(low - fwhm, high + fwhm, fwhm / PLACES_IN_WIDTH)
    lines = (unit_profile((nm[at] - place) / fwhm, shape.lorentz_fraction, shape.asymmetry) for place in places)
    return min(left(line[None]) for line in lines) <= left(shown[1:, at])
