"""Whole terminal reports beside stored ones, so that a reviewer reads every change of wording.

The stored texts prove nothing about physics. After a change of wording that is meant, run this file as a
program (``python tests/report/test_golden_texts.py``) and read the difference before committing it.
"""

import sys
from pathlib import Path

import pytest

GOLDEN = Path(__file__).parent / "golden"


def reports(make_fit, make_run):
    from glowledger.report import sentences

    texts = {"identify.txt": sentences.identify_text(make_fit(), title="invented.csv", every=True)}
    for verdict in ("reached", "approaching", "not reached", "cannot tell"):
        name = f"track_{verdict.replace(' ', '_')}.txt"
        texts[name] = sentences.track_text(make_run(verdict), title="invented_run.csv")
    return texts


NAMES = ["identify.txt", "track_approaching.txt", "track_cannot_tell.txt"]
NAMES += ["track_not_reached.txt", "track_reached.txt"]


@pytest.mark.parametrize("name", NAMES)
def test_the_report_reads_as_stored(name, make_fit, make_run):
    assert reports(make_fit, make_run)[name] + "\n" == (GOLDEN / name).read_text(encoding="utf-8")


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent))
    from invented_results import invented_fit, invented_run

    for name, text in reports(invented_fit, invented_run).items():
        (GOLDEN / name).write_text(text + "\n", encoding="utf-8")
