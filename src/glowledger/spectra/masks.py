"""Values that must not be used: saturated, stuck and hot pixels, spikes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from glowledger.spectra.frames import Frames

FULL_SCALES = tuple(float(2**bits - 1) for bits in (8, 10, 12, 14, 16, 18, 20))
FLAT_TOP = 3  # values at the very maximum that make a ceiling
_BELOW = 0.02  # part of the maximum in which an unclipped peak has more values than at its top
_LEAST_STEPS = 50  # steps of the converter below which equal values mean nothing
FEWEST_HIDDEN, OFTEN = 3, 0.02  # frames, and part of all, from which on a hidden pixel is not used in any
FLANK = 2  # pixels beside them, of which a single time is enough
MOST_FRAMES = 256  # that are searched for a ceiling
STUCK_FRAMES = 8  # frames a pixel must stand still in to be stuck
_FEWEST_PIXELS = 20
_REFERENCE_PEAKS = 5  # resolved peaks that must show the line width before a narrower one is refused
_PEAK_SIGMAS = 20.0
_SPIKE_SIGMAS = 12.0
_NARROWER = 0.3  # of the narrowest reference peaks
# of a peak's height in the higher neighbour: less than in any line one pixel wide; that of lines two pixels wide
LONE, _WIDE = 0.12, 0.45
_RESOLVED = 0.3  # the same of lines wider than some 1.3 pixels at half height
_WIDE_PEAKS = 7  # that must be there beside them: among fewer, chance may leave out what lies between
_FEW_BETWEEN = 0.25  # peaks of in-between widths, for each narrow one
_BESIDE, _AROUND = 9, 51  # pixels: over which a peak has its foot, and noise is taken
# pixels summed, as faint wide lines need, and pixels at half height: no line of one pixel is that wide, not even where
# it falls between two
_SMOOTH = ((1, 2.4), (3, 4.5))
_LINES_ALIKE, _ALIKE = 2, 1.4  # lines that wide, and the factor within which the narrowest of them agree


def find_ceiling(counts: NDArray[np.float64]) -> tuple[float | None, str]:
    """Find the counts at which the detector saturates.

    Parameters
    ----------
    counts : ndarray of shape (n, p)
        All frames of one detector; NaN allowed.

    Returns
    -------
    (float or None, str)
        The ceiling and why it is taken for one; None where nothing shows it.

    Notes
    -----
    A ceiling is the full scale of a converter, or a maximum at which values pile up: three or more there, and
    more than twice as many as in the two hundredths below, which an unclipped peak passes through.
    """
    top = float(np.max(counts)) if counts.size else 0.0
    if not np.isfinite(top):
        finite = counts[np.isfinite(counts)]
        top = float(np.max(finite)) if finite.size else 0.0
    if top <= 0:
        return None, ""
    if top in FULL_SCALES[1:]:
        return top, f"the highest value, {top:g}, is the full scale of {round(np.log2(top + 1))} bits"
    near = counts[counts > top * (1 - _BELOW)]
    at_top = int(np.count_nonzero(near == top))
    if at_top == np.count_nonzero(np.isfinite(counts)) and at_top >= FLAT_TOP:
        return top, f"every value is {top:g}"
    whole = bool(np.all(near == np.round(near)))
    if at_top < FLAT_TOP or at_top <= 2 * (near.size - at_top) or (whole and top < _LEAST_STEPS):
        return None, ""
    return top, f"{at_top} values stand at the very maximum, {top:g}, as under a ceiling"


def piled_up(counts: NDArray[np.float64]) -> float | None:
    """Return the ceiling of counts that come from anywhere, or None.

    Parameters
    ----------
    counts : ndarray of shape (n, p)
        Frames; NaN allowed.

    Returns
    -------
    float or None
        Only where values pile up at the maximum within a frame, side by side as a line cut off stands, and beside
        other values; frames given twice, a full scale that one value happens to have, and flat frames show none.
    """
    top, _ = find_ceiling(counts)
    if top is None:
        return None
    frames = {row.tobytes(): row for row in counts[(counts == top).any(axis=1)]}
    at_top = np.array(list(frames.values())) == top
    beside = at_top[:, 1:] & at_top[:, :-1]
    flat = bool(np.any(at_top.all(axis=1)))
    return top if not flat and int(np.count_nonzero(at_top)) >= FLAT_TOP and bool(beside.any()) else None


def with_ceiling(frames: Frames, ceiling: float | None) -> Frames:
    """Return frames with what stands at a ceiling masked, and the ceiling in their detector; None changes nothing."""
    if ceiling is None:
        return frames
    detector = replace(frames.detector, ceiling_counts=ceiling)
    return replace(frames, mask=frames.mask | (frames.counts >= ceiling), detector=detector)


def masked_alike(frames: Frames) -> tuple[Frames, float | None]:
    """Return the frames of a run with one mask for lines at the ceiling, and a ceiling that had to be found in them."""
    stated = frames.detector.ceiling_counts is not None or frames.added_variance is not None
    some = frames[:: max(1, len(frames) // MOST_FRAMES)]
    ceiling = None if stated else piled_up(np.where(some.mask, np.nan, some.counts))
    frames = with_ceiling(frames, ceiling)
    return replace(frames, mask=frames.mask | often_hidden(frames)), ceiling


def often_hidden(frames: Frames) -> NDArray[np.bool_]:
    """Return the pixels that are masked in some frames and not in others, and in more than a few, shape (p,).

    A line at the ceiling in the bright frames of a run is measured there by its flanks and elsewhere by its core: the
    two differ by what the line shape errs, and a trend bends where one gives way to the other.
    """
    times = frames.mask.sum(axis=0)
    often = (times >= FEWEST_HIDDEN) & (times > OFTEN * len(frames))
    near = np.convolve(often, np.ones(2 * FLANK + 1), mode="same") > 0
    return np.asarray((often | (near & (times > 0))) & (times < len(frames)))


def stuck_pixels(counts: NDArray[np.float64], mask: NDArray[np.bool_] | None = None) -> NDArray[np.bool_]:
    """Find pixels that read the same in every frame while the others move.

    Parameters
    ----------
    counts : ndarray of shape (n, p)
        Frames of one run.
    mask : ndarray of bool, shape (n, p), optional
        True where a value is out already; saturated pixels stand still too.

    Returns
    -------
    ndarray of bool, shape (p,)
        All False with fewer than `STUCK_FRAMES` frames, or where standing still is common (coarse steps, no
        noise).
    """
    none = np.zeros(counts.shape[1], dtype=bool)
    if len(counts) < STUCK_FRAMES:
        return none
    still = np.all(counts[: 4 * STUCK_FRAMES] == counts[0], axis=0)
    if mask is not None:
        still &= ~mask[0]
    if not still.any():
        return none
    still[still] = np.all(counts[:, still] == counts[0, still], axis=0)
    return still if still.sum() <= max(2, 0.01 * still.size) else none


def spikes(counts: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Find single pixels that stand out more narrowly than the instrument can make a line.

    Parameters
    ----------
    counts : ndarray of shape (n, p)
        Frames; finite.

    Returns
    -------
    ndarray of bool, shape (n, p)
        True at single high pixels. All False where nothing shows how wide a line is: in an undersampled spectrum
        a single pixel may be a line.

    Notes
    -----
    A peak is told by the higher of its two neighbours over itself. Lines of one width give one kind of ratio where
    they are well sampled, and every ratio down to that of a single pixel where they are not. So peaks are spikes
    where lines prevail that are wide, or where hardly any peak lies between single pixels and wide ones. Two lines
    of one width are enough where hardly anything but single pixels is narrower than they are.
    """
    found = np.zeros(counts.shape, dtype=bool)
    if counts.shape[1] >= _FEWEST_PIXELS:
        for frame, row in zip(counts, found, strict=True):
            row[:] = _lone_pixels(frame)
    return found


def _lone_pixels(counts: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return the spikes of one frame, shape (p,)."""
    from scipy.ndimage import median_filter

    noise = np.abs(np.convolve(counts, [1.0, -2.0, 1.0], mode="same")) / 0.6745 / np.sqrt(6.0)
    sigma = np.maximum(median_filter(noise, _AROUND), 0.5)
    return _among_many_peaks(counts, sigma) | _among_wide_lines(counts, sigma)


def _among_many_peaks(counts: NDArray[np.float64], sigma: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return the peaks that are narrower than many others allow, shape (p,)."""
    from scipy.ndimage import maximum_filter1d, minimum_filter1d

    height = counts - minimum_filter1d(counts, _BESIDE)  # over the foot: a bump of a bright continuum is no line
    side = np.zeros(counts.size)
    side[1:-1] = np.maximum(height[:-2], height[2:])
    peak = (height >= side) & (height > _PEAK_SIGMAS * sigma)
    peak[[0, -1]] = False
    ratio = np.where(peak, side / np.where(peak, height, 1.0), np.nan)
    ratios = np.sort(ratio[peak])
    resolved = ratios[ratios > _RESOLVED]
    if len(resolved) < _REFERENCE_PEAKS:
        return np.zeros(counts.size, dtype=bool)
    # beside something brighter the lowest pixel may be a flank of its own: is it a line over a foot further out?
    further = counts - height - minimum_filter1d(counts, 3 * _BESIDE)
    beside = maximum_filter1d(counts, _BESIDE) > counts
    between = beside & (side + further > _RESOLVED * (height + further))
    narrowest = resolved[len(resolved) // 10]
    if narrowest > _WIDE and len(resolved) >= 3 * (len(ratios) - len(resolved)):
        limit = np.maximum(_NARROWER * narrowest * height, 4 * sigma)
        return np.asarray(peak & (height - side > _SPIKE_SIGMAS * sigma) & (side < limit) & ~between)
    narrow, wide = np.count_nonzero(ratios < LONE), np.count_nonzero(ratios > _WIDE)
    few = wide >= _WIDE_PEAKS and len(ratios) - narrow - wide <= _FEW_BETWEEN * narrow
    return np.asarray((ratio < LONE) & ~between) if few else np.zeros(counts.size, dtype=bool)


def _among_wide_lines(counts: NDArray[np.float64], sigma: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return single high pixels where all else is at least two lines of one width, several pixels wide, shape (p,).

    A spectrometer whose lines fill one pixel shows no such lines, and some of its lines fall between two pixels.
    """
    from scipy.ndimage import minimum_filter1d

    aside = np.stack([np.roll(counts, k) for k in (-2, -1, 1, 2)])
    around = np.median(aside, axis=0)  # on the flank of a line it rises with it
    side = np.maximum(aside[1], aside[2])
    lone = (counts - side > _SPIKE_SIGMAS * sigma) & (side - around < LONE * (counts - around))
    foot = minimum_filter1d(counts, _BESIDE)
    lone &= side - foot < _WIDE * (counts - foot)  # noise on top of a bright line is no spike
    lone[:2] = lone[-2:] = False
    rest = np.where(lone, around, counts)
    told = lone.any() and any(_wide_alike(rest, sigma, *one, int(np.count_nonzero(lone))) for one in _SMOOTH)
    return lone if told else np.zeros(counts.size, dtype=bool)


def _wide_alike(
    counts: NDArray[np.float64], sigma: NDArray[np.float64], summed: int, least_px: float, lone: int
) -> bool:
    """Return whether lines share a width of several pixels, with hardly any narrower beside so many single pixels."""
    from scipy.ndimage import uniform_filter1d
    from scipy.signal import find_peaks, peak_widths

    smooth = uniform_filter1d(counts, summed)
    at, shown = find_peaks(smooth, prominence=_PEAK_SIGMAS / np.sqrt(summed) * sigma)
    foot = (shown["prominences"], shown["left_bases"], shown["right_bases"])
    widths = np.sort(peak_widths(smooth, at, prominence_data=foot)[0])
    wide = widths[widths > least_px]
    alike = len(wide) >= _LINES_ALIKE and wide[_LINES_ALIKE - 1] < _ALIKE * wide[0]
    return bool(alike and len(widths) - len(wide) <= _FEW_BETWEEN * lone)


def hot_pixels(dark: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Find pixels that stand far above their neighbours without light.

    Parameters
    ----------
    dark : ndarray of shape (p,)
        Mean of dark frames: no line can be in it, so that any single high pixel is the detector's.

    Returns
    -------
    ndarray of bool, shape (p,)
    """
    if dark.size < 9:
        return np.zeros(dark.size, dtype=bool)
    padded = np.pad(dark, 2, mode="reflect")
    around = np.median(np.stack([padded[k : k + dark.size] for k in (0, 1, 3, 4)]), axis=0)
    excess = dark - around
    scatter = np.median(np.abs(excess - np.median(excess))) / 0.6745
    return np.asarray(excess > _SPIKE_SIGMAS * max(float(scatter), 0.5))
