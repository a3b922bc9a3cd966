"""Judge `identify_frame` on simulated glows that share no code with it; run by hand.

    python tests/benchmarks/bench_identification.py --quick
    python tests/benchmarks/bench_identification.py --spectra 40 -o report_folder

Four tables: false claims and misses per scenario with a confusion table; detection against the strength of a
trace beside the ideal detector (matched filter that knows every template, Cramér-Rao); coverage of the 68 and
95 % intervals of species counts; rotational temperatures. One figure of all four, one of the detection curves and
one JSON document with -o.
"""

from __future__ import annotations

import argparse
import importlib.metadata
import json
import os
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "simulators"))

import numpy as np
from detection_curves import TRACES, Curve, detection_curve, joint_snr, print_curve, print_halves
from glow_instrument import Instrument, random_instrument
from glow_scenarios import METALS, MIXED, PURE, Scenario
from glow_simulator import Truth, simulate

from glowledger.glow.identifying import identify_frame
from glowledger.glow.results import Fit
from glowledger.spectra.frames import frames_from_arrays

SEEN = ("present", "possible")
UNTABLED = ("H2",)  # most of its light is in no table, so its counts cannot be judged
STRONG_SNR = 30.0  # a species this far above the ideal detector's noise should be found
QUICK_MINUTES = 0.4  # a smoke run begins nothing new after that


@dataclass
class Tally:
    """Counts of one scenario."""

    spectra: int = 0
    false_present: int = 0
    spectra_with_false: int = 0
    false_possible: int = 0
    strong: int = 0
    strong_present: int = 0
    strong_seen: int = 0
    strong_cannot_tell: int = 0
    mismatch: list[float] = field(default_factory=list)


@dataclass
class Bag:
    """Everything gathered over all spectra."""

    tallies: dict[str, Tally] = field(default_factory=lambda: defaultdict(Tally))
    confusion: Counter[tuple[str, str]] = field(default_factory=Counter)
    misses: Counter[tuple[str, str]] = field(default_factory=Counter)
    pulls: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    ratios: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    limits: list[bool] = field(default_factory=list)
    heat: list[tuple[str, float, float, float, float]] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)


def judge(counts: np.ndarray, nm: np.ndarray, bag: Bag) -> Fit:
    """Identify one spectrum and keep the time it took."""
    start = time.perf_counter()
    fit = identify_frame(frames_from_arrays(nm, counts))
    bag.seconds.append(time.perf_counter() - start)
    return fit


def other_instrument(bench: Instrument) -> Instrument:
    """The same spectrometer built worse: skewed lines whose width changes more, ripple, stray light, ghosts."""
    narrow, wide = bench.fwhm_nm
    return replace(
        bench, broadening="skewed", fwhm_nm=(0.85 * narrow, 1.15 * wide), ripple=bench.ripple + 0.03,
        stray=2 * bench.stray, second_order=bench.second_order + 0.002,
    )  # fmt: skip


def one_spectrum(kind: Scenario, rng: np.random.RandomState, bag: Bag, other: bool = False) -> None:
    """Draw, identify and score one spectrum of a scenario."""
    bench = random_instrument(rng)
    if other:
        bench = other_instrument(bench)
    share = float(np.exp(rng.uniform(np.log(kind.background[0]), np.log(kind.background[1]))))
    photons = 2e7 * float(np.exp(rng.uniform(-2.0, 0.5))) / bench.counts_per_e
    mixture, state = kind.draw(rng, photons), np.random.RandomState()
    state.set_state(rng.get_state())
    counts, nm, truth = simulate(mixture, bench, rng, background_share=share, whole=True)
    # counts of a species are those of its first order; the second is fitted as a ghost
    plain = replace(bench, second_order=0.0)
    first = simulate(mixture, plain, state, background_share=share, whole=True)[2].expected
    score(kind, judge(counts, nm, bag), truth, first, bag)


def score(kind: Scenario, fit: Fit, truth: Truth, first: dict[str, np.ndarray], bag: Bag) -> None:
    """Compare verdicts, counts and temperatures with the truth."""
    tally = bag.tallies[kind.name]
    tally.spectra += 1
    tally.mismatch.append(fit.mismatch)
    verdicts = {e.name: e for e in fit.species}
    false = [e.name for e in fit.species if e.verdict == "present" and not _allowed(e.name, kind, truth)]
    tally.false_present += len(false)
    tally.spectra_with_false += bool(false)
    bag.confusion.update((name, kind.name) for name in false)
    tally.false_possible += sum(
        e.verdict == "possible" and not _allowed(e.name, kind, truth) for e in fit.species
    )
    used = np.asarray(fit.used)
    for name, expected in first.items():
        evidence = verdicts.get(name)
        if evidence is None:
            continue
        here = float(expected[used].sum())
        if joint_snr(truth, name) > STRONG_SNR:
            tally.strong += 1
            tally.strong_present += evidence.verdict == "present"
            tally.strong_seen += evidence.verdict in SEEN
            tally.strong_cannot_tell += evidence.verdict == "cannot tell"
            if evidence.verdict not in SEEN:
                bag.misses[name, evidence.verdict] += 1
        if name in UNTABLED:
            continue
        if evidence.verdict in SEEN and evidence.standard_error > 0:
            bag.pulls[name].append((evidence.counts - here) / evidence.standard_error)
            bag.ratios[name].append(evidence.standard_error / here)
        elif np.isfinite(evidence.upper_limit) and here > 0:
            bag.limits.append(here <= evidence.upper_limit)
    for one in fit.temperatures:
        _heat(one.name.removeprefix("T_rot "), one.kelvin, one.interval_k, truth, bag)


def _allowed(name: str, kind: Scenario, truth: Truth) -> bool:
    return name in truth.mixture or name in kind.unsure


SHORT = {"N2 C-B": "N2 second positive", "N2 B-A": "N2 first positive", "N2+ B-X": "N2+ first negative",
         "CN B-X": "CN violet", "C2 d-a": "C2 Swan", "CO B-A": "CO Angstrom", "CO b-a": "CO third positive",
         "CO+ A-X": "CO+ comet tail", "NO A-X": "NO gamma", "O2+ b-a": "O2+ first negative"}  # fmt: skip
FIRST = {"N2": "N2 second positive", "N2+": "N2+ first negative", "OH": "OH A-X", "CO": "CO Angstrom",
         "CN": "CN violet", "CH": "CH A-X", "C2": "C2 Swan", "NH": "NH A-X", "NO": "NO gamma",
         "CO+": "CO+ comet tail", "O2+": "O2+ first negative"}  # fmt: skip


def _heat(name: str, kelvin: float, interval: tuple[float, float], truth: Truth, bag: Bag) -> None:
    system = SHORT.get(name) or FIRST.get(name, name)
    if system in truth.t_rot and np.isfinite(kelvin):
        bag.heat.append((name, truth.t_rot[system], kelvin, interval[0], interval[1]))


def print_scenarios(bag: Bag) -> None:
    """Print false claims and misses."""
    print(f"\n{'scenario':32s}{'n':>4s}{'false/spectrum':>16s}{'with false':>12s}{'possible':>10s}"
          f"{'strong':>8s}{'present':>9s}{'seen':>7s}{'cannot':>8s}{'mismatch':>10s}")  # fmt: skip
    rows = [*bag.tallies.items(), ("all", _sum(bag.tallies.values()))]
    for name, t in rows:
        n, strong = max(t.spectra, 1), max(t.strong, 1)
        print(f"{name:32s}{t.spectra:4d}{t.false_present / n:16.3f}{t.spectra_with_false / n:12.1%}"
              f"{t.false_possible / n:10.2f}{t.strong:8d}{t.strong_present / strong:9.1%}"
              f"{t.strong_seen / strong:7.1%}{t.strong_cannot_tell / strong:8.1%}"
              f"{np.median(t.mismatch or [np.nan]):10.3f}")  # fmt: skip
    print("\nfalsely 'present' (species, scenario: times)")
    for (name, where), times in bag.confusion.most_common(25):
        print(f"  {name:8s}{where:34s}{times:4d}")
    print("strong but unseen (species, verdict: times)")
    for (name, verdict), times in bag.misses.most_common(25):
        print(f"  {name:8s}{verdict:34s}{times:4d}")


def _sum(tallies: Iterable[Tally]) -> Tally:
    total = Tally()
    for t in tallies:
        for key, value in vars(t).items():
            setattr(total, key, getattr(total, key) + value)
    return total


def print_coverage(bag: Bag) -> None:
    """Print how often intervals of counts hold the truth; pull: (fitted - true) / standard error."""
    print(
        f"\n{'species':10s}{'n':>5s}{'68 %':>8s}{'95 %':>8s}{'pull':>11s}{'sd pull':>9s}{'error/true':>12s}"
    )
    for name in sorted(bag.pulls, key=lambda k: -len(bag.pulls[k])):
        print_pulls(name, np.array(bag.pulls[name]), float(np.median(bag.ratios[name])))
    if bag.pulls:
        every = np.concatenate([np.array(v) for v in bag.pulls.values()])
        print_pulls("all", every, float(np.median(np.concatenate(list(bag.ratios.values())))))
    if bag.limits:
        print(
            f"95 % upper limits of unseen true species hold in {np.mean(bag.limits):.1%} of {len(bag.limits)}"
        )


def print_pulls(name: str, pulls: np.ndarray, error: float) -> None:
    """Print one row of the coverage table."""
    size = np.abs(pulls)
    print(f"{name:10s}{pulls.size:5d}{np.mean(size < 1):8.1%}{np.mean(size < 1.96):8.1%}"
          f"{np.mean(pulls):11.2f}{np.std(pulls):9.2f}{error:12.3f}")  # fmt: skip


def print_heat(bag: Bag) -> None:
    """Print bias, scatter and coverage of rotational temperatures."""
    print(f"\n{'T_rot of':22s}{'n':>5s}{'bias K':>9s}{'rms K':>8s}{'bias %':>8s}{'68 % holds':>12s}{'95 %':>8s}")
    for name in sorted({row[0] for row in bag.heat}):
        rows = np.array([row[1:] for row in bag.heat if row[0] == name])
        off = rows[:, 1] - rows[:, 0]
        error = 0.5 * np.log(rows[:, 3] / rows[:, 2])  # of the logarithm of T
        size = np.abs(np.log(rows[:, 1] / rows[:, 0])) / error
        print(f"{name:22s}{len(rows):5d}{np.median(off):9.0f}{np.sqrt(np.mean(off**2)):8.0f}"
              f"{100 * np.median(off / rows[:, 0]):8.1f}{np.mean(size < 1):12.1%}"
              f"{np.mean(size < 1.96):8.1%}")  # fmt: skip


def save(folder: Path, bag: Bag, curves: list[Curve], about: str) -> None:
    """Write the figures and the numbers behind them."""
    from detection_figure import draw_curves
    from identification_figure import draw

    folder.mkdir(parents=True, exist_ok=True)
    if bag.tallies:
        draw(folder / "identification.png", bag, curves)
    if curves:
        draw_curves(folder / "detection.png", curves, about)
    document = {
        "scenarios": {
            k: {**vars(t), "mismatch": float(np.median(t.mismatch))} for k, t in bag.tallies.items()
        },
        "confusion": [[*key, times] for key, times in bag.confusion.most_common()],
        "curves": [one.plain() for one in curves],
        "pulls": dict(bag.pulls),
        "temperatures": bag.heat,
    }
    (folder / "identification.json").write_text(json.dumps(document, default=float), encoding="utf-8")


def run_scenarios(
    spectra: int, seed: int, only: str | None, stop: float, bag: Bag, other: bool = False
) -> None:
    """Go round all scenarios until there are enough spectra of each or the time is up."""
    metals = Scenario("argon with a metal", {"Ar I": (1, 1)}, frozenset({"Ar II"}))
    for k in range(spectra):
        for number, kind in enumerate([*PURE, *MIXED, metals]):
            if only not in (None, "scenarios", kind.name) or time.monotonic() > stop:
                continue
            rng = np.random.RandomState([seed, number, k])
            chosen = kind
            if kind is metals:
                extra = {str(rng.choice(METALS)): (0.003, 0.1)}
                chosen = Scenario(kind.name, {**kind.shares, **extra}, kind.unsure)
            one_spectrum(chosen, rng, bag, other)


def main() -> None:
    """Run the parts asked for and print their tables."""
    parser = argparse.ArgumentParser(description="Judge identification on independent simulations.")
    parser.add_argument("--spectra", type=int, default=20, help="spectra per scenario")
    parser.add_argument("--repeats", type=int, default=20, help="spectra per point of a detection curve")
    parser.add_argument("--quick", action="store_true", help="one spectrum each, a sparse curve, in a minute")
    parser.add_argument("--seed", type=int, default=7, help="of the random numbers")
    parser.add_argument("--only", help="one scenario by name, or 'curves', or 'scenarios'")
    parser.add_argument("--trace", help="with --only curves, this species alone")
    parser.add_argument("--other", action="store_true", help="spectrometers with another line-spread, built worse")
    parser.add_argument("--minutes", type=float, default=1e6, help="start nothing new after so many minutes")
    parser.add_argument("-o", "--output", type=Path, help="folder for figure and JSON")
    options = parser.parse_args()
    spectra, repeats = (1, 1) if options.quick else (options.spectra, options.repeats)
    minutes = min(options.minutes, QUICK_MINUTES) if options.quick else options.minutes
    bag = Bag()
    stop = time.monotonic() + 60 * minutes
    if options.only != "curves":
        run_scenarios(spectra, options.seed, options.only, stop, bag, options.other)
    curves = []
    if options.only in (None, "curves"):
        for base, name in TRACES[:1] if options.quick else TRACES:
            if time.monotonic() > stop or name not in (options.trace or name):
                continue
            one = detection_curve(
                base, name, repeats, options.seed, lambda counts, nm: judge(counts, nm, bag), sparse=options.quick
            )
            curves.append(one)
            print_curve(one)
        print_halves(curves)
    if bag.tallies:
        print_scenarios(bag)
        print_coverage(bag)
        print_heat(bag)
    print(f"\n{len(bag.seconds)} spectra, {np.median(bag.seconds):.2f} s each (median)")
    print_versions()
    if options.output:
        version = importlib.metadata.version("glowledger")
        save(options.output, bag, curves, f"version {version}, seed {options.seed}, {repeats} spectra a point")


def print_versions() -> None:
    """Print what it ran on."""
    import scipy

    print(f"python {sys.version.split()[0]}, numpy {np.__version__}, scipy {scipy.__version__}")


if __name__ == "__main__":
    main()
