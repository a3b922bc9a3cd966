"""Endpoint of simulated runs: ours beside the best any detector can do, and beside general-purpose libraries.

Run by hand:  python tests/benchmarks/bench_endpoint.py --runs 2000 --figure operating_curve.png
(`--runs` of all kinds together; 600 take some minutes on one core, `--jobs` shares them out, `--minutes` ends it in
time, `--keep` and `--pool` put batches of several seeds together.) Prints, per kind and
for all: runs declared before their end (and with more than 10 % of the excess left), runs without end declared,
delay after the end and over the limits of `endpoint_limits`, coverage of the 95 % interval at the declaration, time
per update; then one- and two-component runs beside the ideal observer at equal early stops; then the rivals on the
same plain runs, as ratios of the time per update. The figure shows early stops against the delay.
"""

from __future__ import annotations

import argparse
import pickle
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "simulators"))
from endpoint_limits import ideal_observer, limit_known, limit_unknown
from endpoint_rivals import RIVALS
from run_ensemble import KINDS, SimulatedRun, baseline, simulate

LEVELS = (0.8, 0.9, 0.95, 0.98, 0.99)  # assurances of the operating curve
ONE_EXPONENTIAL = ("baseline", "single", "heavy", "correlated", "spiked", "leak", "stepped", "drifting")
COMPARED = ("single", "two")  # beside the ideal observer
WHOLE = 4  # every fourth run is followed on to the highest assurance, and by the ideal observer
TRUSTING = 0.05  # a second setting of the probability of a slow part, to show what it buys and costs
ALL = ("baseline", *KINDS)
NAN = float("nan")


@dataclass
class Followed:
    """What came of one run."""

    kind: str
    finishes: bool
    end_s: float
    declared: dict[float, tuple[float, bool, float]]  # by assurance: when, interval covers the end, excess left
    known_s: float = NAN  # limits of the delay
    unknown_s: float = NAN
    ideal: dict[tuple[float, float], float] = field(default_factory=dict)  # by odds of a slow part and assurance
    updates_s: np.ndarray = field(default_factory=lambda: np.empty(0))
    whole: bool = False  # followed at all assurances

    def delay(self, level: float) -> float:
        return self.declared[level][0] - self.end_s if level in self.declared else np.inf


def drawn(kind: str, number: int, seed: int) -> SimulatedRun:
    rng = np.random.default_rng([seed, ALL.index(kind), number])
    return baseline(number, rng) if kind == "baseline" else simulate(kind, rng)


def follow(kind: str, number: int, seed: int, levels: tuple[float, ...], slow_part: float | None) -> Followed:
    """Follow one run at all assurances at once, until the last of them declares or the run is over."""
    from glowledger.runs.endpoint import SLOW_PART, Criterion, EndpointFollower

    run = drawn(kind, number, seed)
    follower = EndpointFollower(name=kind, criterion=Criterion(slow_part=slow_part or SLOW_PART))
    hold = follower.criterion.hold_frames
    held, declared, spent, before = dict.fromkeys(levels, 0), {}, [], None
    waited = 1
    for t, y in zip(run.time_s, run.value, strict=True):
        began = time.process_time()
        follower.update(t, y, 1.0)
        if not follower.reached:  # afterwards it looks less often
            spent.append(time.process_time() - began)
        p = follower.posterior
        if p is before:  # not judged anew with this frame
            waited += 1
            continue
        for level in levels:
            held[level] = (held[level] + waited if held[level] else 1) if follower.able and p.done >= level else 0
            if held[level] >= hold and level not in declared:
                start = follower.decay.start_s
                covers = start + p.end[0] <= run.end_s <= start + p.end[2]
                declared[level] = (t, bool(covers), float(run.excess(t)))
        before, waited = p, 1
        if run.finishes and len(declared) == len(levels):
            break
    one = run.finishes and kind in ONE_EXPONENTIAL
    found = Followed(
        kind, run.finishes, run.end_s, declared, updates_s=np.array(spent), whole=len(levels) > 1,
        known_s=limit_known(run) if one else NAN,
        unknown_s=limit_unknown(run) if one or (run.finishes and kind == "two") else NAN,
    )  # fmt: skip
    if kind in COMPARED and len(levels) > 1:
        for odds in (SLOW_PART, TRUSTING):
            times, ended = ideal_observer(run, odds)
            for level in LEVELS:
                at = np.flatnonzero(ended >= level)
                found.ideal[odds, level] = float(times[at[0]]) if len(at) else np.inf
    return found


def report(name: str, runs: list[Followed], level: float) -> str:
    ending, endless = [r for r in runs if r.finishes], [r for r in runs if not r.finishes]
    words = [f"{name:12s}"]
    if ending:
        delay = np.array([r.delay(level) for r in ending])
        known, unknown = (delay / np.array([getattr(r, n) for r in ending]) for n in ("known_s", "unknown_s"))
        said = [r.declared[level] for r in ending if level in r.declared]
        bad = sum(left > 0.1 for _, _, left in said) / len(ending)
        words.append(f"n {len(ending):4d}  early {100 * np.mean(delay < 0):4.1f} %  (> 10 % left {100 * bad:3.1f} %)")
        words.append(f"not yet {100 * np.mean(np.isinf(delay)):4.1f} %  delay {np.median(delay):5.0f} s")
        words.append(f"/ known {np.nanmedian(known):5.2f}" if np.isfinite(known).any() else " " * 13)
        words.append(f"/ unknown {np.nanmedian(unknown):5.2f}" if np.isfinite(unknown).any() else " " * 15)
        words.append(f"covered {100 * np.mean([c for _, c, _ in said]):5.1f} %" if said else "")
    if endless:
        share = np.mean([level in r.declared for r in endless])
        words.append(f"without end {len(endless):4d}, declared {100 * share:4.1f} %")
    return "  ".join(words)


# ---------------------------------------------------------------- beside the ideal observer

Curve = list[tuple[float, float]]


def curve(pairs: list[tuple[np.ndarray, np.ndarray]]) -> Curve:
    """Return median of the first and share below zero of the second, per threshold."""
    return [(float(np.median(x)), float(np.mean(y < 0))) for x, y in pairs if len(x) and len(y)]


def fronts(single: list[Followed], two: list[Followed]) -> tuple[Curve, dict[float, Curve]]:
    """Return ours and the ideal observer's: median delay of single runs over the known limit, early two-part runs."""
    known = np.array([r.known_s for r in single])
    ours = curve([
        (np.array([r.delay(level) for r in single]) / known, np.array([r.delay(level) for r in two]))
        for level in LEVELS
    ])  # fmt: skip
    ideal = {}
    for odds in dict.fromkeys(o for r in single for o, _ in r.ideal):
        ideal[odds] = curve([
            (
                np.array([r.ideal[odds, level] - r.end_s for r in single]) / known,
                np.array([r.ideal[odds, level] - r.end_s for r in two]),
            )
            for level in LEVELS
        ])  # fmt: skip
    return ours, ideal


def against_ideal(ours: list[Followed]) -> None:
    """Print how much later we are than the ideal observer that is early as often, one and two components in a row."""
    from glowledger.runs.endpoint import ASSURANCE, SLOW_PART

    ending = [r for r in ours if r.finishes and r.kind in COMPARED]
    early = np.array([r.delay(ASSURANCE) for r in ending]) < 0
    print(f"{len(ending)} one- and two-component runs in equal parts: we are early in {100 * early.mean():.1f} %")
    fine = sorted({(odds, level) for r in ending for odds, level in r.ideal if odds == SLOW_PART})
    rates = [float(np.mean([r.ideal[key] < r.end_s for r in ending])) for key in fine]
    for kind in COMPARED:
        rows = [r for r in ending if r.kind == kind]
        our = float(np.median([r.delay(ASSURANCE) for r in rows]))
        delays = [float(np.median([r.ideal[key] - r.end_s for r in rows])) for key in fine]
        order = np.argsort(rates)
        best = float(np.interp(early.mean(), np.array(rates)[order], np.array(delays)[order]))
        print(f"  {kind:8s} median delay {our:5.0f} s, the ideal observer's {best:5.0f} s: ratio {our / best:.2f}")


# ---------------------------------------------------------------- rivals


def rivals(each: int, seed: int, ours_per_update: float) -> dict[str, tuple[float, float]]:
    """Run the rivals on the plain runs; return early share and median delay of each."""
    runs = [drawn("baseline", i, seed) for i in range(min(each, 40))]
    points = {}
    for name, (detect, every) in RIVALS.items():
        if "ruptures" in name and find_spec("ruptures") is None:
            print("ruptures is not installed (extra 'bench'): its row is left out")
            continue
        began = time.process_time()
        said = np.array([detect(run.time_s, run.value) for run in runs])
        spent = time.process_time() - began
        ends = np.array([run.end_s for run in runs])
        finish = np.array([run.finishes for run in runs])
        delay = (said - ends)[finish]
        until = np.where(np.isfinite(said), said, np.inf)
        frames = sum(np.sum(run.time_s <= s) for run, s in zip(runs, until, strict=True))
        per = spent / (frames / max(every, 1)) if every else spent / len(runs)
        unit = "update" if every else "run"
        points[name] = (float(np.nanmedian(delay)), float(np.mean(delay < 0)))
        print(
            f"{name:26s} early {100 * np.mean(delay < 0):5.1f} %  not yet {100 * np.mean(np.isnan(delay)):4.1f} %  "
            f"delay {np.nanmedian(delay):5.0f}  endless declared {100 * np.mean(np.isfinite(said[~finish])):5.1f} %  "
            f"{1e3 * per:.3f} ms/{unit}, ours takes {ours_per_update / per:.2f} of that"
        )
    return points


# ---------------------------------------------------------------- figure


def draw(path: Path, curves: dict[str, Curve], points: dict[str, tuple[float, float]], trade: dict[str, Curve]) -> None:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(12, 5.5), layout="constrained")
    left, right = figure.subplots(1, 2)
    for (name, one), mark in zip(curves.items(), "os", strict=False):
        delay, early = np.array(one).T
        left.plot(delay, 100 * early, marker=mark, label=name)
        for level, x, y in zip(LEVELS, delay, early, strict=True):
            left.annotate(f"{level:g}", (x, 100 * y), textcoords="offset points", xytext=(4, 4), fontsize=8)
    for (name, (delay, early)), mark in zip(points.items(), "DvPX", strict=False):
        left.plot(delay, 100 * early, marker=mark, linestyle="none", markersize=9, label=name)
    left.axhline(2, linestyle=":", color="grey")
    left.set(xlabel="median delay after the true end, frames", ylabel="declared before the true end, %")
    left.set_yscale("symlog", linthresh=1)
    left.set_ylim(-0.1, 100)
    left.set_title("Operating curve (numbers: assurance)")
    left.legend(fontsize=8)
    styles = (("o", "-"), ("s", "-"), ("^", "--"), ("v", "--"))
    for (name, one), (mark, dash) in zip(trade.items(), styles, strict=False):
        delay, early = np.array(one).T
        seen = np.isfinite(delay)
        right.plot(delay[seen], 100 * early[seen], marker=mark, linestyle=dash, label=name)
    right.axvline(1.0, linestyle=":", color="grey")
    right.set(
        xlabel="one component: median delay over the limit for a known shape",
        ylabel="two components: declared before the true end, %",
        title="What it costs that a slow part may hide",
        xscale="log",
    )
    right.set_xticks([0.5, 1, 2, 5, 10], ["0.5", "1", "2", "5", "10"])
    right.set_ylim(0, 100)
    right.legend(fontsize=8)
    figure.savefig(path, dpi=130)


def gathered(tasks: list[tuple], jobs: int, until: float = np.inf) -> list[Followed]:
    """Follow runs in this process or in several, until all are done or the time is up."""
    found: list[Followed] = []
    pool = ProcessPoolExecutor(jobs) if jobs > 1 else None
    columns = list(zip(*tasks, strict=True))
    for one in map(follow, *columns) if pool is None else pool.map(follow, *columns):
        found.append(one)
        if len(found) % 200 == 0:
            print(f"  {len(found)} runs followed", flush=True)
        if time.monotonic() > until:
            break
    if pool is not None:
        pool.shutdown(wait=False, cancel_futures=True)
    return found


@dataclass
class Batch:
    """Runs of one seed: at the product's own setting, with a slow part taken for rare, and the rivals' points."""

    runs: list[Followed]
    rare: list[Followed] = field(default_factory=list)
    points: dict[str, tuple[float, float]] = field(default_factory=dict)


def followed(chosen: argparse.Namespace, levels: tuple[float, ...], each: int) -> Batch:
    """Follow everything that was asked for."""
    from glowledger.runs.endpoint import ASSURANCE

    kinds = tuple(chosen.kinds)
    print(f"{each} runs of each of {len(kinds)} kinds, seed {chosen.seed}; verdicts at {ASSURANCE}", flush=True)
    tasks = [
        (k, i, chosen.seed, levels if i % WHOLE == 0 else (ASSURANCE,), None) for i in range(each) for k in kinds
    ]  # kinds in turn, so that a run that is cut short is balanced
    batch = Batch(gathered(tasks, chosen.jobs, time.monotonic() + 60 * chosen.minutes))
    if "baseline" in kinds:
        updates = np.concatenate([r.updates_s for r in batch.runs])
        batch.points = rivals(each, chosen.seed, float(updates.mean()))
    if not chosen.quick and set(COMPARED) <= set(kinds):
        again = [(k, i, chosen.seed, LEVELS, TRUSTING) for i in range(0, each, WHOLE) for k in COMPARED]
        batch.rare = gathered(again, chosen.jobs)
    return batch


def pooled(files: list[Path]) -> Batch:
    """Put batches together that `--keep` kept."""
    batch = Batch([])
    for file in files:
        one = pickle.loads(file.read_bytes())
        batch.runs += one.runs
        batch.rare += one.rare
        batch.points |= one.points
    return batch


def told(batch: Batch, levels: tuple[float, ...]) -> dict[str, Curve]:
    """Print what came of it, and return the curves of one against two components."""
    from glowledger.runs.endpoint import ASSURANCE, SLOW_PART

    runs = batch.runs
    print(f"{len(runs)} runs followed")
    kinds = [k for k in ALL if any(r.kind == k for r in runs)]
    for kind in kinds:
        print(report(kind, [r for r in runs if r.kind == kind], ASSURANCE))
    print(report(f"all at {ASSURANCE}", runs, ASSURANCE))
    whole = [r for r in runs if r.whole]
    for level in levels if whole else ():
        print(report(f"part at {level}", whole, level))
    updates = np.concatenate([r.updates_s for r in runs])
    per_kind = {k: np.concatenate([r.updates_s for r in runs if r.kind == k]).mean() for k in kinds}
    slowest = max(per_kind, key=lambda k: per_kind[k])
    print(
        f"{1e3 * updates.mean():.2f} ms of processor time per update on average ({slowest}: "
        f"{1e3 * per_kind[slowest]:.2f} ms), {1e3 * np.quantile(updates, 0.99):.2f} ms in the slowest hundredth"
    )
    if not batch.rare:
        return {}
    against_ideal(whole)
    ours, ideal = fronts(*([r for r in whole if r.kind == k and r.finishes] for k in COMPARED))
    rare, _ = fronts(*([r for r in batch.rare if r.kind == k and r.finishes] for k in COMPARED))
    trade = {
        f"ours, slow part with probability {SLOW_PART}": ours,
        f"ours, slow part with probability {TRUSTING}": rare,
    } | {f"ideal observer, two components in {odds:.0%} of runs": one for odds, one in ideal.items()}
    for name, one in trade.items():
        print(f"{name:52s} " + "  ".join(f"{x:.2f}: {100 * y:.0f} %" for x, y in one))
    return trade


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=600)
    parser.add_argument("--seed", type=int, default=20260101)
    parser.add_argument("--figure", type=Path)
    parser.add_argument("--kinds", nargs="+", choices=ALL, default=ALL)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=np.inf, help="stop following runs after so long")
    parser.add_argument("--keep", type=Path, help="keep what was followed, for --pool")
    parser.add_argument("--pool", type=Path, nargs="+", help="follow nothing; report on what was kept, all together")
    parser.add_argument("--quick", action="store_true", help="two runs of each kind at the product's own assurance")
    chosen = parser.parse_args()
    from glowledger.runs.endpoint import ASSURANCE

    for name in ("numpy", "scipy", "ruptures", "matplotlib"):
        print(name, version(name) if find_spec(name) else "not installed", end="  ")
    print()
    levels = (ASSURANCE,) if chosen.quick else LEVELS
    each = 2 if chosen.quick else max(-(-chosen.runs // len(chosen.kinds)), 2)
    batch = pooled(chosen.pool) if chosen.pool else followed(chosen, levels, each)
    if chosen.keep:
        chosen.keep.write_bytes(pickle.dumps(batch))
    trade = told(batch, levels)
    if chosen.figure and trade:
        whole = [r for r in batch.runs if r.whole and r.finishes]

        def over(kinds: tuple[str, ...]) -> Curve:
            delays = [np.array([r.delay(level) for r in whole if r.kind in kinds]) for level in LEVELS]
            return curve([(d, d) for d in delays])

        ours = {"ours, plain runs": over(("baseline",)), "ours, all kinds": over(ALL)}
        draw(chosen.figure, {name: one for name, one in ours.items() if one}, batch.points, trade)


if __name__ == "__main__":
    main()
