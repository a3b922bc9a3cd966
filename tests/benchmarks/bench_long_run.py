"""A run of 100 000 frames of 2048 pixels: frames per second and memory, frames simulated as they are needed.

Run: ``python tests/benchmarks/bench_long_run.py`` (``--quick``: 4000 frames). Goals: at least 500 frames/s through
`SeriesModel.measure`, and the whole process within 1 GB, flat in the length of the run. Beside it in the same run:
the simulation of the frames alone, a plain matrix product of the same frames by numpy (the floor for anything that
looks at every pixel), the measurement with the follower of the run behind it, and, for the growing table, reading
of its rows as `track --follow` does it beside numpy.loadtxt. The simulator shares no code with the product.
"""

from __future__ import annotations

import argparse
import platform
import resource
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import scipy

from glowledger.glow.series import SeriesModel, learn_series
from glowledger.live.growing_table import GrowingTable
from glowledger.runs.following import RunFollower
from glowledger.runs.frame_counts import frame_of
from glowledger.runs.run_options import RunOptions
from glowledger.spectra.frames import Frames, frames_from_arrays
from glowledger.spectra.options import ReadingOptions

PIXELS, CHUNK, LEARN = 2048, 256, 180
GOAL_RATE, GOAL_MB = 500.0, 1024.0
# nm in air, relative brightness: NIST Atomic Spectra Database, from memory to two decimals
LINES = {
    "Ar I": {696.54: 0.5, 706.72: 0.4, 738.40: 0.5, 750.39: 1.0, 751.47: 0.6, 763.51: 1.1, 772.38: 0.6, 794.82: 0.5,
             801.48: 0.4, 811.53: 1.0},
    "O I": {777.19: 1.0, 844.64: 0.8},
    "H I": {656.28: 1.0, 486.13: 0.25, 434.05: 0.1},
}  # fmt: skip
AXIS = np.linspace(380.0, 880.0, PIXELS)


def patterns() -> np.ndarray:
    """Return the light of each species, shape (3, pixels), brightest pixel 1."""
    sigma = 1.4 / 2.3548
    rows = [
        sum(part * np.exp(-0.5 * ((AXIS - nm) / sigma) ** 2) for nm, part in lines.items()) for lines in LINES.values()
    ]
    return np.array(rows)


def amounts(first: int, count: int, total: int) -> np.ndarray:
    """Return the amounts of the species in frames `first` and on, shape (count, 3): hydrogen falls to a floor."""
    frame = np.arange(first, first + count)
    hydrogen = 400.0 + 8000.0 * np.exp(-frame / (0.1 * total))
    return np.stack([np.full(count, 20000.0), np.full(count, 9000.0), hydrogen], axis=1)


def simulated(first: int, count: int, total: int, light: np.ndarray, rng: np.random.Generator) -> Frames:
    """Return frames as recorded: light, offset, noise of photons and readout."""
    expected = 300.0 + amounts(first, count, total) @ light
    counts = expected + np.sqrt(expected + 64.0) * rng.standard_normal(expected.shape, dtype=np.float32)
    return frames_from_arrays(AXIS, counts, time_s=2.0 * np.arange(first, first + count))


def chunks(total: int, light: np.ndarray) -> Iterator[Frames]:
    """Yield the run in chunks; nothing of it is kept."""
    rng = np.random.default_rng(1)
    for first in range(0, total, CHUNK):
        yield simulated(first, min(CHUNK, total - first), total, light, rng)


def peak_mb() -> float:
    """Return the largest resident size of this process so far, MB."""
    size = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return size / (1 << 20 if platform.system() == "Darwin" else 1 << 10)


def long_run(total: int, model: SeriesModel, light: np.ndarray) -> None:
    """Measure and follow the whole run, chunk by chunk, and print rates and memory."""
    weights = np.random.default_rng(2).standard_normal((PIXELS, 30))
    follower = RunFollower(species_names=model.names, options=RunOptions(candidates=model.joint))
    spent = dict.fromkeys(("simulate", "product", "measure", "follow"), 0.0)
    worst, marks, done = 0.0, [], 0
    clock = time.perf_counter()
    for frames in chunks(total, light):
        spent["simulate"] += time.perf_counter() - clock
        clock = time.perf_counter()
        frames.counts @ weights
        spent["product"] += time.perf_counter() - clock
        clock = time.perf_counter()
        series = model.measure(frames)
        spent["measure"] += time.perf_counter() - clock
        clock = time.perf_counter()
        for i in range(len(frames)):
            follower.update(frame_of(series, i))
        took = time.perf_counter() - clock
        worst = max(worst, took / len(frames))
        spent["follow"] += took
        done += len(frames)
        if done >= total * (len(marks) + 1) / 4:
            marks.append(peak_mb())
        clock = time.perf_counter()
    rate = {name: total / seconds for name, seconds in spent.items()}
    both = total / (spent["measure"] + spent["follow"])
    print(f"{total} frames of {PIXELS} pixels, {len(model.names)} species, {len(model.joint)} of them joint")
    for name, text in (("simulate", "simulated"), ("product", "one product by numpy"), ("measure", "measured")):
        print(f"  {text:26s} {rate[name]:9.0f} frames/s   {spent[name] / spent['product']:6.1f} x the product")
    print(f"  {'followed':26s} {rate['follow']:9.0f} frames/s   {1e3 * worst:6.2f} ms an update, worst chunk")
    print(f"  {'measured and followed':26s} {both:9.0f} frames/s")
    print(f"  peak memory at each quarter of the run: {', '.join(f'{mb:.0f}' for mb in marks)} MB")
    verdict = follower.verdict()
    print(f"  verdict: {verdict.verdict} at {verdict.time_s:.0f} s")
    print(f"goal {GOAL_RATE:.0f} frames/s measured: {'met' if rate['measure'] >= GOAL_RATE else 'MISSED'}")
    print(f"goal {GOAL_MB:.0f} MB: {'met' if marks[-1] <= GOAL_MB else 'MISSED'}")


def growing_table(frames: int, light: np.ndarray) -> None:
    """Read a growing table row by row as it is followed, beside numpy.loadtxt on the whole file."""
    rng = np.random.default_rng(3)
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "run.csv"
        with file.open("w") as stream:
            stream.write("time_s," + ",".join(f"{a:.3f}" for a in AXIS) + "\n")
            for first in range(0, frames, CHUNK):
                part = simulated(first, min(CHUNK, frames - first), frames, light, rng)
                for t, row in zip(part.time_s, np.round(part.counts).astype(int).tolist(), strict=True):
                    stream.write(f"{t:g},{','.join(map(str, row))}\n")
        clock = time.perf_counter()
        np.loadtxt(file, delimiter=",", skiprows=1)
        theirs = time.perf_counter() - clock
        before = peak_mb()
        clock = time.perf_counter()
        source, read = GrowingTable(file, ReadingOptions()), 0
        while read < frames:
            found = source.look(64)
            read += len(found.keys)
        ours = time.perf_counter() - clock
        print(
            f"a growing table of {frames} rows, {file.stat().st_size / 1e6:.0f} MB: {frames / ours:.0f} frames/s, "
            f"{ours / theirs:.2f} x numpy.loadtxt; {peak_mb() - before:.0f} MB more at the peak"
        )


def main() -> None:
    """Run it all."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="4000 frames.")
    total = 4000 if parser.parse_args().quick else 100_000
    print(f"python {sys.version.split()[0]}, numpy {np.__version__}, scipy {scipy.__version__}")
    light = patterns()
    clock = time.perf_counter()
    model = learn_series(simulated(0, LEARN, total, light, np.random.default_rng(0)))
    print(f"learned from {LEARN} frames in {time.perf_counter() - clock:.1f} s, peak {peak_mb():.0f} MB")
    long_run(total, model, light)
    growing_table(1000 if total == 4000 else 4000, light)


if __name__ == "__main__":
    main()
