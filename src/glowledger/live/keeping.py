"""A run in the ledger while it goes on: it is there from the first moment, and notes are with it at once."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from glowledger import __version__
from glowledger.errors import LedgerError
from glowledger.ledger.context import Context
from glowledger.ledger.records import SCHEMA, TRACK, record_of
from glowledger.ledger.store import open_ledger
from glowledger.report import documents


@dataclass(frozen=True, slots=True, kw_only=True)
class Keeper:
    """Where a run that goes on is kept.

    Attributes
    ----------
    ledger : Path
        Made if it is missing.
    run, folder : Path
        What is followed, and where the answer is kept: they tell one run from another until its content is complete.
    context : Context
        What was set and done.
    """

    ledger: Path
    run: Path
    folder: Path
    context: Context

    @property
    def run_id(self) -> str:
        """Return the identity of the run while it goes on; a finished run is known by its content instead."""
        places = f"{self.run.resolve()}\n{self.folder.resolve()}"
        return hashlib.sha256(f"going on\n{places}".encode()).hexdigest()[:12]

    def begin(self) -> str:
        """Keep the run as one that goes on, and return its identity.

        Raises
        ------
        LedgerError, WriteError
            If the ledger cannot be used: better now than after a run of hours.
        """
        with open_ledger(self.ledger, create=True) as ledger:
            return ledger.keep(record_of(json.loads(documents.dumps(self._document()))))

    def note(self, text: str) -> None:
        """Add a note to the run; begins it anew if it is not there, as when the ledger was moved away."""
        with open_ledger(self.ledger, create=True) as ledger:
            try:
                ledger.annotate(self.run_id, text)
            except LedgerError:
                ledger.keep(record_of(json.loads(documents.dumps(self._document()))))
                ledger.annotate(self.run_id, text)

    def end(self, document: Mapping[str, Any]) -> str:
        """Keep the finished run under the identity of its content, its notes with it; return that identity."""
        with open_ledger(self.ledger, create=True) as ledger:
            return ledger.settle(self.run_id, record_of(document))

    def _document(self) -> dict[str, object]:
        nothing = (math.nan, math.nan)
        return {
            "schema": TRACK, "file": self.run.name, "frames": 0, "duration_s": 0.0, "reference": "", "indicators": [],
            "flashes": [], "regimes": [], "alarms": [],
            "endpoint": {
                "verdict": "cannot tell", "time_s": math.nan, "interval_s": nothing, "declared_at_s": math.nan,
                "indicator": "", "criterion": "", "reason": "The run goes on; it is judged when it ends.",
            },
            "record": {
                "schema": SCHEMA, "run_id": self.run_id, "version": __version__, "source": str(self.run.resolve()),
                "recorded_at": datetime.now(UTC).isoformat(timespec="microseconds"), "context": self.context.document(),
                "files": [],
            },
        }  # fmt: skip
