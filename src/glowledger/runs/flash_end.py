"""Have the flashes died out? A sequential verdict on their rate, as on the light of a contaminant.

Flashes are events, so what is followed is the rate of a Poisson process that falls exponentially, perhaps to a floor,
and the end is when it has fallen to a set part of its start. A rate that settles above that part is no dying out.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from glowledger.runs.endpoint import Criterion
from glowledger.runs.flash_rate import poisson_interval
from glowledger.runs.results import Endpoint, EndpointVerdict, Regime
from glowledger.runs.run_log import RunLog

NAN = float("nan")
FLASHES = "flashes"  # what the indicator is called
FEWEST = 6  # flashes; with fewer a rate and its fall cannot be told apart
CONSTANT = 8.0  # 2 ln L by which a fall has to be better than a constant rate to be foreseen
PER_FOLD = 24  # time constants tried per factor e
MOST = 150  # groups of flashes
FLOORS = np.array([0.0, 0.01, 0.03, 0.06, 0.12, 0.25, 0.5])  # rates, in parts of the fall, at which flashes may settle
LEVELS = (0.025, 0.5, 0.975)
PAUSED = ("plasma out",)
GOES_ON = ("plasma lit again, as before",)


@dataclass(frozen=True, slots=True, kw_only=True)
class FlashFade:
    """What the flashes so far say; times in s of burning plasma from the start of the conditions.

    Attributes
    ----------
    done : float
        Probability that the rate is below the wanted part of its start, now.
    end : tuple of float
        2.5, 50 and 97.5 % points of the time at which it falls below.
    left : tuple of float
        The same of the part of the rate that is left now.
    seen : float
        Likelihood ratio of the fall against a constant rate, 2 ln L.
    """

    done: float
    end: tuple[float, float, float]
    left: tuple[float, float, float]
    seen: float


def fading(times_s: NDArray[np.float64], watched_s: float, fraction: float) -> FlashFade:
    """Return what events of a Poisson process say of its exponential fall.

    Parameters
    ----------
    times_s : ndarray of shape (n,)
        Events from the start, s; n at least 1.
    watched_s : float
        Time watched, s.
    fraction : float
        Part of the starting rate at which the fall counts as ended.

    Returns
    -------
    FlashFade

    Notes
    -----
    Log likelihood of an inhomogeneous Poisson process, sum of ln rate at the events less the integral of the rate
    (Cox & Lewis, The Statistical Analysis of Series of Events, 1966, chapter 3), for rate a (exp(-t / tau) + floor).
    The scale a is integrated out with its prior 1/a; flat prior in ln tau from a hundredth of the time watched to a
    hundred times that; no floor is as likely as all floors tried together.
    """
    n = len(times_s)
    log_tau = np.linspace(math.log(0.01 * watched_s), math.log(100.0 * watched_s), round(9.21 * PER_FOLD))
    tau, floor = np.exp(log_tau), FLOORS[:, None]
    first = np.arange(min(n, MOST)) * n // min(n, MOST)  # neighbours share their mean time: bounded work
    size = np.diff(first, append=n).astype(float)
    fall = np.exp(-(np.add.reduceat(np.sort(times_s), first) / size)[:, None] / tau)
    log_rate = np.array([size @ np.log(fall + f) if f > 0 else -float(np.sum(times_s)) / tau for f in FLOORS])
    log_l = log_rate - n * np.log(-tau * np.expm1(-watched_s / tau) + floor * watched_s)
    weight = np.exp(log_l - log_l.max()) * np.where(floor > 0, 1.0 / (len(FLOORS) - 1), 1.0)
    weight /= weight.sum()
    above = np.maximum(fraction * (1.0 + floor) - floor, 0.0)
    with np.errstate(divide="ignore"):
        end = -tau * np.log(above)  # infinite if the floor lies above the wanted part
    left = (np.exp(-watched_s / tau) + floor) / (1.0 + floor)
    low, middle, high = _quantiles(end, weight)
    return FlashFade(
        done=float(weight[end < watched_s].sum()),
        end=(low, middle, high),
        left=_quantiles(left, weight),
        seen=2.0 * float(log_l.max() + n * math.log(watched_s)),
    )


def _quantiles(values: NDArray[np.float64], weight: NDArray[np.float64]) -> tuple[float, float, float]:
    """Return the 2.5, 50 and 97.5 % points of weighted values."""
    order = np.argsort(values, axis=None)
    ordered, cumulative = values.ravel()[order], np.cumsum(weight.ravel()[order])
    low, middle, high = (float(ordered[min(int(np.searchsorted(cumulative, q)), len(ordered) - 1)]) for q in LEVELS)
    return low, middle, high


def burning(regimes: list[Regime], now_s: float) -> list[tuple[float, float]]:
    """Return the stretches, up to now, in which the plasma burnt under the present conditions, latest last."""
    found: list[tuple[float, float]] = []
    end_s = now_s
    for regime in reversed(regimes):
        if not regime.why.startswith(PAUSED):
            found.append((regime.start_s, end_s))
            if regime.why not in GOES_ON:
                break
        end_s = regime.start_s
    return found[::-1]


@dataclass(slots=True, kw_only=True)
class FlashFollower:
    """The verdict on the flashes; state goes into `to_dict`.

    Attributes
    ----------
    held_since_s, held_frames : float, int
        Since when, and for how many frames, the criterion has been met; NaN, 0 if it is not.
    declared_at_s : float
        When 'reached' was first said; NaN before.
    last_s : float
        Run time up to which was watched.
    count : int
        Flashes under the present conditions.
    watched_s : float
        Time for which the plasma burnt under them.
    start_s : float
        Their start, moved up by pauses: run time less time watched.
    events, next_s : int, float
        Flashes and conditions known at the last look, and when to look again without a new one.
    fade : FlashFade or None
        What they say; None while they are too few.
    """

    held_since_s: float = NAN
    held_frames: int = 0
    declared_at_s: float = NAN
    last_s: float = NAN
    count: int = 0
    watched_s: float = 0.0
    start_s: float = NAN
    events: int = 0
    next_s: float = NAN
    fade: FlashFade | None = None

    def update(self, log: RunLog, now_s: float, criterion: Criterion) -> None:
        """Judge with all frames up to `now_s`.

        Parameters
        ----------
        log : RunLog
            Flashes and conditions of the run so far.
        now_s : float
            Run time of the latest decided frame.
        criterion : Criterion
            When the flashes count as died out.
        """
        self.last_s = now_s
        events = len(log.flashes) + len(log.regimes)
        if events != self.events or not now_s < self.next_s:
            self._judge(log, now_s, criterion.fraction)
            self.events, self.next_s = events, now_s + 0.01 * self.watched_s
        if self.fade is None or self.fade.done < criterion.assurance:
            self.held_since_s, self.held_frames = NAN, 0
            return
        self.held_frames += 1
        if math.isnan(self.held_since_s):
            self.held_since_s = now_s
        long_enough = now_s - self.held_since_s >= criterion.hold_s
        if long_enough and self.held_frames >= criterion.hold_frames and math.isnan(self.declared_at_s):
            self.declared_at_s = now_s

    def _judge(self, log: RunLog, now_s: float, fraction: float) -> None:
        """Look at all flashes; between two looks without a new one little can change."""
        stretches = burning(log.regimes, now_s)
        self.watched_s = sum(b - a for a, b in stretches)
        self.start_s = now_s - self.watched_s
        times = [flash.time_s for flash in log.flashes]
        events: list[float] = []
        before = 0.0
        for a, b in stretches:
            events += [before + t - a for t in times if a <= t <= b]
            before += b - a
        self.count = len(events)
        self.fade = None
        if len(events) >= FEWEST and self.watched_s > 0:
            self.fade = fading(np.array(events), self.watched_s, fraction)

    @property
    def reached(self) -> bool:
        """True once the end has been declared."""
        return not math.isnan(self.declared_at_s)

    @property
    def in_doubt(self) -> bool:
        """True if the end was declared and later flashes rather speak against it."""
        return self.reached and self.fade is not None and self.fade.done < 0.5

    def to_dict(self) -> dict[str, Any]:
        """Return the state as plain numbers."""
        return asdict(self)

    @classmethod
    def from_dict(cls, state: dict[str, Any]) -> FlashFollower:
        """Rebuild the follower from `to_dict`."""
        fade = state["fade"]
        if fade is not None:
            told: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in fade.items()}
            fade = FlashFade(**told)
        return cls(**{**state, "fade": fade})

    def endpoint(self, criterion: Criterion, *, plasma_out: bool = False) -> Endpoint:
        """Return the verdict with time, interval and reason; without a plasma an end cannot come nearer."""
        verdict, reason = self._verdict(criterion)
        if plasma_out and verdict == "approaching":
            verdict, reason = "not reached", f"The plasma is out. Before that: {reason}"
        time_s, low, high = NAN, NAN, NAN
        if self.fade is not None and verdict in ("reached", "approaching"):
            low, time_s, high = (self.start_s + t for t in self.fade.end)
            high = math.inf if high - self.start_s > 8.0 * self.watched_s else high
        done = verdict == "reached"
        left = (max(low - self.last_s, 0.0), max(high - self.last_s, 0.0))
        return Endpoint(
            verdict=verdict,
            time_s=time_s,
            interval_s=(low, high),
            declared_at_s=self.declared_at_s,
            remaining_s=0.0 if done else max(time_s - self.last_s, 0.0),
            remaining_interval_s=(0.0, 0.0) if done else left if math.isfinite(low) else (NAN, NAN),
            indicator=FLASHES,
            criterion=f"flash rate below {100 * criterion.fraction:g} % of its start with "
            f"{100 * criterion.assurance:g} % probability, {criterion.hold_words()}",
            reason=reason,
        )

    def _verdict(self, criterion: Criterion) -> tuple[EndpointVerdict, str]:
        if self.fade is None:
            if self.reached:
                return "reached", "The flashes died out before conditions changed."
            few = f"{self.count} flash{'' if self.count == 1 else 'es'} under these conditions"
            return "cannot tell", f"{few}: {FEWEST} are needed to say whether they die out."
        low, high = poisson_interval(self.count, self.watched_s)
        rate = f"{60 * self.count / self.watched_s:.2g} flashes a minute over all ({low:.2g} to {high:.2g})"
        left = f"{_percent(self.fade.left[1])} ({_percent(self.fade.left[0])} to {_percent(self.fade.left[2])})"
        if self.reached:
            return "reached", f"The flashes died out: {left} of their first rate is left; {rate}."
        if self.fade.seen < CONSTANT or self.fade.end[1] > 3.0 * self.watched_s:
            return "not reached", f"The flashes are not dying out, or not yet visibly so: {rate}."
        return "approaching", f"The flashes are dying out: {left} of their first rate is left; {rate}."


def _percent(part: float) -> str:
    return f"{100 * part:.2g} %" if part >= 0.001 else "below 0.1 %"
