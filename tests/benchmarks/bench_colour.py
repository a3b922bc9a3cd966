"""Spectra to XYZ and sRGB: ours beside colour-science, same data, same run.

python tests/benchmarks/bench_colour.py
"""

from __future__ import annotations

import os
import platform
import time

os.environ.setdefault("OMP_NUM_THREADS", "1")

import colour
import numpy as np

from glowledger.diagnose.observer import chromaticity, line_tristimulus, pixel_weights, tristimulus
from glowledger.diagnose.srgb import encode, into_gamut, linear_rgb

SPECTRA, PIXELS, LINES, REPEATS = 1000, 2048, 20, 5


def spectra(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return axis, spectra of narrow lines, and the exact chromaticity of their lines."""
    axis = np.linspace(300.0, 900.0, PIXELS)
    nm = rng.uniform(380.0, 720.0, (SPECTRA, LINES))
    power = rng.exponential(1.0, (SPECTRA, LINES))
    values = np.zeros((SPECTRA, PIXELS))
    for k in range(LINES):
        values += power[:, k, None] * np.exp(-4 * np.log(2) * ((axis - nm[:, k, None]) / 0.8) ** 2)
    exact = np.array([line_tristimulus(a, p) for a, p in zip(nm, power, strict=True)])
    return axis, values, chromaticity(exact)


def best(job, repeats: int = REPEATS) -> float:
    """Return the shortest of several times, s."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        job()
        times.append(time.perf_counter() - start)
    return min(times)


def main() -> None:
    """Print ratios."""
    print(f"python {platform.python_version()}, numpy {np.__version__}, colour-science {colour.__version__}")
    axis, values, exact = spectra(np.random.default_rng(6))
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    grid = np.arange(360.0, 831.0)

    def ours() -> np.ndarray:
        return encode(linear_rgb(tristimulus(axis, values)))

    def theirs() -> np.ndarray:
        resampled = np.array([np.interp(grid, axis, row) for row in values])
        xyz = colour.msds_to_XYZ(resampled, method="Integration", cmfs=observer, shape=observer.shape)
        return colour.XYZ_to_sRGB(xyz / 100)

    own, other = best(ours), best(theirs)
    mapped = best(lambda: into_gamut(tristimulus(axis, values)), 3)
    resampled = np.array([np.interp(grid, axis, row) for row in values])
    their_xy = colour.XYZ_to_xy(colour.msds_to_XYZ(resampled, method="Integration", cmfs=observer,
                                                   shape=observer.shape))  # fmt: skip
    our_xy = chromaticity(values @ pixel_weights(axis))
    print(f"per spectrum: ours {1e3 * own / SPECTRA:.4f} ms, colour-science {1e3 * other / SPECTRA:.4f} ms, "
          f"ratio {other / own:.1f}; with gamut mapping {1e3 * mapped / SPECTRA:.4f} ms")  # fmt: skip
    for name, xy in (("ours", our_xy), ("colour-science after interpolation to 1 nm", their_xy)):
        off = np.abs(xy - exact)
        print(f"xy off the exact lines: {name}: median {np.median(off):.1e}, largest {off.max():.1e}")


if __name__ == "__main__":
    main()
