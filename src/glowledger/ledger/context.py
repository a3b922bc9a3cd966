"""The context of a run: what the light cannot tell, from ``run.toml`` beside the data or from the user."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from glowledger.diagnose.feed import Feed, parse_feed
from glowledger.errors import GlowledgerError, LedgerError
from glowledger.ledger.gauges import TruePressure, known_gauge, true_pressure
from glowledger.ledger.quantities import UNITS, Quantity, parse_quantity

FILE_NAME = "run.toml"
WORDS = ("gas", "gauge", "polarity", "electrode", "part", "window", "note")  # the rest are `UNITS`
NAMES = (
    "gas", "flow", "pressure", "gauge", "voltage", "current", "power", "polarity", "electrode", "part", "window",
    "note",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Context:
    """What was set and done, as stated.

    Attributes
    ----------
    words : dict of str to str
        Those of `WORDS` that were stated.
    quantities : dict of str to Quantity
        Numbers with units.
    pressure : TruePressure or None
        The pressure corrected for the gas; None where no pressure was stated.
    """

    words: dict[str, str]
    quantities: dict[str, Quantity]
    pressure: TruePressure | None

    def stated(self) -> dict[str, str]:
        """Return everything as it was written, in a fixed order."""
        every = self.words | {name: q.stated for name, q in self.quantities.items()}
        return {name: every[name] for name in NAMES if name in every}

    def document(self) -> dict[str, object]:
        """Return the context as plain data for a JSON document."""
        numbers = {
            name: {"value": q.value, "standard_error": q.standard_error, "unit": q.unit}
            for name, q in self.quantities.items()
        }
        found: dict[str, object] = {"stated": self.stated(), "quantities": numbers}
        if self.pressure is not None:
            p = self.pressure
            found["true_pressure"] = {
                "value_pa": p.pressure_pa, "standard_error_pa": p.standard_error_pa, "factor": p.factor,
                "reason": p.reason,
            }  # fmt: skip
        return found


def context_from(stated: Mapping[str, object], *, file: Path | None = None) -> Context:
    """Build the context from what is stated.

    Parameters
    ----------
    stated : mapping
        Names of `NAMES` with their texts.
    file : path, optional
        Named in messages.

    Returns
    -------
    Context

    Raises
    ------
    LedgerError
        If a name is unknown, a number has no unit, a gas or gauge is not known.
    """
    unknown = [name for name in stated if name not in NAMES]
    if unknown:
        raise LedgerError(
            f"'{unknown[0]}' is nothing that is kept of a run.", mend=f"Known: {', '.join(NAMES)}.", file=file
        )
    try:
        quantities = {name: parse_quantity(name, str(stated[name])) for name in UNITS if name in stated}
        words = {name: str(stated[name]).strip() for name in WORDS if name in stated}
        if "gauge" in words:
            words["gauge"] = known_gauge(words["gauge"])
        feed = parse_feed(words["gas"]) if words.get("gas") else None
    except GlowledgerError as error:
        raise LedgerError(error.problem, mend=error.mend, file=file) from None
    return Context(words=words, quantities=quantities, pressure=_pressure(quantities, words, feed))


def _pressure(
    quantities: Mapping[str, Quantity], words: Mapping[str, str], feed: Feed | None
) -> TruePressure | None:
    reading = quantities.get("pressure")
    if reading is None:
        return None
    if "gauge" not in words:
        return TruePressure(
            reading_pa=reading.value, pressure_pa=math.nan, standard_error_pa=math.nan, factor=math.nan,
            reason="Cannot tell: the kind of gauge is not stated, and most kinds depend on the gas.",
        )  # fmt: skip
    return true_pressure(reading.value, words["gauge"], feed, reading_error_pa=reading.standard_error)


def read_context(run: str | Path, given: Mapping[str, str] | None = None) -> Context:
    """Read the context of a run from ``run.toml`` beside its data; what is given comes first.

    Parameters
    ----------
    run : path
        Folder or file of the run. The file is looked for in the folder, or beside the file as ``NAME.run.toml``
        or ``run.toml``.
    given : mapping, optional
        What the user states now.

    Returns
    -------
    Context

    Raises
    ------
    LedgerError
        If the file cannot be read, or as `context_from`.
    """
    run = Path(run)
    places = [run / FILE_NAME] if run.is_dir() else [run.with_suffix(f".{FILE_NAME}"), run.parent / FILE_NAME]
    file = next((place for place in places if place.is_file()), None)
    stated: dict[str, object] = {} if file is None else _from_toml(file)
    return context_from(stated | dict(given or {}), file=file)


def _from_toml(file: Path) -> dict[str, object]:
    try:
        table = tomllib.loads(file.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise LedgerError(
            f"the context cannot be read ({error}).", mend='It holds lines such as  gas = "Ar:0.9,O2:0.1".', file=file
        ) from None
    for name, value in table.items():
        if isinstance(value, dict | list):
            raise LedgerError(f"'{name}' is a table or list, expected a text.", mend="One line per thing.", file=file)
    return table
