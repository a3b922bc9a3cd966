"""Where a decay starts after a rise, and where its level stepped: both found from the past only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from glowledger.runs.decay import estimate_noise, middle

Floats = NDArray[np.float64]

RISE = 6.0  # standard deviations by which the smoothed top must stand above what came before it
STEP_GAIN = 32.0  # 2 ln L gained by a step, among some ten places looked at after every frame
DOUBT_GAIN = 12.0  # from which nothing is to be declared until more frames tell
CLEAR_GAIN = 40.0  # for a step to be called
SHARPER = 8.0  # and by how much more than the best ramp gains
BURST = 9  # bins of the running median
_BACK = np.array([5, 6, 7, 8, 10, 12, 15, 19, 24, 30, 38, 48, 60])


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A step among the latest bins.

    Attributes
    ----------
    at : int
        First bin after it; 0 if it is only suspected.
    clear : bool
        It shows so clearly that it may be called.
    """

    at: int
    clear: bool


def top_after_rise(value: Floats, weight: Floats) -> int | None:
    """Return the bin at which a signal that first rose is highest, or None if it did not rise.

    Parameters
    ----------
    value, weight : ndarray of shape (n,)
        Bins in time order and their weights.

    Returns
    -------
    int or None

    Notes
    -----
    Means over a tenth of the bins; their noise from their second differences, which neither a trend nor
    correlation within a mean can feign.
    """
    n = len(value)
    width = max(3, n // 10)
    if n < 3 * width + 2:
        return None
    sums = np.cumsum(np.insert(weight * value, 0, 0.0))
    weights = np.cumsum(np.insert(weight, 0, 0.0))
    means = (sums[width:] - sums[:-width]) / np.maximum(weights[width:] - weights[:-width], 1e-300)
    apart = means[::width]
    if len(apart) < 5:
        return None
    bend = apart[:-2] - 2 * apart[1:-1] + apart[2:]
    single = value[:-2] - 2 * value[1:-1] + value[2:]
    noise = 1.4826 * max(
        float(np.median(np.abs(bend))) / np.sqrt(6.0), float(np.median(np.abs(single))) / np.sqrt(6.0 * width)
    )
    top = int(np.argmax(means))
    if top < width or means[top] - float(means[: top - width + 1].min()) < RISE * np.sqrt(2.0) * noise:
        return None
    return top + width // 2


def rising_now(value: Floats, weight: Floats) -> bool:
    """Say whether the latest eighth of the bins stands clearly above the lowest such stretch before it."""
    n = len(value)
    width = max(8, n // 8)
    if n < 3 * width:
        return False
    sums = np.cumsum(np.insert(weight * value, 0, 0.0))
    weights = np.cumsum(np.insert(weight, 0, 0.0))
    means = (sums[width:] - sums[:-width]) / np.maximum(weights[width:] - weights[:-width], 1e-300)
    rise = float(means[-1] - means[:-width].min())
    single = value[:-2] - 2 * value[1:-1] + value[2:]
    apart = means[::width]
    bend = apart[:-2] - 2 * apart[1:-1] + apart[2:] if len(apart) > 4 else np.zeros(1)
    noise = 1.4826 * max(middle(np.abs(single)) / np.sqrt(6.0 * width), middle(np.abs(bend)) / np.sqrt(6.0))
    return bool(rise > RISE * np.sqrt(2.0) * noise and rise > 0.03 * float(np.abs(means).max()))


def abrupt_step(
    time: Floats, residual: Floats, precision: Floats, design: Floats, parameters: int, least: float
) -> Step | None:
    """Return a step among the latest bins, or the suspicion of one, or None.

    Parameters
    ----------
    time, residual, precision : ndarray of shape (n,)
        Bins, residuals of the best smooth shape, prior weights.
    design : ndarray of shape (n, p)
        Columns of that fit.
    parameters : int
        Number of fitted parameters.
    least : float
        Steps smaller than this may be the misfit of the shape.

    Returns
    -------
    Step or None

    Notes
    -----
    Generalised likelihood ratio over the place of the step, as in Lai, J. R. Stat. Soc. B 57, 613 (1995). The
    noise is that of the residuals with the step taken out; bursts are pulled in to three standard deviations about
    the median of their nine neighbours, which a step of five bins passes unharmed; a ramp from each place competes,
    so that the knee of a decay is not taken for a step.
    """
    n = len(time)
    places = n - _BACK[n - 8 >= _BACK]
    if len(places) == 0:
        return None
    scale = 1.4826 * middle(np.abs(residual * np.sqrt(precision)))
    reach = 3.0 * max(scale, 1e-12) / np.sqrt(precision)
    usual = median_filter(residual, BURST)
    half = BURST // 2
    usual[:half], usual[-half:] = usual[half], usual[-half - 1]
    pulled = np.clip(residual, usual - reach, usual + reach)
    inverse = normal_inverse(design, precision)
    refit = design @ (inverse @ (design.T @ (precision * pulled)))  # robust weights had left the step out of the fit
    pulled = pulled - refit
    step = (np.arange(n)[:, None] >= places).astype(float)
    gain, size = _gain(step, pulled, precision, design, inverse)
    best = int(np.argmax(gain))
    if gain[best] < 0.5 * DOUBT_GAIN * scale**2 or abs(size[best]) < least:
        return None
    alone = step[:, best] - design @ (inverse @ (design.T @ (precision * step[:, best])))
    apart = residual - refit - size[best] * alone
    noise, _ = estimate_noise(apart * np.sqrt(precision), np.ones(n, dtype=bool), parameters + 1)
    if gain[best] < DOUBT_GAIN * noise.variance:
        return None
    if gain[best] < STEP_GAIN * noise.variance:
        return Step(at=0, clear=False)
    ramp = np.maximum(time[:, None] - time[places - 1], 0.0)
    if gain[best] - float(_gain(ramp, pulled, precision, design, inverse)[0].max()) < SHARPER * noise.variance:
        return Step(at=0, clear=False)
    near = np.arange(places[min(best + 1, len(places) - 1)], places[max(best - 1, 0)] + 1)
    fine = (np.arange(n)[:, None] >= near).astype(float)
    first = int(near[int(np.argmax(_gain(fine, pulled, precision, design, inverse)[0]))])
    return Step(at=first, clear=bool(gain[best] > CLEAR_GAIN * noise.variance))


def normal_inverse(design: Floats, weight: Floats) -> Floats:
    """Return the inverse of the weighted normal matrix, with a trace of ridge against coinciding columns."""
    normal = (design * weight[:, None]).T @ design
    diagonal = normal.reshape(-1)[:: len(normal) + 1]  # a view
    diagonal *= 1.0 + 1e-10
    diagonal += 1e-30
    return np.asarray(np.linalg.inv(normal))


def _gain(columns: Floats, residual: Floats, weight: Floats, design: Floats, inverse: Floats) -> tuple[Floats, Floats]:
    """Return what each column alone takes up of the weighted sum of squares, and its coefficient, shape (m,).

    The residual is that of a weighted least-squares fit of the design with these weights.
    """
    weighted = columns * weight[:, None]
    cross = design.T @ weighted
    spread = np.sum(weighted * columns, axis=0) - np.sum(cross * (inverse @ cross), axis=0)
    spread = np.maximum(spread, 1e-9)
    signal = weighted.T @ residual
    return np.asarray(signal**2 / spread), np.asarray(signal / spread)
