"""Frames: spectra as arrays, batch first, with noise, masks and where they came from."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

AxisKind = Literal["pixel", "nm_air"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Detector:
    """What is known of the detector; every field may be unknown (None) and then is estimated from data.

    Attributes
    ----------
    ceiling_counts : float or None
        Counts at and above which a pixel is saturated.
    counts_per_electron : float or None
        Conversion gain: photon-noise variance of one exposure is ``counts_per_electron * counts``.
    read_noise_counts : float or None
        Standard deviation of one exposure in the dark, counts.
    offset_counts : float or None
        Counts of a pixel that no light reaches; photon noise counts from there, 0 where unknown.
    """

    ceiling_counts: float | None = None
    counts_per_electron: float | None = None
    read_noise_counts: float | None = None
    offset_counts: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Origin:
    """Where a frame came from and how it was understood.

    Attributes
    ----------
    file : Path or None
        Source file; None for spectra made in memory.
    line : int or None
        First data line (or the row of a transposed table), counted from 1.
    column : str or None
        Name of the counts column, where the file has several.
    understood : tuple of str
        Plain sentences: what the reader took the file for.
    """

    file: Path | None = None
    line: int | None = None
    column: str | None = None
    understood: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Frames:
    """One or more spectra on one common axis.

    Attributes
    ----------
    axis : ndarray of shape (p,)
        Strictly increasing; pixel number, or wavelength in nm (air).
    axis_kind : {'pixel', 'nm_air'}
        What `axis` is.
    counts : ndarray of shape (n, p)
        Detector counts as read; may be negative after dark subtraction.
    mask : ndarray of bool, shape (n, p)
        True where a value must not be used (NaN, saturated, hot pixel, gap).
    time_s : ndarray of shape (n,)
        Time of each frame in seconds from an origin common to all; NaN where unknown.
    exposure_s : ndarray of shape (n,)
        Exposure time of one scan, s; NaN where unknown.
    averages : ndarray of shape (n,)
        Scans averaged into each frame; 1 where unknown.
    detector : Detector
        What is known of the noise.
    origins : tuple of Origin, length n
        Where each frame came from.
    metadata : tuple of (str, str)
        The preamble of the file as ``key, value`` pairs, kept as read.
    started_at : str or None
        Wall-clock time of ``time_s == 0`` in ISO 8601, if the files tell.
    added_variance : ndarray of shape (p,) or None
        Variance of what was subtracted from every frame (a dark), counts²; None where nothing was.
    known_variance : ndarray of shape (n, p) or None
        Variance of every value where the source states it, counts²; None: estimated by the noise model.
    """

    axis: NDArray[np.float64]
    axis_kind: AxisKind
    counts: NDArray[np.float64]
    mask: NDArray[np.bool_]
    time_s: NDArray[np.float64]
    exposure_s: NDArray[np.float64]
    averages: NDArray[np.float64]
    detector: Detector = Detector()
    origins: tuple[Origin, ...] = ()
    metadata: tuple[tuple[str, str], ...] = ()
    started_at: str | None = None
    added_variance: NDArray[np.float64] | None = None
    known_variance: NDArray[np.float64] | None = None

    def __post_init__(self) -> None:
        counts = np.asarray(self.counts, dtype=np.float64)
        if counts.ndim != 2:
            raise ValueError(f"counts must have shape (n, p), got {counts.shape}")
        n, p = counts.shape
        shapes = {"axis": (p,), "mask": (n, p), "time_s": (n,), "exposure_s": (n,), "averages": (n,)}
        object.__setattr__(self, "counts", _frozen(counts))
        for name, shape in shapes.items():
            dtype = np.bool_ if name == "mask" else np.float64
            array: NDArray[Any] = np.asarray(getattr(self, name), dtype=dtype)
            if array.shape != shape:
                raise ValueError(f"{name} has shape {array.shape}, expected {shape}")
            object.__setattr__(self, name, _frozen(array))
        if self.added_variance is not None and self.added_variance.shape != (p,):
            raise ValueError(f"added_variance has shape {self.added_variance.shape}, expected {(p,)}")
        if self.known_variance is not None and self.known_variance.shape != (n, p):
            raise ValueError(f"known_variance has shape {self.known_variance.shape}, expected {(n, p)}")
        if p > 1 and not np.all(np.diff(self.axis) > 0):
            raise ValueError("axis must be strictly increasing")

    def __len__(self) -> int:
        return self.counts.shape[0]

    def __getitem__(self, index: int | slice | NDArray[np.intp] | NDArray[np.bool_]) -> Frames:
        """Return a Frames of the chosen frames (a single index gives a Frames of one)."""
        rows = np.atleast_1d(np.arange(len(self))[index])
        return replace(
            self,
            counts=self.counts[rows],
            mask=self.mask[rows],
            time_s=self.time_s[rows],
            exposure_s=self.exposure_s[rows],
            averages=self.averages[rows],
            origins=tuple(self.origins[i] for i in rows) if self.origins else (),
            known_variance=None if self.known_variance is None else self.known_variance[rows],
        )


def frames_from_arrays(
    axis: NDArray[np.float64],
    counts: NDArray[np.float64],
    *,
    axis_kind: AxisKind = "nm_air",
    time_s: NDArray[np.float64] | None = None,
    exposure_s: float = float("nan"),
    detector: Detector | None = None,
) -> Frames:
    """Build Frames from plain arrays.

    Parameters
    ----------
    axis : ndarray of shape (p,)
        Pixel numbers or nm (air), strictly increasing.
    counts : ndarray of shape (p,) or (n, p)
        Counts; NaN is masked. Nothing else is looked for here: set what stands at the detector's ceiling, and hot
        pixels, to NaN (`read_spectra` finds both in files, the measurement of a run the ceiling).
    axis_kind : {'pixel', 'nm_air'}
        What `axis` is.
    time_s : ndarray of shape (n,), optional
        Times in s; NaN where left out.
    exposure_s : float
        Exposure of every frame, s.
    detector : Detector, optional
        What is known of the noise.

    Returns
    -------
    Frames
    """
    counts = np.atleast_2d(np.asarray(counts, dtype=np.float64))
    n = counts.shape[0]
    mask = ~np.isfinite(counts)
    return Frames(
        axis=axis,
        axis_kind=axis_kind,
        counts=np.where(mask, 0.0, counts),
        mask=mask,
        time_s=np.full(n, np.nan) if time_s is None else time_s,
        exposure_s=np.full(n, exposure_s),
        averages=np.ones(n),
        detector=detector or Detector(),
        origins=tuple(Origin() for _ in range(n)),
    )


def _frozen(array: NDArray[Any]) -> NDArray[Any]:
    """Return a read-only view: runs are large, so the data are not copied."""
    view = array.view()
    view.flags.writeable = False
    return view
