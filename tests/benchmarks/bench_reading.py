"""Reading CSV against general-purpose readers, side by side in one run.

Run: ``python tests/benchmarks/bench_reading.py`` (``--quick``: a tenth of the data). Readers other than numpy
are measured where they are installed, and told the format; ours finds it out. Times are wall-clock, the least
of several turns in which all readers take part; the goal is a ratio of at most 1.3 to the fastest.
"""

from __future__ import annotations

import argparse
import importlib
import io
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from glowledger.spectra.reading import read_spectra

PIXELS = 2048
GOAL = 1.3


def make(folder: Path, frames: int) -> dict[str, Path]:
    """Write the invented data: a folder of two-column files, wide tables of whole and of decimal counts."""
    rng = np.random.default_rng(0)
    axis = [f"{a:.3f}" for a in np.linspace(300, 900, PIXELS)]
    counts = rng.poisson(3000, (frames, PIXELS))
    many = folder / "many"
    many.mkdir()
    for k, row in enumerate(counts.tolist()):
        body = "".join(f"{a},{c}\n" for a, c in zip(axis, row, strict=True))
        (many / f"frame_{k:04d}.csv").write_text("wavelength_nm,counts\n" + body)
    head = ",".join(["wavelength_nm", *(f"t={k / 2} s" for k in range(frames))]) + "\n"
    columns = counts.T.tolist()
    whole = "".join(f"{a},{','.join(map(str, row))}\n" for a, row in zip(axis, columns, strict=True))
    (folder / "whole.csv").write_text(head + whole)
    parts = (counts + rng.random(counts.shape)).T.tolist()
    texts = (",".join([a, *(f"{c:.3f}" for c in row)]) for a, row in zip(axis, parts, strict=True))
    decimals = "\n".join(texts) + "\n"
    (folder / "decimals.csv").write_text(head + decimals)
    return {
        "many files": many,
        "wide, whole counts": folder / "whole.csv",
        "wide, decimals": folder / "decimals.csv",
    }


def readers() -> dict[str, tuple[str, Callable[[Path], object]]]:
    """Return name -> (version, function that reads one file) of the readers at hand."""
    found: dict[str, tuple[str, Callable[[Path], object]]] = {
        "numpy.loadtxt": (np.__version__, lambda path: np.loadtxt(path, delimiter=",", skiprows=1)),
    }
    if pandas := _optional("pandas"):
        found["pandas.read_csv"] = (pandas.__version__, lambda path: pandas.read_csv(path).to_numpy())
    if polars := _optional("polars"):
        found["polars.read_csv"] = (polars.__version__, lambda path: polars.read_csv(path).to_numpy())
    if arrow := _optional("pyarrow.csv"):
        version = importlib.import_module("pyarrow").__version__
        found["pyarrow.csv"] = (version, lambda path: arrow.read_csv(path).to_pandas().to_numpy())
    return found


def together(folder: Path) -> object:
    """Read all files of a folder with pandas as one text: faster than one by one, if they are alike."""
    pandas = importlib.import_module("pandas")
    texts = [path.read_bytes().split(b"\n", 1)[1] for path in sorted(folder.iterdir())]
    return pandas.read_csv(io.BytesIO(b"".join(texts)), header=None).to_numpy()


def _optional(name: str) -> object | None:
    try:
        return importlib.import_module(name)
    except ImportError:
        return None


def least(calls: dict[str, Callable[[], object]], turns: int) -> dict[str, float]:
    """Return the least time of each call over some turns, s."""
    best = dict.fromkeys(calls, float("inf"))
    for _ in range(turns):
        for name, call in calls.items():
            start = time.perf_counter()
            call()
            best[name] = min(best[name], time.perf_counter() - start)
    return best


def compare(name: str, path: Path, turns: int) -> float:
    """Print the times for one case; return the ratio to the fastest reader."""
    files = sorted(path.iterdir()) if path.is_dir() else [path]
    size = sum(file.stat().st_size for file in files) / 1e6
    calls: dict[str, Callable[[], object]] = {"glowledger": lambda: read_spectra(path)}
    for reader, (_, read) in readers().items():
        calls[reader] = lambda read=read: [read(file) for file in files]
    if path.is_dir() and _optional("pandas"):
        calls["pandas.read_csv, texts joined"] = lambda: together(path)
    found = least(calls, turns)
    ours = found.pop("glowledger")
    print(f"\n{name}: {size:.1f} MB\n  {'glowledger':<32}{ours:8.3f} s {size / ours:6.0f} MB/s")
    for reader, seconds in found.items():
        print(
            f"  {reader:<32}{seconds:8.3f} s {size / seconds:6.0f} MB/s   ours / theirs {ours / seconds:.2f}"
        )
    found.pop("pandas.read_csv, texts joined", None)  # a trick of this script, shown for comparison
    ratio = ours / min(found.values())
    print(f"  ratio to the fastest {ratio:.2f} (goal {GOAL})")
    return ratio


def main() -> int:
    """Measure, print, and return 1 if a goal is missed (never after a smoke run: too little data to judge)."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a tenth of the data")
    arguments = parser.parse_args()
    versions = ", ".join(f"{name} {version}" for name, (version, _) in readers().items())
    print(f"Python {sys.version.split()[0]}, {versions}")
    missed = []
    with tempfile.TemporaryDirectory() as folder:
        cases = make(Path(folder), 100 if arguments.quick else 1000)
        for name, path in cases.items():
            if compare(name, path, 3 if path.is_dir() else 7) > GOAL:
                missed.append(name)
    print("\n" + (f"missed: {', '.join(missed)}" if missed else "all goals met"))
    return 1 if missed and not arguments.quick else 0


if __name__ == "__main__":
    sys.exit(main())
