"""JSON documents: what a script reads instead of the text."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import PurePath

import numpy as np

from glowledger.diagnose.run_estimates import flash_rate
from glowledger.diagnose.sightings import Finding
from glowledger.glow.results import Feature, Fit, SpeciesEvidence
from glowledger.runs.results import Endpoint, RunResult, Trend


def dumps(document: object) -> str:
    """Return one compact JSON document.

    Parameters
    ----------
    document : object
        Nested mappings, sequences, dataclasses, numpy arrays and scalars, paths, dates.

    Returns
    -------
    str
        Plain ASCII in one line; NaN and infinities become ``null``, masked elements too.

    Raises
    ------
    TypeError
        For anything else: a number with a unit must be written as a plain number named for its unit.
    """
    return json.dumps(_plain(document), separators=(",", ":"), allow_nan=False)


def identify_document(
    fit: Fit, *, findings: Sequence[Finding] = (), extra: Mapping[str, object] | None = None
) -> dict[str, object]:
    """Return the answer of ``identify`` as one document, schema ``glowledger/identify/1``.

    Parameters
    ----------
    fit : Fit
        The forward fit of one spectrum.
    findings : sequence of Finding, optional
        Conclusions drawn from several species.
    extra : mapping, optional
        Further fields, e.g. ``file`` or ``notice``; may not rename those of the schema.

    Returns
    -------
    dict
        For `dumps`.
    """
    document: dict[str, object] = {
        "schema": "glowledger/identify/1",
        "species": [_species(species) for species in fit.species],
        "findings": list(findings),
        "fit": {
            "chi2_reduced": fit.chi2_reduced,
            "shift_nm": fit.shift_nm,
            "shift_se_nm": fit.shift_se_nm,
            "fwhm_nm": fit.fwhm_nm,
            "mismatch": fit.mismatch,
            "range_nm": _used_range(fit),
            "pixels_used": int(np.count_nonzero(fit.used)),
        },
        "temperatures": {
            t.name: {"kelvin": t.kelvin, "interval_k": t.interval_k, "reason": t.reason}
            for t in fit.temperatures
        },
        "warnings": list(fit.warnings),
    }
    return _with_extra(document, extra)


def track_document(result: RunResult, *, extra: Mapping[str, object] | None = None) -> dict[str, object]:
    """Return the answer of ``track`` as one document, schema ``glowledger/track/1``.

    Parameters
    ----------
    result : RunResult
        Everything the run says.
    extra : mapping, optional
        Further fields; may not rename those of the schema.

    Returns
    -------
    dict
        For `dumps`.
    """
    document: dict[str, object] = {
        "schema": "glowledger/track/1",
        "frames": result.frames,
        "duration_s": result.duration_s,
        "reference": result.reference,
        "reference_reason": result.reference_reason,
        "indicators": [_trend(trend) for trend in result.indicators],
        "flashes": list(result.flashes),
        "flash_rate": _flash_rate(result),
        "regimes": list(result.regimes),
        "endpoint": _endpoint(result.endpoint),
        "endpoints": {name: _endpoint(endpoint) for name, endpoint in result.endpoints.items()},
        "alarms": list(result.alarms),
    }
    return _with_extra(document, extra)


def _species(species: SpeciesEvidence) -> dict[str, object]:
    return {
        "name": species.name,
        "verdict": species.verdict,
        "significance": species.significance,
        "share": species.share,
        "counts": species.counts,
        "standard_error": species.standard_error,
        "upper_limit": species.upper_limit,
        "detection_limit": species.detection_limit,
        "features": [_feature(feature) for feature in species.features],
        "reason": species.reason,
        "chance": species.chance,
    }


def _feature(feature: Feature) -> dict[str, object]:
    return {
        "label": feature.label,
        "wavelength_nm": feature.wavelength_nm,
        "counts": feature.counts,
        "standard_error": feature.standard_error,
        "overlaps": feature.overlaps,
        "clean": feature.clean,
    }


def _trend(trend: Trend) -> dict[str, object]:
    return {
        "name": trend.name,
        "time_s": trend.time_s,
        "value": trend.value,
        "standard_error": trend.standard_error,
        "used": trend.used,
    }


def _flash_rate(result: RunResult) -> dict[str, object]:
    """Flashes per minute of burning plasma with the exact 95 % Poisson interval; null where nothing was watched."""
    rate = flash_rate(result)
    return {"per_min": rate.value, "interval_per_min": [rate.low, rate.high], "watched_s": rate.watched_s}


def _endpoint(endpoint: Endpoint) -> dict[str, object]:
    return {field.name: getattr(endpoint, field.name) for field in dataclasses.fields(endpoint)}


def _used_range(fit: Fit) -> list[float] | None:
    used = fit.axis_nm[fit.used]
    return [float(used[0]), float(used[-1])] if used.size else None


def _with_extra(document: dict[str, object], extra: Mapping[str, object] | None) -> dict[str, object]:
    for name, value in (extra or {}).items():
        if name in document:
            raise ValueError(f"{name!r} is a field of the schema")
        document[name] = value
    return document


def _plain(value: object) -> object:
    """Return `value` in types that JSON has; NaN and infinities as None."""
    match value:
        case None | bool() | str():
            return str(value) if isinstance(value, np.str_) else value
        case np.bool_():
            return bool(value)
        case int() | np.integer():
            return int(value)
        case float() | np.floating():
            number = float(value)
            return number if math.isfinite(number) else None
        case PurePath():
            return str(value)
        case date():
            return value.isoformat()
        case np.ndarray() if hasattr(value, "unit"):
            raise TypeError("a quantity loses its unit in JSON: write a plain number named for its unit")
        case np.ndarray():
            return _plain(value.tolist())
        case Mapping():
            return {str(key): _plain(item) for key, item in value.items()}
        case set() | frozenset():
            return [_plain(item) for item in sorted(value)]
        case list() | tuple():
            return [_plain(item) for item in value]
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: _plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    raise TypeError(f"{type(value).__name__} has no place in a JSON document")
