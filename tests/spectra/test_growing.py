"""A run that is still being recorded: every frame is handed out once, whole, and in order."""

import os

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from glowledger.errors import ReadError
from glowledger.spectra.growing import GrowingRun

POINTS, COUNT = 30, 9
AXIS = np.round(np.linspace(380.25, 790.5, POINTS), 2)
COUNTS = np.random.default_rng(3).integers(100, 4000, (COUNT, POINTS)).astype(float)
ROWS = "time_s," + ",".join(f"{a:g}" for a in AXIS) + "\n"
ROWS += "".join(f"{k / 2}," + ",".join(f"{c:g}" for c in row) + "\n" for k, row in enumerate(COUNTS))
POINT_ROWS = "time_s,wavelength_nm,counts\n" + "".join(
    f"{k / 2},{a:g},{c:g}\n" for k, row in enumerate(COUNTS) for a, c in zip(AXIS, row, strict=True)
)


def collect(run, parts):
    if (fresh := run.new_frames()) is not None:
        parts.append(fresh)


@pytest.mark.parametrize("text", [ROWS, POINT_ROWS], ids=["a row per frame", "a row per point"])
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_file_that_grows_in_pieces_of_any_size(tmp_path, text, data):
    file = tmp_path / "run.csv"
    file.write_bytes(b"")
    run, parts = GrowingRun(file), []
    raw = text.encode()
    cuts = sorted(data.draw(st.lists(st.integers(0, len(raw)), max_size=12)))
    for start, end in zip([0, *cuts], [*cuts, len(raw)], strict=True):
        with file.open("ab") as stream:
            stream.write(raw[start:end])
        collect(run, parts)
    frames = np.concatenate([part.counts for part in parts])
    assert_array_equal(frames, COUNTS)
    assert_array_equal(np.concatenate([part.time_s for part in parts]), np.arange(COUNT) / 2)
    assert run.new_frames() is None


def test_a_folder_that_fills(tmp_path):
    run, parts = GrowingRun(tmp_path), []
    (tmp_path / "notes.md").write_text("x")
    for k, row in enumerate(COUNTS):
        text = "".join(f"{a:g},{c:g}\n" for a, c in zip(AXIS, row, strict=True))
        file = tmp_path / f"frame_t={k}s.csv"
        file.write_text(text[: len(text) // 2])  # caught half written
        collect(run, parts)
        file.write_text(text)
        os.utime(file, (1_700_000_000 + k, 1_700_000_000 + k))
        collect(run, parts)
        collect(run, parts)
    assert_array_equal(np.concatenate([part.counts for part in parts]), COUNTS)
    assert_array_equal(np.concatenate([part.time_s for part in parts]), np.arange(COUNT))


def test_a_frame_that_stays_short_is_an_error(tmp_path):
    run = GrowingRun(tmp_path)
    text = "".join(f"{a:g},5\n" for a in AXIS)
    (tmp_path / "f_t=0s.csv").write_text(text)
    assert run.new_frames() is None
    assert len(run.new_frames()) == 1
    (tmp_path / "f_t=1s.csv").write_text(text[:100])
    assert run.new_frames() is None
    with pytest.raises(ReadError, match="points, expected 30"):
        run.new_frames()


def test_nothing_yet(tmp_path):
    file = tmp_path / "later.csv"
    run = GrowingRun(file)
    assert run.new_frames() is None
    file.write_text("".join(f"# setting {k}: {k}\n" for k in range(30)))
    assert run.new_frames() is None


def test_a_fault_in_a_growing_file_is_told(tmp_path):
    file = tmp_path / "run.csv"
    file.write_text(ROWS)
    run = GrowingRun(file)
    assert len(run.new_frames()) == COUNT
    file.write_text(ROWS + "4.5,1,2,oops\n" + ROWS.split("\n")[1] + "\n")
    with pytest.raises(ReadError, match="expected 31 columns"):
        run.new_frames()
