"""Frames in, verdicts out: the measurement is learned from the first frames, then every frame goes through it once.

How it is learned: from the first 20 frames; anew from the first 60 and from the first 180, each time measuring all
frames so far again, so that a trend never mixes two measurements. From then on it stays as it is: a measurement
learned in the midst of a decay would step, and a step must not look like an endpoint. If the light later holds
something that was not learned, the latest frames are identified anew, an alarm names what came, and contaminants among
it are followed from there: every species is measured in every frame, so none of the others steps.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.model import Bench
from glowledger.diagnose.feed import Feed
from glowledger.errors import FitError, ReadError, RunError
from glowledger.glow.results import Fit, SeriesFit
from glowledger.glow.series import SeriesModel, learn_series
from glowledger.live.arrivals import Arrived
from glowledger.live.glow_seen import GlowSeen, glow_seen
from glowledger.live.journal import Step
from glowledger.live.preparing import Preparation, bench_with_window, packed, unpacked
from glowledger.report.numbers import clock
from glowledger.report.sentences import capital
from glowledger.runs.following import RunFollower
from glowledger.runs.frame_counts import FrameCounts, frame_of
from glowledger.runs.results import Endpoint
from glowledger.runs.run_options import Point, RunOptions
from glowledger.spectra.folders import joined
from glowledger.spectra.frames import Frames
from glowledger.spectra.noise import coarse_warning
from glowledger.spectra.samples import says_invented

STAGES = (20, 60, 180)  # frames after which the measurement is learned; see the module's head
FEWEST = 5  # frames for a last attempt when the run ends before the first stage
MISFIT = 1.4  # times the usual light that no pattern explains, as the median of `WATCHED` frames
WATCHED = 30
NEW_SIGMA = 8.0  # a species that came has to be this significant in the mean of these frames
NO_LONGER_FIT = (
    "The light holds something that the first frames did not and that no species explains, or the spectrometer "
    "changed. Track the recorded run as a whole to see more."
)
KEEP_EVERY = 50  # frames after which the whole follower is kept

ChooseOptions = Callable[[SeriesModel, SeriesFit], RunOptions]


@dataclass(slots=True, kw_only=True)
class LiveRun:
    """A run in progress with its measurement.

    Attributes
    ----------
    preparation : Preparation
        What is done to frames before they are measured.
    choose : callable
        Makes the options of the run from what was learned.
    series_bench : Bench or None
        What is known of the instrument, for learning.
    window : str or None
        What the viewport is made of.
    stages : tuple of int
        Frames after which the measurement is learned.
    species : tuple of str or None
        Look only for these.
    feed : Feed or None
        The gas that was let in, where it was stated.
    invented : bool
        The files say that their data are invented.
    started_at : str or None
        Wall-clock time of time zero in ISO 8601, where the source tells.
    model, follower : SeriesModel, RunFollower or None
        None before the first stage.
    buffer : list of Frames
        Frames as read, up to the last stage; empty after it.
    stage : int
        Stages passed.
    taken : int
        Usable frames since learning began.
    learned_from : int
        Frames that the measurement was learned from.
    last : Frames or None
        The last frame as read; its noise is told from the one before.
    usual : tuple of float
        Light that no pattern explains, and all light; medians over the frames learned from.
    glow, came : GlowSeen or None
        What glows in the frames learned from, and in those of the latest look that found something new.
    misfit : list of float
        Of the latest frames: the unexplained light as times the usual one.
    fresh : list of Frames
        The latest frames as read, to see what is new in them; empty up to the last stage, and after a restart.
    told : list of str
        Events that lines told of, so that learning anew does not tell them again.
    looked_at : tuple of int
        Alarms and flashes of the follower that were looked at for news.
    recent : list of dict
        Measured frames since the follower was kept.
    since_kept : int
        How many they are, those kept already included.
    """

    preparation: Preparation
    choose: ChooseOptions
    series_bench: Bench | None = None
    window: str | None = None
    stages: tuple[int, ...] = STAGES
    species: tuple[str, ...] | None = None
    feed: Feed | None = None
    invented: bool = False
    started_at: str | None = None
    model: SeriesModel | None = None
    follower: RunFollower | None = None
    buffer: list[Frames] = field(default_factory=list)
    stage: int = 0
    taken: int = 0
    learned_from: int = 0
    last: Frames | None = None
    usual: tuple[float, float] = (math.nan, math.nan)
    glow: GlowSeen | None = None
    came: GlowSeen | None = None
    misfit: list[float] = field(default_factory=list)
    fresh: list[Frames] = field(default_factory=list)
    told: list[str] = field(default_factory=list)
    looked_at: tuple[int, int] = (0, 0)
    recent: list[dict[str, Any]] = field(default_factory=list)
    since_kept: int = 0

    def take(self, arrived: Arrived) -> Step:
        """Measure what arrived and return what is to be kept of it; `Step.state` is left to the caller.

        Raises
        ------
        CalibrationError
            If the axis is in pixels and there is no bench for it.
        """
        lines: list[tuple[str, dict[str, Any]]] = []
        points: list[Point] = []
        learning: list[bytes] = []
        replaced = forget = False
        if arrived.frames is not None and self.model is None:
            self.preparation.prepare(arrived.frames[0])  # what cannot be prepared is told before learning
            self.invented = self.invented or says_invented(arrived.frames)
        self.started_at = self.started_at or arrived.started_at
        frames, at = arrived.frames, 0
        while frames is not None and at < len(frames):
            room = self.stages[self.stage] - self.taken if self.stage < len(self.stages) else len(frames)
            part = frames[at : at + max(room, 1)]
            keys = arrived.keys[at : at + len(part)]
            if self.stage < len(self.stages):
                self.buffer += [part[i] for i in range(len(part))]
                learning += [packed(part[i]) for i in range(len(part))]
            more_lines, more_points = self._measure(part, keys)
            lines, points = lines + more_lines, points + more_points
            self.taken += len(part)
            at += len(part)
            if self.stage < len(self.stages) and self.taken >= self.stages[self.stage]:
                anew = self.learn()
                if anew is not None:
                    points, replaced = anew, True
                if not self.taken:
                    learning, forget = [], True
        lines += [(key, {"state": "unreadable", "reason": why}) for key, why in arrived.spoilt]
        last = None if self.last is None else packed(self.last)
        follower = None
        if self.follower is not None and (replaced or self.since_kept >= KEEP_EVERY):
            follower, self.recent, self.since_kept = self.follower.to_dict(), [], 0
        recent, self.recent = self.recent, []
        return Step(
            lines=lines, points=points, replaced=replaced, learning=learning, forget=forget, follower=follower,
            recent=recent, state={}, last=last,
        )  # fmt: skip

    def learn(self) -> list[Point] | None:
        """Learn from the frames so far and measure them all again; None where there is no light to learn from."""
        self.stage = sum(self.taken >= stage for stage in self.stages)
        done = self._learn()
        points = None
        if done is not None:
            self.model, series = done
            self.looked_at = (0, 0)
            self.follower = RunFollower(species_names=series.species_names, options=self.choose(self.model, series))
            points = [p for i in range(len(self.buffer)) for p in self.follower.update(frame_of(series, i))]
            if coarse := coarse_warning(joined(self.buffer)):
                self.follower.log.alarm("coarse steps", self.follower.first_s, capital(coarse))
        if self.stage >= len(self.stages):
            if self.model is None:
                self.stage, self.taken, self.buffer = 0, 0, []  # still dark: begin with the frames to come
            self.buffer = []
        return points

    def _learn(self) -> tuple[SeriesModel, SeriesFit] | None:
        if not self.buffer:
            return None
        raw = joined(self.buffer)
        try:
            preparation = self.preparation.learned(raw)
            frames = preparation.prepare(raw)
            bench = bench_with_window(self.series_bench, self.window, frames.axis.size)
            model = learn_series(frames, bench=bench, species=self.species)
            if not model.joint:
                return None  # noise alone: the plasma does not burn yet
            series = model.measure(frames)
        except (ReadError, FitError, RunError):
            return None  # no light yet, or too little
        self.preparation = preparation
        self.usual = float(np.nanmedian(_unexplained(series))), float(np.nanmedian(series.total_counts))
        self.learned_from = len(self.buffer)
        self.glow = self._glow(model.identified.fit, f"the first {len(raw)} frames", bench)
        return model, series

    def _glow(self, fit: Fit, frames: str, bench: Bench | None) -> GlowSeen:
        return glow_seen(fit, frames, feed=self.feed, window=bench.window if bench else None)

    @property
    def glows(self) -> tuple[GlowSeen, ...]:
        """Return what glows in the frames learned from, and where something came later."""
        return tuple(one for one in (self.glow, self.came) if one)

    def _measure(self, part: Frames, keys: tuple[str, ...]) -> tuple[list[tuple[str, dict[str, Any]]], list[Point]]:
        """Measure frames as read, each with the one before it as its neighbour in time."""
        lines: list[tuple[str, dict[str, Any]]] = []
        points: list[Point] = []
        if self.model is None or self.follower is None:
            self.last = part[len(part) - 1]
            return [(key, {"state": "learning"}) for key in keys], points
        with_last = part if self.last is None else joined([self.last, part])
        series = self.model.measure(self.preparation.prepare(with_last))
        skip = len(with_last) - len(part)
        for i, key in enumerate(keys):
            if self.stage >= len(self.stages):
                self.fresh = [*self.fresh[-WATCHED + 1 :], part[i]]
            decided, line = self._follow(series, skip + i)
            points += decided
            lines.append((key, line))
        self.last = part[len(part) - 1]
        return lines, points

    def _follow(self, series: SeriesFit, i: int) -> tuple[list[Point], dict[str, Any]]:
        """Give one frame to the follower, and return the frames it decided and the line on it."""
        follower = self.follower
        if follower is None:
            raise ValueError("there is no follower before the first stage")
        before, frame = follower.last_s, frame_of(series, i)
        decided = follower.update(frame)
        self.recent.append(frame.to_dict())
        self.since_kept += 1
        self._watch(float(_unexplained(series)[i]), float(series.total_counts[i]), float(series.total_error[i]))
        placed = follower.last_s
        own = [p for p in decided if p.time_s == placed]
        state = "used" if own and own[0].used else "set aside" if own else "waiting"
        if placed == before:
            state = "left out"  # repeated or late
        line = self.status() | {
            "state": state,
            "time_s": placed,
            "indicators": {n: [v, own[0].errors[n]] for n, v in own[0].values.items()} if own else {},
            "flash_count": len(follower.log.flashes),
        }
        alarms, flashes = follower.log.alarms[self.looked_at[0] :], follower.log.flashes[self.looked_at[1] :]
        self.looked_at = (len(follower.log.alarms), len(follower.log.flashes))
        line["alarms"] = [
            {"kind": a.kind, "text": a.text} for a in alarms if self._is_news(f"{a.kind} {a.time_s:.6g}")
        ]
        line["flashes"] = [
            {"time_s": f.time_s, "species": list(f.species)} for f in flashes if self._is_news(f"flash {f.time_s:.6g}")
        ]
        return decided, line

    def _is_news(self, event: str) -> bool:
        """Return True, and remember it, if an event was not told of."""
        if event in self.told:
            return False
        self.told.append(event)
        return True

    def _watch(self, unexplained: float, total: float, error: float) -> None:
        """See whether the light holds something that was not learned; a brighter glow misfits in proportion."""
        usual = max(self.usual[0] * max(1.0, total / self.usual[1]), error)
        self.misfit = [*self.misfit[-WATCHED + 1 :], unexplained / usual]
        enough = len(self.misfit) == WATCHED == len(self.fresh)
        if enough and self.follower is not None and np.nanmedian(self.misfit) > MISFIT:
            self._take_up_what_is_new(self.follower)

    def _take_up_what_is_new(self, follower: RunFollower) -> None:
        """Identify the latest frames, say what came, follow its contaminants, and take the misfit for usual now."""
        names, series = self._new_in(joined(self.fresh))
        if series is not None:
            self.usual = float(np.nanmedian(_unexplained(series))), float(np.nanmedian(series.total_counts))
        follower.joined += [name for name in names if name not in follower.joined]
        known = len(follower.log.alarms)
        if names:
            text = (
                f"The light holds what the first frames did not: {', '.join(names)}. Contaminants among it are "
                "followed from here; what they share light with may be off by a little."
            )
            follower.log.alarm(f"new in the light: {', '.join(names)}", follower.last_s, text)
        else:
            follower.log.alarm("patterns no longer fit", follower.last_s, NO_LONGER_FIT)
        self.misfit = []
        if len(follower.log.alarms) > known:
            self.since_kept = KEEP_EVERY  # a replay of the frames would not raise it again

    def _new_in(self, raw: Frames) -> tuple[list[str], SeriesFit | None]:
        """Return the species in some frames that were not learned, and the measurement of the frames."""
        if self.model is None or self.follower is None:
            return [], None
        try:
            frames = self.preparation.prepare(raw)
            series = self.model.measure(frames)
            bench = bench_with_window(self.series_bench, self.window, frames.axis.size)
            fit = learn_series(frames, bench=bench, species=self.species).identified.fit
        except (ReadError, FitError, RunError):
            return [], None
        known = (*self.model.joint, *self.follower.joined)
        found = [s.name for s in fit.species if s.verdict == "present" and s.significance > NEW_SIGMA]
        names = [name for name in found if name not in known and name in self.model.names]
        if names:
            self.came = self._glow(fit, f"the {len(raw)} frames up to {clock(self.follower.last_s)}", bench)
        return names, series

    def endpoint(self) -> Endpoint | None:
        """Return the verdict so far; None before the first stage."""
        return None if self.follower is None else self.follower.verdict()

    def status(self) -> dict[str, Any]:
        """Return the verdict so far as plain data."""
        end = self.endpoint()
        if end is None:
            return {}
        return {
            "verdict": end.verdict, "endpoint_s": end.time_s, "interval_s": list(end.interval_s),
            "remaining_s": end.remaining_s, "remaining_interval_s": list(end.remaining_interval_s),
            "declared_at_s": end.declared_at_s, "indicator": end.indicator,
            "first_s": math.nan if self.follower is None else self.follower.first_s,
        }  # fmt: skip

    def to_dict(self) -> dict[str, Any]:
        """Return the state as plain data, but for the frames, which the journal keeps."""
        return {
            "stage": self.stage, "taken": self.taken, "invented": self.invented, "misfit": self.misfit,
            "learned_from": self.learned_from, "told": self.told, "since_kept": self.since_kept, "usual": self.usual,
            "started_at": self.started_at, "came": None if self.came is None else self.came.to_dict(),
        }  # fmt: skip

    def restore(
        self,
        state: dict[str, Any],
        learning: list[bytes],
        last: bytes | None,
        follower: dict[str, Any] | None,
        recent: list[dict[str, Any]],
    ) -> None:
        """Go on from `to_dict`: learn from the same frames again, then take up the follower where it stood."""
        self.stage, self.taken, self.misfit = state["stage"], state["taken"], list(state["misfit"])
        self.invented, self.told, self.since_kept = state["invented"], list(state["told"]), state["since_kept"]
        self.started_at = state["started_at"]
        self.came = None if state.get("came") is None else GlowSeen.from_dict(state["came"])
        self.last = None if last is None else unpacked(last)
        kept = [unpacked(raw) for raw in learning]
        if state["learned_from"]:
            self.buffer = kept[: state["learned_from"]]
            done = self._learn()
            if done is None:
                raise RunError("the frames learned from no longer fit.", mend="Follow anew into another folder.")
            self.model, series = done
            self.usual = (state["usual"][0], state["usual"][1])
            options = self.choose(self.model, series)
            if follower is None:
                raise RunError("the journal has lost its follower.", mend="Follow anew into another folder.")
            self.follower = RunFollower.from_dict(follower, options)
            for frame in recent:
                self.follower.update(FrameCounts.from_dict(frame))
        self.buffer = kept if self.stage < len(self.stages) else []

    def finished(self) -> tuple[RunFollower, list[Point]] | None:
        """Return a copy of the follower that has decided all frames, and the frames it decided last."""
        if self.follower is None and len(self.buffer) >= FEWEST:
            done = self._learn()
            if done is not None:
                model, series = done
                follower = RunFollower(species_names=series.species_names, options=self.choose(model, series))
                points = [p for i in range(len(self.buffer)) for p in follower.update(frame_of(series, i))]
                return follower, points + follower.finish()
        if self.follower is None:
            return None
        state = json.loads(json.dumps(self.follower.to_dict()))  # the run may go on: nothing is shared
        copy = RunFollower.from_dict(state, self.follower.options)
        return copy, copy.finish()


def _unexplained(series: SeriesFit) -> NDArray[np.float64]:
    """Return what the fit leaves beyond noise, root mean square over it, in errors of all light, counts, shape (n,)."""
    return np.asarray(np.sqrt(np.maximum(series.chi2_reduced - 1.0, 0.0)) * series.total_error)
