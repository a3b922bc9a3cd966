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

`baseline` is the plain ensemble on which general-purpose detectors were measured: f + exp(-t / tau) with f 0.1 to
0.5, 600 samples, Gaussian noise of 2 to 10 % of the starting value, 1 % spikes of 0.3 to 1 of the starting value
either way; four series in five end (tau 60 to 180), one does not (tau 300 to 900).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

FRACTION = 0.05
KINDS = (
    "single", "heavy", "correlated", "spiked", "two", "plateau", "rising", "leak", "stepped", "drifting", "never",
    "steady",
)  # fmt: skip


@dataclass(frozen=True)
class SimulatedRun:
    kind: str
    time_s: np.ndarray
    value: np.ndarray
    end_s: float  # nan: no decay; beyond the last time: not reached in this run
    sigma: float  # standard deviation of one frame, in units of the starting excess
    tau_s: float  # the slower one
    onset_s: float = 0.0
    correlation: float = 0.0

    @property
    def finishes(self) -> bool:
        return bool(self.end_s < self.time_s[-1])

    def excess(self, time_s: float) -> float:
        return float(np.exp(-time_s / self.tau_s))


def baseline(index: int, rng: np.random.Generator) -> SimulatedRun:
    finishes = index % 5 != 0
    tau = rng.uniform(60, 180) if finishes else rng.uniform(300, 900)
    floor, share = rng.uniform(0.1, 0.5), rng.uniform(0.02, 0.1)
    t = np.arange(600.0)
    start = 1 + floor
    y = floor + np.exp(-t / tau) + share * start * rng.standard_normal(len(t))
    hit = rng.random(len(t)) < 0.01
    y[hit] += rng.choice([-1.0, 1.0], hit.sum()) * rng.uniform(0.3, 1.0, hit.sum()) * start
    return SimulatedRun("baseline", t, y, tau * np.log(1 / FRACTION), share * start, tau)


def ar1(n: int, phi: float, rng: np.random.Generator) -> np.ndarray:
    """Unit-variance AR(1) noise."""
    noise = np.empty(n)
    noise[0] = rng.standard_normal()
    kick = np.sqrt(1 - phi**2) * rng.standard_normal(n)
    for i in range(1, n):
        noise[i] = phi * noise[i - 1] + kick[i]
    return noise


def simulate(kind: str, rng: np.random.Generator) -> SimulatedRun:
    """Draw one run of a kind; 300 to 600 frames, one per second unless the cadence is irregular."""
    n = int(rng.integers(300, 601))
    t = np.arange(float(n))
    if rng.random() < 0.3:
        t = np.cumsum(rng.uniform(0.5, 1.5, n))
        t -= t[0]
    length = t[-1]
    tau = length * rng.uniform(0.08, 0.24)
    floor = rng.uniform(0.0, 0.6)
    sigma = float(np.exp(rng.uniform(np.log(0.01), np.log(0.1))))
    noise, phi, onset, slow, share = rng.standard_normal(n), 0.0, 0.0, tau, 0.0
    shape = np.exp(-t / tau)
    extra = np.zeros(n)
    if kind == "heavy":
        noise = rng.standard_t(3, n) / np.sqrt(3.0)
    elif kind == "correlated":
        phi = rng.uniform(0.3, 0.8)
        noise = ar1(n, phi, rng)
    elif kind == "spiked":
        hit = rng.random(n) < rng.uniform(0.01, 0.03)
        extra[hit] += rng.choice([-1.0, 1.0], hit.sum(), p=[0.2, 0.8]) * rng.uniform(0.2, 1.5, hit.sum())
    elif kind == "two":
        tau, share = length * rng.uniform(0.03, 0.08), rng.uniform(0.1, 0.6)
        slow = tau * rng.uniform(2.5, 6.0)
        shape = (1 - share) * np.exp(-t / tau) + share * np.exp(-t / slow)
    elif kind == "plateau":
        onset = length * rng.uniform(0.05, 0.35)
        tau = slow = length * rng.uniform(0.06, 0.15)
        shape = np.exp(-np.maximum(t - onset, 0) / tau)
    elif kind == "rising":
        tau = slow = length * rng.uniform(0.06, 0.18)
        rise = tau * rng.uniform(0.1, 0.5)
        shape = (1 - np.exp(-t / rise)) * np.exp(-t / tau)
        shape, onset = shape / shape.max(), float(t[np.argmax(shape)])
    elif kind == "leak":
        extra[t > length * rng.uniform(0.05, 0.95)] += rng.uniform(0.1, 0.8)
    elif kind == "stepped":
        extra[t > length * rng.uniform(0.05, 0.95)] += (
            rng.choice([-0.8, 1.0]) * rng.uniform(0.2, 0.9) * (0.3 + floor)
        )
    elif kind == "drifting":
        extra += rng.uniform(-0.04, 0.04) * t / length
    elif kind == "never":
        tau = slow = length * rng.uniform(0.5, 1.5)
        shape = np.exp(-t / tau)
    elif kind == "steady":
        shape, floor = np.zeros(n), rng.uniform(0.2, 1.0)
    if kind == "steady":
        end = np.nan
    else:
        fine = np.linspace(0, 30 * length, 300_001)
        end = _end(kind, fine, tau, slow, onset, shape, t, share)
    return SimulatedRun(kind, t, floor + shape + extra + sigma * noise, end, sigma, slow, onset, phi)


def _end(
    kind: str,
    fine: np.ndarray,
    tau: float,
    slow: float,
    onset: float,
    shape: np.ndarray,
    t: np.ndarray,
    share: float,
) -> float:
    """Time at which the excess falls to FRACTION of its largest value for good."""
    if kind == "rising":
        return float(t[np.flatnonzero(shape > FRACTION)[-1]])
    curve = (1 - share) * np.exp(-fine / tau) + share * np.exp(-fine / slow)
    return onset + float(np.interp(-FRACTION, -curve, fine))
