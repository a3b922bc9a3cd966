"""How far a wavelength axis may be off, and in what shapes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.model import Bench
from glowledger.glow.response_guess import hats
from glowledger.glow.templates import pixel_edges

LOOSE_OFFSET_SD_NM = 1.0  # an nm axis of unknown origin: common practice for factory calibrations of cheap units
LOOSE_BEND_SD_NM = 0.4
DRIFT_SD_NM = 0.25  # a calibrated one drifts with temperature: 0.01 to 0.06 nm per kelvin, from memory
LEAST_BEND_SD_NM = 0.03
EXTRAPOLATED_FACTOR = 3.0  # where no lamp line bounds the solution its own error is not to be believed
NODE_SPACING_NM = 70.0


def axis_freedom(
    axis_nm: NDArray[np.float64], bench: Bench | None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the shapes in which the axis may be off and how far.

    Parameters
    ----------
    axis_nm : ndarray of shape (p,)
        Believed wavelengths.
    bench : Bench or None
        With a wavelength solution its standard error is used.

    Returns
    -------
    basis : ndarray of shape (p + 1, k)
        At the pixel edges: a common offset, then hat functions on evenly spaced nodes.
    sd_nm : ndarray of shape (k,)
        Prior standard deviation of each, nm.
    """
    edges = pixel_edges(axis_nm)
    count = max(3, round((edges[-1] - edges[0]) / NODE_SPACING_NM) + 1)
    nodes = np.linspace(edges[0], edges[-1], count)
    basis = np.concatenate([np.ones((edges.size, 1)), hats(edges, nodes)], axis=1)
    if bench is None or bench.solution is None:
        bend, offset = np.full(count, LOOSE_BEND_SD_NM), LOOSE_OFFSET_SD_NM
    else:
        low, high = bench.solution.domain
        place = low + np.interp(nodes, axis_nm, np.linspace(0.0, 1.0, axis_nm.size)) * (high - low)
        bend = np.maximum(bench.solution.standard_error_nm(place), LEAST_BEND_SD_NM)
        bend = np.where(bench.solution.extrapolated(place), EXTRAPOLATED_FACTOR * bend, bend)
        offset = DRIFT_SD_NM
    return basis, np.append(offset, bend)


def offset_sd_nm(bench: Bench | None) -> float:
    """Return how far the whole axis may be off, one standard deviation, nm."""
    return LOOSE_OFFSET_SD_NM if bench is None or bench.solution is None else DRIFT_SD_NM
