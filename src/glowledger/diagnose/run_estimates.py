"""What one run says in numbers that can be held beside another run: decay, levels, flashes, endpoint."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from glowledger.diagnose.estimates import Estimate
from glowledger.diagnose.two_stages import two_stages
from glowledger.runs.decay import Posterior
from glowledger.runs.endpoint import MEASURED, EndpointFollower
from glowledger.runs.endpoint_words import SEEN
from glowledger.runs.flash_rate import poisson_interval
from glowledger.runs.naming import LIT_AGAIN, RATIOS_WENT_ON
from glowledger.runs.results import Endpoint, Regime, RunResult, Trend

Floats = NDArray[np.float64]
LOOKS = 20  # times a decay is refitted on the way through a run; noise and shapes settle meanwhile
TWO = 0.9  # probability of two stages beyond which their times are fitted freely
SLOWING = 0.5  # probability of a fall that slows down all the time, beyond which there is no time constant to tell
FEWEST = 8  # frames from which a level at an end of the run is told
DARK = "plasma out"


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class DecayReading:
    """One indicator of one run.

    Attributes
    ----------
    name : str
        E.g. ``CO/Ar I``.
    time_constant, slow_constant : Estimate
        Of the fall, s; where it has two stages, of the fast and of the slow one.
    initial, final : Estimate
        Light over that of the reference when the run began and when it ended.
    two : float
        Probability that the decay has two components; NaN without a decay.
    """

    name: str
    time_constant: Estimate
    slow_constant: Estimate
    initial: Estimate
    final: Estimate
    two: float

    @property
    def species(self) -> str:
        """The contaminant."""
        return self.name.partition("/")[0]


def read_decay(trend: Trend, regimes: tuple[Regime, ...] = ()) -> DecayReading:
    """Read time constant and levels from one indicator.

    Parameters
    ----------
    trend : Trend
        Frames that are not `used` are left out.
    regimes : tuple of Regime
        The longest stretch under the same conditions gives the time constant; pauses of the plasma are left out.

    Returns
    -------
    DecayReading
        The time constant is that of the posterior of `runs.decay`, with a decay taken as seen from 2 ln L = 30. Its
        shapes in two stages stand on a grid, so where two stages are sure both times are fitted freely.
    """
    good = trend.used & np.isfinite(trend.value) & np.isfinite(trend.time_s)
    time, value, error = (a[good] for a in (trend.time_s, trend.value, trend.standard_error))
    if time.size < FEWEST:
        few = Estimate(reason=f"only {time.size} usable frames")
        return DecayReading(name=trend.name, time_constant=few, slow_constant=few, initial=few, final=few, two=math.nan)
    inside = _longest(time, regimes)
    lit = _without_pauses(time, regimes)[inside]
    p, start = _posterior(lit, value[inside], error[inside])
    tau, slow = _constants(p, lit - start, value[inside], error[inside])
    correlation = 0.0 if p is None else p.correlation
    span = 0.25 * float(time[-1] - time[0])
    if tau.known:
        span = min(span, 0.5 * tau.value)
    elif p is not None and p.slowing > SLOWING:
        span = min(span, 0.5 * _fallen(time, value))
    return DecayReading(
        name=trend.name,
        time_constant=tau,
        slow_constant=slow,
        initial=edge_level(time - time[0], value, error, span, 2, correlation),
        final=edge_level((time[-1] - time)[::-1], value[::-1], error[::-1], span, 1, correlation),
        two=p.two if p is not None and tau.known else math.nan,
    )


def _fallen(time: Floats, value: Floats) -> float:
    """Return the time in which a value has fallen to 1/e of its fall: one time constant, where it has one."""
    from scipy.ndimage import median_filter

    smooth = median_filter(value, 5, mode="nearest")
    top, bottom = float(np.median(value[:3])), float(np.median(value[-max(3, value.size // 10) :]))
    low = np.flatnonzero(smooth < bottom + (top - bottom) / math.e)
    return float(time[low[0]] - time[0]) if low.size else float(time[-1] - time[0])


def _constants(p: Posterior | None, time: Floats, value: Floats, error: Floats) -> tuple[Estimate, Estimate]:
    """Return the time constants: of one stage from the posterior, of two from a fit that leaves both free."""
    one = Estimate(reason="the fall has one stage")
    if p is None or p.seen < SEEN:
        none = Estimate(reason="no decay stands out of the noise")
        return none, none
    if p.slowing > SLOWING:
        none = Estimate(reason="it falls ever more slowly, so it has no time constant")
        return none, none
    if p.two > TWO:
        later = time >= 0.0
        pair = two_stages(time[later], value[later], error[later])
        if pair is not None:
            return _inexact(pair[0]), _inexact(pair[1])
        one = Estimate(reason="two stages that cannot be held apart")
    return _inexact(Estimate(value=p.tau[1], low=p.tau[0], high=p.tau[2])), one


def _inexact(e: Estimate) -> Estimate:
    """Widen the interval of a time by what patterns and drifts that are not exact leave in it, as that of an end is."""
    if not e.known:
        return e
    inexact = MEASURED * e.value
    below, above = math.hypot(e.value - e.low, inexact), math.hypot(e.high - e.value, inexact)
    return replace(e, low=e.value - below, high=e.value + above)


def edge_level(
    away_s: Floats, value: Floats, error: Floats, span_s: float, degree: int, correlation: float
) -> Estimate:
    """Estimate the level at an end of a run by a polynomial through the frames next to it.

    Parameters
    ----------
    away_s : ndarray of shape (n,)
        Time from the end in question, ascending from 0, s.
    value, error : ndarray of shape (n,)
        Frames and their standard errors, which weight them.
    span_s : float
        Frames so near are used, eight at least.
    degree : int
        Of the polynomial.
    correlation : float
        Lag-one correlation of the noise.

    Returns
    -------
    Estimate
        Student interval from the scatter about the polynomial, widened by (1 + phi) / (1 - phi) in variance and
        narrowed in degrees of freedom by the same.
    """
    n = max(int(np.count_nonzero(away_s <= span_s)), FEWEST)
    x, y = away_s[:n] / max(float(away_s[n - 1]), 1e-300), value[:n]
    sure = np.isfinite(error[:n]) & (error[:n] > 0)
    weight = 1.0 / np.where(sure, error[:n], np.median(error[:n][sure]) if sure.any() else 1.0)
    design = np.vander(x, degree + 1, increasing=True) * weight[:, None]
    solution, *_ = np.linalg.lstsq(design, y * weight, rcond=None)
    residual = y * weight - design @ solution
    inflation = (1.0 + correlation) / (1.0 - correlation)
    freedom = max((n - degree - 1) / inflation, 1.0)
    variance = float(residual @ residual) / max(n - degree - 1, 1) * inflation
    se = math.sqrt(variance * float(np.linalg.inv(design.T @ design)[0, 0]))
    from scipy.special import stdtrit

    half = float(stdtrit(freedom, 0.975)) * se
    level = float(solution[0])
    return Estimate(value=level, low=level - half, high=level + half, freedom=freedom, positive=level - 2.0 * half > 0)


def flash_rate(result: RunResult) -> Estimate:
    """Return the flashes per minute while the plasma burnt, with exact Poisson limits (Garwood 1936)."""
    dark = sum(r.end_s - r.start_s for r in result.regimes if r.why.startswith(DARK))
    watched = result.duration_s - dark
    if not watched > 0:
        return Estimate(reason="no time was watched")
    count = len(result.flashes)
    low, high = poisson_interval(count, watched)
    return Estimate(value=60.0 * count / watched, low=low, high=high, events=count, watched_s=watched)


def endpoint_estimate(end: Endpoint, start_s: float) -> Estimate:
    """Return the time from the start of the run to its endpoint; a forecast where it is not reached yet."""
    low, high = end.interval_s
    if math.isfinite(end.time_s) and math.isfinite(low):
        said = "" if end.verdict == "reached" else "a forecast: the run ended before"
        return Estimate(value=end.time_s - start_s, low=low - start_s, high=high - start_s, reason=said)
    if end.verdict == "reached":
        return Estimate(reason="reached, but its time has no interval")
    return Estimate(reason={"cannot tell": "cannot tell"}.get(end.verdict, "not reached, and not foreseen"))


def _posterior(time: Floats, value: Floats, error: Floats) -> tuple[Posterior | None, float]:
    """Return what all frames say of the decay and when it began; refitted on the way as a live run would be."""
    decay = EndpointFollower(name="").decay
    every = max(len(time) // LOOKS, 1)
    last: Posterior | None = None
    for i, (t, y, s) in enumerate(zip(time, value, error, strict=True)):
        decay.append(float(t), float(y), float(s))
        if i % every == every - 1 or i >= len(time) - 3:
            last = decay.fit()
    return last, decay.start_s


def cuts(regimes: tuple[Regime, ...]) -> list[Regime]:
    """Return the stretches that begin where a decay does not go on as before."""
    return [r for r in regimes[1:] if not (r.why == LIT_AGAIN or RATIOS_WENT_ON in r.why or r.why.startswith(DARK))]


def _longest(time: Floats, regimes: tuple[Regime, ...]) -> NDArray[np.bool_]:
    """Return the frames of the longest stretch under the same conditions."""
    edges = [-math.inf, *(r.start_s for r in cuts(regimes)), math.inf]
    stretches = [(time >= low) & (time < high) for low, high in pairwise(edges)]
    return max(stretches, key=lambda s: int(np.count_nonzero(s)))


def _without_pauses(time: Floats, regimes: tuple[Regime, ...]) -> Floats:
    """Return times that stand still while the plasma is out."""
    lost = np.zeros(len(time))
    for r in regimes:
        if r.why.startswith(DARK):
            lost += np.clip(time - r.start_s, 0.0, r.end_s - r.start_s)
    return np.asarray(time - lost)
