"""The commands calibrate and convert: the contract for scripts, refusals, nothing half-written."""

import hashlib
import json
import re
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from lamp_spectra import ARGON, MERCURY, NEON, axis, spectrum
from numpy.testing import assert_allclose

from glowledger.cli import main


def lamp_file(path, lines, nm=None, seed=0):
    counts = spectrum(lines, axis() if nm is None else nm, seed=seed)
    rows = "\n".join(f"{i},{int(c)}" for i, c in enumerate(counts))
    path.write_text(f"pixel,counts\n{rows}\n", encoding="utf-8")
    return str(path)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(*words):
    return CliRunner().invoke(main, [str(w) for w in words])


def test_the_json_contract(folder):
    done = run("calibrate", lamp_file(folder / "ne.csv", NEON), "--lamp", "ne", "--json")
    assert done.exit_code == 0, done.output
    document = json.loads(done.stdout)
    assert document["schema"] == "glowledger/calibrate/1"
    told = document["line_spread"]
    assert len(told["at_nm"]) == len(told["fwhm_nm"]) == len(told["fwhm_se_nm"]) == 5
    assert min(told["fwhm_se_nm"]) > 0.0
    assert document["accepted"] is True
    assert document["lamp"] == "ne"
    assert document["matched"] == sum(line["used"] for line in document["lines"])
    for name in ("degree", "rms_nm", "loo_rms_nm", "fwhm_nm"):
        assert isinstance(document[name], int | float)
    low, high = document["range_nm"]
    used = [line["wavelength_nm"] for line in document["lines"] if line["used"]]
    assert (low, high) == (min(used), max(used))
    assert {"species", "wavelength_nm", "pixel", "residual_nm", "used"} <= set(document["lines"][0])
    assert isinstance(document["warnings"], list)


def test_a_refusal_is_a_document_too_and_writes_nothing(folder):
    file = lamp_file(folder / "ne.csv", NEON)
    done = run("calibrate", file, "--lamp", "hg", "--json", "--bench", "bench.toml", "-o", "out")
    assert done.exit_code == 3
    document = json.loads(done.stdout)
    assert document["accepted"] is False
    assert any("ne" in text for text in document["warnings"])
    assert sorted(path.name for path in folder.iterdir()) == ["ne.csv"]
    told = run("calibrate", file, "--lamp", "hg")
    assert told.exit_code == 3
    assert told.stderr.startswith("error: ")
    assert "ne.csv" in told.stderr
    assert len(told.stderr.strip().splitlines()) == 1


def test_bench_table_and_figure_are_written_and_convert_uses_them(folder):
    nm = axis()
    done = run(
        "calibrate", lamp_file(folder / "ne.csv", NEON), "--lamp", "ne", "--bench", "bench.toml", "-o", "out"
    )
    assert done.exit_code == 0, done.output
    assert "Good to" in done.stdout
    assert "extrapolated" in done.stdout
    assert (folder / "out" / "calibration.png").read_bytes().startswith(b"\x89PNG")
    header = (folder / "out" / "calibration_lines.csv").read_text(encoding="utf-8").splitlines()[0]
    assert header.startswith("species,wavelength_nm,pixel,residual_nm")
    converted = run("convert", folder / "ne.csv", "--bench", "bench.toml", "-o", "ne_nm.csv")
    assert converted.exit_code == 0, converted.output
    text = Path("ne_nm.csv").read_text(encoding="utf-8").splitlines()
    first = next(i for i, row in enumerate(text) if row.startswith("wavelength_nm"))
    table = np.loadtxt(text[first + 1 :], delimiter=",")
    inside = (nm > 590) & (nm < 740)
    assert_allclose(table[inside, 0], nm[inside], atol=0.15)
    assert_allclose(table[:, 1], spectrum(NEON, nm))


def test_a_second_calibration_says_whether_the_instrument_moved(folder):
    nm = axis()
    first = lamp_file(folder / "a.csv", NEON, nm)
    second = lamp_file(folder / "b.csv", NEON, nm + 0.8, seed=1)
    assert run("calibrate", first, "--lamp", "ne", "--bench", "bench.toml").exit_code == 0
    again = run("calibrate", first, "--lamp", "ne", "--bench", "bench.toml")
    assert "has not moved" in again.stdout
    shifted = run("calibrate", second, "--lamp", "ne", "--bench", "bench.toml")
    assert "has moved by +0.8" in shifted.stdout
    story = (folder / "bench.toml").read_text(encoding="utf-8")
    digest = hashlib.sha256((folder / "b.csv").read_bytes()).hexdigest()
    assert f"b.csv (sha256 {digest[:16]})" in story
    when = datetime.fromisoformat(re.search(r"\d{4}-\d\d-\d\dT[^;]+", story)[0])
    assert abs((datetime.now(UTC) - when).total_seconds()) < 600.0


def test_a_damaged_bench_is_not_overwritten(folder):
    (folder / "bench.toml").write_text("format = [\n", encoding="utf-8")
    done = run("calibrate", lamp_file(folder / "ne.csv", NEON), "--lamp", "ne", "--bench", "bench.toml")
    assert done.exit_code == 3
    assert (folder / "bench.toml").read_text(encoding="utf-8") == "format = [\n"


def test_two_files_with_a_lamp_each(folder):
    hg = lamp_file(folder / "hg.csv", MERCURY | ARGON, seed=1)
    ne = lamp_file(folder / "ne.csv", NEON, seed=2)
    done = run("calibrate", hg, ne, "--lamp", "hg-ar", "--lamp", "ne", "--json")
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout)["lamp"] == "hg-ar,ne"
    wrong = run("calibrate", hg, ne, "--lamp", "hg", "--lamp", "ne", "--lamp", "ar")
    assert wrong.exit_code == 2


def test_a_wrong_bench_is_named(folder):
    assert (
        run("calibrate", lamp_file(folder / "ne.csv", NEON), "--lamp", "ne", "--bench", "b.toml").exit_code
        == 0
    )
    other = lamp_file(folder / "short.csv", NEON, axis(1000))
    done = run("convert", other, "--bench", "b.toml", "-o", "out.csv")
    assert done.exit_code == 3
    assert "1000 points" in done.stderr
    assert not (folder / "out.csv").exists()
