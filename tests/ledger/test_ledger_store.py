"""The ledger keeps what it is given, whole, whoever writes and whatever breaks."""

import csv
import io
import json
import shutil
import sqlite3
import subprocess
import sys

import pytest
from astropy.table import Table
from click.testing import CliRunner
from numpy.testing import assert_allclose

from glowledger.cli import main
from glowledger.errors import LedgerError, WriteError
from glowledger.ledger.connecting import connect
from glowledger.ledger.exporting import csv_text, ecsv_text, run_table, trend_table
from glowledger.ledger.raw_files import raw_files, run_id_of, sha256_of, states_of
from glowledger.ledger.rebuilding import rebuild
from glowledger.ledger.records import read_record
from glowledger.ledger.schema import STEPS, VERSION, bring_up
from glowledger.ledger.store import open_ledger, runs_folder


@pytest.fixture
def path(tmp_path):
    return tmp_path / "ledger.sqlite"


def dumped(path):
    """Return all rows of all tables."""
    with sqlite3.connect(path) as db:
        names = [row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")]
        return {name: sorted(db.execute(f"SELECT * FROM {name}"), key=repr) for name in names}


def test_what_is_kept_is_found_again(path, recorded):
    record = recorded(gas="Ar", pressure="5 Pa", gauge="pirani", part="cell 7")
    with open_ledger(path, create=True) as ledger:
        run_id = ledger.keep(record)
        ledger.annotate("latest", "Water-break test passed.")
    with open_ledger(path) as ledger:
        found = ledger.run(run_id[:4])
        assert found["verdict"] == "reached"
        assert found["verdicts"][0]["low_s"] == 510.0
        assert [n["text"] for n in found["notes"]] == ["Water-break test passed."]
        assert [c["stated"] for c in found["context"] if c["name"] == "part"] == ["cell 7"]
        assert [e["kind"] for e in found["events"]] == ["flash", "regime", "alarm: saturated"]
        assert [(t["value"], t["used"]) for t in ledger.trends(run_id)] == [(0.4, 1), (0.25, 1), (None, 0)]
        ledger.check()


def test_a_run_judged_again_is_one_run_with_both_verdicts(path, recorded):
    first, again = recorded(), recorded()
    again.document["endpoint"] = {**again.document["endpoint"], "verdict": "approaching"}
    with open_ledger(path, create=True) as ledger:
        assert ledger.keep(again) == ledger.keep(first)  # the older one later, as a rebuild may do
        assert len(ledger.runs()) == 1
        assert ledger.runs()[0]["verdict"] == "approaching"
        assert [v["verdict"] for v in ledger.run("latest")["verdicts"] if v["decides"]] == ["reached", "approaching"]


def test_the_hash_is_the_standard_one(tmp_path):
    # FIPS 180-4, example of one block: "abc"
    (tmp_path / "abc").write_bytes(b"abc")
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert sha256_of(tmp_path / "abc") == expected


def test_what_becomes_of_raw_files_is_noticed(tmp_path):
    folder = tmp_path / "raw"
    folder.mkdir()
    for k in range(4):
        (folder / f"frame_{k}.csv").write_text(f"1,{k}\n")
    files = raw_files(folder)
    copy = tmp_path / "copy"
    shutil.copytree(folder, copy)
    assert run_id_of(files) == run_id_of(raw_files(copy))  # the same content is the same run, wherever it lies
    (folder / "frame_1.csv").write_text("1,9\n")  # same length
    (folder / "frame_2.csv").unlink()
    (tmp_path / "archive").mkdir()
    (folder / "frame_3.csv").rename(tmp_path / "archive" / "old.csv")
    shutil.rmtree(copy)
    states = [s.state for s in states_of(files, [tmp_path / "archive"])]
    assert states == ["as recorded", "changed", "missing", "moved"]
    assert [s.state for s in states_of(files)] == ["as recorded", "changed", "missing", "missing"]


def test_an_older_ledger_is_brought_up_and_keeps_its_runs(path):
    db = connect(path, create=True)
    bring_up(db, to=1)
    columns = "?" + ", ?" * 14
    db.execute(f"INSERT INTO runs VALUES ({columns})", ("ab12", "2026-01-01", "2026-01-01", "old", "", "", 3, 6.0, "",
                                                        "reached", 5.0, "", "", "", ""))  # fmt: skip
    db.close()
    with open_ledger(path) as ledger:
        assert [run["title"] for run in ledger.runs()] == ["old"]
        ledger.annotate("ab", "kept from before")
        assert ledger.rows("PRAGMA user_version")[0]["user_version"] == VERSION == len(STEPS) > 1


def test_a_later_ledger_and_a_foreign_database_are_refused(path, tmp_path):
    with open_ledger(path, create=True):
        pass
    db = sqlite3.connect(path)
    db.execute(f"PRAGMA user_version = {VERSION + 1}")
    db.close()
    with pytest.raises(LedgerError, match="schema"), open_ledger(path):
        pass
    db = sqlite3.connect(tmp_path / "theirs.sqlite")
    db.execute("CREATE TABLE mine (x)")
    db.close()
    before = (tmp_path / "theirs.sqlite").read_bytes()[100:]
    with pytest.raises(LedgerError, match="no ledger"), open_ledger(tmp_path / "theirs.sqlite", create=True):
        pass
    assert (tmp_path / "theirs.sqlite").read_bytes()[100:] == before


WRITER = """
import json, sys
from glowledger.ledger.records import record_of
from glowledger.ledger.store import open_ledger
document = json.loads(open(sys.argv[2]).read())
for k in range(12):
    document["record"] = {"run_id": f"{sys.argv[3]}{k:02d}", "recorded_at": f"2026-01-01T00:00:{k:02d}"}
    with open_ledger(sys.argv[1], create=True) as ledger:
        ledger.keep(record_of(document))
        ledger.annotate("cafe", f"{sys.argv[3]} {k}")
"""


def test_two_processes_write_at_once_and_nothing_is_lost(path, tmp_path, document, recorded):
    with open_ledger(path, create=True) as ledger:
        document["record"] = {"run_id": "cafe", "recorded_at": "2025-12-31T00:00:00"}
        (tmp_path / "document.json").write_text(json.dumps(document))
        from glowledger.ledger.records import record_of

        ledger.keep(record_of(document))
    words = [sys.executable, "-c", WRITER, str(path), str(tmp_path / "document.json")]
    both = [subprocess.Popen([*words, name], stderr=subprocess.PIPE, text=True) for name in ("aa", "bb")]
    errors = [process.communicate(timeout=60)[1] for process in both]
    assert [process.returncode for process in both] == [0, 0], errors
    with open_ledger(path) as ledger:
        assert len(ledger.runs()) == 25
        assert len(ledger.run("cafe")["notes"]) == 24
        ledger.check()
    assert len(json.loads((runs_folder(path) / "cafe_notes.json").read_text())["notes"]) == 24


@pytest.mark.parametrize("damage", ["middle", "header", "cut", "gone"])
def test_a_damaged_ledger_is_reported_and_rebuilt(path, recorded, damage):
    with open_ledger(path, create=True) as ledger:
        for k in range(12):
            ledger.keep(recorded(content=f"{k}\n", gas="Ar", note="x" * 900))
        ledger.annotate("latest", "remember")
        ledger.fold()
    before = dumped(path)
    raw = path.read_bytes()
    if damage == "gone":
        path.unlink()
    else:
        spoilt = {
            "middle": raw[:4096] + b"\x5a" * (len(raw) - 8192) + raw[-4096:],
            "header": b"\0" * 100 + raw[100:],
            "cut": raw[: len(raw) // 2],
        }
        path.write_bytes(spoilt[damage])
    with pytest.raises(LedgerError) as told, open_ledger(path) as ledger:
        ledger.check()
    if damage != "gone":
        assert "rebuild" in told.value.mend
    done = rebuild(path)
    assert (done.runs, done.records, done.notes, done.left_out) == (12, 12, 1, ())
    assert dumped(path) == before
    assert (done.set_aside is None) == (damage == "gone")
    if done.set_aside is not None:
        assert done.set_aside.read_bytes() == spoilt[damage]


def test_rebuilding_takes_run_folders_and_names_what_is_spoilt(path, tmp_path, recorded):
    for name, content in (("a", "1\n"), ("b", "2\n")):
        folder = tmp_path / "runs" / name
        folder.mkdir(parents=True)
        (folder / "track.json").write_text(json.dumps(recorded(content=content).document))
    (tmp_path / "runs" / "c").mkdir()
    (tmp_path / "runs" / "c" / "track.json").write_text('{"schema": "glow')
    done = rebuild(path, [tmp_path / "runs"])
    assert (done.runs, len(done.left_out)) == (2, 1)
    assert "track.json" in done.left_out[0]
    assert len(list(runs_folder(path).glob("*.json"))) == 2  # so that the next rebuild needs no folders
    path.write_bytes(b"rubbish")
    assert rebuild(path).runs == 2
    with pytest.raises(LedgerError, match="no document"):
        rebuild(tmp_path / "other.sqlite")


def test_a_document_that_is_no_run_is_refused(tmp_path):
    (tmp_path / "track.json").write_text('{"schema": "glowledger/identify/1"}')
    with pytest.raises(LedgerError, match="no document of 'glowledger track'"):
        read_record(tmp_path)


def test_exports_read_back_the_same(path, recorded):
    with open_ledger(path, create=True) as ledger:
        ledger.keep(recorded(gas="Ar", pressure="5 Pa", gauge="pirani", voltage="0.6 kV", note='a "note", with comma'))
        ledger.keep(recorded(content="other\n"))
        columns, rows = run_table(ledger)
        trend = trend_table(ledger, "latest")
    read = list(csv.DictReader(io.StringIO(csv_text(columns, rows))))
    assert read[0]["note"] == 'a "note", with comma'
    assert float(read[0]["voltage_v"]) == 600.0
    assert read[1]["voltage_v"] == ""
    table = Table.read(ecsv_text(columns, rows), format="ascii.ecsv")  # astropy, a general-purpose library
    assert str(table["voltage_v"].unit) == "V"
    assert table["endpoint_s"][0] == 540.0
    assert bool(table["voltage_v"].mask[1])
    assert_allclose(table["true_pressure_pa"][0], rows[0]["true_pressure_pa"])
    back = Table.read(ecsv_text(*trend), format="ascii.ecsv")
    assert list(back["value"].filled(-1)) == [0.4, 0.25, -1]


LIMITED = """
import json, resource, sys
from glowledger.errors import GlowledgerError
from glowledger.ledger.records import record_of
from glowledger.ledger.store import open_ledger
document = json.loads(open(sys.argv[2]).read())
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[3]),) * 2)
kept = 0
try:
    for k in range(400):
        document["record"] = {"run_id": f"run{k:03d}", "recorded_at": f"2026-01-01T00:00:00.{k:03d}"}
        with open_ledger(sys.argv[1], create=True) as ledger:
            ledger.keep(record_of(document))
        kept += 1
except GlowledgerError as error:
    print(kept, type(error).__name__)
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="limits the size of files by setrlimit")
def test_a_full_disk_loses_nothing_that_was_kept(path, tmp_path, document):
    trend = document["indicators"][0]
    trend |= {name: values * 100 for name, values in trend.items() if name != "name"}
    (tmp_path / "document.json").write_text(json.dumps(document))
    words = [sys.executable, "-c", LIMITED, str(path), str(tmp_path / "document.json"), "220000"]
    done = subprocess.run(words, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    kept, kind = done.stdout.split()
    assert kind == WriteError.__name__
    assert 0 < int(kept) < 400
    with open_ledger(path) as ledger:
        ledger.check()
        assert len(ledger.runs()) == int(kept)


def test_the_command_walks_through(path, tmp_path, recorded, monkeypatch):
    monkeypatch.chdir(tmp_path)
    folder = tmp_path / "cleaned"
    folder.mkdir()
    (folder / "track.json").write_text(json.dumps(recorded(gas="Ar", part="cell 7").document))

    def ask(*words):
        done = CliRunner().invoke(main, ["ledger", *words])
        assert done.exit_code == 0, done.output
        return done.stdout

    assert "Nothing is kept yet" in ask("list")
    assert "Kept as run" in ask("add", str(folder))
    assert "cell 7" in ask("list")
    ask("annotate", "latest", "passed")
    assert "passed" in ask("show", "latest")
    assert json.loads(ask("show", "latest", "--json", "--trends"))["run"]["trends"][0]["value"] == 0.4
    assert json.loads(ask("--json", "check"))["runs"][0]["files"][0]["state"] == "as recorded"
    (tmp_path / "raw" / "run.csv").unlink()
    assert "missing" in ask("check")
    assert CliRunner().invoke(main, ["ledger", "check", "--strict"]).exit_code == 4
    ask("export", "-o", "runs.csv")
    assert (tmp_path / "runs.csv").read_text().startswith("run_id,")
    path.write_bytes(b"rubbish" * 1000)
    broken = CliRunner().invoke(main, ["ledger", "list"])
    assert broken.exit_code == 3
    assert "rebuild" in broken.stderr
    assert "1 run from 1 document, 1 note" in ask("rebuild")
    missing = CliRunner().invoke(main, ["ledger", "list", "--file", "typo.sqlite"])
    assert missing.exit_code == 3
    assert not (tmp_path / "typo.sqlite").exists()
