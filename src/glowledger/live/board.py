"""What the live page shows of a run, kept up to date by the thread that follows and read by the one that serves."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from glowledger.bench.model import Bench
from glowledger.errors import GlowledgerError
from glowledger.glow.series import SeriesModel
from glowledger.live import seeing
from glowledger.live.arrivals import Arrived
from glowledger.live.glance import glance
from glowledger.live.glow_seen import GlowSeen
from glowledger.live.journal import Journal, Step
from glowledger.live.measuring import LiveRun
from glowledger.live.remarks import Remarks
from glowledger.live.trend_rows import TrendRows
from glowledger.report.numbers import clock
from glowledger.report.style import INVENTED
from glowledger.rounding import plus_minus
from glowledger.runs.results import Alarm, Endpoint
from glowledger.runs.run_options import Point
from glowledger.spectra.frames import Frames

INDICATORS = 6  # drawn: as many as there are styles that can be told apart
EVENTS = 60  # alarms, notices and remarks shown, latest ones
FLASHES = 500
PARTS = ("glance", "trend", "spectrum", "axis", "features", "glow", "colour", "events", "remarks")


class Board:
    """The run as the page shows it; an `Observer` and a `Listener` of `following`.

    Parameters
    ----------
    name : str
        What is followed.
    remarks : Remarks
        Notes and marks.
    bench : Bench, optional
        For the colour.

    Notes
    -----
    Each part has a version that rises when it changes, so that `news` can tell what someone who knows older versions
    has to be told: nothing is queued, and a slow reader costs no memory.
    """

    def __init__(self, name: str, remarks: Remarks, bench: Bench | None = None) -> None:
        """Begin without frames."""
        self.name = name
        self.remarks = remarks
        self.changed: Callable[[], None] = lambda: None
        self._bench = bench
        self._lock = threading.Lock()
        self._versions = dict.fromkeys(PARTS, 1)
        self._parts: dict[str, dict[str, Any]] = {name: {} for name in PARTS}
        self._trend = TrendRows()
        self._names: list[str] = []
        self._reference = ""
        self._line: dict[str, Any] = {}
        self._learning: LiveRun | None = None
        self._flashes = 0
        self._notice = ""
        self._number = 0
        self._time_s: float | None = None
        self._notices: deque[dict[str, Any]] = deque(maxlen=EVENTS)
        self._latest: deque[np.ndarray] = deque(maxlen=seeing.COLOUR_FRAMES)
        self._values: dict[str, tuple[float, float]] = {}
        self._model: SeriesModel | None = None
        self._glance("")

    # what the follower tells

    def resumed(self, run: LiveRun, journal: Journal) -> None:
        """Take up the run as it stood before a restart."""
        with self._lock:
            self._number = journal.count()
            if run.follower is not None:
                points = journal.points()
                self._trend.replace(points)
                self._take_values(points)
                self._stand(run)
            if run.last is not None:
                self._see(run, run.last)
            self._judged(run)
        self.changed()

    def arrived(self, run: LiveRun, arrived: Arrived) -> None:
        """Show the newest frame before it is measured where that will take a while."""
        learning = run.stage < len(run.stages) and run.taken + len(arrived.keys) >= run.stages[run.stage]
        if arrived.frames is None or not learning:
            return
        with self._lock:
            self._see(run, arrived.frames[-1:])
            self._number += len(arrived.keys)  # set anew by what is kept of them
            self._learning = run
            self._said_learning()
        self.changed()

    def peeked(self, count: int, frame: Frames) -> None:
        """Show a frame that waits while the follower learns; `kept` sets right what is shown of it."""
        with self._lock:
            if self._learning is None or count <= self._number:
                return
            self._number = count
            self._see(self._learning, frame)
            self._said_learning()
        self.changed()

    @property
    def learning(self) -> bool:
        """True while the follower takes no frames because it learns."""
        return self._learning is not None

    def kept(self, run: LiveRun, step: Step, number: int) -> None:
        """Show what a look brought."""
        with self._lock:
            self._number, self._learning = number, None
            for _, line in step.lines:
                if "time_s" in line:
                    self._time_s = line["time_s"]
                    self._line = line
                if line["state"] == "unreadable":
                    self._notices.append({"kind": "file left out", "time_s": self._time_s, "text": line["reason"]})
            if step.replaced:
                self._trend.replace(step.points)
                self._stand(run)
            else:
                self._trend.add(step.points)
            self._take_values(step.points)
            if run.last is not None:
                self._see(run, run.last)
            self._judged(run)
        self.changed()

    def frame(self, number: int, line: dict[str, Any]) -> None:
        """Do nothing: `kept` has shown the frame."""

    def notice(self, text: str) -> None:
        """Show a notice."""
        with self._lock:
            self._notices.append({"kind": "notice", "time_s": self._time_s, "text": text})
            self._put("events", self._events_of(None))
        self.changed()

    def glows(self, seen: tuple[GlowSeen, ...]) -> None:
        """Show what glows and what that may mean."""
        if not seen:
            return
        with self._lock:
            self._put("glow", {"looks": [{"said": one.sentences()} for one in seen], "cautions": seen[-1].care()})
        self.changed()

    def waiting(self, since_s: float) -> None:
        """Do nothing: the page counts the time since the last frame itself."""

    def ended(self, text: str) -> None:
        """Say that following has ended."""
        with self._lock:
            self._put("glance", self._parts["glance"] | {"ended": text})
        self.changed()

    def remark(self, kind: str, text: str) -> dict[str, Any]:
        """Keep a remark with the time of the latest frame; raises what `Remarks.add` does."""
        kept = self.remarks.add(kind, text, self._time_s)
        with self._lock:
            self._put("remarks", self._remarks_of())
        self.changed()
        return asdict(kept)

    # what the page asks

    def news(self, known: Mapping[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
        """Return what has changed since, and the versions that the reader knows with it.

        Parameters
        ----------
        known : mapping
            From the call before; empty for everything.
        """
        with self._lock:
            if not self._parts["remarks"]:
                self._put("remarks", self._remarks_of())
            told = {p: self._parts[p] for p in PARTS if p != "trend" and known.get(p) != self._versions[p]}
            now: dict[str, Any] = dict(self._versions)
            if known.get("trend") != now["trend"]:
                anew = known.get("epoch") != self._trend.epoch or known.get("names") != self._names
                start = 0 if anew else max(int(known.get("rows", 0)) - 1, 0)  # the last row may have been filled
                told["trend"] = {
                    "start": start, "names": self._names, "reference": self._reference,
                    "per_row": self._trend.per_row, **self._trend.rows(self._names, start), **self._parts["trend"],
                }  # fmt: skip
                if anew or known.get("aside") != self._trend.aside_count:
                    told["trend"]["aside"] = self._trend.aside(self._names)
            now |= {
                "epoch": self._trend.epoch, "rows": len(self._trend), "names": list(self._names),
                "aside": self._trend.aside_count,
            }  # fmt: skip
        return told, now

    # within the lock

    def _put(self, part: str, content: dict[str, Any]) -> None:
        if content != self._parts[part] or part == "trend":
            self._parts[part] = content
            self._versions[part] += 1

    def _said_learning(self) -> None:
        self._glance(f"Learning what is in the light; {self._number} frames came so far.")

    def _glance(self, reason: str) -> None:
        shown = glance(self._line, reason)
        if self._learning is not None or (reason and shown["verdict"] == "learning"):
            shown |= {"reason": reason, "more": ""}
        self._put("glance", shown | {
            "name": self.name, "frame": self._number, "flashes": self._flashes, "notice": self._notice,
            "busy": self._learning is not None, "time": "" if self._time_s is None else clock(self._time_s),
            "time_s": self._time_s,
        })  # fmt: skip

    def _judged(self, run: LiveRun) -> None:
        """Bring everything that follows from the verdict up to date."""
        follower = run.follower
        self._flashes = 0 if follower is None else len(follower.log.flashes)
        self._notice = INVENTED if run.invented else ""
        end = run.endpoint()
        self._glance("" if end is None else end.reason)
        if end is None or follower is None:
            self._put("events", self._events_of(None))
            return
        self._reference = "" if follower.reference is None else follower.reference.name
        self._names = follower.seen[:INDICATORS]
        log = follower.log
        self._put("trend", {
            "now": self._now(run), "interval_s": list(end.interval_s), "verdict": end.verdict,
            "declared_at_s": end.declared_at_s,
            "flashes": [f.time_s for f in log.flashes[-FLASHES:]],
            "regimes": [{"time_s": r.start_s, "why": r.why} for r in log.regimes[1:][-EVENTS:]],
        })  # fmt: skip
        self._put("events", self._events_of(run))

    def _stand(self, run: LiveRun) -> None:
        """Take up where the run stands, where no line says it."""
        if run.follower is not None:
            self._time_s = run.follower.last_s
            self._line = {**run.status(), "time_s": self._time_s}

    def _take_values(self, points: Sequence[Point]) -> None:
        used = next((p for p in reversed(points) if p.used), None)
        if used is not None:
            self._values = {name: (value, used.errors[name]) for name, value in used.values.items()}

    def _now(self, run: LiveRun) -> list[dict[str, Any]]:
        """Return a row per indicator: its latest value and its own verdict."""
        follower = run.follower
        if follower is None:
            return []
        each = follower.endpoints()
        rows = []
        for name in self._names:
            value, error = self._values.get(name, (float("nan"), float("nan")))
            level = self._trend.level(name)
            label = f"{name}/{self._reference}"
            rows.append({
                "name": label, "value": plus_minus(value, error), "part": plus_minus(value / level, error / level),
                "verdict": each[label].verdict if label in each else "cannot tell",
            })  # fmt: skip
        return rows

    def _events_of(self, run: LiveRun | None) -> dict[str, Any]:
        events = [*self._notices]
        flash = self._parts["events"].get("flash", "")
        if run is not None and run.follower is not None:
            log = run.follower.log
            events += [_event(a, run.endpoint()) for a in log.alarms]
            if log.flashes:
                last = log.flashes[-1]
                flash = f"{clock(last.time_s)}: {', '.join(last.species) or 'unknown light'}"
        elif self._parts["events"]:
            events += [e for e in self._parts["events"]["events"] if e.get("alarm")]
        events.sort(key=lambda e: -1.0 if e["time_s"] is None else float(e["time_s"]))
        shown = [e | {"time": "" if e["time_s"] is None else clock(e["time_s"])} for e in events[-EVENTS:]]
        return {"events": shown, "flash": flash}

    def _remarks_of(self) -> dict[str, Any]:
        every = self.remarks.all()
        shown = [asdict(r) | {"time": "" if r.time_s is None else clock(r.time_s)} for r in every[-EVENTS:]]
        return {"remarks": shown, "count": len(every)}

    def _see(self, run: LiveRun, frame: Frames) -> None:
        """Take up the spectrum of a frame, its features and its colour."""
        try:
            shown = seeing.seen(run, frame)
        except GlowledgerError as error:
            self._put("colour", {"srgb": None, "text": error.problem, "cautions": []})
            return
        model = run.model
        if model is not None and model is not self._model:
            self._model = model
            self._put("features", {"features": seeing.features_of(model)})
        self._put("axis", seeing.axis_of(shown))
        self._put("spectrum", seeing.curves(shown))
        if shown.axis_kind == "nm_air":
            self._colour(shown)

    def _colour(self, shown: seeing.Seen) -> None:
        """Take up the colour of the latest frames, at most once per tenth of them: it takes some milliseconds."""
        if self._latest and self._latest[0].shape != shown.counts.shape:
            self._latest.clear()
        self._latest.append(shown.counts)
        if self._parts["colour"] and self._number % seeing.COLOUR_FRAMES:
            return
        self._put("colour", seeing.colour_of(shown.axis, np.mean(self._latest, axis=0), self._bench))


def board_for(run: Path, folder: Path, bench: Bench | None) -> Board:
    """Return the board of a run whose answer is kept in a folder."""
    return Board(run.name, Remarks(folder), bench)


def _event(alarm: Alarm, end: Endpoint | None) -> dict[str, Any]:
    """Return what the page gets of an alarm; beside an endpoint declared after a step it says how they go together."""
    text = alarm.text
    if alarm.kind == "signal stepped" and end is not None and end.verdict == "reached":
        declared = end.declared_at_s
        if declared is not None and declared >= alarm.time_s:
            text += f" The endpoint above was declared after it, at {clock(declared)}."
    return {"kind": alarm.kind, "time_s": alarm.time_s, "text": text, "alarm": True}
