"""``glowledger simulate`` from the outside: words, document, file, bad input."""

import json

import pytest
from click.testing import CliRunner

from glowledger.cli import main
from glowledger.spectra.reading import read_spectra


def invoke(*words):
    return CliRunner().invoke(main, ["simulate", *words])


def test_it_says_which_species_an_acrylic_window_hides():
    # acrylic passes near nothing below 345 nm (makers' data)
    result = invoke("--light", "Ar I:1,OH:0.05,CO:0.05", "--window", "acrylic")
    assert result.exit_code == 0, result.output
    assert "Simulated" in result.output.splitlines()[0]
    assert "OH: hidden by the acrylic window" in result.output
    assert "CO: visible" in result.output


def test_the_document_holds_every_species_in_order():
    mixture = "N2:1,CN:0.05,NO:0.01"
    result = invoke("--light", mixture, "--range", "340:850", "--pixels", "512", "--fwhm", "2.5", "--json")
    document = json.loads(result.stdout)
    assert document["schema"] == "glowledger/simulate/1"
    assert [one["name"] for one in document["species"]] == ["N2", "CN", "NO"]
    assert sum(one["share"] for one in document["species"]) == pytest.approx(1.0)
    assert document["species"][2]["visible"] == "outside the range"
    assert document["species"][2]["smallest_share"] > 0.01, "it takes much more to show in faint bands"
    assert document["pixels"] == 512


def test_the_file_says_that_it_is_simulated_and_is_identified_as_what_it_is(tmp_path):
    file = tmp_path / "glow.csv"
    result = invoke("--light", "Ar I:1,OH:0.05", "-o", str(file), "--seed", "4", "--pixels", "1024")
    assert result.exit_code == 0, result.output
    assert "imulated" in file.read_text(encoding="utf-8").splitlines()[0]
    frames = read_spectra(file)
    assert frames.axis_kind == "nm_air"
    assert frames.axis.size == 1024
    assert frames.detector.counts_per_electron == 1.0
    answer = CliRunner().invoke(main, ["identify", str(file), "--json"])
    verdicts = {s["name"]: s["verdict"] for s in json.loads(answer.stdout)["species"]}
    assert {name for name, verdict in verdicts.items() if verdict == "present"} == {"Ar I", "OH"}
    assert "nvented" in json.loads(answer.stdout)["notice"]


def test_a_gas_stands_for_its_usual_light():
    air = json.loads(invoke("--light", "air:1,CO:0.02", "--json").stdout)
    shares = {one["name"]: one["share"] for one in air["species"]}
    assert shares["N2"] > 0.9  # most of what air sends out are bands of nitrogen; common practice, no source
    assert shares["CO"] == pytest.approx(0.02 / 1.02)
    assert air["gases"]["air"]["O I"] == pytest.approx(shares["O I"] * 1.02)
    assert "O I" in invoke("--light", "air").output.splitlines()[1]  # it says what air was taken for
    both = json.loads(invoke("--light", "argon:1,Ar I:1", "--json").stdout)
    assert [one["name"] for one in both["species"]] == ["Ar I", "Ar II"]
    assert both["species"][0]["share"] == pytest.approx(0.5 + 0.5 * both["gases"]["argon"]["Ar I"])


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (["--light", "Argon I:1"], 3, "Ar I"),
        (["--light", "copper ions:1"], 3, "not in the list"),
        (["--light", "carbon:1"], 3, "C I and C II"),
        (["--light", "water:1"], 3, "OH and H I"),
        (["--light", "air:1,air:2"], 3, "twice"),
        (["--light", "OH:1,OH:2"], 3, "twice"),
        (["--light", "OH:1", "--range", "700:900"], 3, "no light"),
        (["--light", "OH:1", "--window", "cheese"], 3, "cheese"),
        (["--light", "OH:1", "--bench", "nowhere.toml"], 3, "nowhere.toml"),
        (["--light", "OH:1", "-o", "no/such/folder/x.csv"], 3, "x.csv"),
        (["--light", "OH,CO"], 2, "share"),
        (["--light", "OH:-1"], 2, "share"),
        (["--light", ""], 2, "species"),
        (["--light", "OH:1", "--range", "900:250"], 2, "range"),
        (["--light", "OH:1", "--pixels", "5"], 2, "pixels"),
        ([], 2, "--light"),
    ],
)
def test_what_cannot_be_simulated_is_said(words, code, says, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    result = invoke(*words)
    assert result.exit_code == code, result.output
    assert says in result.stderr
    assert "Traceback" not in result.stderr
    assert not list(tmp_path.iterdir())
