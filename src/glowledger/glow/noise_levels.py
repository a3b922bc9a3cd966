"""How far data may differ from the model: read noise, photon noise, and imperfect templates.

var = s (a + b·model) + n ((ε·lines)² + (η·around)² + (ζ·bands)²). a and b are the detector's; ε says that templates
are never exact in height (branching, band shape), η that they are not in shape, which shows in the light around a
line. They are told apart by where the residuals are: tops that misfit beside wings that fit are errors of height
alone, and were one number to stand for both, the many pixels of the wings would outvote the few of the tops. ζ is
what is left in bands whose strengths have factors of their own; no line is so well known. A template error is alike
over the pixels of one line, so for tests of a line its variance is multiplied by n, the pixels in a line: only then
is an error of ε in a line worth one standard deviation in total. s is 1, and more where a spectrum was smoothed
before it was written.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.quantiles import quantile
from glowledger.spectra.frames import Frames
from glowledger.spectra.noise import NoiseEstimate, estimate_noise

STUDENT_DOF = 4.0  # residuals of unlisted lines are outliers: common practice in robust fits
FIRST_MISMATCH, FIRST_MISSHAPE, FIRST_WITHIN = 0.05, 0.05, 0.03
LEAST_WITHIN = 0.01  # no rotational structure drawn at one temperature is better than that: an assumption
DARK_PART = 0.35  # of the pixels: where read noise is looked for when nothing else tells it
DARK_REACH = 15  # pixels
LEAST_DARK = 30  # places that tell it
LARGEST_MISMATCH = 0.35
LEAST_SHAPE = 0.5  # of the smallest mismatch: a line shape is fitted, the strengths of lines stand in tables
MOST_STEPS = 40
LEAST_BEND = 1e-2  # per squared logarithm
LONGEST_STEP = 1.5  # of a logarithm
HELD_BACK = 0.1  # damping: the gain of a step this much shortened says nothing of what is left to gain
ENOUGH = 1e-4  # of the logarithm of the likelihood: less is not worth another step
ENOUGH_MEANWHILE = 0.03  # the same where another round of the fit asks again
# where the search begins at least and at most: gone to nothing in an earlier round, a part may come back
BEGUN = np.array([[0.05, 0.01, 0.01, 0.005, 0.005], [20.0, 1e3, *(3 * [LARGEST_MISMATCH])]])
POWERS = np.array([1.0, 1.0, 2.0, 2.0, 2.0])  # of the variance in each level: ε, η and ζ count squared
# relative to what was measured; ε, η and ζ as templates usually are
PRIOR_CENTRE = np.array([0.0, 0.0, np.log(0.03), np.log(0.03), np.log(0.015)])
PRIOR_SD = np.array([1.5, 6.0, 1.5, 1.5, 1.5])


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseLevels:
    """The parts of the variance.

    Attributes
    ----------
    read_variance : float
        a, counts².
    gain : float
        b, counts: photon-noise variance per count.
    mismatch : float
        ε, relative: of the height of lines.
    misshape : float
        η, relative to the top of a lone line: of their shape.
    within : float
        ζ, relative: of bands with a factor of their own.
    shared : float
        Factor of the noise in tests of a line where neighbouring pixels share their noise; see `shared_pixels`.
    unbounded : tuple of float
        ε, η and ζ before their bounds were imposed, from where they are sought again; empty where not fitted yet.
    """

    read_variance: float
    gain: float
    mismatch: float
    misshape: float = 0.0
    within: float = 0.0
    shared: float = 1.0
    unbounded: tuple[float, ...] = ()

    @property
    def template_error(self) -> float:
        """Both template errors of lines together, relative, at the top of a lone one."""
        return float(np.hypot(self.mismatch, self.misshape))

    def template_variance(self, errors: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the variance of template errors in each pixel, counts², shape (p,), from `error_shape`, (3, p)."""
        levels = np.array([self.mismatch, self.misshape, self.within])
        return np.asarray(np.tensordot(levels**2, errors**2, 1))

    def random_variance(self, model: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the variance of read and photon noise in each pixel, counts², same shape as `model`."""
        return np.asarray(self.read_variance + self.gain * np.maximum(model, 0.0))

    def pixel_variance(self, model: NDArray[np.float64], errors: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the variance in each pixel, counts², same shape as `model`; `errors` from `error_shape`."""
        return np.asarray(self.random_variance(model) + self.template_variance(errors))

    def line_variance(
        self, model: NDArray[np.float64], errors: NDArray[np.float64], pixels_per_line: float
    ) -> NDArray[np.float64]:
        """Return the variance for tests of a line, what its pixels have in common counted once, counts²."""
        return np.asarray(self.shared * self.random_variance(model) + pixels_per_line * self.template_variance(errors))


@lru_cache(maxsize=4)
def noise_of_one(frames: Frames) -> NoiseEstimate:
    """Return the noise estimate of one spectrum; several ask for it."""
    return estimate_noise(frames)


@lru_cache(maxsize=4)
def first_levels(frames: Frames) -> tuple[NoiseLevels, bool]:
    """Return the noise of one spectrum before any fit, and whether its gain is known rather than assumed.

    Parameters
    ----------
    frames : Frames
        One spectrum; what its detector knows is kept.

    Returns
    -------
    NoiseLevels
        With first template errors of 5 %.
    bool
        True if the conversion gain was stated or measured.
    """
    estimate = noise_of_one(frames)
    scans = float(frames.averages[0])
    smallest = (1e-6 * float(np.ptp(frames.counts[0]))) ** 2 + np.finfo(float).tiny
    known = frames.known_variance is not None or not estimate.gain_assumed
    gain = 0.0
    if frames.known_variance is not None:
        variance = 0.0  # stated by the source: nothing to add
    elif known:
        variance = (estimate.detector.read_noise_counts or 0.0) ** 2 / scans
        gain = (estimate.detector.counts_per_electron or 0.0) / scans
    else:
        stated = frames.detector.read_noise_counts
        variance = _dark_variance(frames) if stated is None else stated**2 / scans
    read = max(variance, smallest)
    levels = NoiseLevels(
        read_variance=read, gain=gain, mismatch=FIRST_MISMATCH, misshape=FIRST_MISSHAPE, within=FIRST_WITHIN
    )
    return levels, known


def _dark_variance(frames: Frames) -> float:
    """Return the variance between neighbouring pixels where one spectrum is darkest.

    Where software has cut off what was below zero nothing is left of the noise: such places do not count.
    """
    from scipy.ndimage import uniform_filter1d

    y = frames.counts[0][~frames.mask[0]]
    bend = y[2:] - 2 * y[1:-1] + y[:-2]
    around = uniform_filter1d(y, DARK_REACH)[1:-1]  # chosen by their own noise, dark pixels would all bend upward
    cut = (y[1:-1] == y.min()) & (bend == 0)
    if cut.size - cut.sum() >= LEAST_DARK:
        bend, around = bend[~cut], around[~cut]
    dark = around <= np.quantile(around, DARK_PART)
    return float((1.4826 * np.median(np.abs(bend[dark]))) ** 2 / 6.0)


def fitted_levels(
    residual: NDArray[np.float64],
    model: NDArray[np.float64],
    errors: NDArray[np.float64],
    stated: NDArray[np.float64],
    first: NoiseLevels,
    last: NoiseLevels,
    *,
    freedom: float,
    gain_known: bool,
    least_mismatch: float,
    mismatch_known: bool = False,
    enough: float = ENOUGH,
) -> NoiseLevels:
    """Fit the noise levels to the residuals of a fit, robustly.

    Parameters
    ----------
    residual, model, stated : ndarray of shape (p,)
        Data minus model; model; variance known beforehand.
    errors : ndarray of shape (3, p)
        Where template errors are expected, from `error_shape`.
    first : NoiseLevels
        From `first_levels`: centre of the prior.
    last : NoiseLevels
        Where to begin.
    freedom : float
        Part of the pixels not spent on parameters: residuals are too small by its root.
    gain_known : bool
        Keep the gain of `first`.
    least_mismatch : float
        Smallest ε worth believing; of η a part of it.
    mismatch_known : bool
        Keep ε as it was first assumed.
    enough : float
        Gain of the logarithm of the likelihood not worth another step.

    Returns
    -------
    NoiseLevels
        Maximum likelihood under Student's t.
    """
    squares = residual**2 / max(freedom, 0.2)
    bright = quantile(np.abs(model), 0.99) + np.sqrt(first.read_variance)
    # each part of the variance at its reference size; the logarithms of the factors are what is fitted
    gain = first.gain if gain_known else first.read_variance / bright
    parts = np.stack([np.full(model.size, first.read_variance), gain * np.maximum(model, 0.0), *errors**2])
    fixed = np.array([False, gain_known, mismatch_known, False, not errors[2].any()])
    photons = last.gain / gain if gain > 0 else 1.0
    mismatch, *others = last.unbounded or (last.mismatch, last.misshape, last.within)
    read = last.read_variance / first.read_variance
    ratios = read, 1.0 if gain_known else photons, FIRST_MISMATCH if mismatch_known else mismatch, *others
    log = np.log(np.clip(ratios, *BEGUN))
    log = _most_likely(log, fixed, parts, stated, squares, enough)
    return NoiseLevels(
        read_variance=first.read_variance * float(np.exp(log[0])),
        gain=gain if gain_known else gain * float(np.exp(log[1])),
        mismatch=float(np.clip(np.exp(log[2]), least_mismatch, LARGEST_MISMATCH)),
        misshape=float(np.clip(np.exp(log[3]), LEAST_SHAPE * least_mismatch, LARGEST_MISMATCH)),
        within=float(np.clip(np.exp(log[4]), LEAST_WITHIN, LARGEST_MISMATCH)),
        shared=last.shared,
        unbounded=tuple(np.exp(log[2:]).tolist()),
    )


def _most_likely(
    log: NDArray[np.float64],
    fixed: NDArray[np.bool_],
    parts: NDArray[np.float64],
    stated: NDArray[np.float64],
    squares: NDArray[np.float64],
    enough: float,
) -> NDArray[np.float64]:
    """Find the most likely logarithms of read, photon and template noise by damped Newton steps, shape (5,).

    Where the likelihood is not bent as at a maximum, Fisher scoring: the expected information of the squared scale v
    of Student's t is ν / (2 (ν + 3) v²) (Lange, Little & Taylor, J. Am. Stat. Assoc. 84, 881 (1989), from memory).
    """
    damping = 1e-3
    misfit, gradient, information = _misfit(log, parts, stated, squares)
    for _ in range(MOST_STEPS):
        step = np.zeros(log.size)
        free = np.flatnonzero(~fixed)
        block = information[np.ix_(free, free)]
        step[free] = -np.linalg.solve(block + damping * np.diag(np.diag(block)), gradient[free])
        step *= min(1.0, LONGEST_STEP / float(np.abs(step).max(initial=1e-12)))
        tried = _misfit(log + step, parts, stated, squares)
        if tried[0] > misfit:
            damping *= 10.0
            if damping > 1e6:
                break
            continue
        gained, log, held = misfit - tried[0], log + step, damping > HELD_BACK
        damping = max(0.2 * damping, 1e-6)
        misfit, gradient, information = tried
        if gained < enough and not held:
            break
    return log


def _misfit(
    log: NDArray[np.float64], parts: NDArray[np.float64], stated: NDArray[np.float64], squares: NDArray[np.float64]
) -> tuple[float, NDArray[np.float64], NDArray[np.float64]]:
    """Return -ln(posterior) up to a constant, its gradient and the observed or, far off, the expected information."""
    power = np.exp(log * POWERS)
    variance = power @ parts + stated
    ratio = squares / (STUDENT_DOF * variance)
    off, sd = log - PRIOR_CENTRE, PRIOR_SD
    # ln v + (ν + 1) ln(1 + r), by two plain logarithms
    logs = (STUDENT_DOF + 1) * np.log(variance * (1.0 + ratio)) - STUDENT_DOF * np.log(variance)
    value = 0.5 * float(logs.sum() + np.sum((off / sd) ** 2))
    shares = parts * (power * POWERS)[:, None] / variance
    pull = 1.0 - (STUDENT_DOF + 1) * ratio / (1.0 + ratio)
    gradient = 0.5 * (shares @ pull)
    prior = np.diag(sd**-2)
    # how the pull changes with the variance, less how the shares do
    bent = (STUDENT_DOF + 1) * ratio / (1.0 + ratio) ** 2 - pull
    information = 0.5 * ((shares * bent) @ shares.T) + np.diag(POWERS * gradient) + prior
    if np.linalg.eigvalsh(information)[0] < LEAST_BEND:
        information = 0.5 * STUDENT_DOF / (STUDENT_DOF + 3) * (shares @ shares.T) + prior
    return value, gradient + off / sd**2, information
