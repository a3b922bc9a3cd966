"""Follow one decay frame by frame in bounded memory: a buffer of at most `CAPACITY` bins, refitted in closed form."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from glowledger.runs import decay_shapes
from glowledger.runs.decay import STUDENT, Noise, Posterior, middle
from glowledger.runs.decay_fit import DecayData, fit_decay, log_priors
from glowledger.runs.decay_onset import rising_now, top_after_rise
from glowledger.runs.decay_shapes import Families, Floats

CAPACITY = 256
FEWEST = 8
SETTLED = 200.0  # 2 ln L of the decay above which its start is no longer looked for
MOST_STEPS = 4
TWO = 0.99  # probability of two components beyond which many pairs of them are tried
NEGATIVE = 4.0  # standard errors below zero that show an offset, as a part of a neighbour's light taken off
FREE = 10.0  # times the span of the values: a limit that is none
FASTER = 0.5  # of the fastest time constant likely so far: where the grid begins
OUTLIER = 0.4  # robust weight of a residual of 2.7 standard deviations


@dataclass(slots=True, kw_only=True)
class DecayFollower:
    """State of one decay; everything it holds is listed here and goes into `to_dict`.

    Attributes
    ----------
    fraction : float
        Part of the starting excess at which the decay counts as ended.
    two_component, plateau, rise, slowing : float
        Prior probabilities of a decay with two components, of a plateau, of a rise before the fall and of a fall that
        slows down all the time. That of two components sets how long a slow one too faint to be seen holds up the
        verdict: chosen with `assurance` on simulated runs, see tests/benchmarks/bench_endpoint.py.
    least_floor : float
        The floor cannot lie below this, unless the values themselves do.
    assurance : float
        Probability for `Posterior.latest`.
    start_s : float
        Time of the start of the decay; NaN before the first frame, if it was not set.
    pauses : list of list of float
        Stretches that were left out: time from `start_s` at which each began, and how long it was.
    per_bin : int
        Frames per full bin.
    steps_s : list of float
        Times from which the level is shifted by an unknown amount (leak opened, floor changed).
    found_s : list of float
        Those of them that showed clearly in the values themselves.
    time, value, precision, weight, count : list of float
        Bins: mean time from `start_s`, weighted mean value, prior precision (sum of 1/variance), robust weight,
        frames.
    noise : list of float
        Scale, variance and correlation of the noise at the last fit; empty before it.
    settled : bool
        A fall has been seen, so the start is fixed.
    rose : bool
        The signal rose before it fell; the start is its top.
    rising : bool
        The latest values stand clearly above earlier ones.
    doubtful : bool
        The latest values may hide a step that no fit knows of yet.
    told : int
        Steps given away by `new_steps`.
    dense : bool
        Two components have shown beyond doubt, so that the pair is searched for, and many are tried until it is found.
    fastest_s : float
        2.5 % point of the (fast) time constant at the last fit that saw a decay; negative before. However long a run
        goes on after its end, the grid reaches below it.
    grid_now_s, grid_spacing_s : float
        Time and usual interval for which the grid of time constants was made.
    expected : float
        Value that the last fit gives for its last bin; NaN before.
    pair : list of float
        ln of both time constants of the last pair of components that was searched for; empty before.
    knee_s, knee_width_s : float
        Where the end of a plateau is looked for, from `start_s`, and how closely.
    """

    fraction: float = 0.05
    two_component: float = 0.3
    plateau: float = 0.05
    rise: float = 0.03
    slowing: float = 0.1
    least_floor: float = 0.0
    assurance: float = 0.98
    start_s: float = float("nan")
    per_bin: int = 1
    pauses: list[list[float]] = field(default_factory=list)
    steps_s: list[float] = field(default_factory=list)
    found_s: list[float] = field(default_factory=list)
    time: list[float] = field(default_factory=list)
    value: list[float] = field(default_factory=list)
    precision: list[float] = field(default_factory=list)
    weight: list[float] = field(default_factory=list)
    count: list[int] = field(default_factory=list)
    noise: list[float] = field(default_factory=list)
    settled: bool = False
    rose: bool = False
    rising: bool = False
    doubtful: bool = False
    told: int = 0
    dense: bool = False
    fastest_s: float = -1.0
    grid_now_s: float = -1.0
    grid_spacing_s: float = -1.0
    expected: float = float("nan")
    pair: list[float] = field(default_factory=list)
    knee_s: float = float("nan")
    knee_width_s: float = float("nan")
    _family: Families | None = None
    _tau: Floats | None = None
    _table: Floats | None = None
    _slow: Floats | None = None
    _rows: int = 0

    def to_dict(self) -> dict[str, object]:
        """Return the state as plain numbers, strings and lists."""
        names = [n for n in self.__dataclass_fields__ if not n.startswith("_")]
        return {n: (list(v) if isinstance(v := getattr(self, n), list) else v) for n in names}

    @classmethod
    def from_dict(cls, state: dict[str, object]) -> DecayFollower:
        """Rebuild the follower from `to_dict`."""
        return cls(**{k: (list(v) if isinstance(v, list) else v) for k, v in state.items()})  # type: ignore[arg-type]

    @property
    def frames(self) -> int:
        """Frames taken in."""
        return sum(self.count)

    def append(self, time_s: float, value: float, standard_error: float) -> None:
        """Take in one frame; a standard error that is not positive counts as 1.

        Parameters
        ----------
        time_s : float
            Later than all frames before.
        value, standard_error : float
            Finite indicator value and its relative precision.
        """
        precision = 1.0 / standard_error**2 if standard_error > 0 and np.isfinite(standard_error) else 1.0
        time_s, value = float(time_s), float(value)
        if math.isnan(self.start_s):
            self.start_s = time_s
        t = time_s - self.start_s
        weight = self._credit(value, precision)
        if self.count and self.count[-1] < self.per_bin and not self._step_between(self.time[-1], t):
            self._merge_into_last(t, value, precision * (weight if weight < OUTLIER else 1.0))
        else:
            if len(self.time) >= CAPACITY:
                self._halve()
            self.time.append(t)
            self.value.append(value)
            self.precision.append(precision)
            self.weight.append(weight)
            self.count.append(1)

    def _credit(self, value: float, precision: float) -> float:
        """Return the robust weight of a new frame beside what the last fit expects, lest a burst shake it."""
        if not self.noise or math.isnan(self.expected):
            return 1.0
        usual = middle(np.array(self.precision)) / self.per_bin
        z2 = (value - self.expected) ** 2 * precision / usual / max(self.noise[0] ** 2 * self.per_bin, 1e-300)
        return 1.0 / (1.0 + z2 / STUDENT)

    def _step_between(self, before: float, after: float) -> bool:
        return any(before < s - self.start_s <= after for s in self.steps_s)

    def _merge_into_last(self, t: float, value: float, precision: float) -> None:
        old = self.precision[-1] * (max(self.weight[-1], 1e-3) if self.weight[-1] < OUTLIER else 1.0)
        part = precision / (old + precision)
        self.time[-1] += part * (t - self.time[-1])
        self.value[-1] += part * (value - self.value[-1])
        self.precision[-1] = old + precision
        self.weight[-1] = 1.0
        self.count[-1] += 1
        self._rows = min(self._rows, len(self.time) - 1)

    def _halve(self) -> None:
        """Join neighbouring bins two by two: half the bins, twice the frames in each."""
        robust = np.array(self.weight)  # only outliers are weighed down: weighing all would pull bins to the fit
        w = np.array(self.precision) * np.where(robust < OUTLIER, robust, 1.0)
        pair = np.maximum(w, 1e-300).reshape(-1, 2)
        share = pair / pair.sum(axis=1, keepdims=True)
        self.time = (np.array(self.time).reshape(-1, 2) * share).sum(axis=1).tolist()
        self.value = (np.array(self.value).reshape(-1, 2) * share).sum(axis=1).tolist()
        self.precision = pair.sum(axis=1).tolist()
        self.weight = [1.0] * len(self.time)
        self.count = np.array(self.count).reshape(-1, 2).sum(axis=1).tolist()
        self.per_bin *= 2
        self.noise = []
        self._rows = 0

    def _basis(self, now: float) -> tuple[Floats, Floats, Floats]:
        """Return the grid, exp(-time / tau) on it and what slows down; rows are kept from frame to frame."""
        if not 0.6 * now <= self.grid_now_s <= 1.6 * now:
            self.grid_now_s, self.grid_spacing_s = now, now / max(self.frames - 1, 1)
            self._tau = None
        if self._tau is None or self._table is None or self._slow is None:
            known = FASTER * self.fastest_s if self.fastest_s > 0.0 else np.inf
            shortest = max(0.7 * self.grid_spacing_s, min(self.grid_now_s / 40.0, known))
            self._tau = decay_shapes.grid(shortest, 10.0 * self.grid_now_s)
            self._table = np.empty((CAPACITY, len(self._tau)))
            self._slow = np.empty((CAPACITY, decay_shapes.SLOW_ROWS * (len(self._tau) - decay_shapes.EXTENSION)))
            self._rows = 0
        n = len(self.time)
        late = np.array(self.time[self._rows : n])
        self._table[self._rows : n] = np.exp(-late[:, None] / self._tau)
        self._slow[self._rows : n] = decay_shapes.slowing(
            late, self._tau[: len(self._tau) - decay_shapes.EXTENSION], self.fraction
        )
        self._rows = n
        return self._tau, self._table[:n], self._slow[:n]

    def fit(self) -> Posterior | None:
        """Return the posterior with all frames so far, or None while there are fewer than `FEWEST`."""
        if not self.settled:
            self._start_at_top()
        if len(self.time) < FEWEST:
            return None
        many = self.dense and not self.pair
        if self._family is None or (self._family.pairs == decay_shapes.DENSE) != many:
            self._family = decay_shapes.families(
                self.fraction,
                two_component=self.two_component,
                plateau=self.plateau,
                rising=self.rise,
                slowing=self.slowing,
                dense=many,
            )
        time = np.array(self.time)
        precision = np.array(self.precision)
        tau, table, slow = self._basis(float(time[-1]))
        onset = self._onsets(float(time[-1]))
        data = DecayData(
            time=time,
            value=np.array(self.value),
            precision=precision / np.median(precision),
            columns=self._columns(time),
            tau=tau,
            table=table,
            slow=slow,
            family=self._family,
            least_floor=self._least_floor(),
            onset=onset,
            log_prior=log_priors(self._family, onset, float(time[-1])),
            fraction=self.fraction,
            pair=tuple(self.pair) if self.dense else None,
        )
        noise = Noise(scale=self.noise[0], variance=self.noise[1], correlation=self.noise[2]) if self.noise else None
        fitted = fit_decay(data, np.array(self.weight), noise, passes=2 if len(time) < 30 or noise is None else 1)
        self.weight = fitted.weight.tolist()
        self.noise = [fitted.noise.scale, fitted.noise.variance, fitted.noise.correlation]
        self.rising = rising_now(data.value, data.precision * fitted.weight)
        self.expected = fitted.expected
        self.pair = [] if fitted.pair is None else list(fitted.pair.centre[:2])
        self._move_knee(data.onset, fitted.knee)
        self.settled = self.settled or fitted.evidence.seen > SETTLED
        self.doubtful = fitted.step is not None
        if fitted.step is not None and fitted.step.at and len(self.steps_s) < MOST_STEPS:
            self._add_step(fitted.step.at, fitted.step.clear)
        posterior = fitted.posterior(data, self.assurance)
        self.fastest_s = posterior.tau[0] if posterior.seen > SETTLED else self.fastest_s
        self.dense |= posterior.two + posterior.rise + posterior.slowing > TWO
        return posterior

    def _add_step(self, at: int, clear: bool) -> None:
        """Let the level be another from bin `at` on, unless a step is known about there."""
        when = self.start_s + 0.5 * (self.time[at - 1] + self.time[at])
        spacing = self.time[-1] / max(len(self.time) - 1, 1)
        self.noise, self.weight = [], [1.0] * len(self.time)
        if all(abs(when - s) > 6.0 * spacing for s in self.steps_s):
            self.steps_s.append(when)
            if clear:
                self.found_s.append(when)

    def _onsets(self, now: float) -> Floats:
        """Return the ends of plateaus to try: some over all the time so far, the others about the likeliest."""
        spacing = now / max(len(self.time) - 1, 1)
        if math.isnan(self.knee_s):
            self.knee_s, self.knee_width_s = 0.3 * now, 0.1 * now
        self.knee_width_s = float(np.clip(self.knee_width_s, 0.7 * spacing, 0.15 * now))
        about = self.knee_s + self.knee_width_s * np.array([-2.5, -1.5, -0.5, 0.5, 1.5, 2.5])
        onset = np.sort(np.concatenate([about, now * np.array([0.1, 0.25, 0.45, 0.7])]))
        onset = np.clip(onset, 0.02 * now, 0.9 * now)
        return np.asarray(onset + 1e-6 * spacing * np.arange(len(onset)))

    def _move_knee(self, onset: Floats, best: int) -> None:
        """Centre the next onsets on the likeliest of these; closer about it if it was among the inner ones."""
        inner = abs(onset[best] - self.knee_s) < 2.0 * self.knee_width_s
        self.knee_s = float(onset[best])
        self.knee_width_s *= 0.6 if inner else 1.6

    def new_steps(self) -> list[float]:
        """Return the steps found in the values since this was last asked."""
        fresh, self.told = self.found_s[self.told :], len(self.found_s)
        return fresh

    def skip(self, pause_s: float) -> None:
        """Leave out a stretch in which nothing happened: later times count from a start moved up by it."""
        self.pauses.append([self.time[-1] if self.time else 0.0, pause_s])
        self.start_s += pause_s

    def when(self, time: float) -> float:
        """Return the run time of a time of the decay, which pauses after it have not moved, s."""
        return self.start_s + time - sum(pause for began, pause in self.pauses if time < began)

    def _start_at_top(self) -> None:
        """Drop what came before the top of a signal that first rose: the decay starts there."""
        top = top_after_rise(np.array(self.value), np.array(self.precision) * np.array(self.weight))
        if top is None:
            return
        start = self.time[top]
        self.start_s += start
        self.time = [t - start for t in self.time[top:]]
        self.pauses = [[began - start, pause] for began, pause in self.pauses]
        for name in ("value", "precision", "weight", "count"):
            setattr(self, name, getattr(self, name)[top:])
        self.knee_s = float("nan")
        self.rose, self.noise, self.grid_now_s, self._rows = True, [], -1.0, 0

    def _least_floor(self) -> float:
        """Return what the floor cannot lie below.

        An emission is not negative, but what is measured may be, where a pattern that is not exact takes a part of a
        brighter neighbour off: values that lie clearly below the least show it, and then it is no limit.
        """
        bins = max(FEWEST, len(self.value) // 8)
        if len(self.value) < 2 * bins or not self.noise:
            return self.least_floor
        low = middle(np.array(self.value[-bins:])) + NEGATIVE * math.sqrt(self.noise[1] / bins)
        return self.least_floor if low >= self.least_floor else low - FREE * (max(self.value) - min(self.value))

    def _columns(self, time: Floats) -> Floats:
        """Return the nuisance columns, shape (n, q): the floor, and one per step."""
        steps = [(time >= s - self.start_s - 1e-9).astype(float) for s in self.steps_s]
        return np.column_stack([np.ones(len(time)), *steps])
