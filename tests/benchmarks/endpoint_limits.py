"""What no endpoint detector can beat on the simulated runs: three limits of the delay after the true end.

known shape     one exponential is known to be the truth: Cramér-Rao bound of floor, excess and time constant; the
                delay after which one look is right with 98 % probability (noise known; AR(1) noise by its variance
                of a mean)
unknown shape   the least distance, in standard deviations, between the truth and any decay of one or two components
                (ratio of the time constants up to 6, slow share 0.1 to 0.6) that has not ended yet, whatever its
                floor and excess, has reached 2.05: a detector that may be early in 2 % of the runs of *every* shape
                cannot be sooner
ideal observer  a detector that is early in 2 % of runs *on average* may trust that slow parts are rarer than not.
                The best it can do is the posterior of somebody who knows how the runs were drawn (ranges of shares
                and ratios, how often two components come) and how strong their noise is. It gives, for each
                threshold, a share of early stops and a delay; no detector lies left below its curve but by luck.
"""

from __future__ import annotations

import numpy as np
from run_ensemble import FRACTION, SimulatedRun
from scipy.special import log_ndtr

FOLDS = float(np.log(1.0 / FRACTION))
SURE = 2.054  # standard deviations of a one-sided probability of 2 %


def bound(run: SimulatedRun, until_s: float) -> float:
    """Cramér-Rao standard deviation of the end with the data until then."""
    t = run.time_s[run.time_s <= until_s]
    if until_s > run.time_s[-1]:
        t = np.arange(0.0, until_s, np.median(np.diff(run.time_s)))
    tau = run.parts[0][1]
    e = np.exp(-t / tau)
    jacobian = np.column_stack([np.ones_like(t), e, e * t / tau**2])
    sigma = run.sigma * np.sqrt((1 + run.correlation) / (1 - run.correlation))
    return float(FOLDS * sigma * np.sqrt(np.linalg.inv(jacobian.T @ jacobian)[2, 2]))


def limit_known(run: SimulatedRun) -> float:
    """Return the delay for a known shape, s."""
    step = run.end_s / 100
    delay = 0.0
    while delay < SURE * bound(run, run.end_s + delay):
        delay += step
    return delay


RATIOS, SHARES = (1.0001, 1.8, 2.5, 3.3, 4.5, 6.0), (0.1, 0.2, 0.3, 0.4, 0.5, 0.6)
LATER = np.array([1.0001, 1.1, 1.25, 1.5, 2.0, 3.0])  # ends of the rivals of the truth, in parts of the time so far


def ends(fast_share: np.ndarray, fast: np.ndarray, slow: np.ndarray) -> np.ndarray:
    """Times at which two components have fallen to the fraction."""
    low, high = np.zeros_like(fast), FOLDS * slow
    for _ in range(50):
        middle = 0.5 * (low + high)
        above = fast_share * np.exp(-middle / fast) + (1 - fast_share) * np.exp(-middle / slow) > FRACTION
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return 0.5 * (low + high)


def separation(run: SimulatedRun, until_s: float) -> float:
    """Least chi-squared between the truth and a decay of one or two components that has not ended by `until_s`."""
    ratio, share = (a.ravel() for a in np.meshgrid(RATIOS, SHARES))
    t = np.linspace(0.0, until_s, 150)
    frames = until_s / float(np.median(np.diff(run.time_s)))
    tau = (until_s * LATER[:, None] / ends(1 - share, np.ones_like(ratio), ratio)).ravel()
    ratio, share = np.tile(ratio, len(LATER)), np.tile(share, len(LATER))
    rival = (1 - share) * np.exp(-t[:, None] / tau) + share * np.exp(-t[:, None] / (tau * ratio))
    truth = run.excess(t)
    truth, rival = truth - truth.mean(), rival - rival.mean(axis=0)
    gain = (truth @ rival) ** 2 / np.sum(rival**2, axis=0)
    variance = run.sigma**2 * (1 + run.correlation) / (1 - run.correlation)
    return float(frames / len(t) * (truth @ truth - gain.max()) / variance)


def limit_unknown(run: SimulatedRun) -> float:
    """Return the delay where one or two components are possible, s."""
    low, high = 0.0, 0.1 * run.end_s
    while separation(run, run.end_s + high) < SURE**2 and high < 20 * run.end_s:
        low, high = high, 1.7 * high
    for _ in range(7):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if separation(run, run.end_s + middle) < SURE**2 else (low, middle)
    return high


def ideal_observer(run: SimulatedRun, two: float, every: int = 2) -> tuple[np.ndarray, np.ndarray]:
    """Return times and the posterior probability that the run has ended by then, for white Gaussian noise.

    Parameters
    ----------
    run : SimulatedRun
        Of kind 'single' or 'two'; its values and its noise are used, nothing else.
    two : float
        How often runs have two components.
    every : int
        Frames from one look to the next.

    Notes
    -----
    Single: time constant 0.02 to 2 of the length, flat in its logarithm; two: fast one 0.02 to 0.4, share and ratio
    as in `run_ensemble`; floor and excess flat, excess above zero; all integrated on a grid or in closed form.
    """
    length, t, y = float(run.time_s[-1]), run.time_s, run.value
    one = np.exp(np.linspace(np.log(0.02), np.log(2.0), 90)) * length
    share = 0.1 + 0.5 * (np.arange(8) + 0.5) / 8
    ratio = 2.5 + 3.5 * (np.arange(7) + 0.5) / 7
    first = np.exp(np.linspace(np.log(0.02), np.log(0.4), 50)) * length
    fast, slow_share, times = (a.ravel() for a in np.meshgrid(first, share, ratio, indexing="ij"))
    fast_share = np.concatenate([np.ones_like(one), 1 - slow_share])
    slow = np.concatenate([one, fast * times])
    fast = np.concatenate([one, fast])
    prior = np.full(len(fast), two / (len(fast) - len(one)))
    prior[: len(one)] = (1 - two) / len(one)
    end = ends(fast_share, fast, slow)
    shape = fast_share * np.exp(-t[:, None] / fast) + (1 - fast_share) * np.exp(-t[:, None] / slow)
    n = np.arange(1.0, len(t) + 1)[:, None]
    total, data = np.cumsum(shape, axis=0), np.cumsum(y)[:, None]
    spread = np.maximum(np.cumsum(shape**2, axis=0) - total**2 / n, 1e-12)
    signal = np.cumsum(shape * y[:, None], axis=0) - total * data / n
    looks = np.arange(20, len(t), every)
    spread, signal = spread[looks], signal[looks]
    error = run.sigma / np.sqrt(spread)
    excess = signal / spread
    log_evidence = 0.5 * signal * excess / run.sigma**2 + np.log(error) + log_ndtr(excess / error)
    weight = np.exp(log_evidence - log_evidence.max(axis=1, keepdims=True)) * prior
    ended = np.sum(weight * (end < t[looks, None]), axis=1) / weight.sum(axis=1)
    return t[looks], ended
