"""The transmission of a window from the same light with and without it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.model import Window
from glowledger.errors import CalibrationError
from glowledger.spectra.averaging import mean_frame
from glowledger.spectra.frames import Frames
from glowledger.spectra.noise import estimate_noise, variance

Floats = NDArray[np.float64]

STEP_NM = 2.0
LEAST_SNR = 5.0  # of the light without the window, within a step
STEADY = 0.01  # relative: how alike two exposures of one lamp are; common practice, no source
STRAY_PART = 1e-3  # of the mean light, that may be scattered and pass for transmission


def measured_window(
    with_window: Frames, without_window: Frames, material: str = "measured", thickness_mm: float = 3.0
) -> Window:
    """Return the window as the ratio of two spectra of one steady lamp.

    Parameters
    ----------
    with_window, without_window : Frames
        Dark subtracted, on the same nm axis; exposures may differ if the files tell them.
    material : str
        Name to give it.
    thickness_mm : float
        Thickness in mm, kept as stated.

    Returns
    -------
    Window
        Transmittance in steps of `STEP_NM` where the lamp gives light, with its standard error.

    Raises
    ------
    CalibrationError
        If the axes differ, the axis is in pixels, or the lamp gives too little light.
    """
    if with_window.axis_kind != "nm_air" or without_window.axis_kind != "nm_air":
        raise CalibrationError("a window is measured over nm.", mend="Give the bench of this spectrometer.")
    if with_window.axis.shape != without_window.axis.shape or not np.allclose(
        with_window.axis, without_window.axis, rtol=0, atol=1e-6
    ):
        raise CalibrationError(
            "the two spectra have different axes.", mend="Record both with the same spectrometer and export."
        )
    step = max(STEP_NM, 3.0 * float(np.median(np.diff(with_window.axis))))
    number = ((with_window.axis - with_window.axis[0]) / step).astype(int)
    through, through_var, seen = _binned(with_window, number)
    free, free_var, also = _binned(without_window, number)
    centre = np.bincount(number, with_window.axis) / np.bincount(number)
    scale = _exposures(with_window, without_window)
    stray = STRAY_PART * float(np.mean(np.maximum(free, 0.0)))
    free_sd = np.hypot(np.sqrt(free_var), stray)
    good = (seen > 0) & (also > 0) & (free > LEAST_SNR * free_sd)
    if np.count_nonzero(good) < 3:
        raise CalibrationError(
            "the lamp gives too little light to measure a window.", mend="Expose longer or use a brighter lamp."
        )
    value = through[good] / free[good] * scale
    error = np.sqrt(
        (scale**2 * (through_var[good] + stray**2) + (value * free_sd[good]) ** 2) / free[good] ** 2
        + (STEADY * value) ** 2
    )
    _refuse_brightening(value, error)
    return Window(
        material=material, thickness_mm=thickness_mm, at_nm=tuple(float(x) for x in centre[good]),
        transmittance=tuple(float(x) for x in np.clip(value, 0.0, 1.0)),
        standard_error=tuple(float(x) for x in error),
    )  # fmt: skip


def _binned(frames: Frames, number: NDArray[np.intp]) -> tuple[Floats, Floats, Floats]:
    """Return mean counts per pixel, its variance, and the pixels used, by step."""
    noise = variance(frames, estimate_noise(frames).detector)
    added = 0.0 if frames.added_variance is None else frames.added_variance
    one = mean_frame(frames)
    each = (noise - added).mean(axis=0) / len(frames) + added
    use = (~one.mask[0]).astype(float)
    size: Floats = np.bincount(number, use).astype(np.float64)
    safe = np.maximum(size, 1.0)
    mean: Floats = np.bincount(number, use * one.counts[0]) / safe
    return mean, np.bincount(number, use * each) / safe**2, size


def _exposures(with_window: Frames, without_window: Frames) -> float:
    """Return by what the ratio of counts has to be multiplied for different exposures."""
    ours, theirs = float(with_window.exposure_s.mean()), float(without_window.exposure_s.mean())
    return float(theirs / ours) if np.isfinite(ours) and np.isfinite(theirs) and ours > 0 else 1.0


def _refuse_brightening(value: Floats, error: Floats) -> None:
    """Refuse a window that gives light: the files are exchanged, or the lamp changed."""
    above = float(np.median(value))
    if above > 1.0 + 3.0 * float(np.median(error)) + 0.02:
        raise CalibrationError(
            f"the light with the window is {above:.2f} times that without it.",
            mend="Exchange the two files, or record both again with a steady lamp and the same exposure.",
        )
