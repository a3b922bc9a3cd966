"""Where a run stands between stopping too early and waiting too long.

After every frame the posterior of the endpoint gives the probability that stopping now would be too early. A user
who accepts a larger risk stops sooner, one who accepts less waits longer; every accepted risk gives one time, and
together they are the trade-off of this run. The time is that at which `EndpointFollower.judge` would have said
'reached' with that assurance, hold included.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from glowledger.runs.endpoint import Criterion
    from glowledger.runs.following import RunFollower
    from glowledger.runs.results import RunResult

RISKS = (0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.001)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One refit of one indicator: after which frame, when, how probably done, and whether it may be called so."""

    frame: int
    time_s: float
    done: float
    able: bool


@dataclass(slots=True)
class RiskHistory:
    """Notes every refit of a run; hand it to `analyse_run` as `watch`.

    Attributes
    ----------
    judged : dict of str to list of Judged
        Per contaminant, in time order.
    criteria : dict of str to Criterion
        What each is judged by.
    """

    judged: dict[str, list[Judged]] = field(default_factory=dict)
    criteria: dict[str, Criterion] = field(default_factory=dict)

    def __call__(self, follower: RunFollower) -> None:
        """Note what is new in a follower that has just taken in a frame."""
        for name in follower.seen:
            one = follower.followers[name]
            if one.waited or one.posterior is None or one.frozen or one.criterion.blank is not None:
                continue
            known = self.judged.setdefault(name, [])
            if known and known[-1].time_s == one.last_s:
                continue
            known.append(
                Judged(frame=one.decay.frames, time_s=one.last_s, done=one.posterior.done, able=one.able)
            )
            self.criteria[name] = one.criterion


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class OperatingPoint:
    """The trade-off of one run.

    Attributes
    ----------
    indicator : str
        The indicator that decides.
    time_s, early : ndarray of shape (n,)
        Times of judgement, and the probability that stopping then would be too early; 1 where the latest values
        forbid to call it ended.
    accepted : float
        The risk that the criterion accepts: one less its assurance.
    risks, stop_s : ndarray of shape (m,)
        Accepted risks, and when 'reached' would have been said with each; NaN if not within the run.
    """

    indicator: str
    time_s: NDArray[np.float64]
    early: NDArray[np.float64]
    accepted: float
    risks: NDArray[np.float64]
    stop_s: NDArray[np.float64]

    @property
    def own_stop_s(self) -> float:
        """When the indicator, were it the only one, would have been called done at the accepted risk; NaN if never."""
        return float(self.stop_s[int(np.argmin(np.abs(self.risks - self.accepted)))])

    @property
    def now(self) -> float:
        """The probability that stopping at the last frame would be too early."""
        return float(self.early[-1])


def operating_point(history: RiskHistory, result: RunResult) -> OperatingPoint | None:
    """Return where a run stands; None if no decay was judged or can be told, or equality with a blank run decides.

    Parameters
    ----------
    history : RiskHistory
        Of the run.
    result : RunResult
        The answer on the run.

    Returns
    -------
    OperatingPoint or None
    """
    name = result.endpoint.indicator.partition("/")[0]
    judged = history.judged.get(name, [])
    if not judged or result.endpoint.verdict == "cannot tell":
        return None
    criterion = history.criteria[name]
    accepted = 1.0 - criterion.assurance
    risks = np.array(sorted({*RISKS, round(accepted, 6)}, reverse=True))
    return OperatingPoint(
        indicator=result.endpoint.indicator,
        time_s=np.array([one.time_s for one in judged]),
        early=np.array([1.0 - one.done if one.able else 1.0 for one in judged]),
        accepted=accepted,
        risks=risks,
        stop_s=np.array([_stop(judged, criterion, 1.0 - risk) for risk in risks]),
    )


def _stop(judged: list[Judged], criterion: Criterion, assurance: float) -> float:
    """Return when the criterion has been met for as long as it asks, s; NaN if never."""
    since, held, before = math.nan, 0, 0
    for one in judged:
        passed, before = one.frame - before, one.frame
        if not (one.able and one.done >= assurance - 1e-12):
            since, held = math.nan, 0
            continue
        held += passed if held else 1
        since = one.time_s if math.isnan(since) else since
        if one.time_s - since >= criterion.hold_s and held >= criterion.hold_frames:
            return one.time_s
    return math.nan
