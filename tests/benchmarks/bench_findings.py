"""Judge `findings` on simulated mixtures, through `identify_frame`; the simulator shares no code with either.

    python tests/benchmarks/bench_findings.py --spectra 10 --snr 20

Every scenario states a feed and puts contaminants of a known cause into it, each contaminant's light at the
given signal to noise: in its brightest pixel (what one reads off a spectrum), or with --ideal of the detector
that knows every template and fits all at once. Printed: how often the right
finding is made, how often a wrong one (by confidence), and the confusion of cause against finding.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections import Counter, defaultdict
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "simulators"))
sys.path.insert(0, str(Path(__file__).resolve().parent))

import numpy as np
from bench_identification import joint_snr
from glow_instrument import Instrument, random_instrument
from glow_simulator import Truth, simulate

from glowledger.diagnose.feed import parse_feed
from glowledger.diagnose.findings import findings
from glowledger.glow.identifying import identify_frame
from glowledger.spectra.frames import frames_from_arrays

SURE = ("high", "medium")
MOST_OF_BASE = 3.0  # a contaminant that would have to outshine the feed this much is taken as out of sight


@dataclass(frozen=True)
class Cause:
    """A feed, what comes with it, and what should be concluded.

    `base` are shares of the feed's own light, `signs` the species a cause shows (brought to the wanted signal
    to noise), `expected` the finding that must be made, `allowed` others that are not wrong.
    """

    name: str
    feed: str
    base: dict[str, float]
    signs: tuple[str, ...] = ()
    expected: str | None = None
    allowed: tuple[str, ...] = ()


AR, O2 = {"Ar I": 1.0}, {"O I": 1.0, "O2+": 0.1}
AIR = {"N2": 1.0, "N2+": 0.2, "O I": 0.03}
CAUSES = (
    Cause("clean argon", "Ar", AR),
    Cause("clean argon with ions", "Ar", {"Ar I": 1.0, "Ar II": 0.1}),
    Cause("clean oxygen", "O2", O2),
    Cause("clean helium", "He", {"He I": 1.0}),
    Cause("clean neon", "Ne", {"Ne I": 1.0}),
    Cause("clean hydrogen", "H2", {"H I": 0.6, "H2": 0.4}),
    Cause("nitrogen fed", "N2", {"N2": 1.0, "N2+": 0.2, "N I": 0.01}, (), "air leak"),
    Cause("argon and oxygen", "Ar:0.9,O2:0.1", {"Ar I": 1.0, "O I": 0.2}),
    Cause("air leak in argon", "Ar", AR, ("N2", "N2+"), "air leak"),
    Cause("air leak in oxygen", "O2", O2, ("N2", "N2+", "NO"), "air leak"),
    Cause("air leak in helium", "He", {"He I": 1.0}, ("N2", "N2+", "O I"), "air leak"),
    Cause("water in argon", "Ar", AR, ("OH", "H I", "O I"), "water"),
    Cause("water in oxygen", "O2", O2, ("OH", "H I"), "water"),
    Cause("oil in argon", "Ar", AR, ("CH", "C2", "H I"), "hydrocarbon oil", ("water",)),
    Cause("residue in argon, oxygen", "Ar:0.9,O2:0.1", {"Ar I": 1.0, "O I": 0.2}, ("CO", "OH", "H I"),
          "organic residue", ("hydrocarbon oil", "polymer etched", "water")),
    Cause("residue in air", "air", AIR, ("CN", "CO", "H I"), "organic residue",
          ("air leak", "hydrocarbon oil", "polymer etched", "water")),
    Cause("stainless in argon", "Ar", AR, ("Cr I", "Fe I", "Ni I"), "sputtered metal"),
    Cause("copper in argon", "Ar", AR, ("Cu I",), "sputtered metal"),
    Cause("aluminium in argon", "Ar", AR, ("Al I",), "sputtered metal"),
    Cause("fingerprint in oxygen", "O2", O2, ("Na I", "K I"), "sodium"),
    Cause("silicone in argon", "Ar", AR, ("Si I", "CH", "H I"), "silicone", ("hydrocarbon oil", "water")),
    Cause("fluorine in argon", "Ar", AR, ("F I",), "fluorinated oil or polymer"),
    Cause("room light in oxygen", "O2", O2, ("Hg I",), "room light"),
    Cause("helium instead of argon", "Ar", {"He I": 1.0}, (), "wrong gas"),
    Cause("air instead of argon", "Ar", AIR, (), "wrong gas", ("air leak",)),
    Cause("argon instead of oxygen", "O2", AR, (), "wrong gas", ("foreign gas",)),
)  # fmt: skip


def peak_snr(truth: Truth, name: str) -> float:
    """Signal to noise in the brightest pixel of a species, noise of all other light included."""
    return float(np.max(truth.expected[name] / truth.noise_sd))


def mixture_at(
    cause: Cause, photons: float, snr: float, bench: Instrument, seed: int, ideal: bool
) -> tuple[dict[str, float], set[str]]:
    """Return photons per species, every sign at the wanted signal to noise, and the signs out of sight."""
    total = sum(cause.base.values())
    mixture = {name: photons * share / total for name, share in cause.base.items()}
    hidden: set[str] = set()
    for _ in range(2):  # the contaminants' own light adds noise: go round twice
        trial = mixture | {name: mixture.get(name, 0.01 * photons) for name in cause.signs}
        truth = simulate(trial, bench, seed)[2]
        for name in cause.signs:
            seen = joint_snr(truth, name) if ideal else peak_snr(truth, name)
            wanted = trial[name] * snr / max(seen, 1e-9)
            hidden.discard(name)
            if wanted > MOST_OF_BASE * photons:
                hidden.add(name)
                wanted = 0.01 * photons
            mixture[name] = wanted
    return mixture, hidden


def judge(
    cause: Cause, rng: np.random.RandomState, options: argparse.Namespace
) -> tuple[list, set[str], dict]:
    """Draw one spectrum; return its findings, the signs out of sight, and verdicts of the signs."""
    bench = (
        Instrument(fwhm_nm=(1.2, 1.4), range_nm=(250.0, 900.0)) if options.steady else random_instrument(rng)
    )
    photons = 2e7 * float(np.exp(rng.uniform(-1.5, 0.3))) / bench.counts_per_e
    seed = int(rng.randint(0, 2**31 - 1))
    mixture, hidden = mixture_at(cause, photons, options.snr, bench, seed, options.ideal)
    counts, nm, _ = simulate(mixture, bench, seed)
    fit = identify_frame(frames_from_arrays(nm, counts))
    verdicts = {e.name: e.verdict for e in fit.species}
    false = [n for n, v in verdicts.items() if v == "present" and n not in mixture]
    found = [f for f in findings(fit, parse_feed(cause.feed)) if f.kind != "purity"]
    return found, hidden, {"signs": {n: verdicts.get(n) for n in cause.signs}, "false": false}


def run(options: argparse.Namespace) -> dict[str, object]:
    """Go round all causes and gather."""
    rows: dict[str, Counter[str]] = defaultdict(Counter)
    confusion: Counter[tuple[str, str]] = Counter()
    missed: Counter[str] = Counter()
    stop = time.monotonic() + 60 * options.minutes
    for k in range(options.spectra):
        for number, cause in enumerate(CAUSES):
            if options.only not in (None, cause.name) or time.monotonic() > stop:
                continue
            rng = np.random.RandomState([options.seed, number, k])
            found, hidden, more = judge(cause, rng, options)
            row = rows[cause.name]
            row["n"] += 1
            kinds = {f.kind: f.confidence for f in found}
            seeable = cause.expected is not None and not (cause.signs and hidden >= set(cause.signs))
            row["expected"] += seeable
            right = cause.expected in kinds
            row["right"] += seeable and right
            row["right sure"] += seeable and kinds.get(str(cause.expected)) in SURE
            wrong = {
                kind: c for kind, c in kinds.items() if kind != cause.expected and kind not in cause.allowed
            }
            row["wrong sure"] += any(c in SURE for c in wrong.values())
            row["wrong low"] += any(c == "low" for c in wrong.values())
            confusion.update((cause.name, f"{kind} ({c})") for kind, c in kinds.items())
            if seeable and not right:
                missed.update(f"{cause.name}: {n} {v}" for n, v in more["signs"].items() if n not in hidden)
            confusion.update((cause.name, f"  falsely present: {n}") for n in more["false"])
    return {"rows": rows, "confusion": confusion, "missed": missed}


def show(result: dict) -> None:
    """Print the tables."""
    rows: dict[str, Counter[str]] = result["rows"]
    total: Counter[str] = sum(rows.values(), Counter())
    head = ("n", "to find", "right", "sure", "wrong sure", "wrong low")
    print(f"{'cause':30s}" + "".join(f"{word:>12s}" for word in head))
    for name, row in [*rows.items(), ("all", total)]:
        n, expected = max(row["n"], 1), row["expected"]
        right = [f"{row[key] / expected:12.0%}" if expected else 12 * " " for key in ("right", "right sure")]
        wrong = [f"{row[key] / n:12.1%}" for key in ("wrong sure", "wrong low")]
        print(f"{name:30s}{row['n']:12d}{expected:12d}" + "".join(right + wrong))
    print("\ncause: findings (times)")
    said: dict[str, list[str]] = defaultdict(list)
    for (cause, kind), times in result["confusion"].most_common():
        said[cause].append(f"{kind} {times}")
    for name in rows:
        print(f"  {name:30s}{'; '.join(said[name]) or '-'}")
    print("\nmissed, with the verdicts on the signs")
    for text, times in result["missed"].most_common(30):
        print(f"  {text} ({times})")


def main() -> None:
    """Run and print; JSON with -o."""
    parser = argparse.ArgumentParser(description="Judge findings on independent simulations.")
    parser.add_argument("--spectra", type=int, default=10, help="spectra per cause")
    parser.add_argument("--snr", type=float, default=20.0, help="signal to noise of each sign")
    parser.add_argument("--seed", type=int, default=11, help="of the random numbers")
    parser.add_argument("--ideal", action="store_true", help="signal to noise of the ideal detector")
    parser.add_argument("--steady", action="store_true", help="one good spectrometer instead of random ones")
    parser.add_argument("--only", help="one cause by name")
    parser.add_argument("--minutes", type=float, default=1e6, help="start nothing new after so many minutes")
    parser.add_argument("-o", "--output", type=Path, help="JSON file")
    parser.add_argument("--quick", action="store_true", help="a smoke run: one spectrum per cause, a minute at most")
    options = parser.parse_args()
    if options.quick:
        options.spectra, options.minutes = 1, min(options.minutes, 1.0)
    result = run(options)
    show(result)
    if options.output:
        tables = {
            "rows": {k: dict(v) for k, v in result["rows"].items()},
            "confusion": [[*k, n] for k, n in result["confusion"].items()],
        }
        options.output.write_text(json.dumps(tables), encoding="utf-8")


if __name__ == "__main__":
    main()
