"""One verdict from several indicators: all with a decay must agree, the slowest decides."""

from __future__ import annotations

import math
from dataclasses import replace

from glowledger.runs.results import Endpoint

NAN = float("nan")


def combine(endpoints: dict[str, Endpoint], weak: tuple[str, ...] = ()) -> Endpoint:
    """Combine the verdicts of several indicators: all with a decay must agree, the slowest decides.

    Parameters
    ----------
    endpoints : dict of str to Endpoint
        One per indicator.
    weak : tuple of str
        Indicators whose decay hardly stands out of their noise; they do not hold up the others.

    Returns
    -------
    Endpoint
        Of the deciding indicator, its reason extended by what the others say.
    """
    judged = {name: e for name, e in endpoints.items() if e.verdict != "cannot tell"}
    if not judged:
        return _nothing_to_judge(endpoints)
    strong = {name: e for name, e in judged.items() if name not in weak} or judged
    order = {"not reached": 2, "approaching": 1, "reached": 0}

    def slowness(e: Endpoint) -> tuple[float, ...]:
        late = e.time_s if e.verdict == "reached" else e.interval_s[1]
        return (order[e.verdict], late if math.isfinite(late) else math.inf)

    slowest = max(strong.values(), key=slowness)
    others = [name for name in strong if name != slowest.indicator]
    faint = [name for name in judged if name not in strong]
    silent = [name for name in endpoints if name not in judged]
    words = [slowest.reason]
    if others:
        words.append(f"{slowest.indicator} is the slowest; also judged: {', '.join(others)}.")
    if faint:
        words.append(f"Too weak to decide: {', '.join(faint)}.")
    if silent:
        words.append(f"No decay to judge in {', '.join(silent)}.")
    declared = slowest.declared_at_s
    if slowest.verdict == "reached":
        declared = max(e.declared_at_s for e in strong.values())
    return replace(slowest, declared_at_s=declared, reason=" ".join(words))


def _nothing_to_judge(endpoints: dict[str, Endpoint]) -> Endpoint:
    if endpoints:
        first = next(iter(endpoints.values()))
        reason = first.reason if len(endpoints) == 1 else f"No indicator shows a decay. {first.reason}"
        name, criterion = first.indicator, first.criterion
    else:
        reason, name, criterion = "No contaminant was seen in the run, so nothing can be followed.", "", ""
    return Endpoint(
        verdict="cannot tell",
        time_s=NAN,
        interval_s=(NAN, NAN),
        declared_at_s=NAN,
        remaining_s=NAN,
        remaining_interval_s=(NAN, NAN),
        indicator=name,
        criterion=criterion,
        reason=reason,
    )
