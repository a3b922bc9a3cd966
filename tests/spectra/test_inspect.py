"""`glowledger inspect`: sentences (golden text), the JSON document, warnings and exit codes."""

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from glowledger.cli import main

GOLDEN = Path(__file__).parent / "golden"
P = 64


def run(*arguments):
    return CliRunner().invoke(main, ["inspect", *map(str, arguments)], catch_exceptions=False)


@pytest.fixture
def cleaning_run(tmp_path):
    """Twelve frames on a pixel axis with a clipped line, a stuck pixel and missing cells, in a messy file."""
    rng = np.random.default_rng(20)
    counts = np.round(rng.normal(900, 4, (12, P)))
    counts[:, 30:34] += [9000, 70000, 70000, 20000]
    counts = np.minimum(counts, 65535)
    counts[:, 50] = 880
    cells = [[f"{c:.0f}" for c in row] for row in counts]
    cells[4][7] = ""
    head = (
        "# Versuch: Glimmentladung\n# Integrationszeit: 200 ms\n# Mittelungen: 3\n# Start: "
        "2026-05-01 10:00:00\n"
    )
    names = ";".join(["Pixel", *(f"t={k * 2},5 s" for k in range(12))])
    rows = [";".join([str(i), *(cells[k][i] for k in range(12))]) for i in range(P)]
    file = tmp_path / "run.csv"
    file.write_bytes((head + names + "\n" + "\n".join(rows) + "\n").replace("\n", "\r\n").encode("latin-1"))
    return file


def test_text_is_the_golden_one(cleaning_run):
    done = run(cleaning_run)
    assert done.exit_code == 0
    lines = [
        line
        for line in done.stdout.split("\n")
        if not line.startswith(("Read noise", "Photon noise", "The spectra do not"))
    ]
    assert "\n".join(lines) == (GOLDEN / "inspect_run.txt").read_text(encoding="utf-8")


def test_json_holds_what_the_file_holds(cleaning_run):
    document = json.loads(run(cleaning_run, "--json").stdout)
    assert document["schema"] == "glowledger/inspect/1"
    assert (document["frames"], document["points"]) == (12, P)
    assert document["axis"]["kind"] == "pixel"
    assert document["axis"]["range"] == [0, 63]
    assert document["times"]["first_s"] == 0.5
    assert document["times"]["interval_s"] == 2.0
    assert document["times"]["started_at"] == "2026-05-01T10:00:00"
    assert document["exposure_s"] == 0.2
    assert document["averages"] == 3
    assert document["saturation"] == {"ceiling_counts": 65535, "values": 24, "points": 2, "frames": 12}
    assert document["pixels"]["stuck"] == [50]
    assert document["masked"] == 24 + 12 + 1
    # a single scan scatters by 4 counts times the root of the three scans
    assert document["noise"]["read_noise_counts"] == pytest.approx(4 * 3**0.5, rel=0.25)
    assert any("2 of 64 points are saturated" in text for text in document["warnings"])
    assert {"key": "Mittelungen", "value": "3"} in document["settings"]


def test_output_file(cleaning_run, tmp_path):
    target = tmp_path / "what.json"
    assert run(cleaning_run, "--json", "-o", target).stdout == ""
    assert json.loads(target.read_text())["frames"] == 12
    done = run(cleaning_run, "-o", tmp_path / "none" / "x.txt")
    assert done.exit_code == 3
    assert "the folder does not exist" in done.stderr


@pytest.mark.parametrize(
    ("counts", "words"),
    [
        (np.zeros(50), "the spectrum is all zero"),
        (np.full(50, 4095), "every pixel is saturated"),
        (np.ones(5), "fewer than 20 points"),
    ],
)
def test_useless_spectra_are_called_so_loudly(tmp_path, counts, words):
    file = tmp_path / "a.csv"
    axis = np.linspace(400, 700, counts.size)
    file.write_text("nm,counts\n" + "".join(f"{a:.2f},{c:g}\n" for a, c in zip(axis, counts, strict=True)))
    done = run(file)
    assert done.exit_code == 0
    assert "Take care:" in done.stdout
    assert words in done.stdout
    json.loads(run(file, "--json").stdout)


def test_options_settle_what_is_ambiguous(tmp_path):
    file = tmp_path / "a.csv"
    file.write_text("".join(f"{4000 + i},{5 + i % 3}\n" for i in range(60)))
    done = run(file)
    assert done.exit_code == 3
    assert "--axis-unit angstrom" in done.stderr
    assert "Traceback" not in done.output
    assert json.loads(run(file, "--json", "--axis-unit", "angstrom").stdout)["axis"]["range"] == [
        400.0,
        405.9,
    ]
    done = run(
        file, "--axis-unit", "nm", "--ceiling", "7", "--exposure", "0.5", "--delimiter", "comma", "--json"
    )
    document = json.loads(done.stdout)
    assert document["exposure_s"] == 0.5
    assert document["saturation"]["ceiling_counts"] == 7


@pytest.mark.parametrize(
    "option", [["--axis-unit", "inch"], ["--delimiter", "ab"], ["--ceiling", "-1"], ["--layout", "x"]]
)
def test_wrong_options_are_usage_errors(tmp_path, option):
    assert run(tmp_path, *option).exit_code == 2


def test_missing_file_is_an_input_error(tmp_path):
    done = run(tmp_path / "none.csv")
    assert done.exit_code == 3
    assert done.stdout == ""
    assert done.stderr.startswith("error: ")
