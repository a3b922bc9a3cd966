"""Simulated cleaning runs with known truth; independent of the product: numpy only.

One run is one indicator over time. The truth is the time at which the excess over the floor has fallen to 5 % of
its largest value. Kinds:

single          one exponential, Gaussian noise
heavy           Student noise with 3 degrees of freedom
correlated      AR(1) noise, coefficient 0.3 to 0.8
spiked          1 to 3 % of frames with bursts, mostly upwards
two             two exponentials
plateau         flat (thick film), then one exponential
rising          the product first rises, then decays
leak            the floor steps up once, any time
stepped         the level steps up or down once (pressure, a valve), the decay goes on
drifting        the floor drifts slowly, up to 4 % of the starting excess over the run
never           decays so slow that the run stops long before its end
steady          no decay at all: clean from the start, or a constant source
slowing         a power of time, (1 + t/tau)^-p with p 0.7 to 2.5
stretched       exp(-(t/tau)^b) with b 0.4 to 0.9

`baseline` is the plain ensemble on which general-purpose detectors were measured: f + exp(-t / tau) with f 0.1 to
0.5, 600 samples, Gaussian noise of 2 to 10 % of the starting value, 1 % spikes of 0.3 to 1 of the starting value
either way; four series in five end (tau 60 to 180), one does not (tau 300 to 900).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

FRACTION = 0.05
KINDS = (
    "single", "heavy", "correlated", "spiked", "two", "plateau", "rising", "leak", "stepped", "drifting", "never",
    "steady", "slowing", "stretched",
)  # fmt: skip


@dataclass(frozen=True)
class SimulatedRun:
    """One run and its truth; `parts` are (share, time constant) of the excess, largest value 1 at `onset_s`."""

    kind: str
    time_s: np.ndarray
    value: np.ndarray
    sigma: float  # standard deviation of one frame, in units of the starting excess
    parts: tuple[tuple[float, float], ...] = ()
    onset_s: float = 0.0
    rise_s: float = 0.0
    correlation: float = 0.0
    power: float = 0.0  # of time, instead of exponentials
    stretch: float = 0.0

    def excess(self, time_s: np.ndarray | float) -> np.ndarray:
        """True excess over the floor, as part of its largest value."""
        t = np.asarray(time_s, dtype=float)
        if self.rise_s:
            (_, tau), top = self.parts[0], self.onset_s
            height = (1 - np.exp(-top / self.rise_s)) * np.exp(-top / tau)
            return (1 - np.exp(-t / self.rise_s)) * np.exp(-t / tau) / height
        late = np.maximum(t - self.onset_s, 0.0)
        if self.power:
            return (1 + late / self.parts[0][1]) ** -self.power
        if self.stretch:
            return np.exp(-((late / self.parts[0][1]) ** self.stretch))
        return sum((a * np.exp(-late / tau) for a, tau in self.parts), np.zeros_like(t))

    @property
    def end_s(self) -> float:
        """Time at which the excess falls to FRACTION for good; nan without a decay."""
        if not self.parts:
            return float("nan")
        if self.power:
            return self.parts[0][1] * (FRACTION ** (-1 / self.power) - 1)
        if self.stretch:
            return self.parts[0][1] * np.log(1 / FRACTION) ** (1 / self.stretch)
        low, high = self.onset_s, self.onset_s + 20 * max(tau for _, tau in self.parts)
        for _ in range(60):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if self.excess(middle) > FRACTION else (low, middle)
        return 0.5 * (low + high)

    @property
    def finishes(self) -> bool:
        return bool(self.end_s < self.time_s[-1])


def baseline(index: int, rng: np.random.Generator) -> SimulatedRun:
    finishes = index % 5 != 0
    tau = rng.uniform(60, 180) if finishes else rng.uniform(300, 900)
    floor, share = rng.uniform(0.1, 0.5), rng.uniform(0.02, 0.1)
    t = np.arange(600.0)
    start = 1 + floor
    y = floor + np.exp(-t / tau) + share * start * rng.standard_normal(len(t))
    hit = rng.random(len(t)) < 0.01
    y[hit] += rng.choice([-1.0, 1.0], hit.sum()) * rng.uniform(0.3, 1.0, hit.sum()) * start
    return SimulatedRun("baseline", t, y, share * start, ((1.0, tau),))


def ar1(n: int, phi: float, rng: np.random.Generator) -> np.ndarray:
    """Unit-variance AR(1) noise."""
    noise = np.empty(n)
    noise[0] = rng.standard_normal()
    kick = np.sqrt(1 - phi**2) * rng.standard_normal(n)
    for i in range(1, n):
        noise[i] = phi * noise[i - 1] + kick[i]
    return noise


def simulate(kind: str, rng: np.random.Generator) -> SimulatedRun:
    """Draw one run of a kind: 300 to 600 frames, three in ten at an irregular cadence about one per second."""
    n = int(rng.integers(300, 601))
    t = np.arange(float(n))
    if rng.random() < 0.3:
        t = np.cumsum(rng.uniform(0.5, 1.5, n))
        t -= t[0]
    length = t[-1]
    floor = rng.uniform(0.0, 0.6)
    sigma = float(np.exp(rng.uniform(np.log(0.01), np.log(0.1))))
    noise, phi = rng.standard_normal(n), 0.0
    if kind == "heavy":
        noise = rng.standard_t(3, n) / np.sqrt(3.0)
    elif kind == "correlated":
        phi = rng.uniform(0.3, 0.8)
        noise = ar1(n, phi, rng)
    parts, onset, rise = _decay(kind, float(length), rng)
    added = _added(kind, t, floor, rng)
    power = rng.uniform(0.7, 2.5) if kind == "slowing" else 0.0
    stretch = rng.uniform(0.4, 0.9) if kind == "stretched" else 0.0
    if kind in ("slowing", "stretched"):
        times = FRACTION ** (-1 / power) - 1 if power else np.log(1 / FRACTION) ** (1 / stretch)
        parts = ((1.0, length * rng.uniform(0.35, 0.8) / times),)
    truth = SimulatedRun(kind, t, t, sigma, parts, onset, rise, phi, power, stretch)
    return replace(truth, value=floor + truth.excess(t) + added + sigma * noise)


def _decay(kind: str, length: float, rng: np.random.Generator) -> tuple[tuple[tuple[float, float], ...], float, float]:
    """Shares and time constants, onset, rise time."""
    if kind == "steady":
        return (), 0.0, 0.0
    if kind == "never":
        return ((1.0, length * rng.uniform(0.5, 1.5)),), 0.0, 0.0
    if kind == "two":
        tau, slow = length * rng.uniform(0.03, 0.08), rng.uniform(0.1, 0.6)
        return ((1 - slow, tau), (slow, tau * rng.uniform(2.5, 6.0))), 0.0, 0.0
    if kind == "plateau":
        return ((1.0, length * rng.uniform(0.06, 0.15)),), length * rng.uniform(0.05, 0.35), 0.0
    if kind == "rising":
        tau = length * rng.uniform(0.06, 0.18)
        rise = tau * rng.uniform(0.1, 0.5)
        return ((1.0, tau),), rise * float(np.log1p(tau / rise)), rise
    return ((1.0, length * rng.uniform(0.08, 0.24)),), 0.0, 0.0


def _added(kind: str, t: np.ndarray, floor: float, rng: np.random.Generator) -> np.ndarray:
    """What disturbs the run beside its noise."""
    added = np.zeros(len(t))
    late = t > t[-1] * rng.uniform(0.05, 0.95)
    if kind == "spiked":
        hit = rng.random(len(t)) < rng.uniform(0.01, 0.03)
        added[hit] += rng.choice([-1.0, 1.0], hit.sum(), p=[0.2, 0.8]) * rng.uniform(0.2, 1.5, hit.sum())
    elif kind == "leak":
        added[late] += rng.uniform(0.1, 0.8)
    elif kind == "stepped":
        added[late] += rng.choice([-0.8, 1.0]) * rng.uniform(0.2, 0.9) * (0.3 + floor)
    elif kind == "drifting":
        added += rng.uniform(-0.04, 0.04) * t / t[-1]
    return added
