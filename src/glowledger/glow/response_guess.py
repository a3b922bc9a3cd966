"""What response to expect before any was measured, and how far to trust it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.model import Bench

PEAK_NM, BREADTH_NM = 600.0, 260.0  # silicon behind a visible grating and a fibre: common practice, no source
LEAST_RESPONSE = 1e-4  # blocked light keeps a finite column
# closest where acrylic, the commonest window, cuts off: within 25 nm (tables.windows)
NODES_NM = np.array(
    [200.0, 250, 290, 320, 345, 358, 370, 382, 395, 410, 430, 480, 540, 610, 690, 770, 850, 930, 1020, 1120]
)


def expected_response(nm: NDArray[np.float64], bench: Bench | None) -> NDArray[np.float64]:
    """Return the relative photon response, window included, at the wavelengths.

    Parameters
    ----------
    nm : ndarray
        Wavelengths, nm.
    bench : Bench or None
        With a measured response or a known window they are used; a response measured through the window
        already holds it.

    Returns
    -------
    ndarray
        Same shape; never quite zero, so that blocked light keeps a finite column.
    """
    if bench is not None and bench.response is not None:
        window = 1.0 if bench.response.includes_window else window_transmission(nm, bench)[0]
        return np.asarray(np.maximum(bench.response.at(nm) * window, LEAST_RESPONSE))
    guess = np.exp(-(((nm - PEAK_NM) / BREADTH_NM) ** 2)) + 0.02
    return np.asarray(np.maximum(guess * window_transmission(nm, bench)[0], LEAST_RESPONSE))


def window_transmission(
    nm: NDArray[np.float64], bench: Bench | None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return transmission of the stated or measured window and its standard error; 1 and 0 where none is stated."""
    if bench is not None and bench.window.measured:
        return bench.window.measured_at(nm)
    if bench is None or bench.window.material == "unknown":
        return np.ones(np.shape(nm)), np.zeros(np.shape(nm))
    from glowledger.tables.windows import transmission

    return transmission(bench.window.material, bench.window.thickness_mm, nm)


def response_freedom(
    bench: Bench | None, low_nm: float, high_nm: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return nodes of the response correction and how far its logarithm may go at each.

    Parameters
    ----------
    bench : Bench or None
        What is known of the response.
    low_nm, high_nm : float
        Range of the spectrum.

    Returns
    -------
    nodes_nm, log_sd : ndarray of shape (r,)
        Hat functions between the nodes; prior standard deviation of ln(true / expected).
    """
    inside = (low_nm - 60 < NODES_NM) & (high_nm + 60 > NODES_NM)
    nodes = NODES_NM[inside]
    if bench is not None and bench.response is not None:
        error = np.interp(nodes, bench.response.at_nm, bench.response.relative_error)
        if not bench.response.includes_window:
            passed, passed_error = window_transmission(nodes, bench)
            error = np.hypot(error, np.minimum(passed_error / np.maximum(passed, 1e-3), 1.2))
        return nodes, np.maximum(error, 0.03)
    log_sd = np.where(nodes < 330, 1.2, np.where(nodes < 400, 0.9, np.where(nodes > 880, 0.7, 0.4)))
    return nodes, log_sd


def hats(nm: NDArray[np.float64], nodes: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return hat functions on the nodes at the wavelengths, shape (p, r); constant beyond the ends."""
    return np.stack([np.interp(nm, nodes, row) for row in np.eye(nodes.size)], axis=1)


def bends(nm: NDArray[np.float64], nodes: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how far a smooth curve through the nodes may leave the straight pieces, per height of each node.

    Shape (p, r): h²/8 times the second derivative (by divided differences; at the ends that of the next node).
    """
    count = nodes.size
    curvature = np.zeros((count, count))
    for k in range(1, count - 1):
        left, right = nodes[k] - nodes[k - 1], nodes[k + 1] - nodes[k]
        piece = max(left, right) ** 2 / 8.0 * 2.0 / (left + right)
        curvature[k, k - 1 : k + 2] = piece * np.array([1.0 / left, -1.0 / left - 1.0 / right, 1.0 / right])
    if count > 2:
        curvature[0], curvature[-1] = curvature[1], curvature[-2]
    return hats(nm, nodes) @ curvature
