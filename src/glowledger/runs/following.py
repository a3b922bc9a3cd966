"""Follow a run frame by frame: screen, divide, trend, judge."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from glowledger.errors import RunError
from glowledger.runs import deciding, naming, ratios
from glowledger.runs.clock import WORDS, RunClock
from glowledger.runs.combining import combine
from glowledger.runs.continuity import RatioStep, ratio_step
from glowledger.runs.endpoint import EndpointFollower
from glowledger.runs.endpoint_words import back_words
from glowledger.runs.flash_end import FEWEST, FLASHES, FlashFollower
from glowledger.runs.frame_counts import FrameCounts
from glowledger.runs.naming import LIT_AGAIN, RATIOS_WENT_ON, Change
from glowledger.runs.optics import FOGGING, Optics
from glowledger.runs.ratios import CONTAMINANTS, TOTAL, Reference
from glowledger.runs.results import Endpoint
from glowledger.runs.rising_gas import RisingGas
from glowledger.runs.roles import contaminants, other_gases
from glowledger.runs.run_log import RunLog
from glowledger.runs.run_options import Point, RunOptions
from glowledger.runs.run_state import parts_of, state_of
from glowledger.runs.screening import Decided, Screen

WARM_UP = 10  # usable frames from which the reference is chosen
SEEN_WINDOW = 12  # frames; a contaminant is trended once its counts are significant in half of them
SEEN_ERRORS = 3.0
SAME_RATIO = 0.03  # of its level: what a ratio may step by with the light and go on as before
TOO_BRIGHT = 10  # intervals at the start of a run without a usable frame, over which decays are drawn back
STEP_IS_NONE = "Such a step is no endpoint; it is taken out, and the verdict rests on what falls gradually."


@dataclass(slots=True, kw_only=True)
class RunFollower:
    """A run in progress; memory does not grow with it, but for its events.

    Attributes
    ----------
    species_names : tuple of str
        Columns of the frames' counts.
    options : RunOptions
        The user's choices.
    clock, screen, optics, rising, log : RunClock, Screen, Optics, RisingGas, RunLog
        Times, odd frames, state of window and spectrometer, gases that come in slowly, events.
    reference : Reference or None
        None until enough frames have been seen, or after a change of gas.
    warming : list of FrameCounts
        Frames that wait for the reference.
    followers : dict of str to EndpointFollower
        Per contaminant.
    flash_end : FlashFollower
        Whether the flashes have died out.
    strength : dict of str to list of float
        Latest counts over standard error of contaminants not yet seen.
    seen : list of str
        Contaminants seen, in the order they were.
    joined : list of str
        Contaminants that have come since the first frames: candidates beside those of the options.
    frames, saturated : int
        Frames taken in, and those of them with measured pixels at the ceiling.
    verdict_each : bool
        Give every point its verdict; otherwise only `verdict` does.
    bright_s : float
        Run time of the first frame, if it was too bright to be used: decays begin there; else NaN.
    first_s, last_s, out_since_s : float
        Run time of the first and last frame, and since when the plasma has been out.
    """

    species_names: tuple[str, ...]
    options: RunOptions = field(default_factory=RunOptions)
    clock: RunClock = field(default_factory=RunClock)
    screen: Screen = field(default_factory=lambda: Screen(main=-2))
    optics: Optics = field(default_factory=Optics)
    rising: RisingGas = field(default_factory=RisingGas)
    log: RunLog = field(default_factory=RunLog)
    reference: Reference | None = None
    warming: list[FrameCounts] = field(default_factory=list)
    followers: dict[str, EndpointFollower] = field(default_factory=dict)
    flash_end: FlashFollower = field(default_factory=FlashFollower)
    strength: dict[str, list[float]] = field(default_factory=dict)
    seen: list[str] = field(default_factory=list)
    joined: list[str] = field(default_factory=list)
    frames: int = 0
    saturated: int = 0
    bright_s: float = float("nan")
    first_s: float = float("nan")
    last_s: float = float("nan")
    out_since_s: float = float("nan")
    verdict_each: bool = True

    def __post_init__(self) -> None:
        for name in self.options.indicators:
            if name not in (*self.species_names, FLASHES):
                raise RunError(
                    f"The indicator {name!r} is none of the fitted species.",
                    mend=f"Choose from: {', '.join((*self.species_names, FLASHES))}.",
                )

    # frames in

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
            self.log.alarm(kind, time_s, WORDS[kind])
        if ruling != "good":
            return []
        if math.isnan(self.first_s):
            self.first_s = time_s
            self.log.begin(time_s, "start of the run")
        self.last_s = time_s
        placed = replace(frame, time_s=time_s).per_second()
        if not placed.usable:
            self.log.alarm("frame without answer", time_s, "A frame could not be fitted and is left out.")
            return [self._aside(placed)]
        if placed.saturated and self._too_bright(placed):
            return [self._aside(placed)]
        moved = self.optics.drifted(placed.shift_nm)
        if moved:
            self._conditions(time_s, Change(why=moved, cut=True, kind="spectrometer moved"))
        return [point for decided in self.screen.take(placed) for point in self._decide(decided)]

    def finish(self) -> list[Point]:
        """Decide the frames that still wait; call once at the end of a finished run."""
        points = [point for decided in self.screen.finish() for point in self._decide(decided)]
        points += self._choose_reference() if self.warming else []
        for name in self.seen:
            self.followers[name].settle()
            self._events(name, self.followers[name])
        return points

    def _too_bright(self, frame: FrameCounts) -> bool:
        """Count a saturated frame; True if it is to be left out, as long as not most of the run is like it."""
        text = "Pixels are at the ceiling, so the light there is unknown; shorten the exposure."
        self.log.alarm("saturated", frame.time_s, text)
        if not frame.blinded:
            return False
        self.saturated += 1
        if math.isnan(self.bright_s) and not self.followers and not self.warming:
            self.bright_s = frame.time_s
        return self.saturated <= 0.5 * self.frames or self.frames < 4

    def _decide(self, decided: Decided) -> list[Point]:
        start = decided.frames[0].time_s
        if decided.kind == "good":
            return [p for frame in decided.frames for p in self._trend(frame)]
        if decided.kind == "flash":
            names = tuple(self.species_names[i] for i in decided.risen)
            lasted = decided.frames[-1].time_s - start + self.clock.cadence_s
            self.log.flash(start, lasted, names, self.last_s)
        elif decided.kind == "dip" and not self.screen.out:
            how = "dipped" if decided.frames[0].total < decided.before[-2] else "brightened as a whole"
            self.log.alarm(f"light {how}", start, f"The light {how} for a moment; those frames are left out.")
        elif decided.kind == "out":
            self.out_since_s = start
            self.log.begin(start, "plasma out")
            self.log.alarm("plasma out", start, "The plasma is out: there is no light to judge by.")
        if decided.kind in ("flash", "dip", "out"):
            return [self._aside(frame) for frame in decided.frames]
        points: list[Point] = []
        if decided.kind == "lit" and self.warming:
            points = self._choose_reference()  # what was before the pause comes before it
        change = self._lit(decided) if decided.kind == "lit" else self._name(decided)
        if change.why:
            points += self._conditions(start, change)
        elif decided.kind != "slow":
            self._contaminants_stepped(decided, start)
        return points + [p for frame in decided.frames for p in self._trend(frame)]

    def _name(self, decided: Decided) -> Change:
        if decided.kind == "slow":
            return naming.name_slow(self.species_names, decided.before, decided.after)
        change = naming.name_change(self.species_names, decided.before, decided.after, decided.noise)
        if decided.kind == "ramp":
            reference = "reference" if self.reference is None else self.reference.name
            why = change.why or "the light changed"
            return replace(change, why=f"{reference} drifted fast: {why}", cut=True)
        if math.isfinite(change.factor) and self._ratios_go_on(decided):
            why = f"all light stepped by a factor {change.factor:.2g}, {RATIOS_WENT_ON} (filter, fibre, exposure)"
            return replace(change, why=why, cut=False, steps=False)
        return change

    def _ratios_go_on(self, decided: Decided) -> bool:
        """True if the ratio of no contaminant steps with the light, and of one at least it would show."""
        steps = [self._step_of(name, decided) for name, one in self.followers.items() if not one.frozen]
        told = [step for step in steps if step.told]
        return bool(told) and all(step.within(SAME_RATIO) for step in told)

    def _step_of(self, name: str, decided: Decided) -> RatioStep:
        """Measure how far a ratio stepped with the light."""
        decay = self.followers[name].decay
        after = np.array([self._ratios(frame)[0][name] for frame in decided.frames])
        after_s = np.array([frame.time_s for frame in decided.frames]) - decay.start_s
        return ratio_step(np.array(decay.time), np.array(decay.value), after_s, after, np.array(decay.count, float))

    def _lit(self, decided: Decided) -> Change:
        """The plasma burns again: as before, with a pause in the cleaning, or otherwise."""
        if not naming.same_light(self.species_names, decided.before, decided.after, CONTAMINANTS):
            return Change(why="plasma lit again, under other conditions", cut=True, kind="plasma lit")
        pause = decided.frames[0].time_s - self.out_since_s
        for follower in self.followers.values():
            if not follower.reached:
                follower.decay.skip(pause)
        return Change(why=LIT_AGAIN, cut=False, kind="plasma lit")

    def _conditions(self, start_s: float, change: Change) -> list[Point]:
        """Begin new conditions; where ratios cannot be compared, followers begin anew with what was left."""
        self.log.begin(start_s, change.why)
        self.log.alarm(change.kind, start_s, f"{change.why[0].upper()}{change.why[1:]}.")
        self.optics.begin()
        self.rising.begin()
        points = self._choose_reference() if change.cut and self.warming else []  # they belong to what was before
        for name, old in self.followers.items():
            if old.reached and change.steps:
                old.freeze(change.cut)
            elif old.reached:
                continue
            elif change.cut:
                self.followers[name] = old.anew(self.options.criterion_for(name))
            elif change.steps:
                old.decay.steps_s.append(start_s)
        if change.gases and self.options.reference is None:
            self.reference = None
        return points

    def _contaminants_stepped(self, decided: Decided, time_s: float) -> None:
        change = decided.after - decided.before
        names = []
        for name, follower in self.followers.items():
            i = self.species_names.index(name)
            if abs(change[i]) > 3.0 * max(decided.noise[i], 1e-12) and not self._step_of(name, decided).within(0.0):
                follower.decay.steps_s.append(time_s)
                names.append(f"{name} {'rose' if change[i] > 0 else 'fell'}")
        if names:
            text = f"{', '.join(names)} at once and stayed: a leak, a valve or another load. {STEP_IS_NONE}"
            self.log.alarm("signal stepped", time_s, text)

    def _trend(self, frame: FrameCounts) -> list[Point]:
        if self.reference is None:
            self.warming.append(frame)
            return self._choose_reference() if len(self.warming) >= WARM_UP else []
        return [self._judge(frame)]

    def _choose_reference(self) -> list[Point]:
        frames, self.warming = self.warming, []
        counts = np.array([f.counts for f in frames])
        errors = np.array([f.standard_error for f in frames])
        before = self.reference
        self.reference = ratios.choose_reference(
            self.species_names, counts, errors, self.options.reference, self.options.present
        )
        name = self.reference.name
        if before is not None and before.name != name:
            for follower in self.followers.values():
                if follower.reached:
                    follower.freeze(other_level=True, comparable=False)
        self.screen.main = -2 if name == TOTAL else self.species_names.index(name)
        return [self._judge(frame) for frame in frames]

    def _judge(self, frame: FrameCounts) -> Point:
        values, errors = self._ratios(frame)
        fogging = self.optics.look(self.species_names, frame, self.screen.main)
        if fogging:
            self.log.alarm(FOGGING, frame.time_s, fogging)
        for kind, text in self.rising.look(self.species_names, frame, self.screen.main, other_gases(self, values)):
            self.log.alarm(kind, frame.time_s, text)
        for name in values:
            if name not in self.followers:
                self.followers[name] = self._new_follower(name, frame.time_s)
            follower = self.followers[name]
            follower.add(frame.time_s, values[name], errors[name])
            if self._is_seen(name, frame):
                follower.judge()
                self._events(name, follower)
                if follower.reached and follower.back:
                    self.followers[name] = follower.come_back()
        self.flash_end.update(self.log, frame.time_s, self.options.criterion)
        if self.flash_end.in_doubt:
            text = "Flashes came back after they were taken to have died out; go on, or look for their source."
            self.log.alarm("endpoint in doubt", self.last_s, text)
        said = self.verdict() if self.verdict_each else None
        return Point(time_s=frame.time_s, values=values, errors=errors, used=True, endpoint=said)

    def _new_follower(self, name: str, now_s: float) -> EndpointFollower:
        """Return a follower whose decay begins with the run, where its first frames only were too bright to be used."""
        follower = EndpointFollower(name=name, criterion=self.options.criterion_for(name))
        if 0.0 < now_s - self.bright_s <= TOO_BRIGHT * self.clock.cadence_s:
            follower.decay.start_s = self.bright_s
        return follower

    def _events(self, name: str, follower: EndpointFollower) -> None:
        """Turn what the follower noticed by itself into alarms."""
        for step_s in follower.decay.new_steps():
            text = f"{name} stepped at about {step_s:.0f} s and stayed: a leak, a valve or another load. {STEP_IS_NONE}"
            self.log.alarm("signal stepped", self.last_s, text)
        if follower.in_doubt:
            text = f"Later frames put the end of {name} later than where it was declared; go on, or check the part."
            self.log.alarm("endpoint in doubt", self.last_s, text)
        if follower.reached and follower.back:
            text = back_words(name, follower.declared_at_s, follower.back)
            self.log.alarm("contaminant came back", self.last_s, text)
        elif follower.decay.rising:
            self.log.alarm("signal rising", self.last_s, f"{name} is rising: a leak, outgassing, oil, or new dirt.")

    def _is_seen(self, name: str, frame: FrameCounts) -> bool:
        """True from the frame on at which the contaminant is significant in half of the latest frames."""
        if name in self.seen:
            return True
        i = self.species_names.index(name)
        error = frame.standard_error[i]
        strength = float(frame.counts[i] / error) if error > 0 else 0.0
        latest = [*self.strength.get(name, [])[-SEEN_WINDOW + 1 :], strength]
        self.strength[name] = latest
        enough = len(latest) >= SEEN_WINDOW // 2 and float(np.median(np.nan_to_num(latest))) > SEEN_ERRORS
        if enough or name in self.options.indicators:
            self.seen.append(name)
            del self.strength[name]
            return True
        return False

    def _ratios(self, frame: FrameCounts) -> tuple[dict[str, float], dict[str, float]]:
        names = contaminants(self)
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

    def _aside(self, frame: FrameCounts) -> Point:
        values, errors = self._ratios(frame) if self.reference is not None else ({}, {})
        return Point(time_s=frame.time_s, values=values, errors=errors, used=False, endpoint=None)

    def endpoints(self) -> dict[str, Endpoint]:
        """Return the verdict per contaminant seen, named contaminant/reference."""
        reference = "" if self.reference is None else self.reference.name
        out = self.screen.out
        found = {}
        for name in self.seen:
            if name in self.followers:
                label = f"{name}/{reference}"
                found[label] = self.followers[name].endpoint(label, plasma_out=out)
        if FLASHES in self.options.indicators or self.flash_end.count >= FEWEST:
            found[FLASHES] = self.flash_end.endpoint(self.options.criterion, plasma_out=out)
        return found

    def verdict(self) -> Endpoint:
        """Return the verdict on the run with all frames decided so far.

        Flashes decide with the contaminants where they were asked for, alone where nothing else was asked for or
        no contaminant was seen.
        """
        reference = "" if self.reference is None else self.reference.name
        found = self.endpoints()
        if FLASHES in found and (self.options.indicators == (FLASHES,) or not self.seen):
            return found[FLASHES]
        if FLASHES not in self.options.indicators:
            found.pop(FLASHES, None)
        groups = deciding.groups(self)
        said = combine(found, *(tuple(f"{n}/{reference}" for n in group) for group in groups))
        return deciding.beside_a_film(self, said)

    # state

    def to_dict(self) -> dict[str, object]:
        """Return the state as plain numbers, strings, lists and dicts; the options are not part of it."""
        return state_of(self)

    @classmethod
    def from_dict(cls, state: dict[str, Any], options: RunOptions | None = None) -> RunFollower:
        """Rebuild the follower from `to_dict` and the options it was made with."""
        return cls(**parts_of(state, options or RunOptions()))
