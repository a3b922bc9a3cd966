"""Follow a run that is still being recorded until it ends: the loop behind ``track --follow``."""

from __future__ import annotations

import json
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import FrameType
from typing import Any, Literal, Protocol

from glowledger.bench.model import Bench
from glowledger.diagnose.feed import Feed
from glowledger.errors import RunError
from glowledger.live.arrivals import Arrived, Source, source_of
from glowledger.live.glow_seen import GlowSeen
from glowledger.live.journal import Journal, Step, open_journal
from glowledger.live.measuring import STAGES, ChooseOptions, LiveRun
from glowledger.live.preparing import Preparation
from glowledger.report.numbers import counted
from glowledger.runs.results import RunResult
from glowledger.runs.run_result import result_of
from glowledger.spectra.frames import Frames
from glowledger.spectra.options import ReadingOptions

CHUNK = 64  # frames kept at once: at most so many are measured again after a kill
POLL_S = 1.0
PARTS = ("run", "source")  # of the state in the journal
Ending = Literal["endpoint", "stopped", "quiet"]


class Listener(Protocol):
    """Who is told of every frame, once it is safe on disk."""

    def frame(self, number: int, line: dict[str, Any]) -> None:
        """Hear of a frame taken; after a kill the last ones may be told twice, with the same number."""

    def notice(self, text: str) -> None:
        """Hear of something that is no frame."""

    def glows(self, seen: tuple[GlowSeen, ...]) -> None:
        """Hear what glows, after every look that brought frames: the same again while nothing new was learned."""

    def waiting(self, since_s: float) -> None:
        """Hear that nothing came for so long."""


class Observer(Protocol):
    """Who wants to see more of the run than lines, e.g. to draw it; called in the thread that follows."""

    def resumed(self, run: LiveRun, journal: Journal) -> None:
        """See the run as it stands before the first look: new, or as it was before a restart."""

    def arrived(self, run: LiveRun, arrived: Arrived) -> None:
        """See what a look brought before it is measured; where something is learned from it, that takes seconds."""

    def kept(self, run: LiveRun, step: Step, number: int) -> None:
        """See what a look brought, once it is safe on disk; the number is that of the last frame taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Following:
    """How a run is followed.

    Attributes
    ----------
    path : Path
        Folder or file that is watched.
    folder : Path
        Where the journal is kept; made if it is missing.
    reading : ReadingOptions
        What the user states of the files.
    bench, dark : Bench, Frames or None
        Put to every frame.
    window : str or None
        What the viewport is made of.
    stages : tuple of int
        Frames after which the measurement is learned; see `measuring`.
    species : tuple of str or None
        Look only for these.
    feed : Feed or None
        The gas that was let in, where it was stated; it decides what the species may mean.
    choose : callable
        Makes the options of the run from what was learned.
    settings : dict
        What a journal has to agree in, to be gone on with.
    poll_s : float
        Seconds from one look to the next when nothing comes.
    until_endpoint : bool
        End when the endpoint is reached.
    quiet_s : float
        End when nothing came for so long; infinite never ends.
    observer : Observer or None
        Sees the run as it goes.
    """

    path: Path
    folder: Path
    choose: ChooseOptions
    reading: ReadingOptions = field(default_factory=ReadingOptions)
    bench: Bench | None = None
    dark: Frames | None = None
    window: str | None = None
    stages: tuple[int, ...] = STAGES
    species: tuple[str, ...] | None = None
    feed: Feed | None = None
    settings: dict[str, Any] = field(default_factory=dict)
    poll_s: float = POLL_S
    until_endpoint: bool = False
    quiet_s: float = float("inf")
    observer: Observer | None = None


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Ended:
    """How following ended.

    Attributes
    ----------
    why : {'endpoint', 'stopped', 'quiet'}
        The endpoint was reached, the user ended it, or nothing came any more.
    frames : int
        Frames taken in all, before restarts too.
    result : RunResult or None
        What the run says; None if too few frames came.
    invented : bool
        The files say that their data are invented.
    exposure_s : float
        Of the last frame; NaN where unknown.
    started_at : str or None
        Wall-clock time of time zero in ISO 8601, where the files tell.
    glows : tuple of GlowSeen
        What glows in the frames that the measurement was learned from, and where something came later.
    problem : str
        Why nothing could be read, where that is so; else empty.
    """

    why: Ending
    frames: int
    result: RunResult | None
    invented: bool
    exposure_s: float
    started_at: str | None = None
    glows: tuple[GlowSeen, ...] = ()
    problem: str = ""

    @property
    def too_few(self) -> str:
        """Return what to say where nothing can be said."""
        return f"{counted(self.frames, 'frame')} came: too few to say anything. {self.problem}".strip()


def follow_run(asked: Following, listener: Listener, stop: threading.Event | None = None) -> Ended:
    """Follow a run until it ends; killed at any moment and started again, it goes on where it was.

    Parameters
    ----------
    asked : Following
        What and how.
    listener : Listener
        Told of every frame after it is kept.
    stop : threading.Event, optional
        Set it to end; without it the signals INT and TERM do.

    Returns
    -------
    Ended

    Raises
    ------
    RunError
        If another process follows into the folder, or it holds a run followed otherwise.
    ReadError, CalibrationError
        If the first frames cannot be understood, or their axis is in pixels and there is no bench.
    WriteError
        If the disk is full; what was kept is not lost, and a restart goes on from there.
    """
    try:
        asked.folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        problem = f"the folder cannot be made ({error.strerror or error})."
        raise RunError(problem, mend="Choose another with -o.", file=asked.folder) from None
    with open_journal(asked.folder, asked.settings) as journal, _stopped_by_signals(stop) as ended:
        run, source = _resumed(asked, journal)
        if asked.observer is not None:
            asked.observer.resumed(run, journal)
        last = 0
        for number, line in journal.unsaid():
            listener.frame(number, line)
            last = number
        if last:
            journal.said(last)
        listener.glows(run.glows)
        why = _watch(asked, journal, run, source, listener, ended)
        if why == "quiet" and source.unfinished:
            listener.notice(source.unfinished)
        exposure_s = float("nan") if run.last is None else float(run.last.exposure_s[0])
        result = _result(run, journal)  # may learn, of a run that ends early
        return Ended(
            why=why, frames=journal.count(), result=result, invented=run.invented,
            exposure_s=exposure_s, started_at=run.started_at, glows=run.glows,
            problem=source.problem,
        )  # fmt: skip


def _resumed(asked: Following, journal: Journal) -> tuple[LiveRun, Source]:
    """Return run and source as they stood, or new ones."""
    run = LiveRun(
        preparation=Preparation(bench=asked.bench, dark=asked.dark, reading=asked.reading),
        choose=asked.choose, series_bench=asked.bench, window=asked.window, stages=asked.stages,
        species=asked.species, feed=asked.feed,
    )  # fmt: skip
    state = journal.state()
    if state is None:
        return run, source_of(asked.path, asked.reading)
    named = {part: {k[len(part) + 1 :]: v for k, v in state.items() if k.startswith(f"{part}.")} for part in PARTS}
    run.restore(named["run"], journal.learning(), journal.last(), *journal.follower())
    return run, source_of(asked.path, asked.reading, named["source"], journal.sources())


def _watch(
    asked: Following, journal: Journal, run: LiveRun, source: Source, listener: Listener, ended: threading.Event
) -> Ending:
    """Look, measure, keep, tell; until the endpoint, a signal, or silence."""
    quiet_since = time.monotonic()
    while True:
        if asked.until_endpoint and _reached(run):
            return "endpoint"
        if ended.is_set():
            return "stopped"
        arrived = source.look(CHUNK)
        if not arrived.nothing:
            _take(arrived, asked, journal, run, source, listener)
        if arrived.keys or arrived.spoilt or arrived.growing:
            quiet_since = time.monotonic()
        if arrived.more:
            continue
        quiet = time.monotonic() - quiet_since
        if quiet >= asked.quiet_s and not arrived.growing:
            return "quiet"
        listener.waiting(quiet)
        ended.wait(asked.poll_s)


def _take(
    arrived: Arrived, asked: Following, journal: Journal, run: LiveRun, source: Source, listener: Listener
) -> None:
    """Measure what arrived, keep it, and only then tell of it."""
    for _, text in arrived.notices:
        listener.notice(text)
    if asked.observer is not None:
        asked.observer.arrived(run, arrived)
    step = run.take(arrived)
    lines = [(key, {"source": key, **line}) for key, line in step.lines]
    parts = dict(zip(PARTS, (run.to_dict(), source.to_dict()), strict=True))
    state = {f"{part}.{name}": value for part, values in parts.items() for name, value in values.items()}
    step = replace(step, lines=lines, state=state)
    numbers = journal.keep(step)
    if asked.observer is not None and numbers:
        asked.observer.kept(run, step, numbers[-1])
    for number, (_, line) in zip(numbers, lines, strict=True):
        listener.frame(number, line)
    if numbers:
        journal.said(numbers[-1])
        listener.glows(run.glows)


def _reached(run: LiveRun) -> bool:
    end = run.endpoint()
    return end is not None and end.verdict == "reached"


def _result(run: LiveRun, journal: Journal) -> RunResult | None:
    """Return what the run says, with all its frames from the journal."""
    done = run.finished()
    if done is None:
        return None
    follower, last = done
    kept = [] if run.follower is None else journal.points()
    return result_of(follower, sorted(kept + last, key=lambda p: p.time_s))


def settings_of(**named: object) -> dict[str, Any]:
    """Return settings as they are compared: plain data, None left out."""
    return json.loads(json.dumps({k: v for k, v in named.items() if v is not None}, default=str, sort_keys=True))


@contextmanager
def _stopped_by_signals(stop: threading.Event | None) -> Iterator[threading.Event]:
    """Give an event that INT and TERM set, so that a chunk begun is finished and kept."""
    if stop is not None:
        yield stop
        return
    event = threading.Event()

    def ask(number: int, _frame: FrameType | None) -> None:
        if event.is_set() and number == signal.SIGINT:
            raise KeyboardInterrupt  # asked twice: at once; the journal stands it
        event.set()

    before = {number: signal.signal(number, ask) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield event
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
