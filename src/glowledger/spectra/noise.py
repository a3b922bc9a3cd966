"""Noise: read noise and photon noise of a detector, estimated from the spectra where it is not known.

The model is the one of photon transfer (Janesick, Photon Transfer, SPIE 2007, from memory): one exposure has
the variance ``read² + g (counts - offset)``, with g counts per electron; the mean of N scans has 1/N of it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glowledger.rounding import plus_minus
from glowledger.spectra.frames import Detector, Frames
from glowledger.spectra.photon_transfer import fit_line

FULL_WELL_ELECTRONS = 60_000.0  # of small linear CCD and CMOS detectors: 2e4 to 1e5; from memory
_ORDERS = (0, 2, 4, 6)  # of the difference between neighbouring pixels; each removes more of the lines
_MOST_DIFFERENCES = 64
_FEWEST_FRAMES = 6
_FEWEST_CHANGES = 100  # of values between frames, to tell the step in which they are written
_RESOLVED = 1e-12  # of the largest value: numbers written as text have seldom more digits
_ROUNDED, _MULTIPLES = 0.1, 0.95  # of a step from a whole number of steps; and so many of them have to be
SMOOTHED = 0.2  # correlation of neighbours beyond which spectra were smoothed or resampled before they were written

COARSE = (
    "most values do not move from frame to frame: the steps in which they are written are wider than their noise, so "
    "changes of less than a step are lost, and times and ratios of a run are worse than their errors say; expose "
    "longer, or have the spectrometer hand over finer values"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseEstimate:
    """What the spectra tell of the noise of one exposure.

    Attributes
    ----------
    detector : Detector
        As given, with the unknown parts filled in.
    read_noise_se, counts_per_electron_se : float
        Standard errors; NaN for what was given, or assumed.
    gain_assumed : bool
        True if the light does not tell the conversion gain and a usual value was put in.
    neighbour_correlation : float
        Correlation of the noise of adjacent pixels, NaN where it cannot be told (fewer than six frames). Well
        above zero means that the spectra were smoothed before they were written.
    sentences : tuple of str
        The same in plain words.
    """

    detector: Detector
    read_noise_se: float
    counts_per_electron_se: float
    gain_assumed: bool
    neighbour_correlation: float
    sentences: tuple[str, ...]


def variance_of(counts: ArrayLike, detector: Detector, averages: ArrayLike = 1.0) -> NDArray[np.float64]:
    """Return the variance of counts for a known detector.

    Parameters
    ----------
    counts : array_like
        Expected counts, any shape; a model where there is one, else the measured counts.
    detector : Detector
        With read noise and conversion gain; see `estimate_noise`.
    averages : array_like
        Scans averaged, broadcast against `counts`.

    Returns
    -------
    ndarray, shape of `counts`
        counts², never below the read noise.

    Raises
    ------
    ValueError
        If the detector has no read noise or gain.
    """
    if detector.read_noise_counts is None or detector.counts_per_electron is None:
        raise ValueError("the detector has no read noise or no gain: estimate_noise fills them in")
    light = np.maximum(np.asarray(counts, dtype=np.float64) - (detector.offset_counts or 0.0), 0.0)
    one = detector.read_noise_counts**2 + detector.counts_per_electron * light
    return np.asarray(one / np.asarray(averages, dtype=np.float64))


def variance(frames: Frames, detector: Detector | None = None) -> NDArray[np.float64]:
    """Return the variance of every value.

    Parameters
    ----------
    frames : Frames
        Spectra; n frames of p points.
    detector : Detector, optional
        Known or estimated before; estimated from `frames` where left out.

    Returns
    -------
    ndarray of shape (n, p)
        counts², as the source states it or by the noise model. For long runs call `variance_of` on part of
        the frames with the detector of `estimate_noise`.
    """
    if frames.known_variance is not None:
        found = frames.known_variance
    else:
        found = variance_of(
            frames.counts, detector or estimate_noise(frames).detector, frames.averages[:, None]
        )
    return found if frames.added_variance is None else found + frames.added_variance


def estimate_noise(frames: Frames) -> NoiseEstimate:
    """Estimate read noise and conversion gain from the spectra.

    Repeated frames are differenced in time (second differences, so that slow change drops out), and all
    spectra between neighbouring pixels (differences of order 0 to 6, so that lines drop out); the squares are
    pooled by brightness with a median, so that flashes and narrow lines do not count; a straight line through
    variance over counts gives both parts. Of the orders the least variance is taken: structure can only add.

    Parameters
    ----------
    frames : Frames
        One spectrum or many; what `frames.detector` knows is kept.

    Returns
    -------
    NoiseEstimate

    Notes
    -----
    Photon transfer: Janesick (2007), from memory. One spectrum of unresolved lines does not tell the gain;
    then a usual one is assumed (`FULL_WELL_ELECTRONS`) and said so.
    """
    known = frames.detector
    level, squares, correlation, how = _squares_by_level(frames)
    offset = known.offset_counts if known.offset_counts is not None else _offset(level)
    floor = rounding_variance(frames.counts)
    usual = _usual_gain(frames)
    line = fit_line(level - offset, squares, floor, usual)
    read2, read2_se, gain, gain_se = line.read2, line.read2_se, line.gain, line.gain_se
    if len(frames) == 1 and frames.added_variance is not None:
        # between pixels of one frame the noise of its dark is seen too; it is counted apart
        read2 = max(read2 - float(np.median(frames.added_variance) * frames.averages[0]), floor, 0.1 * read2)
    assumed = not gain > 3 * gain_se
    if assumed:  # the usual gain, unless the spectra show that it is less
        gain, gain_se = min(usual, line.most_gain), float("nan")
        read2 = max(line.read2_with(gain), floor)
    if known.counts_per_electron is not None:
        gain, gain_se, assumed = known.counts_per_electron, float("nan"), False
    if known.read_noise_counts is not None:
        read2, read2_se = known.read_noise_counts**2, float("nan")
    read = float(np.sqrt(read2))
    detector = replace(
        known, counts_per_electron=float(gain), read_noise_counts=read, offset_counts=float(offset)
    )
    read_se = read2_se / (2 * read) if read > 0 else float("nan")
    return NoiseEstimate(
        detector=detector,
        read_noise_se=float(read_se),
        counts_per_electron_se=float(gain_se),
        gain_assumed=assumed,
        neighbour_correlation=correlation,
        sentences=_sentences(read, read_se, gain, gain_se, assumed, known, correlation, how),
    )


def _squares_by_level(frames: Frames) -> tuple[NDArray[np.float64], list[NDArray[np.float64]], float, str]:
    """Return brightness (m, p) and, per order of difference, squares (m, p) of expectation variance; NaN =
    unused.
    """
    mask = frames.mask & ~frames.mask.all()  # where all is masked, any estimate will do
    counts = np.where(mask, np.nan, frames.counts)
    weight = np.sqrt(frames.averages)[:, None]
    differences, levels, how = _in_time(counts * weight, counts)
    seen = np.isfinite(differences).any(axis=1)
    if not seen.any():  # masked in one frame or another everywhere
        differences, levels, how = counts * weight, counts, "from neighbouring pixels of single frames"
        seen = np.isfinite(differences).any(axis=1)
    differences, levels = differences[seen], levels[seen]
    if len(frames) > 1:
        differences = _without_flicker(differences, levels)
    correlation = _neighbours(differences, levels[0]) if len(frames) >= _FEWEST_FRAMES else float("nan")
    orders: tuple[int, ...] = _ORDERS if len(frames) > 2 else _ORDERS[1:]
    if correlation > SMOOTHED:  # between pixels that err alike there is less noise than in them
        orders = _ORDERS[:1]
    squares = [_between_pixels(differences, order) ** 2 for order in orders]
    if len(frames) <= 2:
        levels = np.stack([_smoothed(level) for level in levels])
    return levels, squares, correlation, how


def _in_time(
    scaled: NDArray[np.float64], counts: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], str]:
    """Return differences with the noise of one scan, of triples, a pair or one frame, and the counts they
    stand at.
    """
    n = len(counts)
    if n >= 3:
        starts = np.arange(0, n - 2, 3)
        if len(starts) > _MOST_DIFFERENCES:
            starts = starts[np.linspace(0, len(starts) - 1, _MOST_DIFFERENCES).astype(int)]
        triple = scaled[starts] - 2 * scaled[starts + 1] + scaled[starts + 2]
        levels = (counts[starts] + counts[starts + 1] + counts[starts + 2]) / 3.0
        return triple / np.sqrt(6.0), levels, f"from differences between {3 * len(starts)} frames"
    if n == 2:
        return (
            (scaled[1:] - scaled[:1]) / np.sqrt(2.0),
            counts.mean(axis=0)[None],
            "from the difference of two frames",
        )
    return scaled, counts, "from neighbouring pixels of one frame"


def _without_flicker(differences: NDArray[np.float64], levels: NDArray[np.float64]) -> NDArray[np.float64]:
    """Take out of each difference what is in proportion to the spectrum, as when the source flickers."""
    spectrum = levels - np.nanmedian(levels, axis=1, keepdims=True)
    known = np.isfinite(differences)
    shape = np.where(known, spectrum, 0.0)
    power = np.sum(shape**2, axis=1, keepdims=True)
    part = np.sum(np.where(known, differences, 0.0) * shape, axis=1, keepdims=True)
    return differences - spectrum * part / np.where(power > 0, power, 1.0)


def _between_pixels(values: NDArray[np.float64], order: int) -> NDArray[np.float64]:
    """Return differences of even order along pixels, unit noise, centred, NaN at the ends."""
    if order == 0:
        return values - np.nanmedian(values, axis=1, keepdims=True)
    found = np.full(values.shape, np.nan)
    if values.shape[1] > order:
        coefficients = np.array([float(_binomial(order, k)) for k in range(order + 1)])
        half = order // 2
        found[:, half : values.shape[1] - half] = np.diff(values, n=order, axis=1) / np.sqrt(
            np.sum(coefficients**2)
        )
    return found


def _binomial(n: int, k: int) -> int:
    from math import comb

    return comb(n, k)


def _smoothed(level: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a running mean over five pixels weighted as the squared differences of order four are."""
    kernel = np.array([1.0, 16.0, 36.0, 16.0, 1.0])
    if level.size < kernel.size:
        return level
    valid = np.isfinite(level)
    top = np.convolve(np.where(valid, level, 0.0), kernel, mode="same")
    bottom = np.convolve(valid.astype(float), kernel, mode="same")
    return np.where(valid, top / np.where(bottom > 0, bottom, 1.0), np.nan)


def _neighbours(differences: NDArray[np.float64], level: NDArray[np.float64]) -> float:
    """Return the median correlation of adjacent dark pixels."""
    dark = level <= np.nanquantile(level, 0.5)
    values = differences - np.nanmedian(differences, axis=1, keepdims=True)
    pair = dark[:-1] & dark[1:]
    left, right = values[:, :-1][:, pair], values[:, 1:][:, pair]
    scale = np.nanmedian(values[:, dark] ** 2)
    if not scale > 0 or left.size < 1000:
        return float("nan")
    # sum and difference of two values with correlation r have variances in the ratio (1 + r) / (1 - r);
    # medians instead of sums, so that a flash does not count
    plus, minus = np.nanmedian((left + right) ** 2), np.nanmedian((left - right) ** 2)
    return float((plus - minus) / (plus + minus))


def _offset(level: NDArray[np.float64]) -> float:
    """Return the counts of the darkest pixels, from which photon noise is counted."""
    finite = level[np.isfinite(level)]
    return float(np.quantile(finite, 0.02)) if finite.size else 0.0


def rounding_variance(counts: NDArray[np.float64]) -> float:
    """Return the variance that rounding to whole steps of a converter adds, counts²: Δ²/12 (uniform error)."""
    return _quantum(counts) ** 2 / 12.0


def rounding_left(counts: NDArray[np.float64], variance: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what rounding leaves in a mean of many frames, counts², same shape as `variance`.

    Parameters
    ----------
    counts : ndarray of shape (n, p)
        Frames as the converter gave them.
    variance : ndarray of shape (p,)
        Of one frame, its rounding included.

    Notes
    -----
    Noise of more than half a step makes the errors of rounding average out, less noise leaves them alike in all
    frames: Σ Δ² exp(-4 π² k² σ²/Δ²) / (2 π² k²), from the Fourier series of the rounding error under Gaussian noise
    (Widrow & Kollár, Quantization Noise, 2008, from memory); without noise this is Δ²/12.
    """
    step = _quantum(counts)
    if step == 0:
        return np.zeros(variance.shape)
    k = np.arange(1, 200)
    noise = np.maximum(variance / step**2 - 1.0 / 12.0, 0.0)
    terms = np.exp(-4 * np.pi**2 * k**2 * noise[..., None]) / (2 * np.pi**2 * k**2)
    return np.asarray(step**2 * terms.sum(axis=-1))


def coarse_warning(frames: Frames) -> str:
    """Return what to say if most lit values do not move from frame to frame, because a step hides their noise, or ''.

    Frames that repeat the one before as a whole do not count, nor values at the lowest, where a converter may cut off.
    """
    few = frames.counts[:_MOST_DIFFERENCES, ~frames.mask[:_MOST_DIFFERENCES].any(axis=0)]
    step = _quantum(few)
    if len(few) < _FEWEST_FRAMES or step == 0:
        return ""
    same = np.abs(np.diff(few, axis=0)) < 0.5 * step
    lit = few[1:] > np.nanmin(few) + 1.5 * step
    whole = same.all(axis=1)
    lit, same = lit[~whole], same[~whole]
    still = np.count_nonzero(lit) > few.shape[1] / 20 and np.mean(same[lit]) > 0.5
    return COARSE if still else ""


def _quantum(counts: NDArray[np.float64]) -> float:
    """Return the step between possible values: 1 for whole counts, else the smallest seen (0 if none).

    A dark with decimals that was subtracted from all frames hides the step from pixel to pixel, but not from frame to
    frame: there the larger of both counts.
    """
    sample = counts[:: max(1, len(counts) // 4)].ravel()
    sample = sample[np.isfinite(sample)]
    found = 0.0
    if sample.size and np.all(sample == np.round(sample)):
        found = 1.0
    elif sample.size:
        # in whatever unit, watts or parts of full scale: only the last digits of a number in memory are no step
        resolved = _RESOLVED * max(float(np.max(np.abs(sample))), float(np.finfo(np.float64).tiny))
        step = np.diff(np.unique(np.round(sample / resolved))) * resolved
        found = float(np.min(step)) if step.size else 0.0
    return max(found, _quantum_in_time(counts))


def _quantum_in_time(counts: NDArray[np.float64]) -> float:
    """Return the step between values of one pixel in consecutive frames; 0 where most values are no multiples of it."""
    if len(counts) < _FEWEST_FRAMES:
        return 0.0
    change = np.abs(np.diff(counts[:_MOST_DIFFERENCES], axis=0)).ravel()
    change = change[np.isfinite(change) & (change > 1e-9 * max(float(np.nanmax(np.abs(counts))), 1e-300))]
    if change.size < _FEWEST_CHANGES:
        return 0.0
    step = float(np.quantile(change, 0.001))
    return step if np.mean(np.abs(change / step - np.round(change / step)) < _ROUNDED) > _MULTIPLES else 0.0


def _usual_gain(frames: Frames) -> float:
    """Return the gain of a usual detector: its full well fills its converter, of 8 bits or, to be careful, of
    16.
    """
    top = frames.detector.ceiling_counts
    if top is None:
        top = 65535.0 if float(np.max(frames.counts, initial=0.0)) > 255 else 255.0
    return top / FULL_WELL_ELECTRONS


def _sentences(
    read: float,
    read_se: float,
    gain: float,
    gain_se: float,
    assumed: bool,
    known: Detector,
    correlation: float,
    how: str,
) -> tuple[str, ...]:
    found = []
    if known.read_noise_counts is None:
        told = plus_minus(read, read_se, "counts") if np.isfinite(read_se) else f"{read:.3g} counts"
        found.append(f"Read noise {told}, {how}.")
    if known.counts_per_electron is None and assumed:
        found.append(f"The spectra do not tell the photon noise; {gain:.2g} counts per electron is assumed.")
    elif known.counts_per_electron is None:
        found.append(f"Photon noise as of {plus_minus(gain, gain_se, 'counts per electron')}, {how}.")
    if correlation > SMOOTHED:
        found.append(
            "Neighbouring pixels share their noise: the spectra were smoothed before they were written."
        )
    return tuple(found)
