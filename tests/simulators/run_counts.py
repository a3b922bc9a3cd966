"""Simulated fitted counts of a cleaning run in an argon-oxygen glow, with what goes wrong in one; numpy only.

Counts per frame: argon 20 000, oxygen 8 000, a little nitrogen; CO, OH and H decay to floors with 60, 42 and 48 s
unless told otherwise. A common flicker of 2 % multiplies all light. Errors are the square root of counts plus 30
counts of read noise. Everything is invented.
"""

from __future__ import annotations

import numpy as np

NAMES = ("Ar I", "O I", "CO", "OH", "H I", "Na I", "N2", "Hg I")


def cleaning_counts(
    frames: int = 300,
    *,
    tau_s: float = 60.0,
    seed: int = 1,
    power_at: int | None = None,
    out: slice | None = None,
    flashes: tuple[int, ...] = (),
    leak_at: int | None = None,
    gas_at: int | None = None,
    lamp_at: int | None = None,
    double_exposure_at: int | None = None,
    fogging: float = 0.0,
    moved_at: int | None = None,
    clean: bool = False,
) -> dict[str, np.ndarray]:
    """Return arrays named as the fields of a fitted series, apart from the names of the species."""
    rng = np.random.default_rng(seed)
    t = np.arange(float(frames))
    decay = np.zeros(frames) if clean else np.exp(-t / tau_s)
    counts = np.tile(np.array([20000.0, 8000.0, 0, 0, 0, 3.0, 2500.0, 0.0]), (frames, 1))
    counts[:, 2] = 6000 * decay + 900
    counts[:, 3] = 2000 * (decay ** (1 / 0.7)) + 500
    counts[:, 4] = 1500 * (decay ** (1 / 0.8)) + 600
    continuum = np.full(frames, 3000.0)
    if leak_at is not None:
        counts[leak_at:, 6] += 4000.0
        counts[leak_at:, 2] += 1200.0
    if power_at is not None:  # levels of high energy suffer more
        counts[power_at:] *= np.array([0.5, 0.5, 0.3, 0.4, 0.4, 0.3, 0.5, 1.0])
    if gas_at is not None:
        counts[gas_at:, 0] *= 0.005
        counts[gas_at:, 1] *= 2.5
    if lamp_at is not None:
        counts[lamp_at:, 7] += 5000.0
        continuum[lamp_at:] += 4000.0
    if fogging:
        film = np.exp(-fogging * t / frames)
        counts[:, [3, 6]] *= film[:, None]
        counts[:, [0, 1, 2, 4, 5]] *= (film**0.3)[:, None]
    for frame in flashes:
        counts[frame, 5] += 4000.0
        counts[frame, 2] += 2500.0
    flicker = np.exp(0.02 * rng.standard_normal(frames))
    if out is not None:
        counts[out], continuum[out] = 0.0, 0.0
    exposure = np.ones(frames)
    if double_exposure_at is not None:
        exposure[double_exposure_at:] = 2.0
    counts *= (flicker * exposure)[:, None]
    continuum *= flicker * exposure
    error = np.sqrt(counts + 900.0)
    shift = 0.01 * rng.standard_normal(frames)
    if moved_at is not None:
        shift[moved_at:] += 0.8
    seen = counts + error * rng.standard_normal(counts.shape)
    total = seen.sum(axis=1) + continuum
    return {
        "counts": seen,
        "standard_error": error,
        "time_s": t,
        "total_counts": total,
        "total_error": np.sqrt(np.abs(total) + 900.0),
        "continuum_counts": continuum + 50 * rng.standard_normal(frames),
        "shift_nm": shift,
        "chi2_reduced": np.ones(frames),
        "saturated": np.zeros(frames, dtype=bool),
        "exposure_s": exposure,
    }
