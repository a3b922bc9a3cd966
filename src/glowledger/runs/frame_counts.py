"""One frame of a run as numbers: counts per species, total light, drift."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.results import SeriesFit

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class FrameCounts:
    """One frame of a run.

    Attributes
    ----------
    time_s, exposure_s : float
        As recorded; NaN where unknown.
    counts, standard_error : ndarray of shape (s,)
        Per species; NaN where the frame has no answer.
    total, total_error, continuum, continuum_error : float
        Light above the dark, and its smooth part, with their standard errors.
    shift_nm : float
        Drift of the axis.
    saturated : bool
        Pixels at the ceiling.
    blinded : bool
        Pixels at the ceiling are among those that are measured: not where a line is cut off in many frames alike.
    guessed : ndarray of shape (s,)
        Part of the counts that stands for missing pixels, contained in the standard error; 0 where that is little.
    shades, shades_error : ndarray of shape (2,)
        Short-wave and long-wave light of a steady gas, in units of their own; NaN where unknown.
    """

    time_s: float
    exposure_s: float
    counts: Floats
    standard_error: Floats
    total: float
    total_error: float
    continuum: float
    continuum_error: float
    shift_nm: float
    saturated: bool
    blinded: bool = True
    guessed: Floats
    shades: Floats = field(default_factory=lambda: np.full(2, np.nan))
    shades_error: Floats = field(default_factory=lambda: np.full(2, np.nan))

    def per_second(self) -> FrameCounts:
        """Return the frame with counts per second of exposure, or itself where the exposure is unknown."""
        if not (np.isfinite(self.exposure_s) and self.exposure_s > 0):
            return self
        e = self.exposure_s
        return replace(
            self,
            counts=self.counts / e,
            standard_error=self.standard_error / e,
            total=self.total / e,
            total_error=self.total_error / e,
            continuum=self.continuum / e,
            continuum_error=self.continuum_error / e,
            shades=self.shades / e,
            shades_error=self.shades_error / e,
        )

    @property
    def usable(self) -> bool:
        """True if the frame has light and at least one species answer."""
        return bool(np.isfinite(self.total) and np.isfinite(self.counts).any())

    @property
    def channels(self) -> Floats:
        """Species counts, total light and continuum, shape (s + 2,)."""
        return np.append(self.counts, [self.total, self.continuum])

    @property
    def channel_errors(self) -> Floats:
        """Standard errors of `channels`, 0 where unknown, without those of what is `guessed`."""
        seen = np.sqrt(np.maximum(self.standard_error**2 - (self.guessed * self.counts) ** 2, 0.0))
        error = np.append(seen, [self.total_error, self.continuum_error])
        return np.nan_to_num(error, nan=0.0, posinf=0.0)

    @property
    def channels_seen(self) -> Floats:
        """Part of `channels` that does not stand for missing pixels, shape (s + 2,)."""
        return np.append(1.0 - self.guessed, [1.0, 1.0])

    def to_dict(self) -> dict[str, object]:
        """Return the frame as plain numbers and lists."""
        return {
            "time_s": self.time_s,
            "exposure_s": self.exposure_s,
            "counts": self.counts.tolist(),
            "standard_error": self.standard_error.tolist(),
            "total": self.total,
            "total_error": self.total_error,
            "continuum": self.continuum,
            "continuum_error": self.continuum_error,
            "shift_nm": self.shift_nm,
            "saturated": self.saturated,
            "blinded": self.blinded,
            "guessed": self.guessed.tolist(),
            "shades": self.shades.tolist(),
            "shades_error": self.shades_error.tolist(),
        }

    @classmethod
    def from_dict(cls, state: dict[str, Any]) -> FrameCounts:
        """Rebuild the frame from `to_dict`."""
        names = ("counts", "standard_error", "guessed", "shades", "shades_error")
        arrays = {name: np.array(state[name], dtype=float) for name in names}
        return cls(**{**state, **arrays})


def frame_of(series: SeriesFit, i: int) -> FrameCounts:
    """Return frame `i` of a fitted series."""
    return FrameCounts(
        time_s=float(series.time_s[i]),
        exposure_s=float(series.exposure_s[i]),
        counts=series.counts[i],
        standard_error=series.standard_error[i],
        total=float(series.total_counts[i]),
        total_error=float(series.total_error[i]),
        continuum=float(series.continuum_counts[i]),
        continuum_error=float((series.total_error if series.continuum_error is None else series.continuum_error)[i]),
        shift_nm=float(series.shift_nm[i]),
        saturated=bool(series.saturated[i]),
        blinded=bool(series.saturated[i] if series.blinded is None else series.blinded[i]),
        guessed=np.zeros(series.counts.shape[1]) if series.guessed is None else series.guessed[i],
        shades=np.full(2, np.nan) if series.shades is None else series.shades[i],
        shades_error=np.full(2, np.nan) if series.shades_error is None else series.shades_error[i],
    )
