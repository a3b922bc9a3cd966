"""``track --follow`` as it is called: lines, exit codes, report, ledger."""

import json
import re
import subprocess
import sys
from dataclasses import replace

import live_recording as recording
import numpy as np
import pytest
from click.testing import CliRunner

from glowledger.cli import main
from glowledger.cli.track_follow import _light
from glowledger.diagnose.sightings import Finding
from glowledger.live.following import Ended
from glowledger.live.glow_seen import GlowSeen


@pytest.fixture(scope="module")
def followed(tmp_path_factory):
    """Follow 45 invented frames with --json into a folder and a ledger; too few for the endpoint."""
    place = tmp_path_factory.mktemp("follow")
    rows = [recording.table_row(3.0 * k, row) for k, row in enumerate(recording.counts(45))]
    (place / "run.csv").write_text(recording.table_head() + "".join(rows))
    (place / "run.toml").write_text('gas = "Ar"\npressure = "5 Pa"\ngauge = "pirani"\npart = "cell 7"\n')
    words = ["track", "run.csv", "--follow", "--quiet-for", "0", "--json", "--ledger", "ledger.sqlite", "--feed", "Ar"]
    done = subprocess.run(
        [sys.executable, "-W", "error", "-m", "glowledger", *words], cwd=place, capture_output=True, text=True
    )
    return place, done


def test_every_frame_is_a_json_line_and_the_end_is_one_too(followed):
    _, done = followed
    assert done.stderr == ""
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert {line["schema"] for line in lines} == {"glowledger/follow/1"}
    assert "safety interlock" in lines[0]["text"]
    assert [line["frame"] for line in lines if line["event"] == "frame"] == list(range(1, 46))
    assert (lines[-1]["event"], lines[-1]["why"]) == ("end", "quiet")
    assert lines[-1]["endpoint"]["reason"]


def test_it_exits_with_5_where_the_endpoint_was_not_reached(followed):
    assert followed[1].returncode == 5


def test_it_leaves_the_report_and_keeps_the_run_with_its_context(followed, monkeypatch):
    place, _ = followed
    monkeypatch.chdir(place)
    document = json.loads((place / "run.csv_followed" / "track.json").read_text())
    assert document["schema"] == "glowledger/track/1"
    assert "nvented" in document["notice"]
    assert (place / "run.csv_followed" / "track.html").is_file()
    shown = CliRunner().invoke(main, ["ledger", "show", "latest", "--json"])
    run = json.loads(shown.stdout)["run"]
    assert [f["state"] for f in run["files"]] == ["as recorded"]
    true = next(c for c in run["context"] if c["name"] == "true pressure")
    assert 7.0 < true["value"] < 9.5  # argon on a gauge set to nitrogen: some 1.6 to 1.8 times; common practice
    (place / "ledger.sqlite").write_bytes(b"spoilt" * 500)
    done = CliRunner().invoke(main, ["ledger", "rebuild", "run.csv_followed"])
    assert done.exit_code == 0, done.output
    assert "1 run " in done.output


def test_it_tells_what_glows_and_what_that_may_mean(followed):
    place, done = followed
    told = [line for line in map(json.loads, done.stdout.splitlines()) if line["event"] == "glow"]
    assert [line["frames"] for line in told] == ["the first 20 frames"]
    assert told[0]["present"] == ["Ar I", "H I"]
    assert "purity" in [f["kind"] for f in told[0]["findings"]]  # hydrogen is not of the feed
    document = json.loads((place / "run.csv_followed" / "track.json").read_text())
    assert document["glow"]["present"] == ["Ar I", "H I"]
    assert document["glow"]["later"] == []
    page = (place / "run.csv_followed" / "track.html").read_text()
    assert "What glows" in page
    assert "Species found in the mean of the first 20 frames" in page


def test_two_findings_of_one_kind_are_both_on_the_page():
    metals = tuple(
        Finding(kind="sputtered metal", text=f"{name} glows", confidence="medium", evidence=(name,))
        for name in ("Cu I", "Fe I")
    )
    first = GlowSeen(frames="the first 20 frames", present=("Ar I", "Cu I"), findings=metals[:1], cautions=())
    later = replace(first, frames="the 30 frames up to 5 min", findings=metals)
    ended = Ended(why="quiet", frames=60, result=None, invented=True, exposure_s=1.0, glows=(first, later))
    assert [f.text for f in _light(ended, ()).findings] == ["Cu I glows", "Fe I glows"]


@pytest.mark.parametrize("command", ["track --follow", "live --port 0"])
def test_a_table_with_a_column_per_frame_that_is_there_is_read_whole(command, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    columns = np.column_stack([recording.AXIS, recording.counts(22).T])
    head = "wavelength_nm," + ",".join(f"t={3 * k} s" for k in range(22))
    np.savetxt("run.csv", columns, delimiter=",", header=head, comments="", fmt="%.10g")
    done = CliRunner().invoke(main, [*command.split(), "run.csv", "--quiet-for", "0", "--json"])
    assert json.loads(done.stdout.splitlines()[-1])["frames"] == 22, done.output


def test_a_run_followed_otherwise_is_refused(followed, monkeypatch):
    monkeypatch.chdir(followed[0])
    words = ["track", "run.csv", "--follow", "--quiet-for", "0", "--hold", "60"]
    done = CliRunner().invoke(main, words)
    assert done.exit_code == 3
    assert "hold_s" in done.stderr


@pytest.mark.parametrize("words", [["--context", "gas"], ["--poll", "0"], ["--quiet-for", "-1"]])
def test_options_that_make_no_sense_are_usage_errors(words):
    assert CliRunner().invoke(main, ["track", "run.csv", "--follow", *words]).exit_code == 2


def test_nothing_came(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(main, ["track", "later", "--follow", "--quiet-for", "0", "--lines"])
    assert done.exit_code == 5
    assert "0 frames came" in done.stdout


@pytest.mark.parametrize("command", ["track --follow --lines", "live --port 0"])
@pytest.mark.parametrize("text", ["hello\n", "<!DOCTYPE html><html><body>no\nspectrum</body></html>\n", "hello"])
def test_a_file_that_holds_no_spectrum_is_said_to(command, text, tmp_path, monkeypatch):
    """It may be one that is just being begun, so that it is no error before the end."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "run.csv").write_text(text)
    done = CliRunner().invoke(main, [*command.split(), "run.csv", "--quiet-for", "0", "-o", "out"])
    assert "0 frames came" in done.stdout
    assert re.search(r"run\.csv.*(no |not |expected)|not even one line", done.stdout), done.stdout
