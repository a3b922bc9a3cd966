"""bench.toml: written and read again the same, readable by others, and damage named with its line."""

import tomllib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from glowledger.bench.bench_file import bench_text, read_bench
from glowledger.bench.model import Bench, LineSpread, Response, WavelengthSolution, Window
from glowledger.errors import CalibrationError
from glowledger.spectra.frames import Detector


def solution(shift=0.0):
    return WavelengthSolution(
        coefficients=np.array([600.1 + shift, 301.2, 6.5, -1.25]),
        domain=(0.0, 2047.0),
        covariance=np.diag([1e-4, 2e-4, 1e-4, 5e-5]) + 1e-6,
        scatter_nm=0.02,
        covered=(101.5, 1999.25),
    )


def full_bench():
    return Bench(
        pixels=2048,
        solution=solution(),
        line_spread=LineSpread(
            at_nm=np.array([400.0, 700.0]), fwhm_nm=np.array([1.3, 1.5]), fwhm_se_nm=np.array([0.02, 0.03]),
            lorentz_fraction=0.1, asymmetry=-0.02,
        ),
        response=Response(
            at_nm=np.array([400.0, 700.0]), value=np.array([0.5, 1.0]), relative_error=np.array([0.05, 0.04]),
            usable_nm=(390.0, 880.0),
        ),
        window=Window(material="fused silica", thickness_mm=6.0),
        detector=Detector(ceiling_counts=65535.0, read_noise_counts=14.4),
        provenance=(("wavelength", 'lamp "ne", file C:\\lamps\\ne.csv'), ("window", "as stated\nby hand")),
    )  # fmt: skip


def test_a_bench_reads_back_the_same(tmp_path):
    bench = full_bench()
    path = tmp_path / "bench.toml"
    path.write_text(bench_text(bench), encoding="utf-8")
    again = read_bench(path)
    assert_array_equal(again.solution.coefficients, bench.solution.coefficients)
    assert_array_equal(again.solution.covariance, bench.solution.covariance)
    assert again.solution.domain == bench.solution.domain
    assert again.solution.covered == bench.solution.covered
    for name in ("at_nm", "fwhm_nm", "fwhm_se_nm"):
        assert_array_equal(getattr(again.line_spread, name), getattr(bench.line_spread, name))
    assert_array_equal(again.response.value, bench.response.value)
    assert again.window == bench.window
    assert again.detector == bench.detector
    assert again.provenance == bench.provenance


def test_the_file_is_plain_toml():
    # tomllib of the standard library reads TOML 1.0
    table = tomllib.loads(bench_text(full_bench()))
    assert table["pixels"] == 2048
    assert table["wavelength"]["coefficients_nm"][0] == 600.1
    assert table["provenance"][0]["part"] == "wavelength"


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.text(max_size=40))
def test_any_text_survives(text):
    bench = Bench(pixels=10, provenance=(("note", text),))
    assert tomllib.loads(bench_text(bench))["provenance"][0]["story"] == text


def broken(tmp_path, change):
    path = tmp_path / "bench.toml"
    path.write_text(change(bench_text(full_bench())), encoding="utf-8")
    with pytest.raises(CalibrationError) as caught:
        read_bench(path)
    return caught.value


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("scatter_nm = 0.02", "scatter_nm = ", "damaged"),
        ("scatter_nm = 0.02", 'scatter_nm = "much"', "scatter_nm"),
        ("scatter_nm = 0.02", "scatter_nm = nan", "finite"),
        ("fwhm_nm = [1.3, 1.5]", "fwhm_nm = [1.3]", "widths"),
    ],
)
def test_damage_is_named_with_its_line(tmp_path, old, new, words):
    text = bench_text(full_bench())
    error = broken(tmp_path, lambda t: t.replace(old, new))
    assert words in error.problem
    assert error.file.name == "bench.toml"
    line = next(i for i, row in enumerate(text.splitlines(), start=1) if row.startswith(old.split(" =")[0]))
    assert error.line is not None
    assert abs(error.line - line) <= 1


def test_a_missing_entry_is_named(tmp_path):
    error = broken(tmp_path, lambda t: t.replace("covered = [101.5, 1999.25]", "hidden = [101.5, 1999.25]"))
    assert "covered" in error.problem


def test_another_format_is_refused(tmp_path):
    error = broken(tmp_path, lambda t: t.replace("glowledger/bench/1", "glowledger/bench/99"))
    assert "bench/99" in error.problem
    assert error.line == 3


def test_a_missing_file_says_how_to_make_one(tmp_path):
    with pytest.raises(CalibrationError, match="glowledger calibrate"):
        read_bench(tmp_path / "nowhere.toml")
