"""One verdict from several indicators: all with a decay must agree, the slowest decides."""

from __future__ import annotations

import math
from dataclasses import replace

from glowledger.runs.results import Endpoint

NAN = float("nan")
# Of a species that glows all along a change is no more than what patterns that are not exact take from each other if
# it is below this part of its own level and of the greatest change of another, and their product below the last;
# seen in tests/benchmarks/bench_whole_run.py: 0.01 to 0.13 of its own, up to 0.08 of the other.
SLIGHT, SLIGHT_PRODUCT = 0.3, 0.005


def combine(
    endpoints: dict[str, Endpoint],
    weak: tuple[str, ...] = (),
    doubtful: tuple[str, ...] = (),
    slight: tuple[str, ...] = (),
    owing: tuple[str, ...] = (),
) -> Endpoint:
    """Combine the verdicts of several indicators: all with a decay must agree, the slowest decides.

    Parameters
    ----------
    endpoints : dict of str to Endpoint
        One per indicator.
    weak : tuple of str
        Indicators whose decay hardly stands out of their noise; they do not hold up the others.
    doubtful : tuple of str
        Indicators of species without a feature of their own in the light. What falls like a bright species may be
        its misfit, so they hold up the others only if their end is significantly later.
    slight : tuple of str
        Indicators from `slight_changes`: they do not hold up the others.
    owing : tuple of str
        Indicators of which more was left than the criterion allows when conditions changed, and nothing can be told
        since: without them the end of the others is not that of the run.

    Returns
    -------
    Endpoint
        Of the deciding indicator, its reason extended by what the others say.
    """
    judged = {name: e for name, e in endpoints.items() if e.verdict != "cannot tell"}
    if not judged:
        return _nothing_to_judge(endpoints)
    strong = {name: e for name, e in judged.items() if name not in weak} or judged
    firm = {name: e for name, e in strong.items() if name not in slight} or strong
    likely = _without_misfits(firm, doubtful)
    slowest = max(likely.values(), key=_slowness)
    if slowest.verdict == "reached" and owing:
        return _owed(endpoints[owing[0]], slowest)
    others = [name for name in likely if name != slowest.indicator]
    along = [name for name in firm if name not in likely]
    steady = [name for name in strong if name not in firm]
    faint = [name for name in judged if name not in strong]
    silent = [name for name in endpoints if name not in judged]
    words = [slowest.reason]
    if others:
        words.append(f"{slowest.indicator} is the slowest; also judged: {', '.join(others)}.")
    if along:
        words.append(f"Not slower than these, and perhaps light of theirs taken for another's: {', '.join(along)}.")
    if steady:
        words.append(f"Hardly changed, and perhaps by light of the others: {', '.join(steady)}.")
    if faint:
        words.append(f"Too weak to decide: {', '.join(faint)}.")
    if silent:
        words.append(f"No decay to judge in {', '.join(silent)}.")
    declared = slowest.declared_at_s
    if slowest.verdict == "reached":
        declared = max(e.declared_at_s for e in likely.values())
    return replace(slowest, declared_at_s=declared, reason=" ".join(words))


def _owed(owing: Endpoint, reached: Endpoint) -> Endpoint:
    """Return that the run cannot be judged, though what can be judged has ended."""
    reason = (
        f"{owing.reason} {reached.indicator} has ended, but that says nothing of {owing.indicator}: go on under "
        "steady conditions until it shows, or check the part."
    )
    return replace(owing, reason=reason)


def slight_changes(falls: dict[str, tuple[float, float]]) -> tuple[str, ...]:
    """Return the indicators that hardly changed while another changed much.

    Parameters
    ----------
    falls : dict of str to (float, float)
        Floor and starting excess of each, over the same reference.

    Returns
    -------
    tuple of str
        A process gas (hydrogen in a hydrogen feed) whose light overlaps with a product's falls a little with it.
    """
    most = max((excess for _, excess in falls.values()), default=0.0)
    slight = []
    for name, (floor, excess) in falls.items():
        own, beside = excess / max(floor + excess, 1e-300), excess / max(most, 1e-300)
        if own < SLIGHT and beside < SLIGHT and own * beside < SLIGHT_PRODUCT:
            slight.append(name)
    return tuple(slight)


def _slowness(endpoint: Endpoint) -> tuple[float, ...]:
    order = {"not reached": 2, "approaching": 1, "reached": 0}
    late = endpoint.time_s if endpoint.verdict == "reached" else endpoint.interval_s[1]
    return (order[endpoint.verdict], late if math.isfinite(late) else math.inf)


def _without_misfits(strong: dict[str, Endpoint], doubtful: tuple[str, ...]) -> dict[str, Endpoint]:
    """Return the indicators without the doubtful ones whose end may be that of the slowest of the others."""
    sure = {name: e for name, e in strong.items() if name not in doubtful}
    if not sure:
        return strong
    end = max(sure.values(), key=_slowness).time_s
    return {name: e for name, e in strong.items() if name in sure or not e.interval_s[0] <= end}


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
