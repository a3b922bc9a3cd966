"""Everything a run says, put together from its follower."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from glowledger.runs.results import Regime, RunResult, Trend
from glowledger.runs.run_options import Point

if TYPE_CHECKING:
    from glowledger.runs.following import RunFollower


def result_of(follower: RunFollower, points: list[Point]) -> RunResult:
    """Return everything a run says, from its follower and its decided frames in time order."""
    reference = follower.reference
    name = "" if reference is None else reference.name
    time_s = np.array([p.time_s for p in points])
    used = np.array([p.used for p in points], dtype=bool)
    trends = [
        Trend(
            name=f"{species}/{name}",
            time_s=time_s,
            value=np.array([p.values.get(species, np.nan) for p in points]),
            standard_error=np.array([p.errors.get(species, np.nan) for p in points]),
            used=used,
        )
        for species in follower.seen
    ]
    log = follower.log
    ends = [Regime(start_s=r.start_s, end_s=follower.last_s, why=r.why) for r in log.regimes[-1:]]
    endpoints = follower.endpoints()
    return RunResult(
        reference=name,
        reference_reason="" if reference is None else reference.reason,
        indicators=tuple(trends),
        endpoints=endpoints,
        flashes=tuple(log.flashes),
        regimes=tuple(log.regimes[:-1] + ends),
        alarms=tuple(log.alarms),
        endpoint=follower.verdict(),
        frames=follower.frames,
        duration_s=float(np.nan_to_num(follower.last_s - follower.first_s)),
    )
