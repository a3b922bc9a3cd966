"""Wrong files given to every command that reads spectra: one paragraph, exit code 3, nothing half-written."""

import io
import os
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from glowledger.cli import main

SAMPLES = Path(__file__).parents[2] / "sample_spectra"
RISING = "\n".join(f"{300 + 0.5 * i:.1f},{100 + i % 7}" for i in range(800))


def rows(counts, axis=None):
    axis = [300 + 0.5 * i for i in range(len(counts))] if axis is None else axis
    return "wavelength_nm,counts\n" + "\n".join(f"{a},{c}" for a, c in zip(axis, counts, strict=True)) + "\n"


WRONG = {
    "empty.csv": b"",
    "blank.csv": b"\n\n \n",
    "binary.csv": bytes(range(256)) * 40,
    "picture.csv": b"\x89PNG\r\n\x1a\n" + bytes(5000),
    "page.csv": b"<!DOCTYPE html><html><body><table><tr><td>300</td><td>5</td></tr></table></body></html>",
    "prose.csv": b"The spectrometer was not switched on.\nNothing was recorded.\n",
    "text_in_numbers.csv": rows(["high" if i == 40 else "5" for i in range(400)]).encode(),
    "all_nan.csv": rows(["nan"] * 400).encode(),
    "all_zero.csv": rows([0] * 400).encode(),
    "all_saturated.csv": rows([65535] * 400).encode(),
    "two_points.csv": rows([5, 6]).encode(),
    "repeated_axis.csv": rows([5] * 399 + [9], [300 + 0.5 * (i // 2) for i in range(400)]).encode(),
    "zigzag_axis.csv": rows([5] * 399 + [9], [300 + 0.5 * (i % 50) for i in range(400)]).encode(),
    "ragged.csv": ("wavelength_nm,counts\n300,5\n301\n302,5,6,7\n" + RISING).encode(),
}
COMMANDS = {
    "calibrate": ["calibrate", "{file}", "--lamp", "ne", "--bench", "bench.toml", "-o", "out"],
    "identify": ["identify", "{file}", "-o", "out"],
    "track": ["track", "{file}", "-o", "out"],
    "compare": ["compare", "{file}", str(SAMPLES / "cleaning_run.csv"), "-o", "out"],
}


def told(result, file=None):
    """Check that a run ended in one paragraph that names the file, and with exit code 3."""
    assert result.exit_code == 3, f"{result.exit_code}: {result.output} {result.exception!r}"
    message = result.stderr.strip()
    assert message.startswith("error: ")
    assert "Traceback" not in message
    assert len(message.splitlines()) == 1, message
    if file is not None:
        assert file in message
    return message


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize("name", WRONG)
@pytest.mark.parametrize("command", COMMANDS)
def test_a_wrong_file_is_refused_and_nothing_is_written(command, name, folder):
    (folder / name).write_bytes(WRONG[name])
    words = [word.format(file=name) for word in COMMANDS[command]]
    told(CliRunner().invoke(main, words), name)
    assert [path.name for path in folder.iterdir()] == [name]


@pytest.mark.parametrize("command", COMMANDS)
def test_a_missing_file_is_named(command, folder):
    words = [word.format(file="nowhere.csv") for word in COMMANDS[command]]
    told(CliRunner().invoke(main, words), "nowhere.csv")
    assert not list(folder.iterdir())


@pytest.mark.parametrize("command", COMMANDS)
def test_an_empty_folder_is_named(command, folder):
    (folder / "run").mkdir()
    told(CliRunner().invoke(main, [word.format(file="run") for word in COMMANDS[command]]), "run")


@pytest.mark.parametrize("command", ["identify", "track"])
def test_pixels_without_a_bench_ask_for_a_lamp(command, folder):
    message = told(CliRunner().invoke(main, [command, str(SAMPLES / "air_leak.csv")]), "air_leak.csv")
    assert "glowledger calibrate" in message
    assert "--bench" in message


def test_a_bench_of_another_instrument_is_refused(folder):
    lamp, spectrum = SAMPLES / "lamp.csv", SAMPLES / "spectrum.csv"
    made = CliRunner().invoke(main, ["calibrate", str(lamp), "--lamp", "cfl", "--bench", "bench.toml"])
    assert made.exit_code == 0, made.output
    told(CliRunner().invoke(main, ["identify", str(spectrum), "--bench", "bench.toml"]))


@pytest.mark.parametrize("content", ["", "not = [toml", 'format = "something/9"\n', "<html></html>"])
def test_a_damaged_bench_is_named(content, folder):
    Path("bench.toml").write_text(content, encoding="utf-8")
    words = ["identify", str(SAMPLES / "air_leak.csv"), "--bench", "bench.toml"]
    told(CliRunner().invoke(main, words), "bench.toml")


@pytest.mark.parametrize(("option", "value"), [("--species", "Unobtainium"), ("--feed", "phlogiston")])
def test_names_that_are_not_known_are_refused(option, value, folder):
    message = told(CliRunner().invoke(main, ["identify", str(SAMPLES / "spectrum.csv"), option, value]))
    assert value in message


def peaks(low, step, width):
    """Return a file of 600 points with three broad lines."""
    axis = [low + step * i for i in range(600)]
    tops = [low + 600 * step * part for part in (0.2, 0.5, 0.75)]
    return rows([round(100 + sum(2e4 * 2.0 ** -(((a - t) / width) ** 2) for t in tops)) for a in axis], axis)


@pytest.mark.parametrize(
    ("content", "words", "says"),
    [
        (peaks(600.0, 0.5, 1.5), ["--species", "NO"], "600 and 90"),
        (peaks(300.0, 1.0, 14.0), [], "too coarse"),
        (peaks(600.0, 0.5, 1.5), ["--species", "Argon I"], "Ar I"),
    ],
    ids=["emits elsewhere", "too coarse", "suggests the nearest name"],
)
def test_a_spectrum_that_cannot_answer_what_is_asked_is_refused(content, words, says, folder):
    Path("wide.csv").write_text(content, encoding="utf-8")
    assert says in told(CliRunner().invoke(main, ["identify", "wide.csv", *words, "-o", "out"]))
    assert not Path("out").exists()


def test_a_lamp_with_the_wrong_name_is_refused(folder):
    words = ["calibrate", str(SAMPLES / "lamp_neon.csv"), "--lamp", "kr", "--bench", "bench.toml"]
    told(CliRunner().invoke(main, words))
    assert not Path("bench.toml").exists()


def test_the_tour_leaves_a_foreign_folder_alone(folder):
    Path("mine").mkdir()
    Path("mine/notes.txt").write_text("do not touch", encoding="utf-8")
    told(CliRunner().invoke(main, ["tour", "-o", "mine"]), "mine")
    assert [path.name for path in Path("mine").iterdir()] == ["notes.txt"]
    Path("taken").write_text("a file", encoding="utf-8")
    told(CliRunner().invoke(main, ["tour", "-o", "taken"]), "taken")


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="limits the size of files by setrlimit")
@pytest.mark.parametrize(
    "words",
    [
        ["identify", str(SAMPLES / "spectrum.csv"), "-o", "out"],
        ["calibrate", str(SAMPLES / "lamp.csv"), "--lamp", "cfl", "--bench", "bench.toml"],
    ],
    ids=["identify", "calibrate"],
)
def test_a_full_disk_leaves_no_part_of_a_file(words, folder):
    import resource

    limit = 200  # bytes a file may have: every output is larger
    done = subprocess.run(
        [sys.executable, "-m", "glowledger", *words],
        capture_output=True, text=True, stdin=subprocess.DEVNULL,
        env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit)),
    )  # fmt: skip
    assert done.returncode == 3, done.stderr
    assert "Traceback" not in done.stderr
    assert "disk is full" in done.stderr
    assert not [path for path in folder.rglob("*") if path.is_file()]


def test_what_is_piped_into_is_data_alone(folder):
    result = CliRunner().invoke(main, ["identify", str(SAMPLES / "spectrum.csv"), "--json"])
    assert result.exit_code == 0, result.output
    assert len(io.StringIO(result.stdout).readlines()) == 1
    assert result.stderr == ""
