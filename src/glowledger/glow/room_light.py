"""Whether a spectrum looks as if a fluorescent lamp shone into it: only then is its phosphor looked for."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.noise_levels import noise_of_one
from glowledger.glow.starting import bridged
from glowledger.spectra.frames import Frames
from glowledger.spectra.noise import variance_of

# Brightest light of such a lamp around three places, nm: two lines of mercury (NIST ASD), the second with the green
# band of Tb3+ beside it, and the red band of Eu3+ (places of bands: common practice, no source)
BRIGHTEST = (((425.0, 450.0), (435.83,)), ((530.0, 560.0), (546.07, 542.4)), ((596.0, 640.0), (611.6,)))
BAND_OFF_NM = 1.0  # what makes of phosphor, and the shape of a band, leave open
LINE_PART = 1.0  # of a line width: how far the top of a line may be off; a saturated one has none
CLEAR = 10.0  # standard deviations of noise above what lies around


def fluorescent(frames: Frames, fwhm_nm: float, shift_sd_nm: float) -> bool:
    """Return whether the brightest light around three places stands where a fluorescent lamp has it.

    Parameters
    ----------
    frames : Frames
        One frame with an nm axis.
    fwhm_nm : float
        About the width of a line.
    shift_sd_nm : float
        How far the axis may be off, one standard deviation.

    Returns
    -------
    bool
        False where the three are not in range.
    """
    nm, counts = frames.axis, bridged(frames.counts[0], frames.mask[0])
    offsets = [_offsets(nm, counts, frames, span, places) for span, places in BRIGHTEST]
    if any(one.size == 0 for one in offsets):
        return False
    room = LINE_PART * fwhm_nm + BAND_OFF_NM
    blue, *others = offsets
    return any(
        abs(off) < 2 * shift_sd_nm + LINE_PART * fwhm_nm and all(np.any(np.abs(one - off) < room) for one in others)
        for off in blue.tolist()
    )


def _offsets(
    nm: NDArray[np.float64], counts: NDArray[np.float64], frames: Frames, span: tuple[float, float],
    places: tuple[float, ...],
) -> NDArray[np.float64]:
    """Return how far the brightest pixel in a span is from each place, nm; none where nothing stands out."""
    if nm[0] > span[0] or nm[-1] < span[1]:
        return np.zeros(0)
    here = (nm > span[0]) & (nm < span[1])
    light, known = counts[here], frames.known_variance
    floor = np.interp(nm[here], span, np.interp(span, nm, counts))  # the blue phosphor rises under the line of mercury
    above = light - floor
    if known is None:
        variance = variance_of(light, noise_of_one(frames).detector, float(frames.averages[0]))
    else:
        variance = known[0][here]
    top = int(above.argmax())
    if above[top] < CLEAR * np.sqrt(variance[top]):
        return np.zeros(0)
    return nm[here][top] - np.array(places)
