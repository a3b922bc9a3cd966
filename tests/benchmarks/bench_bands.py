"""Time the computing of all molecular line lists beside reading them from files; run by hand.

    python tests/benchmarks/bench_bands.py

The alternative to computing bands at start-up is to ship line lists: as text (numpy.loadtxt) or as arrays
(numpy.load, packed and not). All are timed on the same lists in the same run.
"""

from __future__ import annotations

import os
import platform
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np

from glowledger.glow import bands
from glowledger.tables.molecules import system, systems

REPEATS = 3


def build() -> list[bands.BandLines]:
    """Compute every list anew."""
    for cached in (bands.upper_level_lines, bands._levels, bands._dipole):
        cached.cache_clear()
    names = [name for name in systems() if not system(name).heads_only]
    return [bands.upper_level_lines(name, v) for name in names for v in system(name).upper_levels()]


def quickest(task: Callable[[], object]) -> float:
    """Return the shortest of some runs, s of processor time."""
    spent = []
    for _ in range(REPEATS):
        start = time.process_time()
        task()
        spent.append(time.process_time() - start)
    return min(spent)


def main() -> None:
    """Print one table."""
    lists = build()
    fields = ("wavelength_nm", "strength", "v_lower", "level_index", "branch_index")
    arrays = {name: np.concatenate([getattr(one, name) for one in lists]) for name in fields}
    with tempfile.TemporaryDirectory() as folder:
        text, plain, packed = (Path(folder) / name for name in ("lines.csv", "plain.npz", "packed.npz"))
        np.savetxt(text, np.column_stack(list(arrays.values())), delimiter=",", fmt="%.7g")
        np.savez(plain, **arrays)
        np.savez_compressed(packed, **arrays)
        tasks: dict[str, tuple[Callable[[], object], Path | None]] = {
            "computed": (build, None),
            "numpy.load, plain": (lambda: dict(np.load(plain)), plain),
            "numpy.load, packed": (lambda: dict(np.load(packed)), packed),
            "numpy.loadtxt": (lambda: np.loadtxt(text, delimiter=","), text),
        }
        seconds = {name: quickest(task) for name, (task, _) in tasks.items()}
        print(f"{len(arrays['strength'])} lines of {len(lists)} upper levels; ", end="")
        print(f"Python {platform.python_version()}, numpy {np.__version__}\n")
        for name, (_, file) in tasks.items():
            size = f"{file.stat().st_size / 1e6:6.1f} MB shipped" if file else "   no file shipped"
            ratio = seconds[name] / seconds["computed"]
            print(f"{name:20s} {seconds[name]:7.3f} s   {ratio:6.2f} x computed   {size}")


if __name__ == "__main__":
    main()
