"""Is this indicator done? A sequential verdict after every frame, never looking ahead.

The verdict rests on the posterior of `decay`: the probability that the excess over the floor is below a set part
of its start. A posterior stays right however often it is looked at, if its prior is right (Berger, Statistical
Decision Theory and Bayesian Analysis, 2nd ed. 1985, section 7.7); how far that holds on simulated runs whose
decays were not drawn from the prior is measured in tests/benchmarks/bench_endpoint.py.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from glowledger.runs import endpoint_words
from glowledger.runs.blank import Blank, Equivalence, compare_with_blank
from glowledger.runs.carried_over import CarriedOver
from glowledger.runs.decay import Posterior
from glowledger.runs.decay_follower import DecayFollower
from glowledger.runs.endpoint_words import HORIZON, SEEN
from glowledger.runs.results import Endpoint

NAN = float("nan")
# Together they keep early stops below 2 % where one run in ten has a slow part: tests/benchmarks/bench_endpoint.py
ASSURANCE = 0.95
SLOW_PART = 0.3
SLOWING = 0.33  # times as likely as a slow part is a fall that slows down all the time; chosen on the same runs
MEASURED = 0.02  # of the time: what patterns and drifts that are not exact leave in an end; bench_whole_run.py
BACK = 2.0  # times the fraction: a contaminant that stands so far above its end again has come back
BACK_BINS, BACK_ERRORS = 8, 5.0  # bins whose median says so, by so many standard errors
OTHERWISE = 5.0  # times: what power or pressure do to a ratio of OH (4 eV) to argon (13.5 eV) from 2 to 3 eV electrons


@dataclass(frozen=True, slots=True, kw_only=True)
class Criterion:
    """When a run counts as done.

    Attributes
    ----------
    fraction : float
        Part of the starting excess over the floor below which the excess has to fall.
    assurance : float
        Probability with which it has to be below.
    hold_s : float
        Time for which this has to stay so, s.
    hold_frames : int
        Frames in a row for which it has to stay so, whatever `hold_s`.
    over_clean : float
        Part of the endpoint time to go on for hidden faces; said, not waited for.
    slow_part : float
        Probability, from experience with such runs, that a slow second decay hides behind the first; a fall that
        slows down all the time (about as 1/t) counts as a third as likely. The lower, the sooner a decay that looks
        like one exponential is declared, and the more often too early if it was not.
    blank : Blank or None
        A run of the clean empty chamber; then equality with it decides.
    """

    fraction: float = 0.05
    assurance: float = ASSURANCE
    hold_s: float = 0.0
    hold_frames: int = 3
    over_clean: float = 0.0
    slow_part: float = SLOW_PART
    blank: Blank | None = None

    def hold_words(self) -> str:
        """Return for how long it has to stay so, in words."""
        return f"held for {self.hold_s:g} s" if self.hold_s > 0 else f"held for {self.hold_frames} frames"

    def sentence(self) -> str:
        """Return the criterion in words and numbers."""
        hold = self.hold_words()
        if self.blank is not None:
            return (
                f"equal to the blank run within {self.blank.margin:.3g} "
                f"(two one-sided tests at {100 * (1 - self.assurance):.2g} %), {hold}"
            )
        return (
            f"excess over the floor below {100 * self.fraction:g} % of its start "
            f"with {100 * self.assurance:g} % probability, {hold}"
        )


@dataclass(slots=True, kw_only=True)
class EndpointFollower:
    """The verdict on one indicator; state goes into `to_dict`.

    Attributes
    ----------
    name : str
        The indicator.
    criterion : Criterion
        When it counts as done.
    decay : DecayFollower
        The frames so far.
    carried : CarriedOver
        Part of the first starting excess that was left when the present conditions began. The verdict goes by its
        upper limit.
    held_since_s, held_frames : float, int
        Since when, and for how many frames, the criterion has been met; NaN, 0 if it is not.
    declared_at_s, met_since_s : float
        When 'reached' was first said, and since when the criterion had been met by then; NaN before.
    frozen : bool
        Reached under conditions that are past: nothing is added any more.
    waited : int
        Frames since the last refit.
    before : float
        How clearly the decay stood out under earlier conditions, 2 ln L; 0 if it did not.
    foot : list of float
        Level and starting excess when 'reached' was first said; empty before.
    later : list of float
        Latest values since `frozen`: of them is only asked whether the contaminant has come back.
    other_level : bool
        The level of the foot has to be found anew, because ratios cannot be compared with those before.
    ended_s : float
        When the end was declared of what has come back since; NaN if nothing has.
    """

    name: str
    criterion: Criterion = field(default_factory=Criterion)
    decay: DecayFollower = field(default_factory=DecayFollower)
    carried: CarriedOver = field(default_factory=CarriedOver)
    held_since_s: float = NAN
    held_frames: int = 0
    declared_at_s: float = NAN
    met_since_s: float = NAN
    last_s: float = NAN
    frozen: bool = False
    waited: int = 0
    before: float = 0.0
    foot: list[float] = field(default_factory=list)
    later: list[float] = field(default_factory=list)
    other_level: bool = False
    ended_s: float = NAN
    posterior: Posterior | None = None
    equivalence: Equivalence | None = None

    def __post_init__(self) -> None:
        self.decay.assurance = self.criterion.assurance
        self.decay.two_component = self.criterion.slow_part
        self.decay.slowing = min(SLOWING * self.criterion.slow_part, 0.5 * (1.0 - self.criterion.slow_part))
        self.decay.fraction = min(self.criterion.fraction / self.carried.high, 0.9)

    def to_dict(self) -> dict[str, object]:
        """Return the state as plain numbers, strings, lists and dicts; the criterion is not part of it."""
        plain = [n for n in self.__dataclass_fields__ if n not in ("criterion", "decay", "carried")]
        return {name: getattr(self, name) for name in plain} | {
            "decay": self.decay.to_dict(),
            "carried": asdict(self.carried),
            "posterior": None if self.posterior is None else asdict(self.posterior),
            "equivalence": None if self.equivalence is None else asdict(self.equivalence),
        }

    @classmethod
    def from_dict(cls, state: dict[str, Any], criterion: Criterion) -> EndpointFollower:
        """Rebuild the follower from `to_dict` and the criterion it was made with."""
        known = state | {"decay": DecayFollower.from_dict(state["decay"]), "carried": CarriedOver(**state["carried"])}
        if known["posterior"] is not None:
            told: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in known["posterior"].items()}
            known["posterior"] = Posterior(**told)
        if known["equivalence"] is not None:
            known["equivalence"] = Equivalence(**known["equivalence"])
        return cls(criterion=criterion, **known)

    def add(self, time_s: float, value: float, standard_error: float) -> None:
        """Take in one frame without judging it; values that are not finite are left out."""
        if not (math.isfinite(time_s) and math.isfinite(value)):
            return
        if not self.frozen:
            self.last_s = time_s
            return self.decay.append(time_s, value, standard_error)
        self.later = [*self.later[-BACK_BINS + 1 :], value]
        if self.other_level and len(self.later) == BACK_BINS and self.foot:
            other = self._latest() < OTHERWISE * abs(self.foot[0])
            self.foot, self.other_level = [self._latest() if other else self.foot[0], self.foot[1]], False

    def freeze(self, other_level: bool, *, comparable: bool = True) -> None:
        """Keep the end as it was found under conditions that are past, and look only for what comes back."""
        self.frozen, self.later, self.other_level = True, [], other_level or self.other_level
        self.foot = self.foot if comparable else []

    def update(self, time_s: float, value: float, standard_error: float) -> Endpoint:
        """Take in one frame and judge.

        Parameters
        ----------
        time_s, value, standard_error : float
            The frame; times increase.

        Returns
        -------
        Endpoint
            What can be said with all frames so far.
        """
        self.add(time_s, value, standard_error)
        self.judge()
        return self.endpoint()

    def judge(self) -> None:
        """Refit with all frames so far and move the hold on; one frame in many will do while the end is far."""
        self.waited += 1
        if self.frozen or self.waited < self._patience():
            return
        passed, self.waited = self.waited, 0
        if self.criterion.blank is not None:
            self.equivalence = compare_with_blank(self.decay, self.criterion.blank, self.criterion.assurance)
        self.posterior = self.decay.fit()
        if not self._met():
            self.held_since_s, self.held_frames = NAN, 0
            return
        self.held_frames += passed if self.held_frames else 1
        if math.isnan(self.held_since_s):
            self.held_since_s = self.last_s
        held = self.last_s - self.held_since_s >= self.criterion.hold_s
        if held and self.held_frames >= self.criterion.hold_frames and math.isnan(self.declared_at_s):
            self.declared_at_s, self.met_since_s = self.last_s, self.held_since_s
            if self.posterior is not None:
                self.foot = [self._latest(), self.posterior.excess]

    def _patience(self) -> int:
        """Return the frames from one refit to the next: a hundredth of all so far, twice that while the end is far."""
        p, frames = self.posterior, self.decay.frames
        if p is None or self.criterion.blank is not None or frames < 40:
            return 1
        if self.reached:
            return max(5, frames // 50, self.decay.per_bin)
        return max(max(3, frames // 50) if p.done < 0.5 else frames // 100, self.decay.per_bin, 1)

    def settle(self) -> None:
        """Refit with the very last frames, at the end of a run."""
        if self.waited:
            self.waited += self._patience()
            self.judge()

    def _met(self) -> bool:
        if self.criterion.blank is not None:
            return self.equivalence is not None and self.equivalence.equal
        p = self.posterior
        return p is not None and self.able and p.done >= self.criterion.assurance

    @property
    def able(self) -> bool:
        """True if a decay is seen and nothing in the latest values forbids to call it ended."""
        seen = self.posterior is not None and self.posterior.seen >= SEEN
        return seen and not self.decay.rising and not self.decay.doubtful

    @property
    def doubtful(self) -> bool:
        """True if the decay would count as ended but for a step that the latest values may hide."""
        p = self.posterior
        return p is not None and self.decay.doubtful and p.done >= self.criterion.assurance

    def anew(self, criterion: Criterion) -> EndpointFollower:
        """Return a follower for new conditions, which starts with what was left of the excess."""
        p = self.posterior
        left = p.left if p is not None and p.seen >= SEEN else (1.0, 1.0, 1.0)
        carried, before = self.carried.then(left), max(self.weight, self.before)
        return EndpointFollower(name=self.name, criterion=criterion, carried=carried, before=before)

    def come_back(self) -> EndpointFollower:
        """Return a follower for what has come back after its end: another decay, with a start of its own."""
        again = EndpointFollower(name=self.name, criterion=self.criterion, foot=list(self.foot))
        again.before, again.ended_s = max(self.weight, self.before), self.declared_at_s
        old, least = self.decay, self.foot[0] + BACK * self.decay.fraction * self.foot[1]
        high = [i for i in range(-min(BACK_BINS, len(old.time)), 0) if old.value[i] > least and not self.frozen]
        for i in range(high[0], 0) if high else ():
            again.add(old.start_s + old.time[i], old.value[i], old.precision[i] ** -0.5)
        return again

    @property
    def weight(self) -> float:
        """How clearly the decay stands out, 2 ln L; 0 if it is not known."""
        return 0.0 if self.posterior is None else self.posterior.seen

    @property
    def owing(self) -> bool:
        """True if more than the criterion allows was left when conditions changed, and nothing is told since."""
        seen = self.posterior is not None and self.posterior.seen >= SEEN
        return self.before >= SEEN and not seen and not self.reached and self.carried.high > self.criterion.fraction

    @property
    def back(self) -> float:
        """Part of the starting excess by which a contaminant that had ended stands above its end again, or 0."""
        p = self.posterior
        if p is None or self.criterion.blank is not None or self.stands <= 0.0:
            return 0.0
        error = p.noise * math.sqrt((1 + p.correlation) / (1 - p.correlation) / BACK_BINS)
        clear = self.stands > max(BACK * self.decay.fraction, BACK_ERRORS * error / self.foot[1])
        return self.stands * self.carried.high if clear else 0.0

    @property
    def came_back(self) -> bool:
        """True if this is what came back after an end, and its own end has not been reached."""
        return math.isfinite(self.ended_s) and not self.reached

    @property
    def stands(self) -> float:
        """Part of the starting excess by which the latest values stand above the end; 0 where that is not known."""
        latest = self.later if self.frozen else self.decay.value
        known = self.foot and self.foot[1] > 0 and not self.other_level and len(latest) >= BACK_BINS
        return (self._latest() - self.foot[0]) / self.foot[1] if known else 0.0

    def _latest(self) -> float:
        return float(np.median((self.later if self.frozen else self.decay.value)[-BACK_BINS:]))

    @property
    def reached(self) -> bool:
        """True once the endpoint has been declared."""
        return not math.isnan(self.declared_at_s)

    @property
    def in_doubt(self) -> bool:
        """True if the endpoint was declared and later frames rather speak against it, or put it later than that."""
        p = self.posterior
        if not self.reached or p is None or self.frozen:
            return False
        return p.done < 0.5 or self.decay.when(p.end[0] - MEASURED * p.end[1]) > self.declared_at_s

    def endpoint(self, label: str = "", *, plasma_out: bool = False) -> Endpoint:
        """Return the verdict with time, interval and reason.

        Parameters
        ----------
        label : str
            What the indicator is called, if not by `name`.
        plasma_out : bool
            There is no light now, so an end that has not been reached cannot come nearer.
        """
        label = label or self.name
        verdict, reason = endpoint_words.verdict(self, label)
        if plasma_out and verdict != "reached":
            verdict = "cannot tell" if verdict == "cannot tell" else "not reached"
            reason = f"The plasma is out; no light is no sign of cleanness. Before that: {reason}"
        p = self.posterior
        when, start = self.decay.when, self.decay.start_s
        known = p is not None and p.seen >= SEEN and verdict != "cannot tell" and not (self.back and self.reached)
        time_s, low, high = NAN, NAN, NAN
        if known and p is not None:
            sooner = self.carried.sooner(self.decay.fraction, p.end[1], self.decay.time[-1], p.left[1])
            inexact, end = MEASURED * p.end[1], p.end[1]
            time_s = when(end - sooner[1])
            low = when(end - sooner[0] - math.hypot(end - p.end[0], inexact))
            high = when(end + math.hypot(p.end[2] - end, inexact))
            if high - start > self._horizon():
                high = math.inf
            if time_s - start > self._horizon():
                time_s = NAN
        if self.criterion.blank is not None:
            time_s, low, high, known = self.met_since_s, NAN, NAN, False
        done = verdict == "reached"
        remaining = 0.0 if done else max(time_s - self.last_s, 0.0) if math.isfinite(time_s) else NAN
        left = (0.0, 0.0) if done else (max(low - self.last_s, 0.0), max(high - self.last_s, 0.0))
        return Endpoint(
            verdict=verdict,
            time_s=time_s,
            interval_s=(low, high),
            declared_at_s=self.ended_s if self.came_back else self.declared_at_s,
            remaining_s=remaining,
            remaining_interval_s=left if known or done else (NAN, NAN),
            indicator=label,
            criterion=self.criterion.sentence(),
            reason=reason,
        )

    def _horizon(self) -> float:
        """Times beyond this many seconds from the start are not foreseen from so short a run."""
        return HORIZON * (self.decay.time[-1] if self.decay.time else 0.0)


def judge_series(
    time_s: np.ndarray,
    value: np.ndarray,
    standard_error: np.ndarray | None = None,
    *,
    name: str = "indicator",
    criterion: Criterion | None = None,
) -> list[Endpoint]:
    """Return the verdict after every frame of one indicator series.

    Parameters
    ----------
    time_s, value : ndarray of shape (n,)
        Times (increasing) and values; frames that are not finite are left out.
    standard_error : ndarray of shape (n,), optional
        Relative precision of the frames; equal where left out.
    name : str
        What the indicator is called.
    criterion : Criterion, optional
        When it counts as done.

    Returns
    -------
    list of Endpoint, length n
        Entry i uses frames 0 to i only.
    """
    follower = EndpointFollower(name=name, criterion=criterion or Criterion())
    errors = np.ones(len(time_s)) if standard_error is None else standard_error
    return [follower.update(float(t), float(y), float(s)) for t, y, s in zip(time_s, value, errors, strict=True)]
