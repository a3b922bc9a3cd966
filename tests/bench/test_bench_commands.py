"""The commands `response` and `detector` on the bundled samples, whose truth is in sample_spectra/truth.json."""

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from numpy.testing import assert_allclose

from glowledger.bench.applying import calibrated
from glowledger.bench.bench_file import read_bench
from glowledger.bench.model import Bench, WavelengthSolution
from glowledger.cli import main
from glowledger.spectra.frames import Frames, frames_from_arrays

SAMPLES = Path(__file__).resolve().parents[2] / "sample_spectra"
TRUTH = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))["bench"]


def run(*words):
    return CliRunner().invoke(main, [str(word) for word in words])


@pytest.fixture(scope="module")
def calibrated_bench(tmp_path_factory):
    path = tmp_path_factory.mktemp("bench") / "bench.toml"
    assert run("calibrate", SAMPLES / "lamp.csv", "--lamp", "cfl", "--bench", path).exit_code == 0
    return path


@pytest.fixture
def bench(calibrated_bench, tmp_path):
    return Path(shutil.copy(calibrated_bench, tmp_path / "bench.toml"))


def test_a_lamp_puts_its_response_beside_what_is_there(bench, tmp_path):
    before = read_bench(bench)
    words = ("--temperature", 2800, "--dark", SAMPLES / "dark.csv", "--bench", bench, "-o", tmp_path / "out", "--json")
    done = run("response", SAMPLES / "tungsten.csv", *words)
    assert done.exit_code == 0, done.stderr
    document = json.loads(done.stdout)
    assert document["schema"] == "glowledger/response/1"
    assert abs(document["filament_k"] - 2750.0) < 50.0  # the sample's filament, make_samples.py
    assert (tmp_path / "out" / "response.png").read_bytes().startswith(b"\x89PNG")
    after = read_bench(bench)
    assert after.response is not None
    assert_allclose(after.solution.coefficients, before.solution.coefficients)
    stories = dict(after.provenance)
    assert "tungsten.csv (sha256" in stories["response"]
    assert stories["wavelength"] == dict(before.provenance)["wavelength"]


def test_a_refused_lamp_leaves_the_bench_as_it_was(bench):
    before = bench.read_bytes()
    done = run(
        "response", SAMPLES / "lamp_neon.csv", "--temperature", 2800, "--dark", SAMPLES / "dark.csv", "--bench", bench
    )
    assert done.exit_code == 3
    assert "no tungsten lamp" in done.stderr
    assert bench.read_bytes() == before


@pytest.mark.parametrize(
    "words",
    [
        ("tungsten.csv",),
        ("tungsten.csv", "--temperature", "2800", "--from-branching"),
        ("--temperature", "2800"),
        ("--with-window", "x.csv"),
        (),
    ],
)
def test_what_file_is_has_to_be_said(bench, words):
    assert run("response", *words, "--bench", bench).exit_code == 2


def test_a_window_is_kept_by_its_name_in_the_table(bench):
    assert run("response", "--bench", bench, "--window", "quartz", "--thickness", 4).exit_code == 0
    assert read_bench(bench).window.material == "fused silica"
    assert read_bench(bench).window.thickness_mm == 4.0
    unknown = run("response", "--bench", bench, "--window", "granite")
    assert unknown.exit_code == 3
    assert read_bench(bench).window.material == "fused silica"


def test_no_window_passes_all(bench):
    lamp = SAMPLES / "tungsten.csv"
    words = ("--with-window", lamp, "--without-window", lamp, "--dark", SAMPLES / "dark.csv")
    assert run("response", "--bench", bench, *words).exit_code == 0
    window = read_bench(bench).window
    assert window.measured
    assert_allclose(window.transmittance, 1.0, atol=1e-6)


def test_the_detector_of_the_samples(bench):
    done = run("detector", SAMPLES / "tungsten.csv", "--dark", SAMPLES / "dark.csv", "--bench", bench, "--json")
    assert done.exit_code == 0, done.stderr
    found = json.loads(done.stdout)
    gain, error = found["counts_per_electron"], found["counts_per_electron_se"]
    assert abs(gain - TRUTH["counts_per_electron"]) < 3.5 * error
    # rounding to a quarter of a count (four scans averaged) adds next to nothing
    assert abs(found["read_noise_counts"] - TRUTH["read_noise_counts"]) < 4 * found["read_noise_se"]
    assert found["ceiling_counts"] is None  # the lamp does not reach it, so nothing is said
    kept = read_bench(bench)
    assert kept.hot_pixels == tuple(found["hot_pixels"])
    assert 1 <= len(kept.hot_pixels) <= 5  # five were put in, some of them faint


def test_hot_pixels_of_the_bench_are_masked_where_the_axis_runs_backwards():
    solution = WavelengthSolution(
        coefficients=np.array([600.0, -100.0]), domain=(0.0, 9.0), covariance=np.zeros((2, 2)), scatter_nm=0.01,
        covered=(0.0, 9.0),
    )  # fmt: skip
    raw = frames_from_arrays(np.arange(10.0), np.arange(10.0), axis_kind="pixel")
    raw = Frames(**{name: getattr(raw, name) for name in raw.__slots__} | {"added_variance": np.arange(10.0)})
    turned = calibrated(raw, Bench(pixels=10, solution=solution, hot_pixels=(2,)))
    assert np.flatnonzero(turned.mask[0]).tolist() == [7]
    assert_allclose(turned.counts[0], turned.added_variance)  # both turned round with the axis


def test_bands_of_phosphor_read_as_lines_have_no_say_in_the_solution(tmp_path):
    # the fluorescent lamp called a mercury-argon lamp: humps of its phosphor are near lines of argon, placed vaguely
    lamps = (SAMPLES / "lamp.csv", SAMPLES / "lamp_neon.csv", "--lamp", "hg,ar", "--lamp", "ne")
    done = run("calibrate", *lamps, "--bench", tmp_path / "bench.toml", "--json")
    assert done.exit_code == 0, done.stderr
    told = json.loads(done.stdout)
    off = np.array([line["residual_nm"] for line in told["lines"] if line["used"]])
    assert np.max(np.abs(off)) < told["fwhm_nm"] / 5
    assert told["rms_nm"] < 0.04  # 0.094 nm with such humps among the lines that carry it
    assert told["matched"] == len(off) >= 40


def test_an_element_that_was_named_and_does_not_shine_is_told(tmp_path):
    done = run("calibrate", SAMPLES / "lamp_neon.csv", "--lamp", "ne,hg", "--bench", tmp_path / "bench.toml")
    assert done.exit_code == 0, done.stderr
    assert done.stdout.startswith("Neon lamp recognised")
    assert "No line of mercury is among the peaks" in done.stdout
