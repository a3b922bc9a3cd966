"""``glowledger track`` on the samples; what they hold stands in the README beside them."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from glowledger.cli import main

SAMPLES = Path(__file__).parents[2] / "sample_spectra"


def invoke(*words):
    return CliRunner().invoke(main, [str(word) for word in words])


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    file = tmp_path_factory.mktemp("bench") / "bench.toml"
    result = invoke("calibrate", SAMPLES / "lamp.csv", "--bench", file)
    assert result.exit_code == 0, result.output
    return file


def test_a_leak_that_never_changes_is_told_of_a_run(bench, tmp_path):
    # no trend shows it; sample_spectra/README.md: argon with an air leak
    words = SAMPLES / "air_leak.csv", "--bench", bench, "--dark", SAMPLES / "dark.csv"
    result = invoke("track", *words, "--feed", "Ar", "-o", tmp_path)
    assert result.exit_code == 0, result.output
    said = " ".join(result.stdout.split())
    assert "In the glow: Ar I (argon)" in said
    assert "Air leak likely: nitrogen glows with O I although the feed (Ar) holds none. Confidence: high." in said
    unsure = said.partition("certain to glow in the mean of the run: ")[2].partition(".")[0]
    document = json.loads((tmp_path / "track.json").read_text())
    assert {"Ar I", "N2", "O I"} <= set(document["glow"]["present"])
    followed = {one["name"].partition("/")[0] for one in document["indicators"]}
    told = set(unsure.replace(" and ", ", ").split(", ")) if unsure else set()
    assert told == followed - set(document["glow"]["present"])  # of the sample's truth none is followed in vain
    kinds = {one["kind"]: one["confidence"] for one in document["glow"]["findings"]}
    assert kinds["air leak"] == "high"


def test_with_a_gas_come_its_hazards_and_what_it_brings_is_no_leak(bench):
    words = SAMPLES / "air_leak.csv", "--bench", bench, "--dark", SAMPLES / "dark.csv"
    said = " ".join(invoke("track", *words, "--feed", "air").stdout.split())
    assert "Air leak" not in said
    assert "Take care (hot pump fluid)" in said
    assert "people licensed for the work come first" in said


def test_a_run_of_dark_frames_is_called_dark_and_its_bench_is_not_doubted(bench):
    result = invoke("track", SAMPLES / "dark.csv", "--bench", bench)
    assert result.exit_code == 0, result.output
    said = " ".join(result.stdout.split())
    assert "There is no light in it above the noise: a dark frame" in said
    assert "In the glow" not in said
    assert "bench in doubt" not in said


def test_a_run_that_is_followed_tells_of_an_air_leak_too(bench, tmp_path):
    words = SAMPLES / "air_leak.csv", "--bench", bench, "--follow", "--quiet-for", "0", "-o", tmp_path / "answer"
    result = invoke("track", *words, "--feed", "Ar:0.9,O2:0.1")
    said = " ".join(result.stdout.split())
    assert said.count("What glows in the first 20 frames: Ar I (argon)") == 2  # as soon as it is known, and in the end
    assert "Air leak or nitrogen from elsewhere: nitrogen glows although the feed" in said
    assert "Take care (oxygen and pump oil)" in said
    assert "air leak" in (tmp_path / "answer" / "track.html").read_text()
    refused = invoke("track", *words[:-2], "--feed", "argonn")
    assert refused.exit_code == 3
    assert "argon" in refused.stderr


@pytest.mark.parametrize("option", ["--indicator", "--reference"])
@pytest.mark.parametrize(("name", "says"), [("water", "OH and H I"), ("argn", "Ar I")])
def test_what_is_followed_may_be_named_in_plain_words(option, name, says):
    result = invoke("track", SAMPLES / "air_leak.csv", option, name)
    assert result.exit_code == 3
    assert says in result.stderr  # before any file is read; 'argon' itself is taken: see tests/tables/test_species.py
