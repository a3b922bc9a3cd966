"""A small recording of a cleaning run, as a spectrometer's software would write it; numpy only, all invented.

Argon and hydrogen lines of a low-pressure glow; wavelengths in air, nm, from the NIST Atomic Spectra Database, from
memory to two decimals. Argon stays, hydrogen falls with a time constant of 40 frames to a floor.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

# lines of one upper level come together in the ratio of their rates: 763.51 with 800.62, 696.54 with 727.29
ARGON = {
    696.54: 0.5, 706.72: 0.4, 727.29: 0.14, 738.40: 0.5, 750.39: 1.0, 751.47: 0.6, 763.51: 1.1, 772.42: 0.6,
    794.82: 0.5, 800.62: 0.2,
}  # fmt: skip
HYDROGEN = {656.28: 1.0, 486.13: 0.25}
AXIS = np.round(np.linspace(470.0, 810.0, 400), 3)
WIDTH_NM = 1.6  # full width at half maximum
FLOOR, TAU = 0.1, 40.0


def light(frame: int) -> np.ndarray:
    """Return the expected counts of one frame, shape (400,)."""
    sigma = WIDTH_NM / 2.3548
    excess = FLOOR + np.exp(-frame / TAU)
    shape = np.zeros(AXIS.size)
    for lines, amount in ((ARGON, 9000.0), (HYDROGEN, 6000.0 * excess)):
        for nm, part in lines.items():
            shape += amount * part * np.exp(-0.5 * ((AXIS - nm) / sigma) ** 2)
    return 150.0 + shape


def counts(frames: int, *, seed: int = 5, dark: int = 0) -> np.ndarray:
    """Return recorded counts, shape (frames, 400): photon noise, read noise of 8 counts; `dark` frames before."""
    rng = np.random.default_rng(seed)
    expected = np.array([np.full(AXIS.size, 150.0)] * dark + [light(k) for k in range(frames - dark)])
    return np.round(rng.poisson(expected) + 8.0 * rng.standard_normal(expected.shape))


def table_head() -> str:
    """Return preamble and header of a table with a row per frame."""
    return "# note: invented (simulated) data\ntime_s," + ",".join(f"{a:g}" for a in AXIS) + "\n"


def table_row(time_s: float, values: np.ndarray) -> str:
    """Return one row."""
    return f"{time_s:g}," + ",".join(f"{c:.0f}" for c in values) + "\n"


def write_frame(folder: Path, number: int, values: np.ndarray, *, in_place: bool = True) -> Path:
    """Write one frame as a file of its own, renamed into place or not."""
    text = "wavelength_nm,counts\n" + "".join(f"{a:g},{c:.0f}\n" for a, c in zip(AXIS, values, strict=True))
    file = folder / f"frame_t={number}s.csv"
    if in_place:
        part = folder / f"frame_t={number}s.part"
        part.write_text(text)
        part.rename(file)
    else:
        file.write_text(text)
    return file
