"""The events of a run: flashes, conditions, alarms."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field
from typing import Any

from glowledger.runs import flash_rate
from glowledger.runs.results import Alarm, Flash, Regime


@dataclass(slots=True, kw_only=True)
class RunLog:
    """Events in the order they were decided.

    Attributes
    ----------
    flashes, regimes, alarms : list
        See `results`.
    """

    flashes: list[Flash] = field(default_factory=list)
    regimes: list[Regime] = field(default_factory=list)
    alarms: list[Alarm] = field(default_factory=list)

    @property
    def began_s(self) -> float:
        """Start of the present conditions."""
        return self.regimes[-1].start_s if self.regimes else -math.inf

    def begin(self, start_s: float, why: str) -> None:
        """Begin new conditions."""
        if self.regimes:
            last = self.regimes[-1]
            self.regimes[-1] = Regime(start_s=last.start_s, end_s=start_s, why=last.why)
        self.regimes.append(Regime(start_s=start_s, end_s=start_s, why=why))

    def alarm(self, kind: str, time_s: float, text: str) -> None:
        """Keep an alarm; the first of a kind under the same conditions."""
        if not any(a.kind == kind and a.time_s >= self.began_s for a in self.alarms):
            self.alarms.append(Alarm(kind=kind, time_s=time_s, text=text))

    def flash(self, start_s: float, duration_s: float, species: tuple[str, ...], now_s: float) -> None:
        """Keep a flash, and call it if they come more and more often."""
        self.flashes.append(Flash(time_s=start_s, duration_s=duration_s, species=species))
        times = [f.time_s for f in self.flashes if f.time_s >= self.began_s]
        if flash_rate.rising(times, self.began_s, now_s):
            text = "Flashes come more often than before: arcs, a flaking coat, or a part coming loose."
            self.alarm("flash rate rising", start_s, text)

    def to_dict(self) -> dict[str, object]:
        """Return the events as plain numbers, strings and lists."""
        return {name: [asdict(event) for event in getattr(self, name)] for name in _KINDS}

    @classmethod
    def from_dict(cls, state: dict[str, Any]) -> RunLog:
        """Rebuild the log from `to_dict`."""
        log = cls(regimes=[Regime(**r) for r in state["regimes"]], alarms=[Alarm(**a) for a in state["alarms"]])
        log.flashes = [Flash(**{**f, "species": tuple(f["species"])}) for f in state["flashes"]]
        return log


_KINDS = ("flashes", "regimes", "alarms")
