"""Under what a run was recorded and judged, from its document and its context."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from glowledger.diagnose.compared_run import cadence_of
from glowledger.diagnose.fair_comparison import Conditions
from glowledger.diagnose.feed import parse_feed
from glowledger.ledger.context import WORDS, Context, context_from
from glowledger.runs.results import RunResult


def stated_context(document: Mapping[str, Any], given: Mapping[str, str]) -> Context:
    """Return the context kept in a document of ``track``; what is given now comes first.

    Raises
    ------
    LedgerError
        As `context_from`.
    """
    kept = ((document.get("record") or {}).get("context") or {}).get("stated") or {}
    return context_from({**kept, **given})


def conditions_of(result: RunResult, document: Mapping[str, Any], context: Context) -> Conditions:
    """Put together what is known of the conditions of a run.

    Parameters
    ----------
    result : RunResult
        What the run says; names reference and criterion.
    document : mapping
        Of ``track``; may hold ``setup`` and ``record``.
    context : Context
        As stated.

    Returns
    -------
    Conditions
    """
    setup = document.get("setup") or {}
    bench = ((document.get("record") or {}).get("bench") or {}).get("sha256") or setup.get("bench") or ""
    words = {name: context.words[name] for name in WORDS if name in context.words and name not in ("gas", "note")}
    for name in ("voltage", "current", "flow"):
        if name in context.quantities:
            q = context.quantities[name]
            words[name] = f"{q.value:.3g} {q.unit}"
    words.setdefault("window", str(setup.get("window") or ""))
    words |= {"bench": str(bench), "reference": result.reference, "criterion": result.endpoint.criterion}
    power, pressure = context.quantities.get("power"), context.pressure
    exposure = setup.get("exposure_s")
    return Conditions(
        feed=parse_feed(context.words["gas"]) if context.words.get("gas") else None,
        power_w=math.nan if power is None else power.value,
        power_se_w=math.nan if power is None else power.standard_error,
        pressure_pa=math.nan if pressure is None else pressure.pressure_pa,
        pressure_se_pa=math.nan if pressure is None else pressure.standard_error_pa,
        pressure_reason="" if pressure is None else pressure.reason,
        exposure_s=math.nan if exposure is None else float(exposure),
        cadence_s=cadence_of(result),
        words=words,
    )
