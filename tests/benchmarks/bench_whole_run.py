"""Cleaning runs from spectra to verdict: is the end right, and the interval honest, on instruments nobody described?

Run:  python tests/benchmarks/bench_whole_run.py --runs 60 --seed 1   (``--quick``: 2 short runs)

Runs of `tests/simulators/run_spectra.py`: random spectrometers and feeds, drift of up to 0.3 line widths, flashes, one
run in five without end. Printed for each run and for all: was the end declared, how far is it off, does the interval
hold it, was it declared before the last product had ended, and does a species decide that is not there. Beside it in
the same run what a spreadsheet does: counts in a window around each product's strongest feature, less the level
beside it, over the same of the reference, followed by the same endpoint; its departure from the true trend as a
ratio to ours. The simulator shares no code with the product.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "simulators"))
from run_spectra import DrawnRun, draw_run

# the feature a spreadsheet would take, nm in air (Pearse and Gaydon, NIST ASD; from memory)
WINDOWS = {
    "CO": 519.8, "OH": 309.0, "H I": 656.3, "CH": 431.4, "C2": 516.5, "CN": 388.3, "CO+": 427.0, "Ar I": 750.4,
    "O I": 844.6, "N2": 337.1, "He I": 587.6,
}  # fmt: skip


@dataclass
class Outcome:
    """What came of one run."""

    ends: bool
    verdict: str
    off: float  # of the end, relative
    covered: bool
    early: bool
    stranger: bool  # what decides is not in the light
    departure: list[float]  # of ratios from the truth, of the excess
    by_windows: list[float]
    spent_s: float


def judged(run: DrawnRun, seed: int) -> Outcome:
    """Follow one run and hold it against its truth."""
    from glowledger.glow.series import learn_series
    from glowledger.runs.analysing import analyse_run
    from glowledger.spectra.frames import frames_from_arrays

    axis = run.instrument.believed_nm()
    frames = frames_from_arrays(axis, run.counts, time_s=run.time_s)
    began = time.process_time()
    model = learn_series(frames)
    result = analyse_run(model.measure(frames))
    spent = time.process_time() - began
    end, said = result.endpoint, result.endpoint.indicator.split("/")[0]
    seen = [name for name in run.products if any(t.name.split("/")[0] == name for t in result.indicators)]
    last = max((run.products[name].end_s() for name in seen), default=float("nan"))
    truth = run.products[said].end_s() if said in run.products else last
    clean = model.measure(frames_from_arrays(axis, run.noise_free, time_s=run.time_s))
    ours, theirs = [], []
    for name in seen:
        true = run.amount[name] / run.amount[result.reference] if result.reference in run.amount else None
        if true is None or name not in model.joint:
            continue
        columns = [clean.counts[:, clean.species_names.index(n)] for n in (name, result.reference)]
        ours.append(departure(columns[0] / columns[1], true))
        sums = [window(run, axis, WINDOWS.get(n)) for n in (name, result.reference)]
        if all(s is not None for s in sums):
            theirs.append(departure(sums[0] / sums[1], true))
    low, high = end.interval_s
    out = Outcome(
        run.ends, end.verdict, abs(end.time_s / truth - 1), low <= truth <= high,
        end.verdict == "reached" and (not run.ends or end.declared_at_s < last),
        said not in run.amount, ours, theirs, spent,
    )  # fmt: skip
    print(
        f"{seed:6d} {run.feed:6s} {run.instrument.pixels:4d} px {np.mean(run.instrument.fwhm_nm):4.2f} nm  "
        f"{end.verdict:12s} "
        f"{end.indicator:10s} {end.time_s:6.0f} s ({low:.0f} to {high:.0f}), truth {truth:.0f}, declared "
        f"{end.declared_at_s:.0f}{'' if run.ends else ', without end'}", flush=True,
    )  # fmt: skip
    return out


def departure(ratio: np.ndarray, true: np.ndarray) -> float:
    """Return the median departure of a ratio from a + b × truth, as part of the excess."""
    columns = np.stack([true, np.ones_like(true)], axis=1)
    fitted = np.linalg.lstsq(columns, ratio, rcond=None)[0]
    return float(np.median(np.abs(ratio - columns @ fitted)) / abs(fitted[0] * np.ptp(true)))


def window(run: DrawnRun, axis: np.ndarray, nm: float | None) -> np.ndarray | None:
    """Return counts within a line width of a feature less the level beside it; None outside the range."""
    width = float(np.mean(run.instrument.fwhm_nm))
    if nm is None or not axis[0] + 4 * width < nm < axis[-1] - 4 * width:
        return None
    apart = np.abs(axis - nm)
    inside, beside = apart < max(width, 1.01 * np.diff(axis).max()), (apart > 2 * width) & (apart < 4 * width)
    return run.noise_free[:, inside].sum(axis=1) - inside.sum() * np.median(run.noise_free[:, beside], axis=1)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--runs", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--quick", action="store_true")
    asked = parser.parse_args()
    if asked.quick:
        found = [judged(draw_run(s, frames=100, pixels=512), s) for s in (1, 2)]
    else:
        found = [judged(draw_run(s), s) for s in range(asked.seed, asked.seed + asked.runs)]
    ending, endless = [f for f in found if f.ends], [f for f in found if not f.ends]
    reached = [f for f in ending if f.verdict == "reached" and np.isfinite(f.off)]
    print(f"\nnumpy {version('numpy')}, scipy {version('scipy')}; {len(found)} runs, {len(ending)} with an end")
    declared = sum(f.verdict == "reached" for f in ending)
    print(f"end declared: {declared} of {len(ending)}; before its time: {sum(f.early for f in ending)}")
    print(f"without end: {len(endless)}, declared {sum(f.verdict == 'reached' for f in endless)}")
    if reached:
        print(f"interval holds the end: {sum(f.covered for f in reached)} of {len(reached)}")
        print(f"end off by {100 * np.median([f.off for f in reached]):.2f} % in the median, "
              f"{100 * np.quantile([f.off for f in reached], 0.9):.2f} % in nine of ten")  # fmt: skip
        print(f"decided by a species that is not there: {sum(f.stranger for f in reached)}")
    ours, theirs = [d for f in found for d in f.departure], [d for f in found for d in f.by_windows]
    if ours and theirs:
        print(f"departure of noise-free ratios from the truth, of the excess: median {100 * np.median(ours):.3f} %, "
              f"nine of ten below {100 * np.quantile(ours, 0.9):.3f} %")  # fmt: skip
        print(f"sums in windows: median {100 * np.median(theirs):.3f} %, nine of ten below "
              f"{100 * np.quantile(theirs, 0.9):.3f} %; median {np.median(theirs) / np.median(ours):.1f} x ours")
    print(f"processor time per run: {np.median([f.spent_s for f in found]):.1f} s")


if __name__ == "__main__":
    main()
