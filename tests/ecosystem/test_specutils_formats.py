"""glowledger as a format of specutils, registered by importing both, in either order."""

import subprocess
import sys
from pathlib import Path

import astropy.units as u
import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from specutils import Spectrum, SpectrumCollection, SpectrumList
from specutils.io.registers import identify_spectrum_format

import glowledger

SAMPLES = Path(__file__).parents[2] / "sample_spectra"
RUN, LAMP, GLOW = SAMPLES / "cleaning_run.csv", SAMPLES / "lamp.csv", SAMPLES / "spectrum.csv"


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    file = tmp_path_factory.mktemp("bench") / "bench.toml"
    lamp = glowledger.read_spectra(LAMP)
    glowledger.updated_bench(file, glowledger.calibrate([(lamp, "cfl")]), [lamp])
    return file


@pytest.mark.parametrize("order", ["glowledger, specutils", "specutils, glowledger"])
def test_importing_both_is_enough_and_specutils_is_not_imported_for_it(order):
    code = (
        "import sys\nimport glowledger\nassert 'specutils' not in sys.modules\n"
        if order.startswith("glow") else ""
    ) + f"import {order}\nprint(specutils.Spectrum.read({str(GLOW)!r}, format='glowledger').shape)"  # fmt: skip
    done = subprocess.run([sys.executable, "-W", "error", "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "(2048,)"


def test_looking_for_specutils_without_importing_it_changes_nothing():
    code = (
        "import glowledger, importlib.util\nassert importlib.util.find_spec('specutils')\n"
        f"from specutils import Spectrum\nprint(Spectrum.read({str(GLOW)!r}).shape)"
    )
    done = subprocess.run([sys.executable, "-W", "error", "-c", code], capture_output=True, text=True)
    assert done.stdout.strip() == "(2048,)", done.stderr


def test_one_spectrum_with_unit_uncertainty_and_mask():
    spectrum = Spectrum.read(GLOW)
    frames = glowledger.read_spectra(GLOW)
    assert spectrum.spectral_axis.unit == u.nm
    assert spectrum.flux.unit == u.ct
    assert_array_equal(spectrum.flux.value, frames.counts[0])
    assert_array_equal(spectrum.mask, frames.mask[0])
    assert np.all(spectrum.uncertainty.array > 0)


def test_a_run_in_each_of_the_three_shapes(bench):
    kwargs = {"format": "glowledger", "bench": bench, "dark": SAMPLES / "dark.csv"}
    one = Spectrum.read(RUN, **kwargs)
    many = SpectrumCollection.read(str(RUN), **kwargs)
    listed = SpectrumList.read(RUN, **kwargs)
    assert one.flux.shape == many.flux.shape == (len(listed), listed[0].flux.size)
    assert one.spectral_axis.unit == u.nm
    for i in (0, len(listed) - 1):
        assert_array_equal(one.flux[i], listed[i].flux)
        assert_array_equal(many.flux[i], listed[i].flux)


def test_options_of_reading_are_handed_on(tmp_path):
    (tmp_path / "energies.csv").write_text(
        "".join(f"{2 + 0.01 * i:.2f},{100 + i % 7}\n" for i in range(60)), encoding="utf-8"
    )
    spectrum = Spectrum.read(tmp_path / "energies.csv", format="glowledger", axis_unit="eV")
    # 1239.84198 eV nm (CODATA 2018) over 2.59 eV, in vacuum; air is shorter by 1.00028
    assert spectrum.spectral_axis[0].to_value(u.nm) == pytest.approx(1239.84198 / 2.59 / 1.00028, rel=1e-5)


def test_files_are_recognised_only_where_there_is_no_doubt(tmp_path):
    assert identify_spectrum_format(str(GLOW)) == "glowledger"
    (tmp_path / "prose.csv").write_text("Nothing was recorded.\n", encoding="utf-8")
    assert identify_spectrum_format(str(tmp_path / "prose.csv")) == []
    # numbers that may be nm or pixels, with commas that may be decimal marks: a question, not an answer
    with pytest.raises(glowledger.ReadError):
        Spectrum.read(tmp_path / "prose.csv", format="glowledger")


def test_what_specutils_recognises_itself_is_left_to_it(tmp_path):
    Spectrum(flux=np.arange(30.0) * u.Jy, spectral_axis=np.linspace(400, 700, 30) * u.nm).write(
        tmp_path / "a.fits", format="tabular-fits"
    )
    assert "glowledger" not in identify_spectrum_format(str(tmp_path / "a.fits"))
    assert Spectrum.read(tmp_path / "a.fits").flux.unit == u.Jy


@pytest.mark.parametrize("ending", [".csv", ".ecsv", ".fits"])
@pytest.mark.parametrize("kind", [Spectrum, SpectrumCollection])
def test_what_is_written_reads_back_equal(ending, kind, tmp_path, bench):
    read = kind.read(RUN, format="glowledger", bench=bench)
    file = tmp_path / f"out{ending}"
    read.write(file, format="glowledger")
    again = kind.read(file, format="glowledger")
    assert_allclose(again.spectral_axis.to_value(u.nm), read.spectral_axis.to_value(u.nm), rtol=1e-12)
    good = ~read.mask
    assert_array_equal(again.flux.value[good], read.flux.value[good])


def test_a_file_is_replaced_only_if_told_to(tmp_path):
    spectrum = Spectrum.read(GLOW)
    spectrum.write(tmp_path / "a.csv", format="glowledger")
    with pytest.raises(OSError, match="overwrite"):
        spectrum.write(tmp_path / "a.csv", format="glowledger")
    spectrum.write(tmp_path / "a.csv", format="glowledger", overwrite=True)


def test_a_collection_of_pixels_is_refused_with_the_way_out():
    with pytest.raises(glowledger.ReadError, match="pixel axis"):
        SpectrumCollection.read(RUN, format="glowledger")
