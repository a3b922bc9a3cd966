"""How far data may differ from the model: read noise, photon noise, and imperfect templates.

var = a + b·model + n (ε·lines)². a and b are the detector's; ε says that templates are never exact
(branching, band shape, line shape). A template error is alike over the pixels of one line, so for tests
of a line its variance is multiplied by n, the pixels in a line: only then is an error of ε in a line
worth one standard deviation in total.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from glowledger.spectra.frames import Frames
from glowledger.spectra.noise import estimate_noise

STUDENT_DOF = 4.0  # residuals of unlisted lines are outliers: common practice in robust fits
FIRST_MISMATCH = 0.05
DARK_PART = 0.35  # of the pixels: where read noise is looked for when nothing else tells it
DARK_REACH = 15  # pixels
LARGEST_MISMATCH = 0.35
MOST_STEPS = 70  # of the search, which begins where the last round ended


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseLevels:
    """The three parts of the variance.

    Attributes
    ----------
    read_variance : float
        a, counts².
    gain : float
        b, counts: photon-noise variance per count.
    mismatch : float
        ε, relative.
    """

    read_variance: float
    gain: float
    mismatch: float

    def pixel_variance(
        self, model: NDArray[np.float64], lines: NDArray[np.float64], pixels_per_line: float = 1.0
    ) -> NDArray[np.float64]:
        """Return the variance in each pixel, counts², same shape as `model`."""
        photon = self.gain * np.maximum(model, 0.0)
        return np.asarray(self.read_variance + photon + pixels_per_line * (self.mismatch * lines) ** 2)


def first_levels(frames: Frames) -> tuple[NoiseLevels, bool]:
    """Return the noise of one spectrum before any fit, and whether its gain is known rather than assumed.

    Parameters
    ----------
    frames : Frames
        One spectrum; what its detector knows is kept.

    Returns
    -------
    NoiseLevels
        With a first mismatch of 5 %.
    bool
        True if the conversion gain was stated or measured.
    """
    estimate = estimate_noise(frames)
    scans = float(frames.averages[0])
    smallest = (1e-6 * float(np.ptp(frames.counts[0]))) ** 2 + np.finfo(float).tiny
    if frames.known_variance is not None:  # stated by the source: nothing to add
        return NoiseLevels(read_variance=smallest, gain=0.0, mismatch=FIRST_MISMATCH), True
    if not estimate.gain_assumed:
        read = (estimate.detector.read_noise_counts or 0.0) ** 2 / scans
        gain = (estimate.detector.counts_per_electron or 0.0) / scans
        return NoiseLevels(read_variance=max(read, smallest), gain=gain, mismatch=FIRST_MISMATCH), True
    stated = frames.detector.read_noise_counts
    variance = _dark_variance(frames) if stated is None else stated**2 / scans
    return NoiseLevels(read_variance=max(variance, smallest), gain=0.0, mismatch=FIRST_MISMATCH), False


def _dark_variance(frames: Frames) -> float:
    """Return the variance between neighbouring pixels where one spectrum is darkest."""
    from scipy.ndimage import uniform_filter1d

    y = frames.counts[0][~frames.mask[0]]
    bend = y[2:] - 2 * y[1:-1] + y[:-2]
    around = uniform_filter1d(y, DARK_REACH)[1:-1]  # chosen by their own noise, dark pixels would all bend upward
    dark = around <= np.quantile(around, DARK_PART)
    return float((1.4826 * np.median(np.abs(bend[dark]))) ** 2 / 6.0)


def fitted_levels(
    residual: NDArray[np.float64],
    model: NDArray[np.float64],
    lines: NDArray[np.float64],
    stated: NDArray[np.float64],
    first: NoiseLevels,
    last: NoiseLevels,
    *,
    freedom: float,
    gain_known: bool,
    least_mismatch: float,
) -> NoiseLevels:
    """Fit the noise levels to the residuals of a fit, robustly.

    Parameters
    ----------
    residual, model, lines, stated : ndarray of shape (p,)
        Data minus model; model; where template errors are expected; variance known beforehand.
    first : NoiseLevels
        From `first_levels`: centre of the prior.
    last : NoiseLevels
        Where to begin.
    freedom : float
        Part of the pixels not spent on parameters: residuals are too small by its root.
    gain_known : bool
        Keep the gain of `first`.
    least_mismatch : float
        Smallest ε worth believing.

    Returns
    -------
    NoiseLevels
        Maximum likelihood under Student's t.
    """
    from scipy.optimize import minimize

    squares = residual**2 / max(freedom, 0.2)
    bright = float(np.quantile(np.abs(model), 0.99)) + np.sqrt(first.read_variance)
    light = np.maximum(model, 0.0)

    def unpack(log: NDArray[np.float64]) -> NoiseLevels:
        gain = first.gain if gain_known else np.exp(log[1]) * first.read_variance / bright
        return NoiseLevels(
            read_variance=first.read_variance * np.exp(log[0]), gain=gain, mismatch=np.exp(log[2])
        )

    def misfit(log: NDArray[np.float64]) -> float:
        levels = unpack(log)
        variance = levels.read_variance + levels.gain * light + (levels.mismatch * lines) ** 2 + stated
        spread = np.log(variance) + (STUDENT_DOF + 1) * np.log1p(squares / (STUDENT_DOF * variance))
        prior = (log[0] / 1.5) ** 2 + (log[1] / 6.0) ** 2 + ((log[2] - np.log(0.03)) / 1.5) ** 2
        return 0.5 * float(spread.sum()) + 0.5 * float(prior)

    found = minimize(
        misfit, np.array([0.05, 0.0, np.log(0.03)]), method="Nelder-Mead", options={"maxiter": 160}
    )
    levels = unpack(found.x)
    mismatch = float(np.clip(levels.mismatch, least_mismatch, LARGEST_MISMATCH))
    return NoiseLevels(read_variance=levels.read_variance, gain=levels.gain, mismatch=mismatch)
