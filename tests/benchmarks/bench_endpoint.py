"""Endpoint of simulated runs: ours beside detectors that general-purpose libraries give.

Run by hand:  python tests/benchmarks/bench_endpoint.py --runs 2000 --figure operating_curve.png
(`--runs` of all kinds together; 600 take some minutes on one core.) Prints, per kind and for all: runs declared
before their end (and with more than 10 % of the excess left), runs without end declared, delay after the end and
over the information limit, coverage of the 95 % interval at the declaration, time per update; then the rivals on the
same plain runs, as ratios of the time per update. The figure shows early stops against the delay.

Two information limits of a run, each the delay after which one look is right with 98 % probability (noise known,
AR(1) noise by its variance of a mean):
- shape known: Cramér-Rao bound of floor, excess and time constant of one exponential, given for kinds with one only;
- shape unknown: the least distance, in standard deviations, between the truth and any decay of one or two
  components (ratio of the time constants up to 6, slow share 0.1 to 0.6) that has not ended yet, whatever its floor
  and excess. No detector that takes two components for possible can be sure earlier for every run; where it is
  quicker on average, it trusts that they are rarer than one (the prior of `DecayFollower`).
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass, field
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "simulators"))
from run_ensemble import KINDS, SimulatedRun, baseline, simulate

LN20 = np.log(20.0)
LEVELS = (0.8, 0.9, 0.95, 0.98, 0.99, 0.995)  # assurances of the operating curve
ONE_EXPONENTIAL = ("baseline", "single", "heavy", "correlated", "spiked", "leak", "stepped", "drifting")


@dataclass
class Outcome:
    """One kind at one assurance."""

    delays: list[float] = field(default_factory=list)  # nan: not declared though it ended
    left: list[float] = field(default_factory=list)
    over_limit: list[float] = field(default_factory=list)
    over_unknown: list[float] = field(default_factory=list)
    covered: list[bool] = field(default_factory=list)
    endless: list[bool] = field(default_factory=list)


def bound(run: SimulatedRun, until_s: float) -> float:
    """Cramér-Rao standard deviation of the end with the data until then."""
    t = run.time_s[run.time_s <= until_s]
    if until_s > run.time_s[-1]:
        t = np.arange(0.0, until_s, np.median(np.diff(run.time_s)))
    tau = run.parts[0][1]
    e = np.exp(-t / tau)
    jacobian = np.column_stack([np.ones_like(t), e, e * t / tau**2])
    sigma = run.sigma * np.sqrt((1 + run.correlation) / (1 - run.correlation))
    return float(LN20 * sigma * np.sqrt(np.linalg.inv(jacobian.T @ jacobian)[2, 2]))


def limit(run: SimulatedRun, z: float = 2.054) -> float:
    """Return the information limit of the delay, s."""
    step = run.end_s / 100
    delay = 0.0
    while delay < z * bound(run, run.end_s + delay):
        delay += step
    return delay


RATIOS, SHARES = (1.0001, 1.8, 2.5, 3.3, 4.5, 6.0), (0.1, 0.2, 0.3, 0.4, 0.5, 0.6)
LATER = np.array([1.0001, 1.1, 1.25, 1.5, 2.0, 3.0])  # ends of the rivals of the truth, in parts of the time so far


def folds(ratio: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Fast time constants until two components have fallen to 5 %."""
    low, high = np.zeros_like(ratio), LN20 * ratio
    for _ in range(50):
        middle = 0.5 * (low + high)
        above = (1 - share) * np.exp(-middle) + share * np.exp(-middle / ratio) > 0.05
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return 0.5 * (low + high)


def separation(run: SimulatedRun, until_s: float) -> float:
    """Least chi-squared between the truth and a decay of one or two components that has not ended by `until_s`."""
    ratio, share = (a.ravel() for a in np.meshgrid(RATIOS, SHARES))
    t = np.linspace(0.0, until_s, 150)
    frames = until_s / float(np.median(np.diff(run.time_s)))
    tau = (until_s * LATER[:, None] / folds(ratio, share)).ravel()
    ratio, share = np.tile(ratio, len(LATER)), np.tile(share, len(LATER))
    rival = (1 - share) * np.exp(-t[:, None] / tau) + share * np.exp(-t[:, None] / (tau * ratio))
    truth = run.excess(t)
    truth, rival = truth - truth.mean(), rival - rival.mean(axis=0)
    gain = (truth @ rival) ** 2 / np.sum(rival**2, axis=0)
    variance = run.sigma**2 * (1 + run.correlation) / (1 - run.correlation)
    return float(frames / len(t) * (truth @ truth - gain.max()) / variance)


def limit_unknown(run: SimulatedRun, z: float = 2.054) -> float:
    """Return the information limit of the delay where one or two components are possible, s."""
    low, high = 0.0, 0.1 * run.end_s
    while separation(run, run.end_s + high) < z**2 and high < 20 * run.end_s:
        low, high = high, 1.7 * high
    for _ in range(7):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if separation(run, run.end_s + middle) < z**2 else (low, middle)
    return high


def follow(run: SimulatedRun, outcomes: dict[float, Outcome]) -> tuple[float, int]:
    """Follow one run at all assurances at once; return seconds and updates of the product's own setting."""
    from glowledger.runs.endpoint import Criterion, EndpointFollower

    follower = EndpointFollower(name=run.kind)
    least = Criterion().hold_frames
    held, declared = dict.fromkeys(outcomes, 0), {}
    spent, updates = 0.0, 0
    for t, y in zip(run.time_s, run.value, strict=True):
        began = time.perf_counter()
        follower.update(t, y, 1.0)
        spent += time.perf_counter() - began
        updates += 1
        p = follower.posterior
        met = follower.able
        for level in outcomes:
            held[level] = held[level] + 1 if met and p.done >= level else 0
            if held[level] >= least and level not in declared:
                start = follower.decay.start_s
                declared[level] = (t, start + p.end[0] <= run.end_s <= start + p.end[2])
        if run.finishes and len(declared) == len(outcomes):
            break
    shortest = limit(run) if run.finishes and run.kind in ONE_EXPONENTIAL else np.nan
    unknown = limit_unknown(run) if run.finishes and run.kind in (*ONE_EXPONENTIAL, "two") else np.nan
    for level, outcome in outcomes.items():
        when, covered = declared.get(level, (np.nan, None))
        if not run.finishes:
            outcome.endless.append(level in declared)
            continue
        outcome.delays.append(when - run.end_s)
        outcome.over_limit.append((when - run.end_s) / shortest)
        outcome.over_unknown.append((when - run.end_s) / unknown)
        if covered is not None:
            outcome.left.append(float(run.excess(when)))
            outcome.covered.append(covered)
    return spent, updates


def report(name: str, outcome: Outcome) -> str:
    delays = np.array(outcome.delays)
    words = [f"{name:12s}"]
    if len(delays):
        early, missed = np.mean(delays < 0), np.mean(np.isnan(delays))
        bad = np.sum(np.array(outcome.left) > 0.1) / len(delays)
        words.append(f"n {len(delays):4d}  early {100 * early:4.1f} %  (> 10 % left {100 * bad:3.1f} %)")
        words.append(f"not yet {100 * missed:4.1f} %  delay {np.nanmedian(delays):5.0f} s")
        ratio = np.array(outcome.over_limit)
        words.append(f"/ known {np.nanmedian(ratio):5.2f}" if np.isfinite(ratio).any() else " " * 13)
        ratio = np.array(outcome.over_unknown)
        words.append(f"/ unknown {np.nanmedian(ratio):5.2f}" if np.isfinite(ratio).any() else " " * 15)
        words.append(f"covered {100 * np.mean(outcome.covered):5.1f} %" if outcome.covered else "")
    if outcome.endless:
        words.append(f"without end {len(outcome.endless):4d}, declared {100 * np.mean(outcome.endless):4.1f} %")
    return "  ".join(words)


def joined(outcomes: list[Outcome]) -> Outcome:
    total = Outcome()
    for outcome in outcomes:
        for name in total.__dataclass_fields__:
            getattr(total, name).extend(getattr(outcome, name))
    return total


# ---------------------------------------------------------------- rivals


def moving_slope(t: np.ndarray, y: np.ndarray, width: int = 60) -> float:
    """Moving-average slope below 5 % of the steepest so far, ten frames in a row."""
    x = np.arange(width) - (width - 1) / 2
    slopes = np.array([np.polyfit(x, y[i : i + width], 1)[0] for i in range(len(y) - width + 1)])
    steepest = np.maximum.accumulate(-slopes)
    calm = -slopes < 0.05 * steepest
    row = np.convolve(calm, np.ones(10), mode="valid") >= 10
    return float(t[np.argmax(row) + 9 + width - 1]) if row.any() else np.nan


def change_points(t: np.ndarray, y: np.ndarray) -> float:
    """Offline: last change of mean by ruptures (Pelt, least squares)."""
    import ruptures

    sigma = 1.4826 * np.median(np.abs(np.diff(y))) / np.sqrt(2)
    found = ruptures.Pelt(model="l2", min_size=20, jump=5).fit(y).predict(pen=3 * sigma**2 * np.log(len(y)))
    return float(t[found[-2]]) if len(found) > 1 else np.nan


def refit(t: np.ndarray, y: np.ndarray, guard: float = 0.0) -> float:
    """scipy refit every five frames with a robust loss; three in a row below 5 %, tau raised by `guard` errors."""
    from scipy.optimize import curve_fit

    sigma = 1.4826 * np.median(np.abs(np.diff(y))) / np.sqrt(2)
    row = 0
    for n in range(30, len(t) + 1, 5):
        try:
            found, covariance = curve_fit(
                lambda x, f, a, k: f + a * np.exp(-x / k), t[:n], y[:n],
                p0=(y[n - 1], max(y[0] - y[n - 1], 0.1), t[n - 1] / 3),
                sigma=np.full(n, sigma), loss="soft_l1", method="trf", max_nfev=200,
                bounds=([-np.inf, 0, 1], [np.inf, np.inf, 1e5]),
            )  # fmt: skip
            tau = found[2] + guard * np.sqrt(covariance[2, 2])
        except RuntimeError:
            tau = np.inf
        row = row + 1 if np.exp(-t[n - 1] / tau) < 0.05 else 0
        if row >= 3:
            return float(t[n - 1])
    return np.nan


def rivals(runs: list[SimulatedRun], ours_per_update: float) -> dict[str, tuple[float, float]]:
    """Run the rivals on the plain runs; return early share and median delay of each."""
    tried = {
        "moving slope, 60 frames": (moving_slope, 1),
        "ruptures Pelt (offline)": (change_points, 0),
        "scipy refit, soft_l1": (refit, 5),
        "scipy refit, 95 % guard": (lambda t, y: refit(t, y, 1.645), 5),
    }
    if find_spec("ruptures") is None:
        print("ruptures is not installed (extra 'bench'): its row is left out")
        del tried["ruptures Pelt (offline)"]
    points = {}
    for name, (detect, every) in tried.items():
        began = time.perf_counter()
        said = np.array([detect(run.time_s, run.value) for run in runs])
        spent = time.perf_counter() - began
        ends = np.array([run.end_s for run in runs])
        finish = np.array([run.finishes for run in runs])
        delay = (said - ends)[finish]
        until = np.where(np.isfinite(said), said, np.inf)
        frames = sum(np.sum(run.time_s <= s) for run, s in zip(runs, until, strict=True))
        per = spent / (frames / max(every, 1)) if every else spent / len(runs)
        unit = "update" if every else "run"
        points[name] = (float(np.mean(delay < 0)), float(np.nanmedian(delay)))
        print(
            f"{name:26s} early {100 * np.mean(delay < 0):5.1f} %  not yet {100 * np.mean(np.isnan(delay)):4.1f} %  "
            f"delay {np.nanmedian(delay):5.0f}  endless declared {100 * np.mean(np.isfinite(said[~finish])):5.1f} %  "
            f"{1e3 * per:.3f} ms/{unit}, ours takes {ours_per_update / per:.2f} of that"
        )
    return points


def draw(path: Path, curves: dict[str, list[tuple[float, float]]], points: dict[str, tuple[float, float]]) -> None:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8, 5.5), layout="constrained")
    axes = figure.add_subplot()
    for (name, curve), mark in zip(curves.items(), "os^", strict=False):
        early, delay = np.array(curve).T
        axes.plot(delay, 100 * early, marker=mark, label=name)
        for level, x, y in zip(LEVELS, delay, early, strict=True):
            axes.annotate(f"{level:g}", (x, 100 * y), textcoords="offset points", xytext=(4, 4), fontsize=9)
    for (name, (early, delay)), mark in zip(points.items(), "DvPX", strict=False):
        axes.plot(delay, 100 * early, marker=mark, linestyle="none", markersize=9, label=name)
    axes.axhline(2, linestyle=":", color="grey")
    axes.set(xlabel="median delay after the true end, frames", ylabel="declared before the true end, %")
    axes.set_yscale("symlog", linthresh=1)
    axes.set_ylim(-0.1, 100)
    axes.set_title("Operating curve (numbers: assurance)")
    axes.legend(fontsize=9)
    figure.savefig(path, dpi=150)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=600)
    parser.add_argument("--seed", type=int, default=20260101)
    parser.add_argument("--figure", type=Path)
    parser.add_argument("--kinds", nargs="+", choices=("baseline", *KINDS), default=("baseline", *KINDS))
    parser.add_argument("--quick", action="store_true", help="the product's own assurance only: no operating curve")
    chosen = parser.parse_args()
    from glowledger.runs.endpoint import ASSURANCE

    for name in ("numpy", "scipy", "ruptures", "matplotlib"):
        print(name, version(name) if find_spec(name) else "not installed", end="  ")
    kinds, levels = chosen.kinds, (ASSURANCE,) if chosen.quick else LEVELS
    each = max(chosen.runs // len(kinds), 2)
    print(f"\n{each} runs of each of {len(kinds)} kinds, seed {chosen.seed}; verdicts at {ASSURANCE}")
    gathered: dict[str, dict[float, Outcome]] = {}
    plain: list[SimulatedRun] = []
    spent, updates = 0.0, 0
    for kind in kinds:
        rng = np.random.default_rng([chosen.seed, ("baseline", *KINDS).index(kind)])
        gathered[kind] = {level: Outcome() for level in levels}
        for i in range(each):
            run = baseline(i, rng) if kind == "baseline" else simulate(kind, rng)
            plain += [run] if kind == "baseline" else []
            a, b = follow(run, gathered[kind])
            spent, updates = spent + a, updates + b
        print(report(kind, gathered[kind][ASSURANCE]), flush=True)
    for level in levels:
        print(report(f"all at {level}", joined([g[level] for g in gathered.values()])))
    print(f"{1e3 * spent / updates:.2f} ms per update on average")
    points = rivals(plain[:60], spent / updates) if plain else {}
    if chosen.figure and not chosen.quick:

        def curve(kinds: tuple[str, ...]) -> list[tuple[float, float]]:
            sums = [joined([gathered[k][level] for k in kinds]) for level in LEVELS]
            return [(float(np.mean(np.array(o.delays) < 0)), float(np.nanmedian(o.delays))) for o in sums]

        finishing = tuple(k for k in kinds if k not in ("never", "steady"))
        draw(chosen.figure, {"ours, plain runs": curve(("baseline",)), "ours, all kinds": curve(finishing)}, points)


if __name__ == "__main__":
    main()
