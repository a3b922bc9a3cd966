"""A finished run, fed frame by frame through what follows a run that goes on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from glowledger import progress
from glowledger.errors import RunError
from glowledger.glow.results import SeriesFit
from glowledger.runs.clock import reading_order
from glowledger.runs.following import RunFollower
from glowledger.runs.frame_counts import frame_of
from glowledger.runs.results import Alarm, RunResult
from glowledger.runs.run_options import Point, RunOptions
from glowledger.runs.run_result import result_of
from glowledger.threads import one_thread


@one_thread
def analyse_run(
    series: SeriesFit, options: RunOptions | None = None, watch: Callable[[RunFollower], None] | None = None
) -> RunResult:
    """Say what a finished run shows, each verdict as it would have been given live.

    Parameters
    ----------
    series : SeriesFit
        The fit of every frame.
    options : RunOptions, optional
        The user's choices.
    watch : callable, optional
        Called with the follower after every frame, e.g. `operating_point.RiskHistory`.

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
    chosen = options or RunOptions()
    if chosen.candidates is None:
        chosen = replace(chosen, candidates=series.sure_names)
    if chosen.present is None:
        chosen = replace(chosen, present=series.present_names)
    follower = RunFollower(species_names=series.species_names, options=chosen, verdict_each=False)
    order, changed = reading_order(series.time_s)
    points: list[Point] = []
    for done, i in enumerate(order):
        points += follower.update(frame_of(series, int(i)))
        progress.tell(done / n)
        if watch is not None:
            watch(follower)
    points += follower.finish()
    if watch is not None:
        watch(follower)
    if changed:
        text = "Frames were stored out of order; they are read in the order of their times."
        follower.log.alarms.insert(0, Alarm(kind="frame out of order", time_s=follower.first_s, text=text))
    return result_of(follower, sorted(points, key=lambda p: p.time_s))
