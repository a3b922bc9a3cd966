"""The conversion gain from repeated frames of a steady light: photon transfer with dark and read noise known."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from glowledger.spectra.frames import Frames

Floats = NDArray[np.float64]

ROUNDS = 8
PARTICLE = 16.0  # times the expected square beyond which a difference does not count
LEAST_SIGMA = 5.0
BENT = 0.1  # standard deviation of what variance lacks at the brightest: thrice of some 3 % by which counts do; common
# practice, no source


def transfer_gain(frames: Frames, light: Floats, read_noise: float) -> tuple[float, float] | None:
    """Return counts per electron and its standard error.

    Parameters
    ----------
    frames : Frames
        Raw repeated frames of a steady light, n frames of p points; masked values are left out.
    light : ndarray of shape (n, p)
        The same less the dark.
    read_noise : float
        Of one exposure, counts.

    Returns
    -------
    (float, float) or None
        None where photon noise does not stand out.

    Notes
    -----
    Squares of differences of consecutive frames, each scaled to the other's total so that flicker of the lamp
    drops out, against ``(read² + g light (1 - b light / brightest))(1/N_a + 1/N_b)``: weighted least squares with the
    weights of the model itself. Where counts fall short of proportion by c, their noise does by 2 c and the light that
    they stand for exceeds them by c: variance lacks b = 3 c. A straight line would make this an error of g. So b is
    found as well, with a prior about 0 of `BENT`. Photon transfer: Janesick, Photon Transfer, SPIE Press (2007), from
    memory.
    """
    first, second = np.arange(0, len(frames) - 1, 2), np.arange(1, len(frames), 2)
    use = ~(frames.mask[first] | frames.mask[second])
    a, b = np.where(use, light[first], 0.0), np.where(use, light[second], 0.0)
    flicker = np.sqrt(np.sum(a, axis=1) / np.maximum(np.sum(b, axis=1), 1e-300))[:, None]
    level = 0.5 * (a / flicker + b * flicker)
    scans = 1.0 / frames.averages[first] + 1.0 / frames.averages[second]
    squares = (a / flicker - b * flicker) ** 2 / scans[:, None]
    bright = use & (level > 0)
    x, y = level[bright], squares[bright]
    if x.size < 50:
        return None
    gain = max(float(np.sum(y - read_noise**2) / np.sum(x)), 1e-9 * float(np.max(x)))
    lacking = 0.0
    shape = np.stack([x, -(x**2) / np.max(x)], axis=1)
    inverse = np.eye(2)
    for _ in range(ROUNDS):
        expected = np.maximum(read_noise**2 + shape @ np.array([gain, lacking]), 0.1 * (read_noise**2 + gain * x))
        weight = np.where(y < PARTICLE * expected, 0.5 * expected**-2, 0.0)  # a square of a normal number: var 2 E²
        precision = (shape * weight[:, None]).T @ shape + np.diag([0.0, (BENT * gain) ** -2])
        inverse = np.linalg.inv(precision)
        gain, lacking = (inverse @ (shape.T @ (weight * (y - read_noise**2)))).tolist()
        gain = max(gain, 1e-12)
    error = float(np.sqrt(inverse[0, 0]))
    return (gain, error) if gain > LEAST_SIGMA * error else None
