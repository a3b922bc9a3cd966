"""A run as `track` wrote it, read back from its document."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from glowledger.errors import RunError
from glowledger.runs.results import Alarm, Endpoint, Flash, Regime, RunResult, Trend

SCHEMA = "glowledger/track/1"


def run_from_document(document: Mapping[str, Any], *, file: Path | None = None) -> RunResult:
    """Return the run in a document of ``track``.

    Parameters
    ----------
    document : mapping
        As parsed from JSON; null stands for NaN.
    file : path, optional
        Named in messages.

    Returns
    -------
    RunResult

    Raises
    ------
    RunError
        If it is no such document, or a field is missing or of another kind.
    """
    if not isinstance(document, Mapping) or document.get("schema") != SCHEMA:
        raise RunError(
            "this is no document of 'glowledger track'.",
            mend="Give a raw run, or what 'track --json' or 'track -o FOLDER' wrote.",
            file=file,
        )
    try:
        return RunResult(
            reference=str(document["reference"]),
            reference_reason=str(document.get("reference_reason") or ""),
            indicators=tuple(_trend(one) for one in document["indicators"]),
            endpoints={name: _endpoint(one) for name, one in (document.get("endpoints") or {}).items()},
            flashes=tuple(
                Flash(time_s=_number(f["time_s"]), duration_s=_number(f["duration_s"]), species=tuple(f["species"]))
                for f in document["flashes"]
            ),
            regimes=tuple(
                Regime(start_s=_number(r["start_s"]), end_s=_number(r["end_s"]), why=str(r["why"]))
                for r in document["regimes"]
            ),
            alarms=tuple(
                Alarm(kind=str(a["kind"]), time_s=_number(a["time_s"]), text=str(a["text"])) for a in document["alarms"]
            ),
            endpoint=_endpoint(document["endpoint"]),
            frames=int(document["frames"]),
            duration_s=_number(document["duration_s"]),
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise RunError(
            f"the document of the run is damaged ({error!r}).", mend="Track the run again.", file=file
        ) from None


def _trend(one: Mapping[str, Any]) -> Trend:
    time, value, error = (_numbers(one[name]) for name in ("time_s", "value", "standard_error"))
    used = one.get("used")
    mask = np.isfinite(value) if used is None else np.array(used, dtype=bool)
    if not len(time) == len(value) == len(error) == len(mask):
        raise ValueError(f"{one['name']}: columns of different lengths")
    return Trend(name=str(one["name"]), time_s=time, value=value, standard_error=error, used=mask)


def _endpoint(one: Mapping[str, Any]) -> Endpoint:
    def pair(name: str) -> tuple[float, float]:
        low, high = (_number(x) for x in one.get(name) or (None, None))
        # JSON has no infinity: an interval with a lower end alone is open above
        return low, math.inf if math.isfinite(low) and math.isnan(high) else high

    if one["verdict"] not in ("reached", "approaching", "not reached", "cannot tell"):
        raise ValueError(f"verdict {one['verdict']!r}")
    return Endpoint(
        verdict=one["verdict"],
        time_s=_number(one.get("time_s")),
        interval_s=pair("interval_s"),
        declared_at_s=_number(one.get("declared_at_s")),
        remaining_s=_number(one.get("remaining_s")),
        remaining_interval_s=pair("remaining_interval_s"),
        indicator=str(one.get("indicator") or ""),
        criterion=str(one.get("criterion") or ""),
        reason=str(one["reason"]),
    )


def _number(value: float | None) -> float:
    return math.nan if value is None else float(value)


def _numbers(values: list[float | None]) -> NDArray[np.float64]:
    return np.array([_number(v) for v in values], dtype=np.float64)
