"""From frames as read to frames in nm: masks as learned, dark, bench; and frames as bytes, to be kept."""

from __future__ import annotations

import io
import json
from dataclasses import asdict, dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.applying import calibrated
from glowledger.bench.model import Bench, Window
from glowledger.errors import CalibrationError
from glowledger.spectra.darks import subtract_dark
from glowledger.spectra.frames import Detector, Frames, Origin
from glowledger.spectra.noise import estimate_noise
from glowledger.spectra.options import ReadingOptions
from glowledger.spectra.reading import require_light, with_masks

_ARRAYS = ("axis", "counts", "mask", "time_s", "exposure_s", "averages", "added_variance", "known_variance")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Preparation:
    """What is done to every frame of a run before it is measured.

    Attributes
    ----------
    bench : Bench or None
        The instrument, window included.
    dark : Frames or None
        Dark frames to subtract.
    reading : ReadingOptions
        What the user states.
    bad : ndarray of bool, shape (p,), or None
        Pixels masked in every learning frame: stuck, hot or saturated throughout.
    ceiling : float or None
        Counts at and above which a pixel is saturated, found in the learning frames.
    dark_noise : Detector or None
        Noise of the dark, estimated once and not for every frame.
    """

    bench: Bench | None = None
    dark: Frames | None = None
    reading: ReadingOptions = field(default_factory=ReadingOptions)
    bad: NDArray[np.bool_] | None = None
    ceiling: float | None = None
    dark_noise: Detector | None = None

    def __post_init__(self) -> None:
        if self.dark is not None and self.dark_noise is None:
            object.__setattr__(self, "dark_noise", estimate_noise(self.dark).detector)

    def learned(self, frames: Frames) -> Preparation:
        """Return the preparation with masks and ceiling found in frames as read.

        Raises
        ------
        ReadError
            If there is no light in them.
        """
        masked = with_masks(frames, self.reading)
        require_light(masked)
        return replace(self, bad=np.asarray(masked.mask.all(axis=0)), ceiling=masked.detector.ceiling_counts)

    def prepare(self, frames: Frames) -> Frames:
        """Return frames in nm, masked, less the dark.

        Raises
        ------
        CalibrationError
            If the axis is in pixels and there is no bench for it.
        """
        mask = frames.mask if self.bad is None else frames.mask | self.bad
        if self.ceiling is not None:
            mask = mask | (frames.counts >= self.ceiling)
        detector = replace(frames.detector, ceiling_counts=self.ceiling)
        frames = replace(frames, mask=mask, detector=detector)
        if self.dark is not None:
            frames = subtract_dark(frames, self.dark, self.dark_noise)
        if self.bench is not None and self.bench.solution is not None:
            return calibrated(frames, self.bench)
        if frames.axis_kind == "pixel":
            raise CalibrationError(
                "the axis is in pixels, and there is no wavelength calibration for this spectrometer yet.",
                mend="Record a lamp, run 'glowledger calibrate LAMP.csv --lamp auto --bench bench.toml', then give "
                "'--bench bench.toml' here.",
            )
        return frames


def bench_with_window(bench: Bench | None, window: str | None, pixels: int) -> Bench | None:
    """Return the bench with the window that was named, or as it was."""
    if window is None:
        return bench
    return replace(bench or Bench(pixels=pixels), window=Window(material=window))


def packed(frames: Frames) -> bytes:
    """Return frames as bytes (the .npz format of numpy); origins and preamble are left out."""
    arrays = {name: getattr(frames, name) for name in _ARRAYS if getattr(frames, name) is not None}
    rest = {"axis_kind": frames.axis_kind, "detector": asdict(frames.detector), "started_at": frames.started_at}
    stream = io.BytesIO()
    np.savez_compressed(stream, rest=np.array(json.dumps(rest)), **arrays)
    return stream.getvalue()


def unpacked(raw: bytes) -> Frames:
    """Return the frames of `packed`."""
    with np.load(io.BytesIO(raw), allow_pickle=False) as stored:
        arrays = {name: stored[name] for name in _ARRAYS if name in stored}
        rest = json.loads(str(stored["rest"]))
    n = len(arrays["counts"])
    return Frames(
        **arrays, axis_kind=rest["axis_kind"], detector=Detector(**rest["detector"]), started_at=rest["started_at"],
        origins=tuple(Origin() for _ in range(n)),
    )  # fmt: skip
