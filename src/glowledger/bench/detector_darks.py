"""What dark frames tell of a detector: bias, dark current, fixed pattern, hot pixels, read noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from glowledger.rounding import plus_minus
from glowledger.spectra.darks import SAME_EXPOSURE
from glowledger.spectra.frames import Frames
from glowledger.spectra.masks import hot_pixels

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class DarkReport:
    """Dark frames summed up; NaN where they do not tell.

    Attributes
    ----------
    frames : int
        Dark frames used.
    level_counts : float
        Mean over pixels and frames.
    bias_counts, bias_se_counts : float
        Counts at no exposure.
    rate_per_s, rate_se_per_s : float
        Dark current, counts per second, mean over pixels.
    pattern_counts : float
        Standard deviation between pixels of what is the same in every frame, hot pixels left out.
    read_noise_counts, read_noise_se : float
        Of one exposure.
    hot : tuple of int
        Pixels far above their neighbours in each half of the frames.
    """

    frames: int
    level_counts: float
    bias_counts: float
    bias_se_counts: float
    rate_per_s: float
    rate_se_per_s: float
    pattern_counts: float
    read_noise_counts: float
    read_noise_se: float
    hot: tuple[int, ...]

    def sentences(self) -> tuple[str, ...]:
        """Return the report in words."""
        said = [f"Dark: {self.level_counts:.1f} counts on average over {self.frames} frames."]
        if np.isfinite(self.bias_counts):
            said.append(
                f"Bias {plus_minus(self.bias_counts, self.bias_se_counts, 'counts')}, dark current "
                f"{plus_minus(self.rate_per_s, self.rate_se_per_s, 'counts per second')}."
            )
        else:
            said.append("Bias and dark current are not told apart: darks of two or more known exposures would.")
        said.append(f"Fixed pattern {self.pattern_counts:.2g} counts between pixels; a subtracted dark removes it.")
        if np.isfinite(self.read_noise_counts):
            read = plus_minus(self.read_noise_counts, self.read_noise_se, "counts")
            said.append(f"Read noise {read} in one exposure.")
        if self.frames < 2:
            said.append("One dark frame: a high pixel may be chance, so hot pixels are not listed.")
        else:
            which = ", ".join(str(i) for i in self.hot[:12]) + (" ..." if len(self.hot) > 12 else "")
            said.append(f"{len(self.hot)} hot pixels{': ' + which if self.hot else ''}.")
        return tuple(said)


def dark_report(dark: Frames) -> DarkReport:
    """Sum up dark frames.

    Parameters
    ----------
    dark : Frames
        Raw dark frames in the order of the file; of several exposures if bias and dark current are wanted.

    Returns
    -------
    DarkReport
    """
    counts = np.where(dark.mask, np.nan, dark.counts)
    alive = ~dark.mask.all(axis=0)
    groups = _same_exposures(dark)
    hot = persistent_hot_pixels(dark)
    calm = np.array(alive, dtype=bool)
    calm[list(hot)] = False
    read, read_se = _read_noise(counts[:, calm], dark.averages, groups)
    bias, bias_se, rate, rate_se = _bias_and_rate(counts[:, calm], dark.exposure_s, groups)
    mean = np.nanmean(counts[groups[0]][:, calm], axis=0)
    random = read**2 / float(dark.averages[groups[0]].sum()) if np.isfinite(read) else 0.0
    spread = (1.4826 * float(np.median(np.abs(mean - np.median(mean))))) ** 2
    return DarkReport(
        frames=len(dark), level_counts=float(np.nanmean(counts[:, calm])), bias_counts=bias, bias_se_counts=bias_se,
        rate_per_s=rate, rate_se_per_s=rate_se, pattern_counts=float(np.sqrt(max(spread - random, 0.0))),
        read_noise_counts=read, read_noise_se=read_se, hot=hot,
    )  # fmt: skip


def persistent_hot_pixels(dark: Frames) -> tuple[int, ...]:
    """Return pixels that are high in each half of the dark frames: a particle hits once, a hot pixel stays.

    Parameters
    ----------
    dark : Frames
        Raw dark frames.

    Returns
    -------
    tuple of int
        Counted from 0; empty for a single frame.
    """
    if len(dark) < 2:
        return ()
    counts = np.where(dark.mask, np.nan, dark.counts)
    halves = [counts[0::2], counts[1::2]]
    found = np.ones(counts.shape[1], dtype=bool)
    for half in halves:
        seen = np.isfinite(half).any(axis=0)
        level = np.where(seen, np.nansum(half, axis=0) / np.maximum(np.isfinite(half).sum(axis=0), 1), np.nan)
        filled = np.where(seen, level, float(np.nanmedian(level)))
        found &= hot_pixels(filled) & seen
    return tuple(int(i) for i in np.flatnonzero(found))


def _same_exposures(dark: Frames) -> list[NDArray[np.intp]]:
    """Return the frames of each exposure, the most frequent first."""
    exposure = dark.exposure_s
    if not np.all(np.isfinite(exposure)):
        return [np.arange(len(dark))]
    order = np.argsort(exposure, kind="stable")
    steps = np.flatnonzero(np.diff(exposure[order]) > SAME_EXPOSURE * exposure[order][:-1]) + 1
    return sorted(np.split(order, steps), key=lambda rows: -rows.size)


def _read_noise(counts: Floats, averages: Floats, groups: list[NDArray[np.intp]]) -> tuple[float, float]:
    """Return the read noise of one exposure from differences of consecutive frames, and its standard error."""
    squares = [
        ((counts[b] - counts[a]) ** 2 / (1.0 / averages[a] + 1.0 / averages[b]))
        for rows in groups
        for a, b in zip(np.sort(rows)[0::2], np.sort(rows)[1::2], strict=False)
    ]
    if not squares:
        return float("nan"), float("nan")
    pooled = np.concatenate(squares)
    pooled = pooled[np.isfinite(pooled)]
    middle = float(np.median(pooled)) if pooled.size else 0.0
    if middle <= 0.0:  # coarser steps than noise: nothing to tell
        return float("nan"), float("nan")
    pooled = pooled[pooled < 16.0 * middle / 0.455]  # particles
    value = float(np.sqrt(np.mean(pooled)))
    return value, value / np.sqrt(2.0 * pooled.size)


def _bias_and_rate(
    counts: Floats, exposure_s: Floats, groups: list[NDArray[np.intp]]
) -> tuple[float, float, float, float]:
    """Return bias and dark current with standard errors, by a straight line over exposure."""
    if len(groups) < 2:
        return (float("nan"),) * 4
    level = np.nanmean(counts, axis=1)
    within = [level[rows] - level[rows].mean() for rows in groups if rows.size > 1]
    spread = float(np.sqrt(np.mean(np.concatenate(within) ** 2))) if within else float("nan")
    design = np.stack([np.ones_like(exposure_s), exposure_s], axis=1)
    inverse = np.linalg.inv(design.T @ design)
    bias, rate = inverse @ (design.T @ level)
    left = float(np.sqrt(np.sum((level - design @ [bias, rate]) ** 2) / max(level.size - 2, 1)))
    sigma = max(left, spread if np.isfinite(spread) else 0.0, 1e-12)
    se = sigma * np.sqrt(np.diag(inverse))
    return float(bias), float(se[0]), float(rate), float(se[1])
