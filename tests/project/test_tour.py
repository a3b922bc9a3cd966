"""The tour: whole, labelled as invented on everything, repeatable, quiet."""

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from glowledger.cli import main
from glowledger.report.style import INVENTED

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def toured(tmp_path_factory):
    place = tmp_path_factory.mktemp("tour")
    done = subprocess.run(
        [sys.executable, "-W", "error", "-m", "glowledger", "tour", "--json"],
        cwd=place, capture_output=True, text=True, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return place, done


@pytest.fixture(scope="module")
def folder(toured):
    return toured[0] / "glowledger_tour"


def test_the_summary_keeps_the_contract_and_stands_alone_on_stdout(toured):
    summary = json.loads(toured[1].stdout)
    assert summary["schema"] == "glowledger/tour/1"
    assert [step["name"] for step in summary["steps"]] == ["calibrate", "identify", "track"]
    assert summary["verdict"] in ("reached", "approaching", "not reached", "cannot tell")
    assert summary["notice"] == INVENTED
    assert toured[1].stderr == ""
    for step in summary["steps"]:
        for name in step["files"]:
            assert (toured[0] / summary["folder"] / name).is_file()


def test_nothing_is_left_beside_the_folder(toured):
    assert [path.name for path in toured[0].iterdir()] == ["glowledger_tour"]


@pytest.mark.parametrize("name", ["calibrate", "identify", "track"])
def test_each_step_leaves_its_document(folder, name):
    document = json.loads((folder / f"{name}.json").read_text(encoding="utf-8"))
    assert document["schema"] == f"glowledger/{name}/1"
    assert document["notice"] == INVENTED


def test_every_file_says_that_its_data_are_invented(folder):
    checked = 0
    for path in folder.rglob("*"):
        if path.is_file() and not path.name.startswith("."):
            assert b"nvented" in path.read_bytes(), path.name
            checked += 1
    assert checked >= 12


def test_the_front_page_holds_a_figure_of_every_step_and_opens_alone(folder):
    text = (folder / "index.html").read_text(encoding="utf-8")
    assert text.count("<img ") >= 3
    assert len(text.encode("utf-8")) < 2_000_000
    body = re.sub(r'"data:[^"]*"', '""', text.split("<body>")[1])  # figures are letters at random
    assert "http" not in body.replace("http://www.w3.org", "")
    for link in [part.split('"')[0] for part in text.split('href="')[1:]]:
        assert link.startswith("data:") or (folder / link).is_file(), link


# sample_spectra/README.md and truth.json: what the simulator, which shares no code with the product, put in
TRUTH = json.loads((ROOT / "sample_spectra" / "truth.json").read_text(encoding="utf-8"))


def test_the_leak_is_told(folder):
    document = json.loads((folder / "identify.json").read_text(encoding="utf-8"))
    verdicts = {species["name"]: species["verdict"] for species in document["species"]}
    assert verdicts["N2"] == "present"
    assert verdicts["Ar I"] == "present"
    assert "air leak" in [finding["kind"] for finding in document["findings"]]


def test_the_endpoint_of_the_cleaning_run_is_found(folder):
    document = json.loads((folder / "track.json").read_text(encoding="utf-8"))
    end, truth = document["endpoint"], TRUTH["cleaning_run"]
    assert end["verdict"] == "reached"
    standard_error = (end["interval_s"][1] - end["interval_s"][0]) / (2 * 1.96)  # of a 95 % interval
    assert abs(end["time_s"] - truth["endpoint_s"]) < 3 * standard_error  # 99.7 %: one run may miss the 95 %
    assert truth["endpoint_s"] <= end["declared_at_s"]
    for flash in truth["flashes"]:
        gaps = [abs(found["time_s"] - flash["time_s"]) for found in document["flashes"]]
        assert min(gaps) <= truth["cadence_s"]


def test_the_tour_may_be_run_again_and_leaves_foreign_files_alone(folder, monkeypatch):
    note = folder / "my_note.txt"
    note.write_text("mine", encoding="utf-8")
    before = json.loads((folder / "calibrate.json").read_text(encoding="utf-8"))
    (folder / "calibrate.json").write_text("{}", encoding="utf-8")
    monkeypatch.chdir(folder.parent)
    result = CliRunner().invoke(main, ["tour"])
    assert result.exit_code == 0, result.output
    assert note.read_text(encoding="utf-8") == "mine"
    again = json.loads((folder / "calibrate.json").read_text(encoding="utf-8"))
    assert again.keys() == before.keys()
    assert again["lines"][0].keys() == before["lines"][0].keys()
    assert again["rms_nm"] == pytest.approx(before["rms_nm"], rel=1e-9)  # linear algebra may differ in its last digit
    assert result.stdout.startswith(INVENTED)
    note.unlink()
