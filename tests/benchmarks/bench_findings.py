"""Judge `findings` on simulated mixtures, through `identify_frame`; the simulator shares no code with either.

    python tests/benchmarks/bench_findings.py --spectra 10 --snr 20 -o report_folder

Every scenario states a feed and puts contaminants of a known cause into it, each contaminant's light at the given
signal to noise: in its brightest pixel (what one reads off a spectrum), or with --ideal of the detector that knows
every template and fits all at once.

right           the finding of the cause is made, whatever its confidence; 'sure' counts high and medium alone
missed          it is not, although the ideal observer could tell (below)
wrong           a finding is made that is neither the cause's nor one that its light may honestly suggest
cannot be told  the telling signs lie outside range and window (they would have to outshine the feed threefold to
                reach the signal to noise), or other light and coarse resolution leave the ideal observer of
                `simulators/glow_visibility.py` below his detection limit (Currie 1968, for 1 % of spectra with a
                false species and 95 % found; set beforehand). Our own verdicts have no part in it. Such spectra count
                for 'wrong', and are listed apart from right and missed; the rate of all spectra together is printed
                as well, and a table shows how often the finding is made by what the observer is left with.

'Right at signal to noise 20' can be read in several ways, and the rates of all are printed side by side:
the brightest pixel of a telling sign has it, whatever else glows there (what one reads off a spectrum); the ideal
observer can tell it at all (the strict reading: he is left with 5.2 standard deviations and more); the same, but
the many lines of H2 at places that the simulator has invented are noise to him too, as they are to everybody; he is
left with 20.

Printed: rates per cause, by confidence and by visibility; the confusion matrix of what is against what is said; what
each verdict is worth (the table behind `diagnose/weighing.py`). With --figure the matrix as a figure.
"""

from __future__ import annotations

import argparse
import itertools
import json
import os
import sys
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "simulators"))
sys.path.insert(0, str(Path(__file__).resolve().parent))

import findings_figure
import numpy as np
from bench_identification import joint_snr
from findings_causes import CAUSES, Cause
from glow_instrument import Instrument, random_instrument
from glow_simulator import Truth, simulate
from glow_visibility import DETECTION_LIMIT, Visible, visible

from glowledger.diagnose.feed import parse_feed
from glowledger.diagnose.findings import findings
from glowledger.glow.identifying import identify_frame
from glowledger.glow.results import SpeciesEvidence
from glowledger.spectra.frames import frames_from_arrays

SURE, CANNOT = ("high", "medium"), "cannot tell"
BINS = (0.0, DETECTION_LIMIT, 10.0, 20.0, 1e9)  # standard deviations that the ideal observer is left with
MOST_OF_BASE = 3.0  # a contaminant that would have to outshine the feed this much is taken as out of sight


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
        truth = simulate(trial, bench, seed, whole=True)[2]
        for name in cause.signs:
            seen = joint_snr(truth, name) if ideal else peak_snr(truth, name)
            wanted = trial[name] * snr / max(seen, 1e-9)
            hidden.discard(name)
            if wanted > MOST_OF_BASE * photons:
                hidden.add(name)
                wanted = 0.01 * photons
            mixture[name] = wanted
    return mixture, hidden


@dataclass(frozen=True)
class Drawn:
    """One spectrum judged: what was found, how well the ideal observer sees the signs, verdicts on everything."""

    cause: Cause
    found: dict[str, str]
    hidden: set[str]
    visible: dict[str, Visible]
    tabled: dict[str, Visible]
    verdicts: dict[str, str]
    absent: tuple[str, ...]
    false: tuple[str, ...]
    snr: float

    @property
    def left(self) -> float:
        """Standard deviations by which the ideal observer tells the best telling sign; infinite for the feed's."""
        return self._left(self.visible)

    @property
    def left_of_tabled(self) -> float:
        """As `left`, for an observer who does not know lines at invented places."""
        return self._left(self.tabled)

    def _left(self, visible: dict[str, Visible]) -> float:
        telling = self.cause.telling or self.cause.signs
        seen = [visible[n].distance for n in telling if n not in self.hidden]
        return max(seen, default=0.0) if telling else float("inf")

    @property
    def shown(self) -> bool:
        """A telling sign has the wanted signal to noise in its brightest pixel."""
        telling = self.cause.telling or self.cause.signs
        return not telling or any(n not in self.hidden for n in telling)

    @property
    def right(self) -> bool:
        """The expected finding is there; of a nitrogen feed it is that a leak cannot be told."""
        said = self.found.get(str(self.cause.expected))
        return said is not None and (bool(self.cause.signs) or self.cause.expected != "air leak" or said == CANNOT)

    @property
    def wrong(self) -> dict[str, str]:
        """Findings that should not be there, with their confidence."""
        cause = self.cause
        return {k: c for k, c in self.found.items() if k != cause.expected and k not in cause.allowed and c != CANNOT}


def draw(cause: Cause, rng: np.random.RandomState, options: argparse.Namespace) -> Drawn:
    """Draw one spectrum, identify it and conclude."""
    bench = Instrument(fwhm_nm=(1.2, 1.4), range_nm=(250.0, 900.0)) if options.steady else random_instrument(rng)
    photons = 2e7 * float(np.exp(rng.uniform(-1.5, 0.3))) / bench.counts_per_e
    seed = int(rng.randint(0, 2**31 - 1))
    mixture, hidden = mixture_at(cause, photons, options.snr, bench, seed, options.ideal)
    counts, nm, truth = simulate(mixture, bench, seed, whole=True)
    fit = identify_frame(frames_from_arrays(nm, counts))
    said = findings(fit, parse_feed(cause.feed))
    seen = {n: visible(truth, bench, n) for n in cause.signs if n not in hidden}
    return Drawn(
        cause=cause,
        found={f.kind: f.confidence for f in reversed(said) if f.kind != "purity"},  # the surest of a kind comes first
        hidden=hidden,
        visible=seen,
        tabled={n: visible(truth, bench, n, untabled=True) for n in seen} if "H2" in mixture else seen,
        verdicts={e.name: worth(e) for e in fit.species},
        absent=() if "H2" in mixture else tuple(e.name for e in fit.species if e.name not in mixture),
        false=tuple(e.name for e in fit.species if e.verdict == "present" and e.name not in mixture),
        snr=options.snr,
    )


def worth(evidence: SpeciesEvidence) -> str:
    """Return the class of a verdict as the weighing knows it."""
    if evidence.verdict != "possible":
        return evidence.verdict
    if evidence.significance < 5:
        return "possible, faint"
    if evidence.significance < 10 or not any(f.clean for f in evidence.features):
        return "possible, fair"
    return "possible, sure"


def run(options: argparse.Namespace) -> list[Drawn]:
    """Go round all causes."""
    stop = time.monotonic() + 60 * options.minutes
    drawn = []
    for k in range(options.spectra):
        for number, cause in enumerate(CAUSES):
            if options.only not in (None, cause.name) or (options.quick and number % 4 != 1):
                continue
            if time.monotonic() < stop:
                drawn.append(draw(cause, np.random.RandomState([options.seed, number, k]), options))
    return drawn


def told_apart(drawn: list[Drawn]) -> tuple[list[Drawn], list[Drawn]]:
    """Split spectra with something to find into those where the ideal observer can tell it, and the others."""
    asked = [d for d in drawn if d.cause.expected is not None]
    return [d for d in asked if d.left >= DETECTION_LIMIT], [d for d in asked if d.left < DETECTION_LIMIT]


def rates(drawn: list[Drawn]) -> dict[str, float]:
    """Return the rates of some spectra; NaN where there is nothing to find."""
    to_find, untold = told_apart(drawn)
    n, m = len(drawn), len(to_find)
    sure = sum(d.found.get(str(d.cause.expected)) in (*SURE, CANNOT) for d in to_find if d.right)
    return {
        "n": n,
        "to find": m,
        "right": sum(d.right for d in to_find) / m if m else float("nan"),
        "sure": sure / m if m else float("nan"),
        "untold": len(untold),
        "untold right": sum(d.right for d in untold),
        "wrong sure": sum(any(c in SURE for c in d.wrong.values()) for d in drawn) / max(n, 1),
        "wrong low": sum("low" in d.wrong.values() for d in drawn) / max(n, 1),
    }


def print_rates(drawn: list[Drawn]) -> None:
    """Print the table per cause, and by how well the ideal observer sees."""
    print(f"{'cause':30s}{'n':>5s}{'to find':>9s}{'right':>8s}{'sure':>8s}{'wrong sure':>12s}{'wrong low':>11s}"
          f"{'cannot be told (found)':>24s}")  # fmt: skip
    groups = [(c.name, [d for d in drawn if d.cause is c]) for c in CAUSES]
    for name, some in [*groups, ("all", drawn)]:
        if some:
            r = rates(some)
            shown = [f"{r[k]:8.0%}" if r["to find"] else 8 * " " for k in ("right", "sure")]
            print(f"{name:30s}{r['n']:5.0f}{r['to find']:9.0f}{shown[0]}{shown[1]}{r['wrong sure']:12.1%}"
                  f"{r['wrong low']:11.1%}{r['untold']:17.0f} ({r['untold right']:.0f})")  # fmt: skip
    for name, right, n, _ in by_visibility(drawn):
        print(f"  ideal observer is left with {name:24s}{right:5d} of {n:4d} found")
    to_find = rates(drawn)["to find"]
    right = sum(d.right for d in told_apart(drawn)[0])
    if to_find:
        low, high = interval(right, int(to_find))
        print(f"right: {right} of {to_find:.0f} above the detection limit ({DETECTION_LIMIT:.1f} sigma), 95 % interval "
              f"{low:.1%} to {high:.1%}")  # fmt: skip
        asked = [d for d in drawn if d.cause.expected]
        print(f"found of all that is there, told or not: {sum(d.right for d in asked)} of {len(asked)}")
    wrong = sum(bool(d.wrong) for d in drawn)
    low, high = interval(wrong, len(drawn))
    print(f"wrong, of any confidence: {wrong} of {len(drawn)}, 95 % interval {low:.1%} to {high:.1%}")


def print_readings(drawn: list[Drawn]) -> None:
    """Print the rates of right findings by each way to read 'at signal to noise'."""
    asked = [d for d in drawn if d.cause.expected]
    readings = (
        (f"brightest pixel of a telling sign at {drawn[0].snr:g}, whatever else glows there", lambda d: d.shown),
        (f"ideal observer left with {DETECTION_LIMIT:.1f} sigma (strict)", lambda d: d.left >= DETECTION_LIMIT),
        ("  the same, lines at invented places unknown to him", lambda d: d.left_of_tabled >= DETECTION_LIMIT),
        (f"ideal observer left with {drawn[0].snr:g} sigma", lambda d: d.left >= d.snr),
        ("  the same, lines at invented places unknown to him", lambda d: d.left_of_tabled >= d.snr),
    )
    print("\nright findings, by what 'can be told' is taken to mean")
    for name, told in readings:
        some = [d for d in asked if told(d)]
        right = sum(d.right for d in some)
        low, high = interval(right, len(some))
        print(f"  {name:66s}{right:5d} of {len(some):4d} = {right / max(len(some), 1):6.1%}  ({low:.1%} to {high:.1%})")


def by_visibility(drawn: list[Drawn]) -> list[tuple[str, int, int, tuple[float, float]]]:
    """Return what the ideal observer is left with, how many are found of how many, and the 95 % interval."""
    out = []
    for low, high in itertools.pairwise(BINS):
        some = [d for d in drawn if low <= d.left < high and d.cause.signs]
        right = sum(d.right for d in some)
        name = f"{low:.1f} to {high:.1f} sigma" if high < 1e6 else f"more than {low:.1f} sigma"
        out.append((name, right, len(some), interval(right, len(some))))
    return out


def interval(hits: int, n: int) -> tuple[float, float]:
    """Return the 95 % interval of a share (Clopper & Pearson, Biometrika 26, 404 (1934))."""
    from scipy.stats import binomtest

    found = binomtest(hits, max(n, 1)).proportion_ci(0.95, method="exact")
    return float(found.low), float(found.high)


def print_confidence(drawn: list[Drawn]) -> None:
    """Print how often findings of each confidence are right or at least not wrong."""
    print("\nof all findings made, right or honestly suggested by the light")
    for word in (*SURE, "low"):
        said = [(d, k) for d in drawn for k, c in d.found.items() if c == word]
        good = sum(k not in d.wrong for d, k in said)
        if said:
            print(f"  {word:8s}{good:5d} of {len(said):4d}  ({good / len(said):.1%})")


def confusion(drawn: list[Drawn]) -> tuple[list[str], list[str], list[list[int]]]:
    """Return rows (what is), columns (what is said) and counts; spectra that cannot be told have rows of their own."""
    table: Counter[tuple[str, str]] = Counter()
    for d in drawn:
        row = d.cause.expected or "nothing wrong"
        row += " (cannot be told)" if d.cause.expected and d.left < DETECTION_LIMIT else ""
        said = [k if c != CANNOT else f"{k}: {CANNOT}" for k, c in d.found.items()]
        table.update((row, k) for k in said or ["nothing"])
        table[row, "spectra"] += 1
    rows = sorted({r for r, _ in table}, key=lambda r: (r.endswith("told)"), r))
    columns = ["spectra", *sorted({c for _, c in table} - {"spectra", "nothing"}), "nothing"]
    return rows, columns, [[table[r, c] for c in columns] for r in rows]


def print_confusion(drawn: list[Drawn]) -> None:
    """Print the confusion matrix: a row per truth, a column per finding made."""
    rows, columns, counts = confusion(drawn)
    print("\nconfusion: what is (rows) against what is said (columns; a spectrum may have several findings)")
    for number, column in enumerate(columns):
        print(f"  {chr(97 + number)}  {column}")
    print(f"{'':42s}" + "".join(f"{chr(97 + i):>5s}" for i in range(len(columns))))
    for row, line in zip(rows, counts, strict=True):
        print(f"{row:42s}" + "".join(f"{count or '.':>5}" for count in line))


def print_worth(drawn: list[Drawn]) -> None:
    """Print how much likelier each verdict is where a species glows than where it does not (no H2 in the glow)."""
    plain = [d for d in drawn if d.absent]
    told = [(d, name) for d in plain for name, v in d.visible.items() if v.distance >= DETECTION_LIMIT]
    there = Counter(d.verdicts.get(name, "-") for d, name in told)
    away = Counter(d.verdicts[n] for d in plain for n in d.absent)
    print(f"\nwhat a verdict is worth\n  {'verdict':18s}{'glows':>8s}{'absent':>8s}{'ln ratio':>10s}")
    for word in ("present", "possible, sure", "possible, fair", "possible, faint", "not seen", "cannot tell"):
        share = (there[word] + 0.5) / (there.total() + 1), (away[word] + 0.5) / (away.total() + 1)
        print(f"  {word:18s}{there[word]:8d}{away[word]:8d}{np.log(share[0] / share[1]):10.1f}")


def print_faults(drawn: list[Drawn]) -> None:
    """Print what was missed and what was wrong, with what the signs looked like."""
    print("\nmissed (sign: ideal observer's distance, nearest other species, verdict) and wrong")
    for d in drawn:
        missed = d.cause.expected and d.left >= DETECTION_LIMIT and not d.right
        if missed or d.wrong:
            seen = [f"{n}: {v.distance:.0f}, {v.rival}, {d.verdicts.get(n)}" for n, v in d.visible.items()]
            print(f"  {'missed' if missed else '':7s}{d.cause.name:28s}{'; '.join(seen)}", end="")
            print(f"  WRONG {d.wrong}" if d.wrong else "", f"  falsely present: {d.false}" if d.false else "")


def main() -> None:
    """Run and print; JSON with -o."""
    parser = argparse.ArgumentParser(description="Judge findings on independent simulations.")
    parser.add_argument("--spectra", type=int, default=10, help="spectra per cause")
    parser.add_argument("--snr", type=float, default=20.0, help="signal to noise of each sign")
    parser.add_argument("--seed", type=int, default=11, help="of the random numbers")
    parser.add_argument("--ideal", action="store_true", help="signal to noise of the ideal detector")
    parser.add_argument("--steady", action="store_true", help="one good spectrometer instead of random ones")
    parser.add_argument("--only", help="one cause by name")
    parser.add_argument("--quick", action="store_true", help="one spectrum of every fourth cause, for a minute")
    parser.add_argument("--minutes", type=float, default=1e6, help="start nothing new after so many minutes")
    parser.add_argument("-o", "--output", type=Path, help="JSON file")
    parser.add_argument("--figure", type=Path, help="image file")
    options = parser.parse_args()
    if options.quick:
        options.spectra, options.minutes = 1, min(options.minutes, 1.0)
    drawn = run(options)
    print(f"signal to noise {options.snr:g}, seed {options.seed}, " + ("one good bench" if options.steady else "fleet"))
    for part in (print_rates, print_readings, print_confidence, print_confusion, print_worth, print_faults):
        part(drawn)
    print(f"\npython {sys.version.split()[0]}, numpy {np.__version__}")
    if options.figure:
        bench = "one good spectrometer" if options.steady else "random cheap spectrometers"
        title = f"Findings judged on {len(drawn)} invented spectra, {bench}, signal to noise {options.snr:g}, "
        findings_figure.draw(options.figure, confusion(drawn), by_visibility(drawn), f"{title}seed {options.seed}")
    if options.output:
        rows, columns, counts = confusion(drawn)
        document = {
            "rates": {c.name: rates([d for d in drawn if d.cause is c]) for c in CAUSES} | {"all": rates(drawn)},
            "confusion": {"rows": rows, "columns": columns, "counts": counts},
        }
        options.output.write_text(json.dumps(document), encoding="utf-8")


if __name__ == "__main__":
    main()
