"""Where a run stands between stopping too early and waiting too long, in words and as a table."""

from __future__ import annotations

import math

from glowledger.report.numbers import clock, clock_interval, percent
from glowledger.report.sentences import Table
from glowledger.runs.operating_point import OperatingPoint
from glowledger.runs.results import Endpoint

MODEL = (
    "These probabilities are those of the decay that is fitted to the run; they hold as far as the run decays in that "
    "way. How often stops come too early in simulated runs of many kinds is measured by bench_endpoint.py of the "
    "project's benchmarks."
)


def standing(point: OperatingPoint, end: Endpoint) -> str:
    """Return in one sentence where the run stands."""
    accepted = f"{100 * point.accepted:.3g} %"
    if end.verdict == "reached":
        late = _after(end.declared_at_s, end)
        return f"Accepting a risk of {accepted} it was declared done at {clock(end.declared_at_s)}{late}."
    if point.now >= 0.995:
        return f"Stopping now would almost surely be too early; a risk of {accepted} is accepted."
    return f"Stopping now would be too early with a probability of {percent(point.now)}; {accepted} is accepted."


def operating_sentences(point: OperatingPoint, end: Endpoint) -> list[str]:
    """Return where the run stands, what other risks would have meant, and how far to trust it."""
    said = [standing(point, end)]
    known = [(r, s) for r, s in zip(point.risks, point.stop_s, strict=True) if math.isfinite(s)]
    others = [(r, s) for r, s in known if abs(r - point.accepted) > 1e-9 and s != end.declared_at_s]
    held_up = point.own_stop_s < end.declared_at_s  # never of a NaN
    if held_up:
        own = clock(point.own_stop_s)
        said.append(f"{point.indicator} was done at {own}; then the run waited for other indicators to end.")
    if others:
        bold, careful = others[0], others[-1]
        it = point.indicator if held_up else "it"
        ways = [f"Accepting {100 * bold[0]:.3g} % would have stopped {it} at {clock(bold[1])}"]
        if careful is not bold:
            ways.append(f"accepting {100 * careful[0]:.3g} % at {clock(careful[1])}")
        said.append(f"{', '.join(ways)}.")
    return [*said, MODEL]


def operating_table(point: OperatingPoint, end: Endpoint) -> Table:
    """Return accepted risks, when the indicator would have been called done, and how long after the endpoint."""
    done = f"{point.indicator} would be done at"
    header = ("Accepted risk of stopping too early", done, "After the estimated endpoint (95 %)")
    rows: list[tuple[str, ...]] = []
    for risk, stop_s in zip(point.risks, point.stop_s, strict=True):
        here = " (accepted here)" if abs(risk - point.accepted) < 1e-9 else ""
        when = clock(stop_s) if math.isfinite(stop_s) else "not within this run"
        rows.append((f"{100 * risk:.3g} %{here}", when, _delay(stop_s, end) or "-"))
    return header, rows


def _delay(stop_s: float, end: Endpoint) -> str:
    low, high = end.interval_s
    if not all(map(math.isfinite, (stop_s, end.time_s, low, high))):
        return ""
    return f"{clock(stop_s - end.time_s)} ({clock_interval((stop_s - high, stop_s - low))})"


def _after(stop_s: float, end: Endpoint) -> str:
    if not (math.isfinite(stop_s) and math.isfinite(end.time_s)):
        return ""
    late = stop_s - end.time_s
    return f", {clock(abs(late))} {'after' if late >= 0 else 'before'} the estimated endpoint"
