import copy
import json

import pytest

END = {
    "verdict": "reached", "time_s": 540.0, "interval_s": [510.0, 570.0], "declared_at_s": 590.0, "remaining_s": 0.0,
    "remaining_interval_s": [0.0, 0.0], "indicator": "CO/Ar I", "criterion": "5 %", "reason": "CO fell to its floor.",
}  # fmt: skip
DOCUMENT = {
    "schema": "glowledger/track/1", "frames": 3, "duration_s": 6.0, "reference": "Ar I",
    "reference_reason": "brightest",
    "indicators": [
        {"name": "CO/Ar I", "time_s": [0.0, 3.0, 6.0], "value": [0.4, 0.25, None], "standard_error": [0.01, 0.02, None],
         "used": [True, True, False]},
    ],
    "flashes": [{"time_s": 3.0, "duration_s": 3.0, "species": ["Na I", "Al I"]}],
    "regimes": [{"start_s": 0.0, "end_s": 6.0, "why": "start of the run"}],
    "alarms": [{"kind": "saturated", "time_s": 6.0, "text": "Pixels are at the ceiling."}],
    "endpoint": END, "endpoints": {"CO/Ar I": END}, "file": "run.csv",
}  # fmt: skip


@pytest.fixture
def document():
    """A small document of `track`, as parsed from JSON; invented."""
    return copy.deepcopy(DOCUMENT)


@pytest.fixture
def recorded(tmp_path, document):
    """Return a function that makes a recorded document of a raw file with the given content."""
    from glowledger.ledger.context import context_from
    from glowledger.ledger.records import record_fields, record_of

    def make(content="1,2,3\n", name="run.csv", **stated):
        raw = tmp_path / "raw" / name
        raw.parent.mkdir(exist_ok=True)
        raw.write_text(content)
        fields = record_fields(raw, context_from(stated))
        full = json.loads(json.dumps({**document, "record": fields}).replace("NaN", "null"))
        return record_of(full)

    return make
