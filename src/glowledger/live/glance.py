"""The few words of a run that are read from across the room: verdict, time left, why."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from glowledger.live.view import progress
from glowledger.report.numbers import clock

STEPS_S = (1.0, 5.0, 10.0, 30.0, 60.0, 300.0, 600.0, 1800.0, 3600.0)


def glance(line: Mapping[str, Any], reason: str) -> dict[str, object]:
    """Return what is shown large.

    Parameters
    ----------
    line : mapping
        Of the latest frame that had a verdict; empty before the first.
    reason : str
        Of the verdict.

    Returns
    -------
    dict
        ``verdict``, ``left`` and ``left_is`` (a time and what it is), ``interval`` (its 95 % interval), ``reason``,
        ``more`` (its first sentence and the rest), ``part`` (of the time to the endpoint that has passed, or None).
    """
    verdict = str(line.get("verdict", "learning"))
    left, left_is, interval = "", "", ""
    if verdict == "reached":
        left, interval = coarse(line.get("endpoint_s"), line.get("interval_s"))
        interval = f"into the run ({interval})" if interval else "into the run"
    elif verdict == "approaching":
        left, interval = coarse(line.get("remaining_s"), line.get("remaining_interval_s"))
        left_is = "left" if left else ""
        if line.get("remaining_s") == 0.0:
            left, left_is = "", "perhaps over"  # short: it stands beside the verdict
    if verdict == "learning":
        reason = "The first frames are collected to learn what is in this light."
    first, more = _first_sentence(reason)
    return {
        "verdict": verdict, "left": left, "left_is": left_is, "interval": interval, "reason": first, "more": more,
        "part": progress(line), "indicator": line.get("indicator") or "",
    }  # fmt: skip


def coarse(seconds: float | None, interval: list[float] | None) -> tuple[str, str]:
    """Return a time and its 95 % interval, both rounded to what the interval carries; empty where unknown.

    The step is the largest of `STEPS_S` that is at most a quarter of the half interval, so that rounding adds little.
    """
    if seconds is None or not math.isfinite(seconds):
        return "", ""
    low, high = interval or (math.nan, math.nan)
    if math.isnan(low) or math.isnan(high):
        return clock(_stepped(seconds, math.inf)), ""
    step = (high - low) / 8.0
    bounds = [clock(_stepped(x, step)) for x in (low, high) if math.isfinite(x)]
    text = " to ".join(bounds) if len(bounds) == 2 else f"{bounds[0]} or later"
    return clock(_stepped(seconds, step)), f"95 %: {text}"


def _first_sentence(text: str) -> tuple[str, str]:
    first, mark, more = text.partition(". ")
    return (f"{first}.", more) if mark else (text, "")


def _stepped(seconds: float, step: float) -> float:
    """Round to the largest step allowed, and never more coarsely than a fifth of the time."""
    if not math.isfinite(seconds):
        return seconds
    most = min(step, max(abs(seconds) / 5.0, 1.0))
    size = max((s for s in STEPS_S if s <= most), default=1.0)
    return round(seconds / size) * size
