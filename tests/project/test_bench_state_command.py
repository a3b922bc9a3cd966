"""``glowledger bench``: what is known, what is missing and what to do next; every step it names mends what it names."""

import json
import re
import shlex
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from glowledger.cli import main

SAMPLES = Path(__file__).parents[2] / "sample_spectra"


def invoke(*words):
    result = CliRunner().invoke(main, [str(word) for word in words])
    assert result.exit_code == 0, result.output
    return result.stdout


def missing(text):
    return re.findall(r"(?:Next|Later), for the ([a-z ]+):", text)


@pytest.fixture(scope="module")
def calibrated(tmp_path_factory):
    file = tmp_path_factory.mktemp("bench") / "bench.toml"
    invoke("calibrate", SAMPLES / "lamp.csv", "--lamp", "cfl", "--bench", file)
    return file


def test_without_a_file_it_starts_at_the_lamp(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    text = invoke("bench", "bench.toml")
    assert "no wavelength calibration for this spectrometer yet" in text
    assert "glowledger calibrate LAMP.csv --lamp auto --bench bench.toml" in text
    assert missing(text)[0] == "wavelengths"
    assert not Path("bench.toml").exists()


def test_the_steps_it_names_lead_to_a_bench_that_lacks_nothing(calibrated, tmp_path):
    file = tmp_path / "bench.toml"
    shutil.copy(calibrated, file)
    samples = {
        "DARK.csv": SAMPLES / "dark.csv", "LAMP.csv": SAMPLES / "tungsten.csv", "KELVIN": 2800,
        "GLOW.csv": SAMPLES / "air_leak.csv",
    }  # fmt: skip
    seen = []
    for _ in range(5):
        text = invoke("bench", file)
        if not missing(text):
            break
        seen.append(missing(text)[0])
        step = re.search(r"Next, for the [a-z ]+: .*?'glowledger ([^']*)'", text)[1]
        for name, sample in samples.items():
            step = step.replace(name, str(sample))
        invoke(*shlex.split(step))
    assert seen == ["detector", "response", "window"]
    assert "5 of 5 parts are known" in invoke("bench", file)


def test_a_spectrum_of_the_same_spectrometer_fits(calibrated):
    document = json.loads(invoke("bench", calibrated, "--spectrum", SAMPLES / "lamp_neon.csv", "--json"))
    assert document["schema"] == "glowledger/bench/1"
    assert document["check"]["verdict"] == "fits"
    assert [part["name"] for part in document["parts"] if part["known"]] == ["wavelengths", "line width"]


def test_a_spectrometer_that_was_moved_is_noticed(calibrated, tmp_path):
    lines = (SAMPLES / "lamp_neon.csv").read_text(encoding="utf-8").splitlines()
    start = next(i for i, line in enumerate(lines) if line.startswith("0,"))
    axis, counts = zip(*(line.split(",", 1) for line in lines[start:]), strict=True)
    moved = counts[5:] + counts[-5:]  # by 5 pixels of 0.6 nm: true wavelengths are 3 nm above the believed ones
    rows = [f"{a},{c}" for a, c in zip(axis, moved, strict=True)]
    (tmp_path / "moved.csv").write_text("\n".join([*lines[:start], *rows]) + "\n", encoding="utf-8")
    text = invoke("bench", calibrated, "--spectrum", tmp_path / "moved.csv")
    assert "moved" in text.splitlines()[1]
    shift, error = map(float, re.search(r"moved by ([+-][\d.]+) ± ([\d.]+) nm", text).groups())
    assert error < 0.1
    assert shift == pytest.approx(5 * 602 / 1023, abs=0.3)  # 602 nm over 1023 pixels, sample_spectra/README.md
    assert "glowledger calibrate" in text.splitlines()[2]
