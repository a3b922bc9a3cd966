"""``glowledger identify`` on the samples; what they hold stands in the README beside them."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from glowledger.cli import main
from glowledger.report.style import INVENTED

SAMPLES = Path(__file__).parents[2] / "sample_spectra"


def invoke(*words):
    return CliRunner().invoke(main, ["identify", *map(str, words)])


@pytest.fixture(scope="module")
def answered(tmp_path_factory):
    """Return the document of one run with all outputs, and the folder it wrote."""
    folder = tmp_path_factory.mktemp("identify") / "answer"
    result = invoke(SAMPLES / "spectrum.csv", "--feed", "Ar", "--json", "-o", folder)
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout), folder


def test_argon_with_water_is_told(answered):
    # sample_spectra/README.md: 'one spectrum ... argon with water'
    verdicts = {species["name"]: species["verdict"] for species in answered[0]["species"]}
    assert [verdicts[name] for name in ("Ar I", "OH", "H I")] == ["present"] * 3
    assert "water" in [finding["kind"] for finding in answered[0]["findings"]]


def test_features_lie_where_the_lines_are_published(answered):
    # NIST ASD: Ar I 763.5106, 811.5311 nm; H I 656.28 nm (from memory, as in every handbook)
    published = {"Ar I": (763.51, 811.53), "H I": (656.28,)}
    for name, places in published.items():
        species = next(s for s in answered[0]["species"] if s["name"] == name)
        found = [feature["wavelength_nm"] for feature in species["features"]]
        for place in places:
            assert min(abs(nm - place) for nm in found) < 0.5 * answered[0]["fit"]["fwhm_nm"]


def test_every_feature_is_named_by_its_line_or_band(answered):
    species = answered[0]["species"]
    named = [(one["name"], feature["label"]) for one in species for feature in one["features"]]
    assert named
    for name, label in named:
        assert label.startswith(name)
        assert label != name


def test_shares_are_parts_of_one(answered):
    shares = [species["share"] for species in answered[0]["species"]]
    assert all(0 <= share <= 1 for share in shares)
    assert sum(shares) == pytest.approx(1.0, abs=1e-6)


def test_the_document_on_disk_is_the_one_printed(answered):
    document, folder = answered
    assert json.loads((folder / "identify.json").read_text(encoding="utf-8")) == document
    assert document["notice"] == INVENTED
    assert (folder / "identify.html").read_text(encoding="utf-8").count(INVENTED) >= 2


def test_strict_exits_with_4_where_the_light_cannot_tell(tmp_path):
    # NO gamma lies between 200 and 300 nm (Pearse & Gaydon, Identification of Molecular Spectra, from
    # memory): nothing of it in a spectrum that begins at 500 nm
    kept = tmp_path / "red.csv"
    lines = (SAMPLES / "spectrum.csv").read_text(encoding="utf-8").splitlines()
    numbers = [line for line in lines if line[0].isdigit() and float(line.split(",")[0]) > 500]
    kept.write_text("wavelength_nm,counts\n" + "\n".join(numbers) + "\n", encoding="utf-8")
    assert invoke(kept, "--species", "NO,Ar I").exit_code == 0
    strict = invoke(kept, "--species", "NO,Ar I", "--strict")
    assert strict.exit_code == 4
    assert "Cannot tell NO" in strict.stdout


def test_several_frames_are_averaged_and_it_says_so(tmp_path):
    bench = tmp_path / "bench.toml"
    words = ["calibrate", SAMPLES / "lamp.csv", "--lamp", "cfl", "--bench", bench]
    assert CliRunner().invoke(main, [str(word) for word in words]).exit_code == 0
    result = invoke(SAMPLES / "air_leak.csv", "--bench", bench)
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith("air_leak.csv, mean of 20 frames")
