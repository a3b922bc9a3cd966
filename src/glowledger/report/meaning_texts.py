"""What a spectrum may mean, in sentences and tables: conclusions to check, state of the plasma, cautions, colour."""

from __future__ import annotations

import math
from collections.abc import Sequence

from glowledger.diagnose.cautions import DEFER, Caution
from glowledger.diagnose.rotation_state import ROTATION
from glowledger.diagnose.sightings import Finding
from glowledger.diagnose.state import StateReading
from glowledger.report.numbers import round_to
from glowledger.report.sentences import Table

GENERAL = ("high voltage", "ultraviolet", "implosion")  # hold for every glow: on the page, not in each terminal answer


def settling_sentences(findings: Sequence[Finding]) -> list[str]:
    """Return, for each conclusion but the purity, what would settle it and what else it could be."""
    said = []
    for finding in findings:
        if finding.kind == "purity":
            continue
        also = f" It could also be {'; or '.join(finding.could_also_be)}." if finding.could_also_be else ""
        said.append(f"To check '{finding.kind}': {'; or '.join(finding.confirm_by)}.{also}")
    return said


def caution_sentences(cautions: Sequence[Caution]) -> list[str]:
    """Return the cautions that belong to this gas and these findings, and whom to ask; nothing if there are none."""
    special = [f"Take care ({one.about}): {one.text}" for one in cautions if one.about not in GENERAL]
    return [*special, DEFER] if special else []


def reading_text(reading: StateReading) -> str:
    """Return the value of a reading with its 95 % interval, or that it cannot be told and what limit is known."""
    unit = "" if reading.unit == "1" else f" {reading.unit}"
    low, high = (_rounded(end, reading.unit) for end in reading.interval)
    if reading.told:
        return f"{_rounded(reading.value, reading.unit)}{unit} (95 %: {low} to {high}{unit})"
    if math.isfinite(reading.interval[0]) and not math.isfinite(reading.interval[1]):
        return f"cannot tell; above {low}{unit}"
    if math.isfinite(reading.interval[1]) and reading.interval[1] > 0:
        return f"cannot tell; below {high}{unit}"
    return "cannot tell"


def _rounded(value: float, unit: str) -> str:
    """Return two digits, or tens of kelvin."""
    return f"{round_to(value, 10):.0f}" if unit == "K" else f"{value:.2g}"


def state_sentence(reading: StateReading) -> str:
    """Return one reading of the plasma's state with its 95 % interval and what it means.

    Of rotation, whose temperatures the report of the fit has, only what they must not be taken for.
    """
    if reading.name.startswith(ROTATION) and reading.cautions:
        return f"Beware of the {reading.name}: {reading.cautions[0]}"
    return f"{reading.name[0].upper()}{reading.name[1:]}: {reading_text(reading)}. {reading.reason.rstrip('.')}."


def state_table(readings: Sequence[StateReading]) -> Table:
    """Return the readings of the plasma's state: value, meaning, what it must not be taken for, where it comes from."""
    header = ("Reading", "Value", "What it means, or why there is none", "Beware", "Method")
    rows: list[tuple[str, ...]] = [
        (r.name, reading_text(r), r.reason, " ".join(r.cautions) or "-", "; ".join(r.sources) or "-") for r in readings
    ]
    return header, rows
