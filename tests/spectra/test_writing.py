"""Written spectra read back exactly, and a file appears whole or not at all."""

import os
import resource
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.testing import assert_array_equal

from glowledger.errors import WriteError
from glowledger.spectra.frames import Detector, frames_from_arrays
from glowledger.spectra.reading import read_spectra
from glowledger.spectra.writing import whole_file, write_csv, write_spectra

FINITE = st.floats(-1e12, 1e12, allow_nan=False, allow_infinity=False)


def sample(n=3, p=60, kind="nm_air"):
    rng = np.random.default_rng(n)
    axis = np.sort(rng.uniform(300, 900, p)) if kind == "nm_air" else np.arange(float(p))
    frames = frames_from_arrays(
        axis, rng.normal(100, 30, (n, p)), axis_kind=kind, time_s=np.arange(n) * 1.7, exposure_s=0.1,
        detector=Detector(
            ceiling_counts=4095.0, read_noise_counts=3.25, counts_per_electron=0.5, offset_counts=-1.5
        ),
    )  # fmt: skip
    mask = frames.mask.copy()
    mask[0, 3] = True
    return replace(frames, mask=mask, averages=np.full(n, 4.0), started_at="2026-05-01T12:00:00.250000")


@pytest.mark.parametrize("suffix", [".csv", ".ecsv", ".fits"])
@pytest.mark.parametrize("kind", ["nm_air", "pixel"])
@pytest.mark.parametrize("n", [1, 3])
def test_what_is_written_reads_back(tmp_path, suffix, kind, n):
    frames = sample(n, kind=kind)
    write_spectra(tmp_path / f"a{suffix}", frames)
    found = read_spectra(tmp_path / f"a{suffix}")
    assert found.axis_kind == kind
    assert_array_equal(found.axis, frames.axis)
    assert_array_equal(found.mask, frames.mask)
    assert_array_equal(found.counts[~found.mask], frames.counts[~frames.mask])
    assert_array_equal(found.exposure_s, frames.exposure_s)
    assert_array_equal(found.averages, frames.averages)
    assert found.detector == frames.detector
    assert found.started_at == frames.started_at
    if n > 1:
        assert_array_equal(found.time_s, frames.time_s)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(counts=arrays(float, (2, 30), elements=FINITE), seed=st.integers(0, 99))
def test_any_numbers_survive_csv(tmp_path, counts, seed):
    axis = np.sort(np.random.default_rng(seed).uniform(200, 1100, 30))
    frames = frames_from_arrays(axis, counts, time_s=np.array([0.1, 0.30000000000000004]))
    write_csv(tmp_path / "a.csv", frames)
    found = read_spectra(tmp_path / "a.csv", ceiling=1e300)
    assert_array_equal(found.axis, axis)
    assert_array_equal(found.counts, counts)
    assert_array_equal(found.time_s, frames.time_s)


def test_the_header_of_csv_is_the_promised_one(tmp_path):
    write_csv(tmp_path / "a.csv", sample(1))
    lines = (tmp_path / "a.csv").read_text().split("\n")
    assert lines[0] == "# exposure: 0.1 s"
    assert next(line for line in lines if not line.startswith("#")) == "wavelength_nm,counts"


def test_fits_is_what_specutils_reads(tmp_path):
    from specutils import Spectrum

    frames = sample(1)
    write_spectra(tmp_path / "a.fits", frames)
    theirs = Spectrum.read(tmp_path / "a.fits", format="tabular-fits")
    assert_array_equal(theirs.spectral_axis.to_value("nm"), frames.axis)
    assert_array_equal(theirs.flux.value, frames.counts[0])


def test_unknown_ending(tmp_path):
    with pytest.raises(WriteError, match=r"'.doc' names no format"):
        write_spectra(tmp_path / "a.doc", sample())


def test_missing_folder_and_folder_as_target(tmp_path):
    with pytest.raises(WriteError, match=r"folder does not exist"):
        write_csv(tmp_path / "none" / "a.csv", sample())
    with pytest.raises(WriteError, match=r"this is a folder"):
        write_csv(tmp_path, sample())


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_folder_without_permission(tmp_path):
    tmp_path.chmod(0o500)
    with pytest.raises(WriteError, match=r"permission denied"):
        write_csv(tmp_path / "a.csv", sample())


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs the device that is always full")
def test_full_device():
    with pytest.raises(WriteError, match=r"the disk is full"):
        write_csv("/dev/full", sample(50, 500))


@pytest.mark.parametrize("suffix", [".csv", ".ecsv", ".fits"])
def test_a_disk_that_fills_up_leaves_the_old_file_and_nothing_else(tmp_path, suffix):
    target = tmp_path / f"a{suffix}"
    target.write_text("old")
    # in a process of its own: the limit on file size stands for a full disk (EFBIG instead of ENOSPC)
    code = f"""
import resource, signal, sys
import numpy as np
import astropy.table, astropy.io.fits
from glowledger.errors import WriteError
from glowledger.spectra.frames import frames_from_arrays
from glowledger.spectra.writing import write_spectra
frames = frames_from_arrays(np.linspace(300, 900, 4000), np.ones((30, 4000)) / 3)
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))
try:
    write_spectra({str(target)!r}, frames)
except WriteError as error:
    print(error)
    sys.exit(3)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 3, done.stderr
    assert "the disk is full" in done.stdout
    assert target.read_text() == "old"
    assert os.listdir(tmp_path) == [target.name]
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] != 100_000


def test_an_error_while_writing_leaves_nothing(tmp_path):
    def fail():
        with whole_file(tmp_path / "a.csv") as stream:
            stream.write(b"half")
            raise RuntimeError("stopped")

    with pytest.raises(RuntimeError, match=r"stopped"):
        fail()
    assert os.listdir(tmp_path) == []


def test_the_target_keeps_its_permissions(tmp_path):
    target = tmp_path / "a.csv"
    target.write_text("old")
    target.chmod(0o640)
    write_csv(target, sample())
    assert target.stat().st_mode & 0o777 == 0o640


def test_digits_are_kept_whatever_way_of_printing_numpy_was_set_to(tmp_path):
    # numpy's legacy mode prints 12 digits; some libraries switch it on when they are imported
    frames = sample(1)
    with np.printoptions(legacy="1.13"):
        for suffix in (".csv", ".ecsv"):
            write_spectra(tmp_path / f"kept{suffix}", frames)
    for suffix in (".csv", ".ecsv"):
        read = read_spectra(tmp_path / f"kept{suffix}")
        assert_array_equal(read.counts[~read.mask], frames.counts[~frames.mask])
