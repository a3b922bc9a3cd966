"""The relative response of a spectrometer from the spectrum of a tungsten lamp."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.model import Bench, Response
from glowledger.bench.response_smoothing import SmoothLog, smooth_log
from glowledger.bench.tungsten import filament_temperature, lamp_photons, lamp_relative_error
from glowledger.errors import CalibrationError
from glowledger.spectra.averaging import mean_frame
from glowledger.spectra.frames import Frames
from glowledger.spectra.noise import estimate_noise, variance

Floats = NDArray[np.float64]

KNOT_NM = 4.0  # etalon ripple of thinned chips has periods of 8 to 25 nm: common practice, no source
NODE_NM = 4.0
LEAST_ERROR = 0.01  # relative: how evenly lamp and glow fill the optics; common practice, no source
LEAST_SNR = 10.0  # of the lamp's light within `SNR_NM`; below, the lamp gives too little to tell
SNR_NM = 4.0
MOST_STRAY_ERROR = 0.10  # relative error by scattered light beyond which nothing is claimed
STRAY_FRACTION, STRAY_FRACTION_SE = 1e-3, 1e-3  # of cheap spectrometers 0.0005 to 0.002: from memory
SECOND_ORDER = 5e-3  # of the light at half the wavelength: common practice, no source
BLUE_END_NM = 335.0  # a tungsten lamp behind its bulb gives next to nothing below: common practice, no source
MOST_SATURATED = 0.002
MOST_ROUGH = 0.10  # relative scatter about the smooth curve beyond noise; ripple of thinned chips reaches some 0.05
LEAST_RANGE_NM = 100.0
UNKNOWN_BEYOND = ((0.5, 0.5), (25.0, 1.0), (60.0, 1.5))  # nm past the usable range, relative error there


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LampResponse:
    """A response measured with a lamp, and what was found on the way.

    Attributes
    ----------
    response : Response
        For the bench.
    filament_k, filament_error_k : float
        True temperature of the tungsten and its standard error, K.
    stray_counts, stray_error_counts : float
        Scattered light taken off every pixel.
    smooth : SmoothLog
        The curve.
    sentences : tuple of str
        What the user should know.
    """

    response: Response
    filament_k: float
    filament_error_k: float
    stray_counts: float
    stray_error_counts: float
    smooth: SmoothLog
    sentences: tuple[str, ...]


def refuse_saturated(frames: Frames) -> None:
    """Refuse raw lamp frames at the ceiling: their tops would be taken for low response.

    Raises
    ------
    CalibrationError
        If more than a few pixels stand at the ceiling.
    """
    top = frames.detector.ceiling_counts
    if top is None:
        return
    count = int(np.max(np.count_nonzero(frames.counts >= top, axis=1)))
    if count > max(3, MOST_SATURATED * frames.axis.size):
        raise CalibrationError(
            f"{count} pixels are saturated ({top:g} counts).",
            mend="Expose for less time, so that the lamp peaks at 60 to 85 % of full scale.",
            file=frames.origins[0].file if frames.origins else None,
        )


def lamp_response(
    frames: Frames,
    bench: Bench,
    temperature_k: float,
    temperature_error_k: float = 50.0,
    *,
    colour: bool = True,
    through_window: bool = False,
) -> LampResponse:
    """Return the relative response from a tungsten lamp.

    Parameters
    ----------
    frames : Frames
        The lamp, dark subtracted, with an nm axis; several frames are averaged.
    bench : Bench
        For its stray light, if measured.
    temperature_k, temperature_error_k : float
        Temperature of the lamp and its standard error, K.
    colour : bool
        True if it is the colour temperature (what is printed on lamps), False if that of the filament.
    through_window : bool
        True if the lamp shone through the viewport.

    Returns
    -------
    LampResponse

    Raises
    ------
    CalibrationError
        If the axis is in pixels or the lamp gives too little light to say anything.
    """
    if frames.axis_kind != "nm_air":
        raise CalibrationError(
            "the lamp spectrum has a pixel axis.", mend="Calibrate the wavelengths first: glowledger calibrate."
        )
    filament = filament_temperature(temperature_k) if colour else temperature_k
    noise = variance(frames, estimate_noise(frames).detector)
    one = mean_frame(frames)
    axis, counts = one.axis, one.counts[0]
    added = 0.0 if frames.added_variance is None else frames.added_variance
    random = np.maximum((noise - added).mean(axis=0) / len(frames) + added, 1e-12)
    stray, stray_error, how = _stray(axis, counts, random, bench)
    light = lamp_photons(axis, filament) * np.gradient(axis)
    light /= light.max()
    low, high = _lit(axis, counts - stray, random, stray_error, ~one.mask[0])
    use = ~one.mask[0] & (axis >= low) & (axis <= high)
    spacing = max(KNOT_NM, 3.0 * float(np.median(np.diff(axis))))
    smooth = smooth_log(axis[use], counts[use] - stray, light[use], random[use], spacing)
    _refuse_lines(axis[use], counts[use] - stray, light[use], random[use], smooth)
    nodes = np.linspace(low, high, max(3, round((high - low) / NODE_NM) + 1))
    log_value, log_error = smooth.log_at(nodes)
    best = float(nodes[np.argmax(log_value)])
    level = np.interp(nodes, axis, np.interp(axis, axis[use], (counts - stray)[use]))
    level = np.maximum(_running_mean(level, 3), 1e-12)
    ghost = SECOND_ORDER * np.interp(nodes / 2, axis, counts, left=0.0) / level
    error = np.sqrt(
        LEAST_ERROR**2
        + log_error**2
        + lamp_relative_error(nodes, best, filament, temperature_error_k) ** 2
        + (stray_error / level) ** 2
        + ghost**2
    )
    response = with_unknown_ends(nodes, np.exp(log_value - log_value.max()), error, (low, high), axis, through_window)
    return LampResponse(
        response=response, filament_k=filament, filament_error_k=temperature_error_k, stray_counts=stray,
        stray_error_counts=stray_error, smooth=smooth,
        sentences=_sentences(nodes, error, temperature_k, filament, temperature_error_k, colour, smooth, how),
    )  # fmt: skip


def with_unknown_ends(
    nodes: Floats, value: Floats, error: Floats, usable: tuple[float, float], axis: Floats, through_window: bool
) -> Response:
    """Return a response whose error grows beyond its usable range, where it holds its last value."""
    low, high = usable
    before = [(low - away, value[0], max(worse, error[0])) for away, worse in UNKNOWN_BEYOND]
    after = [(high + away, value[-1], max(worse, error[-1])) for away, worse in UNKNOWN_BEYOND]
    if low - axis[0] < 1.0:
        before = []
    if axis[-1] - high < 1.0:
        after = []
    rows = np.array([*before[::-1], *zip(nodes, value, error, strict=True), *after])
    return Response(
        at_nm=np.round(rows[:, 0], 2), value=_digits(rows[:, 1]), relative_error=_digits(rows[:, 2]),
        usable_nm=(round(float(low), 2), round(float(high), 2)),
        includes_window=through_window,
    )  # fmt: skip


def _digits(values: Floats) -> Floats:
    """Return values rounded to four digits, so that a person can read the bench file."""
    return np.array([float(f"{value:.4g}") for value in values])


def _stray(axis: Floats, counts: Floats, random: Floats, bench: Bench) -> tuple[float, float, str]:
    """Return the scattered light under every pixel, its error, and how it is known."""
    mean = float(np.mean(np.maximum(counts, 0.0)))
    if bench.stray_fraction is not None:
        return bench.stray_fraction * mean, 0.3 * bench.stray_fraction * mean, "as measured of the detector"
    blue = axis < BLUE_END_NM
    if np.count_nonzero(blue) >= 30:
        level = _running_mean(np.where(blue, counts, np.inf), max(5, round(5.0 / float(np.median(np.diff(axis))))))
        lowest = float(np.min(level[np.isfinite(level)], initial=np.inf))
        noise = float(np.sqrt(np.median(random[blue]) / 5.0))
        if np.isfinite(lowest):
            most = max(lowest, 0.0)
            return most, max(0.3 * most, noise), f"as seen below {BLUE_END_NM:.0f} nm, where the lamp is dark"
    return STRAY_FRACTION * mean, STRAY_FRACTION_SE * mean, "assumed: 0.1 ± 0.1 % of all light"


def _running_mean(values: Floats, width: int) -> Floats:
    kernel = np.ones(width)
    finite = np.isfinite(values)
    total = np.convolve(np.where(finite, values, 0.0), kernel, mode="same")
    number = np.convolve(finite.astype(float), kernel, mode="same")
    return np.where(number >= width, total / np.maximum(number, 1), np.where(finite, values, np.inf))


def _lit(
    axis: Floats, light: Floats, random: Floats, stray_error: float, usable: NDArray[np.bool_]
) -> tuple[float, float]:
    """Return the range around the brightest part in which the lamp gives enough light."""
    width = max(3, round(SNR_NM / float(np.median(np.diff(axis)))))
    kernel = np.ones(width)
    number = np.convolve(usable.astype(float), kernel, mode="same")
    total = np.convolve(np.where(usable, light, 0.0), kernel, mode="same")
    noise = np.sqrt(np.convolve(np.where(usable, random, 0.0), kernel, mode="same"))
    enough = (number > 0) & (total > LEAST_SNR * noise) & (stray_error * number < MOST_STRAY_ERROR * total)
    if not enough.any():
        raise CalibrationError(
            "the lamp gives too little light anywhere to measure a response.",
            mend="Expose longer, or move the lamp closer; subtract a dark with --dark.",
        )
    top = int(np.argmax(np.where(enough, total / np.maximum(number, 1), -np.inf)))
    dark = np.flatnonzero(~enough)
    first = dark[dark < top].max(initial=-1) + 1
    last = dark[dark > top].min(initial=axis.size) - 1
    if axis[last] - axis[first] < 20.0:
        raise CalibrationError(
            f"the lamp gives enough light only from {axis[first]:.0f} to {axis[last]:.0f} nm.",
            mend="Expose longer, or move the lamp closer.",
        )
    return float(axis[first]), float(axis[last])


def _refuse_lines(nm: Floats, values: Floats, scale: Floats, random: Floats, smooth: SmoothLog) -> None:
    """Refuse a spectrum with lines: a discharge lamp, not a hot filament."""
    curve = scale * np.exp(smooth.log_at(nm)[0])
    rough = float(np.mean((values - curve) ** 2 / curve**2) - np.mean(random / curve**2))
    if rough > MOST_ROUGH**2 or (smooth.chi2_reduced > 10.0 and nm[-1] - nm[0] < LEAST_RANGE_NM):
        raise CalibrationError(
            "this is no tungsten lamp: its spectrum has lines, a hot filament has none.",
            mend="Use a tungsten-halogen or incandescent lamp, with the room lights off.",
        )


def _sentences(
    nodes: Floats, error: Floats, given_k: float, filament_k: float, error_k: float, colour: bool, smooth: SmoothLog,
    how: str,
) -> tuple[str, ...]:  # fmt: skip
    kind = f"Filament at {filament_k:.0f}"
    if colour:
        kind = f"Colour temperature {given_k:g} K: filament at {filament_k:.0f}"
    worst = int(np.argmax(error))
    said = [
        f"{kind} ± {error_k:.0f} K; Planck's law times the emissivity of tungsten.",
        f"Relative response known from {nodes[0]:.0f} to {nodes[-1]:.0f} nm, to {100 * np.median(error):.0f} % "
        f"typically and {100 * error[worst]:.0f} % at {nodes[worst]:.0f} nm; beyond, the lamp gives too little light "
        "and nothing is claimed.",
        f"Scattered light: {how}.",
    ]
    if smooth.chi2_reduced > 3.0:
        said.append(
            f"The lamp spectrum is rougher than its noise (chi² {smooth.chi2_reduced:.1f}): fine ripple, or room "
            "light in it."
        )
    return tuple(said)
