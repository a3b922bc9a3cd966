"""Follow a run frame by frame: screen, divide, trend, judge. `analyse_run` feeds a finished series through the same."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from glowledger.errors import RunError
from glowledger.glow.results import SeriesFit
from glowledger.runs import flash_rate, naming, ratios
from glowledger.runs.blank import Blank, level_of
from glowledger.runs.clock import RunClock, reading_order
from glowledger.runs.decay_follower import DecayFollower
from glowledger.runs.endpoint import Criterion, EndpointFollower, combine
from glowledger.runs.ratios import CONTAMINANTS, TOTAL, Reference
from glowledger.runs.results import Alarm, Endpoint, Flash, Regime, RunResult, Trend
from glowledger.runs.screening import Decided, FrameCounts, Screen

WARM_UP = 10  # usable frames from which the reference is chosen
SEEN_WINDOW = 12  # frames; a contaminant is trended once its counts are significant in half of them
SEEN_ERRORS = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RunOptions:
    """What the user may choose.

    Attributes
    ----------
    reference : str or None
        Species to divide by, or ``total light``; None chooses.
    indicators : tuple of str
        Contaminants to follow; empty follows all that are seen.
    criterion : Criterion
        When the run counts as done.
    blanks : dict of str to Blank
        Blank level per contaminant over reference.
    """

    reference: str | None = None
    indicators: tuple[str, ...] = ()
    criterion: Criterion = field(default_factory=Criterion)
    blanks: dict[str, Blank] = field(default_factory=dict)

    def criterion_for(self, name: str) -> Criterion:
        """Return the criterion of one contaminant, with its blank where there is one."""
        return replace(self.criterion, blank=self.blanks[name]) if name in self.blanks else self.criterion


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One decided frame.

    Attributes
    ----------
    time_s : float
        Run time.
    values, errors : dict of str to float
        Contaminant over reference, per contaminant.
    used : bool
        False if the frame was set aside.
    endpoint : Endpoint or None
        The verdict with all frames up to this one; None for frames set aside.
    """

    time_s: float
    values: dict[str, float]
    errors: dict[str, float]
    used: bool
    endpoint: Endpoint | None


@dataclass(slots=True, kw_only=True)
class RunFollower:
    """A run in progress; memory does not grow with it, but for its events.

    Attributes
    ----------
    species_names : tuple of str
        Columns of the frames' counts.
    options : RunOptions
        The user's choices.
    """

    species_names: tuple[str, ...]
    options: RunOptions = field(default_factory=RunOptions)
    clock: RunClock = field(default_factory=RunClock)
    screen: Screen = field(default_factory=lambda: Screen(main=-2))
    reference: Reference | None = None
    warming: list[FrameCounts] = field(default_factory=list)
    followers: dict[str, EndpointFollower] = field(default_factory=dict)
    strength: dict[str, list[float]] = field(default_factory=dict)
    seen: list[str] = field(default_factory=list)
    flashes: list[Flash] = field(default_factory=list)
    regimes: list[Regime] = field(default_factory=list)
    alarms: list[Alarm] = field(default_factory=list)
    shifts_nm: list[float] = field(default_factory=list)
    rising: list[str] = field(default_factory=list)
    frames: int = 0
    saturated: int = 0
    first_s: float = float("nan")
    last_s: float = float("nan")
    endpoint: Endpoint | None = None

    def __post_init__(self) -> None:
        for name in self.options.indicators:
            if name not in self.species_names:
                raise RunError(
                    f"The indicator {name!r} is none of the fitted species.",
                    mend=f"Choose from: {', '.join(self.species_names)}.",
                )

    # ------------------------------------------------------------------ frames in

    def update(self, frame: FrameCounts) -> list[Point]:
        """Take in one frame, in the order recorded.

        Parameters
        ----------
        frame : FrameCounts
            As recorded.

        Returns
        -------
        list of Point
            The frames decided by this one, oldest first; an odd frame is decided a few frames later.
        """
        self.frames += 1
        time_s, ruling, kind = self.clock.place(frame.time_s)
        if kind:
            self._alarm(kind, time_s, _CLOCK_WORDS[kind])
        if ruling != "good":
            return []
        if math.isnan(self.first_s):
            self.first_s = time_s
            self.regimes.append(Regime(start_s=time_s, end_s=time_s, why="start of the run"))
        self.last_s = time_s
        placed = _placed(frame, time_s).per_second()
        if not placed.usable:
            self._alarm("frame without answer", time_s, "A frame could not be fitted and is left out.")
            return [self._aside(placed)]
        if placed.saturated:
            self.saturated += 1
            self._alarm(
                "saturated",
                time_s,
                "Pixels are at the ceiling; shorten the exposure. Such frames are left out.",
            )
            if self.saturated <= 0.5 * self.frames or self.frames < 4:
                return [self._aside(placed)]
        return [point for decided in self.screen.take(placed) for point in self._decide(decided)]

    def finish(self) -> list[Point]:
        """Decide the frames that still wait; call once at the end of a finished run."""
        points = [point for decided in self.screen.finish() for point in self._decide(decided)]
        if self.warming:
            points += self._choose_reference()
        return points

    # ------------------------------------------------------------------ frames decided

    def _decide(self, decided: Decided) -> list[Point]:
        if decided.kind == "good":
            return [p for frame in decided.frames for p in self._trend(frame)]
        if decided.kind == "flash":
            self._flash(decided)
            return [self._aside(frame) for frame in decided.frames]
        if decided.kind == "dip":
            if not self.screen.out:
                self._alarm(
                    "light dipped", decided.frames[0].time_s, "The light dipped for a moment; left out."
                )
            return [self._aside(frame) for frame in decided.frames]
        if decided.kind == "out":
            start = decided.frames[0].time_s
            self._begin(start, "plasma out")
            self._alarm("plasma out", start, "The plasma is out: no light to judge by.")
            return [self._aside(frame) for frame in decided.frames]
        return self._new_conditions(decided)

    def _new_conditions(self, decided: Decided) -> list[Point]:
        first = decided.frames[0]
        shifts = np.array(self.shifts_nm) if self.shifts_nm else np.zeros(1)
        jump = float(np.median([f.shift_nm for f in decided.frames]) - np.median(shifts))
        width = float(1.4826 * np.median(np.abs(shifts - np.median(shifts))))
        why, cut = naming.name_change(
            self.species_names, decided.before, decided.after, decided.noise, np.nan_to_num(jump), width
        )
        points: list[Point] = []
        if why == "only some contaminants stepped":
            self._contaminants_stepped(decided, first.time_s)
        else:
            self._begin(first.time_s, why)
            self._alarm("conditions changed", first.time_s, f"{why[0].upper()}{why[1:]}.")
            if cut:
                points += self._cut(why)
            else:
                for follower in self.followers.values():
                    follower.decay.steps_s.append(first.time_s)
        return points + [p for frame in decided.frames for p in self._trend(frame)]

    def _contaminants_stepped(self, decided: Decided, time_s: float) -> None:
        change = decided.after - decided.before
        names = []
        for name, follower in self.followers.items():
            i = self.species_names.index(name)
            if abs(change[i]) > 3.0 * max(decided.noise[i], 1e-12):
                follower.decay.steps_s.append(time_s)
                names.append(f"{name} {'rose' if change[i] > 0 else 'fell'}")
        if names:
            text = (
                f"{', '.join(names)} at once and stayed: a leak, a valve, or another load; not an endpoint."
            )
            self._alarm("signal stepped", time_s, text)

    def _cut(self, why: str) -> list[Point]:
        """Begin new followers; what was left of the excess is carried over. A change of gas asks for a new reference."""
        for name, old in self.followers.items():
            if old.reached:
                continue
            fresh = EndpointFollower(
                name=name, criterion=self.options.criterion_for(name), carried=min(old.left_upper(), 1.0)
            )
            self.followers[name] = fresh
        if why.startswith(("gas", "plasma lit")) and self.options.reference is None:
            points = self._choose_reference() if self.warming else []
            self.reference = None
            return points
        return []

    # ------------------------------------------------------------------ trend and verdict

    def _trend(self, frame: FrameCounts) -> list[Point]:
        if self.reference is None:
            self.warming.append(frame)
            return self._choose_reference() if len(self.warming) >= WARM_UP else []
        return [self._judge(frame)]

    def _choose_reference(self) -> list[Point]:
        frames, self.warming = self.warming, []
        counts = np.array([f.counts for f in frames])
        errors = np.array([f.standard_error for f in frames])
        self.reference = ratios.choose_reference(self.species_names, counts, errors, self.options.reference)
        name = self.reference.name
        self.screen.main = -2 if name == TOTAL else self.species_names.index(name)
        return [self._judge(frame) for frame in frames]

    def _contaminants(self) -> list[str]:
        wanted = self.options.indicators or CONTAMINANTS
        reference = "" if self.reference is None else self.reference.name
        return [n for n in wanted if n in self.species_names and n != reference]

    def _judge(self, frame: FrameCounts) -> Point:
        values, errors = self._ratios(frame)
        self.shifts_nm = [*self.shifts_nm[-30:], float(np.nan_to_num(frame.shift_nm))]
        for name in values:
            if name not in self.followers:
                self.followers[name] = EndpointFollower(
                    name=name, criterion=self.options.criterion_for(name), decay=DecayFollower()
                )
            follower = self.followers[name]
            follower.add(frame.time_s, values[name], errors[name])
            if self._is_seen(name, frame):
                follower.judge()
        self.endpoint = combine(self.endpoints(), tuple(self.rising))
        return Point(time_s=frame.time_s, values=values, errors=errors, used=True, endpoint=self.endpoint)

    def _is_seen(self, name: str, frame: FrameCounts) -> bool:
        """True from the frame on at which the contaminant is significant in half of the latest frames."""
        if name in self.seen:
            return True
        i = self.species_names.index(name)
        error = frame.standard_error[i]
        strength = float(frame.counts[i] / error) if error > 0 else 0.0
        self.strength[name] = latest = [*self.strength.get(name, [])[-SEEN_WINDOW + 1 :], strength]
        if len(latest) >= SEEN_WINDOW // 2 and float(np.nanmedian(latest)) > SEEN_ERRORS:
            self.seen.append(name)
            del self.strength[name]
            return True
        return name in self.options.indicators

    def _ratios(self, frame: FrameCounts) -> tuple[dict[str, float], dict[str, float]]:
        names = self._contaminants()
        index = [self.species_names.index(n) for n in names]
        if self.reference is None or self.reference.name == TOTAL:
            below, below_se = frame.total, frame.total_error
        else:
            r = self.species_names.index(self.reference.name)
            below, below_se = float(frame.counts[r]), float(frame.standard_error[r])
        value, error = ratios.ratio(
            frame.counts[index], frame.standard_error[index], np.asarray(below), np.asarray(below_se)
        )
        return (
            dict(zip(names, (float(v) for v in value), strict=True)),
            dict(zip(names, (float(e) for e in error), strict=True)),
        )

    def endpoints(self) -> dict[str, Endpoint]:
        """Return the verdict per contaminant seen, named contaminant/reference."""
        reference = "" if self.reference is None else self.reference.name
        found = {}
        for name, follower in self.followers.items():
            if name in self.seen or name in self.options.indicators:
                label = f"{name}/{reference}"
                follower.name, kept = label, follower.name
                found[label] = follower.endpoint()
                follower.name = kept
        return found

    # ------------------------------------------------------------------ events

    def _aside(self, frame: FrameCounts) -> Point:
        values, errors = self._ratios(frame) if self.reference is not None else ({}, {})
        return Point(time_s=frame.time_s, values=values, errors=errors, used=False, endpoint=None)

    def _flash(self, decided: Decided) -> None:
        start = decided.frames[0].time_s
        duration = decided.frames[-1].time_s - start + self.clock.cadence_s
        names = tuple(self.species_names[i] for i in decided.risen)
        self.flashes.append(Flash(time_s=start, duration_s=duration, species=names))
        began = self.regimes[-1].start_s
        if flash_rate.rising([f.time_s for f in self.flashes if f.time_s >= began], began, self.last_s):
            self._alarm(
                "flash rate rising",
                start,
                "Flashes come more often than before: arcs, or a part coming loose.",
            )

    def _begin(self, start_s: float, why: str) -> None:
        last = self.regimes[-1]
        self.regimes[-1] = Regime(start_s=last.start_s, end_s=start_s, why=last.why)
        self.regimes.append(Regime(start_s=start_s, end_s=start_s, why=why))

    def _alarm(self, kind: str, time_s: float, text: str) -> None:
        """Keep an alarm; one of a kind per regime, its first."""
        began = self.regimes[-1].start_s if self.regimes else -math.inf
        if not any(a.kind == kind and a.time_s >= began for a in self.alarms):
            self.alarms.append(Alarm(kind=kind, time_s=time_s, text=text))

    def to_dict(self) -> dict[str, object]:
        """Return the state as plain numbers, strings, lists and dicts; the options are not part of it."""
        raise NotImplementedError


_CLOCK_WORDS = {
    "time missing": "A frame has no time; it is placed one usual interval after the one before.",
    "time repeated": "A frame has the same time as the one before and is left out.",
    "frame out of order": "A frame is older than the one before it and is left out.",
    "clock jumped back": "The clock was set back; times after it are moved up so that the run goes on.",
    "gap": "Frames are missing for much longer than the usual interval, or the clock was set forward.",
}


def _placed(frame: FrameCounts, time_s: float) -> FrameCounts:
    return replace(frame, time_s=time_s)


def frame_of(series: SeriesFit, i: int) -> FrameCounts:
    """Return frame `i` of a fitted series."""
    return FrameCounts(
        time_s=float(series.time_s[i]),
        exposure_s=float(series.exposure_s[i]),
        counts=series.counts[i],
        standard_error=series.standard_error[i],
        total=float(series.total_counts[i]),
        total_error=float(series.total_error[i]),
        continuum=float(series.continuum_counts[i]),
        shift_nm=float(series.shift_nm[i]),
        saturated=bool(series.saturated[i]),
    )


def analyse_run(series: SeriesFit, options: RunOptions | None = None) -> RunResult:
    """Say what a finished run shows, each verdict as it would have been given live.

    Parameters
    ----------
    series : SeriesFit
        The fit of every frame.
    options : RunOptions, optional
        The user's choices.

    Returns
    -------
    RunResult

    Raises
    ------
    RunError
        If the series has no frame, or a wanted species is not in it.
    """
    n = len(series.time_s)
    if n == 0:
        raise RunError("The run has no frames.", mend="Give a file or folder with at least one spectrum.")
    follower = RunFollower(species_names=series.species_names, options=options or RunOptions())
    order, changed = reading_order(series.time_s)
    points: list[Point] = []
    for i in order:
        points += follower.update(frame_of(series, int(i)))
    points += follower.finish()
    if changed:
        text = "Frames were stored out of order; they are read in the order of their times."
        follower.alarms.insert(0, Alarm(kind="frame out of order", time_s=follower.first_s, text=text))
    return _result(follower, sorted(points, key=lambda p: p.time_s))


def _result(follower: RunFollower, points: list[Point]) -> RunResult:
    reference = follower.reference
    name = "" if reference is None else reference.name
    time_s = np.array([p.time_s for p in points])
    used = np.array([p.used for p in points], dtype=bool)
    trends = []
    for species in follower.followers:
        if species not in follower.seen and species not in follower.options.indicators:
            continue
        trends.append(
            Trend(
                name=f"{species}/{name}",
                time_s=time_s,
                value=np.array([p.values.get(species, np.nan) for p in points]),
                standard_error=np.array([p.errors.get(species, np.nan) for p in points]),
                used=used,
            )
        )
    last = follower.regimes[-1:]
    ends = [Regime(start_s=r.start_s, end_s=follower.last_s, why=r.why) for r in last]
    endpoints = follower.endpoints()
    return RunResult(
        reference=name,
        reference_reason="" if reference is None else reference.reason,
        indicators=tuple(trends),
        endpoints=endpoints,
        flashes=tuple(follower.flashes),
        regimes=tuple(follower.regimes[:-1] + ends),
        alarms=tuple(follower.alarms),
        endpoint=combine(endpoints, tuple(follower.rising)),
        frames=follower.frames,
        duration_s=float(np.nan_to_num(follower.last_s - follower.first_s)),
    )


def blank_levels(
    series: SeriesFit, blank: SeriesFit, reference: str | None, margin: float
) -> dict[str, Blank]:
    """Return the level of every contaminant in a blank run, with a margin in parts of its level at the run's start.

    Parameters
    ----------
    series, blank : SeriesFit
        The run and the blank run, fitted for the same species.
    reference : str or None
        As asked for; None chooses as in the run.
    margin : float
        Part of the contaminant's first level in the run by which it may differ.

    Returns
    -------
    dict of str to Blank

    Raises
    ------
    RunError
        If the blank has fewer than 4 usable frames.
    """
    first = slice(0, WARM_UP)
    chosen = ratios.choose_reference(
        series.species_names, series.counts[first], series.standard_error[first], reference
    ).name
    levels = {}
    for name in CONTAMINANTS:
        if name not in series.species_names or name not in blank.species_names or name == chosen:
            continue
        start, _ = ratios.series_ratio(series, name, chosen)
        empty, error = ratios.series_ratio(blank, name, chosen)
        level, level_se = level_of(empty, error)
        top = float(np.nanmedian(start[:WARM_UP])) if np.isfinite(start[:WARM_UP]).any() else float("nan")
        if np.isfinite(level) and np.isfinite(top):
            levels[name] = Blank(level=level, standard_error=level_se, margin=margin * abs(top))
    if not levels:
        raise RunError(
            "The blank run has no usable frames, or none of its species can be compared.",
            mend="Record at least 4 frames of the clean empty chamber under the same conditions.",
        )
    return levels
