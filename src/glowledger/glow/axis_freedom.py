"""How far a wavelength axis may be off, and in what shapes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.model import Bench
from glowledger.glow.response_guess import hats
from glowledger.glow.templates import pixel_edges

LOOSE_OFFSET_SD_NM = 1.0  # an nm axis of unknown origin: common practice for factory calibrations of cheap units
LOOSE_BEND_SD_NM = 0.4
# Gratings bend an axis smoothly, and so errs the polynomial that stands for it: two cubics of a chip part over a good
# part of its range, never from one node to the next (common practice, no source).
SMOOTH_NM = 150.0
DRIFT_SD_NM = 0.25  # a calibrated one drifts with temperature: 0.01 to 0.06 nm per kelvin, from memory
LEAST_BEND_SD_NM = 0.03
EXTRAPOLATED_FACTOR = 3.0  # where no lamp line bounds the solution its own error is not to be believed
NODE_SPACING_NM = 70.0
FINER_BENDS = 0.25  # of the freedom of a node
SMALLEST_SHAPE = 1e-3  # of the power of the largest


def axis_freedom(
    axis_nm: NDArray[np.float64], bench: Bench | None
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
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
        At the pixel edges: a common offset, then smooth bends.
    sd_nm : ndarray of shape (k,)
        Prior standard deviation of each, nm.
    finer_nm : float
        How far the axis may stray besides, in shapes finer than these, nm.
    """
    edges = pixel_edges(axis_nm)
    count = max(3, round((edges[-1] - edges[0]) / NODE_SPACING_NM) + 1)
    nodes = np.linspace(edges[0], edges[-1], count)
    if bench is None or bench.solution is None:
        bend, offset = np.full(count, LOOSE_BEND_SD_NM), LOOSE_OFFSET_SD_NM
    else:
        low, high = bench.solution.domain
        place = low + np.interp(nodes, axis_nm, np.linspace(0.0, 1.0, axis_nm.size)) * (high - low)
        bend = np.maximum(bench.solution.standard_error_nm(place), LEAST_BEND_SD_NM)
        bend = np.where(bench.solution.extrapolated(place), EXTRAPOLATED_FACTOR * bend, bend)
        offset = DRIFT_SD_NM
    shapes, sd = _smooth(nodes, bend)
    basis = np.concatenate([np.ones((edges.size, 1)), hats(edges, nodes) @ shapes], axis=1)
    return basis, np.append(offset, sd), FINER_BENDS * float(bend.min())


def _smooth(
    nodes: NDArray[np.float64], bend_nm: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return independent shapes of a smooth bend at the nodes, (k, s), and how far each goes, nm, (s,).

    The principal components of a Gaussian process with a Gaussian correlation of length `SMOOTH_NM`.
    """
    apart = (nodes[:, None] - nodes[None, :]) / SMOOTH_NM
    power, shapes = np.linalg.eigh(np.exp(-0.5 * apart**2) * np.outer(bend_nm, bend_nm))
    kept = power > SMALLEST_SHAPE * power.max()
    size = np.abs(shapes[:, kept]).max(axis=0)
    return shapes[:, kept] / size, np.sqrt(power[kept]) * size


def offset_sd_nm(bench: Bench | None) -> float:
    """Return how far the whole axis may be off, one standard deviation, nm."""
    return LOOSE_OFFSET_SD_NM if bench is None or bench.solution is None else DRIFT_SD_NM
