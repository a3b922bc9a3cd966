"""Put a bench to spectra: from pixels to nm."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.model import Bench, WavelengthSolution
from glowledger.errors import CalibrationError
from glowledger.spectra.frames import Frames

AXIS_TOLERANCE = 2e-3  # of the span: two exports of one rough nm axis differ by rounding, not by more


def calibrated(frames: Frames, bench: Bench) -> Frames:
    """Return the frames with the wavelength axis of the bench, in rising order.

    Parameters
    ----------
    frames : Frames
        Spectra on the axis the bench was made for: pixels, or the same rough nm axis.
    bench : Bench
        With a wavelength solution.

    Returns
    -------
    Frames
        `axis_kind` is 'nm_air'; counts and masks are turned round where the instrument runs from red to blue.

    Raises
    ------
    CalibrationError
        If the bench has no solution or was made for another axis.
    """
    solution = _fitting_solution(frames, bench)
    axis = solution.nm(_axis_values(frames, solution))
    backwards = axis[-1] < axis[0]
    if backwards:
        axis = axis[::-1]
    if np.any(np.diff(axis) <= 0):
        raise CalibrationError(
            "the wavelength solution of the bench turns back within the axis.", mend="Calibrate again."
        )
    turned = slice(None, None, -1) if backwards else slice(None)
    frames = as_detected(frames, bench)
    return replace(
        frames,
        axis=np.ascontiguousarray(axis),
        axis_kind="nm_air",
        counts=np.ascontiguousarray(frames.counts[:, turned]),
        mask=np.ascontiguousarray(frames.mask[:, turned]),
        added_variance=None if frames.added_variance is None else frames.added_variance[turned],
        known_variance=None if frames.known_variance is None else frames.known_variance[:, turned],
    )


def as_detected(frames: Frames, bench: Bench) -> Frames:
    """Return the frames with what the bench knows of the detector: hot pixels out, and the ceiling.

    Parameters
    ----------
    frames : Frames
        Spectra in the order of the file, as many points as the bench has pixels.
    bench : Bench
        With hot pixels, ceiling, gain or read noise; what the file itself tells of them comes first.

    Returns
    -------
    Frames
        The ceiling masks raw counts alone; counts less a dark no longer reach it.
    """
    mask, known = np.array(frames.mask), frames.detector
    mask[:, [i for i in bench.hot_pixels if i < mask.shape[1]]] = True
    top, raw = bench.detector.ceiling_counts, frames.added_variance is None
    if top is not None and raw and known.ceiling_counts is None:
        mask |= frames.counts >= top
        known = replace(known, ceiling_counts=top)
    return replace(frames, mask=mask, detector=known)


def extrapolated(frames: Frames, bench: Bench) -> NDArray[np.bool_]:
    """Return which pixels of `calibrated(frames, bench)` lie beyond the outermost lamp line, shape (p,)."""
    solution = _fitting_solution(frames, bench)
    values = _axis_values(frames, solution)
    outside = solution.extrapolated(values)
    return outside[::-1] if solution.nm(values[-1]) < solution.nm(values[0]) else outside


def standard_error_nm(frames: Frames, bench: Bench) -> NDArray[np.float64]:
    """Return the standard error of the axis of `calibrated(frames, bench)`, nm, shape (p,)."""
    solution = _fitting_solution(frames, bench)
    values = _axis_values(frames, solution)
    error = solution.standard_error_nm(values)
    return error[::-1] if solution.nm(values[-1]) < solution.nm(values[0]) else error


def _fitting_solution(frames: Frames, bench: Bench) -> WavelengthSolution:
    file = frames.origins[0].file if frames.origins else None
    if bench.solution is None:
        raise CalibrationError(
            "the bench has no wavelength solution.",
            mend="Make one: glowledger calibrate LAMP.csv --bench bench.toml",
        )
    length = len(frames.axis)
    if length != bench.pixels:
        raise CalibrationError(
            f"has {length} points per spectrum, the bench was made for {bench.pixels}: another instrument or export.",
            mend="Use the bench of this spectrometer, or calibrate again with a lamp file of the same export.",
            file=file,
        )
    low, high = bench.solution.domain
    rough_nm = not _is_pixel_axis(low, high, length)
    if frames.axis_kind == "nm_air" and not rough_nm:
        raise CalibrationError(
            "is already in nm, but the bench was made for a pixel axis.",
            mend="Export raw pixels, or calibrate with a lamp file of the same export.",
            file=file,
        )
    if rough_nm:
        away = max(abs(frames.axis[0] - low), abs(frames.axis[-1] - high))
        if frames.axis_kind == "pixel" or away > AXIS_TOLERANCE * (high - low):
            raise CalibrationError(
                f"runs from {frames.axis[0]:g} to {frames.axis[-1]:g}, the bench was made for {low:g} to {high:g} nm.",
                mend="Use a lamp file and spectra of the same export.",
                file=file,
            )
    return bench.solution


def _is_pixel_axis(low: float, high: float, length: int) -> bool:
    return abs((high - low) - (length - 1)) < 1e-6 and low in (0.0, 1.0)


def _axis_values(frames: Frames, solution: WavelengthSolution) -> NDArray[np.float64]:
    """Return the axis; pixels by their order, so that counting from 0 or from 1 makes no difference."""
    if frames.axis_kind == "pixel":
        return np.linspace(*solution.domain, len(frames.axis))
    return frames.axis
