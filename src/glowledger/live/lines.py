"""One line per frame: for people, and as JSON for programs."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

from glowledger.live.glow_seen import GlowSeen, glow_sentences
from glowledger.report import documents
from glowledger.report.numbers import clock, clock_interval
from glowledger.report.sentences import NO_INTERLOCK
from glowledger.rounding import plus_minus

SCHEMA = "glowledger/follow/1"
Write = Callable[[str], None]


class Lines:
    """Writes a line per frame, as text or as JSON; see `following.Listener`.

    Parameters
    ----------
    write : callable
        Takes one line without its end.
    as_json : bool
        One JSON document per line.
    """

    def __init__(self, write: Write, *, as_json: bool = False) -> None:
        """Keep where to write; the caution comes first."""
        self._write = write
        self._as_json = as_json
        self._glows: tuple[GlowSeen, ...] = ()
        self._tell("caution", NO_INTERLOCK)

    def frame(self, number: int, line: dict[str, Any]) -> None:
        """Write the line of a frame."""
        if self._as_json:
            self._write(documents.dumps({"schema": SCHEMA, "event": "frame", "frame": number, **named(line)}))
        else:
            self._write(frame_text(number, line))

    def notice(self, text: str) -> None:
        """Write a notice."""
        self._tell("notice", text)

    def glows(self, seen: tuple[GlowSeen, ...]) -> None:
        """Write what glows and what that may mean, where that is not what was written last."""
        if seen == self._glows:
            return
        self._glows = seen
        latest = seen[-1]
        if self._as_json:
            self._write(documents.dumps({"schema": SCHEMA, "event": "glow", **latest.to_dict()}))
        else:
            for sentence in glow_sentences([latest], care=True):
                self._write(sentence)

    def waiting(self, since_s: float) -> None:
        """Write nothing: a line is a frame."""

    def _tell(self, event: str, text: str) -> None:
        if self._as_json:
            self._write(documents.dumps({"schema": SCHEMA, "event": event, "text": text}))
        else:
            self._write(text)


def named(line: Mapping[str, Any]) -> dict[str, Any]:
    """Return a line with its indicators as named numbers."""
    values = {
        name: {"value": value, "standard_error": error} for name, (value, error) in line.get("indicators", {}).items()
    }
    return dict(line) | ({"indicators": values} if "indicators" in line else {})


def frame_text(number: int, line: Mapping[str, Any]) -> str:
    """Return a frame as one line of text: number, time, verdict, indicators, what happened."""
    state = line["state"]
    if state == "learning":
        return f"{number:6d}  learning from the first frames"
    if state == "unreadable":
        return f"{number:6d}  {line['source']} cannot be used: {line['reason']}"
    parts = [f"{number:6d}", f"{clock(line['time_s']):>10}", verdict_text(line)]
    indicators = [f"{n} {plus_minus(v, e)}" for n, (v, e) in line["indicators"].items()]
    parts += [", ".join(indicators)] if indicators else []
    parts += [state] if state != "used" else []
    parts += [f"flash of {', '.join(f['species']) or 'unknown light'}" for f in line["flashes"]]
    parts += [f"alarm, {a['kind']}: {a['text']}" for a in line["alarms"]]
    return "  ".join(parts)


def verdict_text(line: Mapping[str, Any]) -> str:
    """Return the verdict in a few words, with the time left and its 95 % interval."""
    verdict = str(line.get("verdict", "learning"))
    left = line.get("remaining_s")
    if verdict == "reached" and math.isfinite(line.get("endpoint_s", math.nan)):
        return f"{verdict} at {clock(line['endpoint_s'])}"
    if verdict != "approaching" or left is None or math.isnan(left):
        return verdict
    low, high = line["remaining_interval_s"]
    interval = clock_interval((low, high))
    if high == 0.0:
        return f"{verdict}, waiting to be sure"
    if left == 0.0:
        return f"{verdict}, perhaps over" + (f" (95 %: within {clock(high)})" if math.isfinite(high) else "")
    return f"{verdict}, {clock(left)} left" + (f" (95 %: {interval})" if interval else "")
