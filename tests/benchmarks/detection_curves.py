"""Detection of a trace against its strength, beside what could be detected at all; part of `bench_identification`.

Strength is the signal to noise of the ideal detector: it knows the template of everything that glows and fits all
heights (Cramér-Rao). The informed observer (`glow_visibility`) is nearer to what anybody can do who brings a spectrum
and no calibration: bands and lines stray from their templates, axis, width and response are free, and the most alike
other species is tried in the place of the trace. All are asked for the same rate of false claims.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, field, replace
from typing import Any

import numpy as np
from glow_instrument import Instrument, record
from glow_scenarios import scenario
from glow_simulator import Truth, simulate
from glow_visibility import ALPHA, visible
from scipy.stats import norm

TRACES = (
    ("argon", "OH"), ("argon and oxygen", "CO"), ("argon", "H I"), ("argon", "O I"), ("argon", "N2"),
    ("argon and hydrogen", "CH"), ("nitrogen", "CN"), ("argon", "Cr I"), ("argon", "Na I"), ("air", "Ar I"),
    ("oxygen", "N2"), ("nitrogen", "CO"),
)  # fmt: skip
BENCH = Instrument(pixels=1024, fwhm_nm=(1.2, 1.4), range_nm=(280.0, 900.0), axis_error_nm=(0.05, 0.03, 0.02))
RATIO = 1.4  # from one strength to the next
LEAST = float(norm.isf(ALPHA))  # signal to noise at which the ideal detector finds half
FIRST, LOWEST, HIGHEST = 3, -2, 12  # steps above it: where a curve is begun, and given up
FEW, MOST = 0.25, 0.75  # where a curve may end
OBSERVED = 3  # draws for which the informed observer is asked
PROBE = 1e4  # photons
SEEN = ("present", "possible")


@dataclass
class Curve:
    """One trace in one glow; one entry per strength in each list."""

    base: str
    name: str
    strength: list[float] = field(default_factory=list)
    present: list[float] = field(default_factory=list)
    seen: list[float] = field(default_factory=list)
    informed: list[float] = field(default_factory=list)
    off: list[float] = field(default_factory=list)  # median distance of counts from the truth, over Cramér-Rao
    stated: list[float] = field(default_factory=list)  # median stated standard error over Cramér-Rao
    errors: list[list[float]] = field(default_factory=list)  # counts less the truth, over the stated standard error
    known: float = float("nan")  # strength at which the informed observer finds half

    def sort(self) -> None:
        """Put the strengths in rising order."""
        order = np.argsort(self.strength)
        for key in ("strength", "present", "seen", "informed", "off", "stated", "errors"):
            setattr(self, key, [getattr(self, key)[i] for i in order])

    def half(self, which: str) -> float:
        """Strength at which half are found, by logarithmic interpolation; NaN if never."""
        share = np.maximum.accumulate(np.array(getattr(self, which)))
        over = np.flatnonzero(share >= 0.5)
        if over.size == 0:
            return float("nan")
        k = int(over[0])
        if k == 0:
            return self.strength[0]
        part = (0.5 - share[k - 1]) / (share[k] - share[k - 1])
        low, high = np.log(self.strength[k - 1 : k + 1])
        return float(np.exp(low + part * (high - low)))

    def plain(self) -> dict[str, Any]:
        """As numbers and lists."""
        return asdict(self)


def ideal(strength: float) -> float:
    """Probability that the ideal detector finds a trace."""
    return float(norm.cdf(strength - LEAST))


def joint_snr(truth: Truth, name: str) -> float:
    """Signal to noise of the ideal detector that must fit the heights of all true species at once."""
    weight = 1 / truth.noise_sd
    own = truth.expected[name] * weight
    others = [x * weight for key, x in truth.expected.items() if key != name]
    basis = np.array([*others, truth.background * weight]).T
    keep = np.linalg.norm(basis, axis=0) > 0
    basis = basis[:, keep] / np.linalg.norm(basis[:, keep], axis=0)
    left = own - basis @ np.linalg.lstsq(basis, own, rcond=None)[0]
    return float(np.sqrt(left @ left))


@dataclass(frozen=True)
class Glow:
    """One draw of a glow with a trace in it, before it is recorded."""

    name: str
    truth: Truth  # with `PROBE` photons of the trace

    @classmethod
    def drawn(cls, base: str, name: str, seed: int) -> Glow:
        """Draw a mixture and what it sends out."""
        mixture = scenario(base).draw(np.random.RandomState(seed))
        return cls(name, simulate({**mixture, name: PROBE}, BENCH, seed, whole=True)[2])

    def at(self, strength: float) -> Truth:
        """Return the truth with the trace at a strength; its own shot noise counts."""
        found = self.truth
        for _ in range(3):
            found = self._scaled(found, strength / joint_snr(found, self.name))
        return found

    def _scaled(self, truth: Truth, factor: float) -> Truth:
        expected = {**truth.expected, self.name: truth.expected[self.name] * factor}
        gain, read = BENCH.counts_per_e, BENCH.read_noise_e**2
        electrons = np.sum([*expected.values(), truth.background], axis=0) / gain
        dark = read / 20 if BENCH.dark_subtracted else 0.0
        noise = gain * np.sqrt((electrons + read) / BENCH.averages + dark)
        return replace(truth, expected=expected, noise_sd=noise)


def recorded(truth: Truth, rng: np.random.RandomState) -> np.ndarray:
    """Return counts of one record."""
    electrons = np.sum([*truth.expected.values(), truth.background], axis=0) / BENCH.counts_per_e
    return record(BENCH, electrons[None], rng)[0]


def detection_curve(
    base: str, name: str, repeats: int, seed: int, judge: Callable[..., Any], *, sparse: bool = False
) -> Curve:
    """Go from a middle strength down until nothing is seen and up until all is present."""
    curve = Curve(base, name)
    seeds = np.random.RandomState([seed, *name.encode(), *base.encode()]).randint(0, 2**31 - 1, repeats)
    glows = [Glow.drawn(base, name, int(one)) for one in seeds]
    # how much of the ideal's signal to noise the informed observer keeps
    asked = [glow.at(3 * LEAST) for glow in glows[: 1 if sparse else OBSERVED]]
    kept = [visible(truth, BENCH, name).distance / joint_snr(truth, name) for truth in asked]
    curve.known = LEAST / float(np.median(kept))
    steps: dict[int, tuple[float, float]] = {}
    for step in (FIRST,) if sparse else (*range(FIRST, LOWEST - 1, -1), *range(FIRST + 1, HIGHEST + 1)):
        if step < FIRST and steps.get(step + 1, (0.0, 0.0))[1] <= FEW:
            continue
        if step > FIRST and steps[step - 1][0] >= MOST:
            break
        steps[step] = _one_strength(curve, glows, step, seed, judge, kept)
    curve.sort()
    return curve


def _one_strength(
    curve: Curve, glows: list[Glow], step: int, seed: int, judge: Callable[..., Any], kept: list[float]
) -> tuple[float, float]:
    """Add one strength to a curve; return the parts that are present and seen."""
    strength = LEAST * RATIO**step
    verdicts, off, stated, errors = [], [], [], []
    for k, glow in enumerate(glows):
        truth = glow.at(strength)
        counts = recorded(truth, np.random.RandomState([seed, step - LOWEST, k]))
        fit = judge(counts, BENCH.believed_nm())
        one = next(e for e in fit.species if e.name == curve.name)
        verdicts.append(one.verdict)
        own = float(truth.expected[curve.name][np.asarray(fit.used)].sum())
        bound = own / joint_snr(truth, curve.name)
        if np.isfinite(one.counts):
            off.append(abs(one.counts - own) / bound)
            stated.append(one.standard_error / bound)
            errors.append((one.counts - own) / one.standard_error)
    present = float(np.mean([v == "present" for v in verdicts]))
    seen = float(np.mean([v in SEEN for v in verdicts]))
    curve.strength.append(strength)
    curve.present.append(present)
    curve.seen.append(seen)
    curve.informed.append(float(np.mean([norm.cdf(strength * part - LEAST) for part in kept])))
    curve.off.append(float(np.median(off)) if off else float("nan"))
    curve.stated.append(float(np.median(stated)) if stated else float("nan"))
    curve.errors.append(errors)
    return present, seen


def print_curve(curve: Curve) -> None:
    """Print one curve."""
    print(f"\n{curve.name} in {curve.base}: signal to noise of the ideal detector | present | present or possible | "
          "ideal | informed observer | off, and standard error, over Cramér-Rao")  # fmt: skip
    for k, strength in enumerate(curve.strength):
        print(f"{strength:10.1f}{curve.present[k]:9.0%}{curve.seen[k]:8.0%}{ideal(strength):9.1%}"
              f"{curve.informed[k]:9.1%}{curve.off[k]:9.1f}{curve.stated[k]:8.1f}")  # fmt: skip


def print_halves(curves: list[Curve]) -> None:
    """Print at which strength half are found, over that of the ideal detector and the informed observer."""
    print(f"\nhalf found at this many times the ideal detector's strength (false claims {ALPHA:.0e} per species)")
    print(f"{'trace':26s}{'present':>9s}{'seen':>7s}{'informed observer':>19s}{'seen over informed':>20s}")
    for curve in curves:
        known = curve.known
        print(f"{curve.name + ' in ' + curve.base:26s}{curve.half('present') / LEAST:9.1f}"
              f"{curve.half('seen') / LEAST:7.1f}{known / LEAST:19.1f}{curve.half('seen') / known:20.2f}")  # fmt: skip
    size = np.abs([error for curve in curves for part in curve.errors for error in part])
    if size.size:
        print(f"counts of {size.size} traces within one standard error of the truth: {np.mean(size < 1):.0%} (68 % "
              f"wanted), within 1.96: {np.mean(size < 1.96):.0%} (95 %)")  # fmt: skip
