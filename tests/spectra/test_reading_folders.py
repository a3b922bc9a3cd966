"""A folder of files, one frame each: times, order, and files that do not belong."""

import os

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from glowledger.errors import AmbiguousFile, ReadError
from glowledger.spectra.reading import read_spectra

POINTS, COUNT = 40, 12
AXIS = np.round(np.linspace(380.25, 790.5, POINTS), 2)
COUNTS = np.random.default_rng(3).integers(100, 4000, (COUNT, POINTS)).astype(float)


def fill(folder, name, head="", order=range(COUNT), seconds=None, rows=None):
    for place, k in enumerate(order):
        body = [f"{a:g}\t{c:g}" for a, c in zip(AXIS, COUNTS[k], strict=True)][: (rows or {}).get(k)]
        file = folder / name.format(k=k)
        file.write_text((head.format(k=k) if head else "") + "\n".join(body) + "\n")
        moment = 1_700_000_000 + (seconds[place] if seconds is not None else 0)
        os.utime(file, (moment, moment))
    return folder


def test_times_from_preambles_order_the_frames(tmp_path):
    head = "Recorded: 2026-05-01T10:00:{k:02d}.250\nIntegration time: 20{k} ms\n>>>>>data<<<<<\n"
    folder = fill(tmp_path, "z{k}.txt", head=head, order=[*range(6, COUNT), *range(6)])
    frames = read_spectra(folder)
    assert_array_equal(frames.counts, COUNTS)
    assert_allclose(frames.time_s, np.arange(COUNT))
    assert frames.started_at == "2026-05-01T10:00:00.250000"
    assert_allclose(frames.exposure_s[:10], 0.2 + np.arange(10) / 1000)
    assert "Times are from the preambles." in frames.origins[0].understood[0]
    assert [o.file.name for o in frames.origins] == [f"z{k}.txt" for k in range(COUNT)]


def test_elapsed_times_in_preambles(tmp_path):
    frames = read_spectra(fill(tmp_path, "{k}.txt", head="Elapsed time: {k}.5 min\n\nnm\tcounts\n"))
    assert_allclose(frames.time_s, (np.arange(COUNT) + 0.5) * 60)


@pytest.mark.parametrize(
    ("name", "seconds"),
    [
        ("plasma_20260501_1000{k:02d}.txt", np.arange(COUNT)),
        ("2026-05-01 10.{k:02d}.00.txt", np.arange(COUNT) * 60),
        ("frame_t={k}s.txt", np.arange(COUNT)),
        ("run_{k}min.txt", np.arange(COUNT) * 60),
    ],
)
def test_times_from_names(tmp_path, name, seconds):
    frames = read_spectra(fill(tmp_path, name))
    assert_array_equal(frames.counts, COUNTS)
    assert_allclose(frames.time_s, seconds)
    assert "file names" in frames.origins[0].understood[0]


def test_times_of_last_change_where_nothing_else_tells(tmp_path):
    frames = read_spectra(fill(tmp_path, "f{k}.txt", seconds=2.5 * np.arange(COUNT)))
    assert_array_equal(frames.counts, COUNTS)  # f2 before f10
    assert_allclose(frames.time_s, 2.5 * np.arange(COUNT))
    assert "last changed" in frames.origins[0].understood[0]


def test_copied_files_give_no_times(tmp_path):
    frames = read_spectra(fill(tmp_path, "f{k}.txt"))
    assert np.isnan(frames.time_s).all()
    assert_array_equal(frames.counts, COUNTS)


@pytest.mark.parametrize("batch", [True, False])
def test_read_at_once_or_one_by_one_gives_the_same(tmp_path, batch):
    folder = fill(tmp_path, "f{k}.txt", head="Averages: 3\n\nnm\tcounts\n", seconds=np.arange(COUNT))
    if not batch:  # one blank at the end of a line: this file is read for itself
        text = (folder / "f5.txt").read_text().replace("\n", "\r\n", 1).replace("nm\tcounts", "nm \t counts")
        (folder / "f5.txt").write_text(text)
        os.utime(folder / "f5.txt", (1_700_000_005, 1_700_000_005))
    frames = read_spectra(folder)
    assert_array_equal(frames.axis, AXIS)
    assert_array_equal(frames.counts, COUNTS)
    assert_array_equal(frames.averages, 3)
    assert_allclose(frames.time_s, np.arange(COUNT))


def test_falling_axes_are_turned_round_together(tmp_path):
    for k in range(COUNT):
        rows = [f"{a:g},{c:g}" for a, c in zip(AXIS, COUNTS[k], strict=True)]
        (tmp_path / f"f_t={k}s.csv").write_text("\n".join(rows[::-1]))
    frames = read_spectra(tmp_path)
    assert_array_equal(frames.axis, AXIS)
    assert_array_equal(frames.counts, COUNTS)


def test_a_file_with_another_axis_is_named(tmp_path):
    folder = fill(tmp_path, "f{k}.txt")
    text = (folder / "f7.txt").read_text()
    (folder / "f7.txt").write_text(text.replace("790.5", "790.6"))
    with pytest.raises(
        ReadError, match=r"380.25 to 790.6.*expected 40 from 380.25 to 790.5.*f0.txt"
    ) as caught:
        read_spectra(folder)
    assert caught.value.file.name == "f7.txt"


def test_a_short_file_is_an_error_unless_it_is_the_newest(tmp_path):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    with pytest.raises(ReadError, match=r"30 points") as caught:
        read_spectra(fill(tmp_path / "a", "f{k}.txt", seconds=np.arange(COUNT), rows={4: 30}))
    assert caught.value.file.name == "f4.txt"
    frames = read_spectra(fill(tmp_path / "b", "f{k}.txt", seconds=np.arange(COUNT), rows={COUNT - 1: 30}))
    assert_array_equal(frames.counts, COUNTS[:-1])
    assert any("f11.txt stops short" in s for s in frames.origins[0].understood)


def test_a_broken_file_is_named_with_its_line(tmp_path):
    folder = fill(tmp_path, "f{k}.txt")
    lines = (folder / "f3.txt").read_text().split("\n")
    lines[9] = "474.84\tx17"
    (folder / "f3.txt").write_text("\n".join(lines))
    with pytest.raises(ReadError, match=r"found 'x17'") as caught:
        read_spectra(folder)
    assert (caught.value.file.name, caught.value.line) == ("f3.txt", 10)


def test_darks_and_other_files_are_left_out_and_said(tmp_path):
    folder = fill(tmp_path, "f{k}.txt", seconds=np.arange(COUNT))
    (folder / "dark.txt").write_text((folder / "f0.txt").read_text())
    (folder / "photo.jpg").write_bytes(b"\xff\xd8\xff")
    frames = read_spectra(folder)
    assert len(frames) == COUNT
    said = " ".join(frames.origins[0].understood)
    assert "dark.txt was left out" in said
    assert "photo.jpg was left out" in said


def test_a_table_of_many_frames_does_not_belong_in_a_folder_of_frames(tmp_path):
    (tmp_path / "a.csv").write_text("nm,t=0 s,t=1 s\n" + "".join(f"{a},{5},{6}\n" for a in AXIS))
    with pytest.raises(ReadError, match=r"holds 2 frames"):
        read_spectra(tmp_path)


def test_saturation_is_that_of_the_whole_folder(tmp_path):
    for k in range(COUNT):
        counts = np.minimum(COUNTS[k] * (40 if k == 3 else 1), 65535)
        (tmp_path / f"f_t={k}s.csv").write_text(
            "".join(f"{a:g},{c:g}\n" for a, c in zip(AXIS, counts, strict=True))
        )
    frames = read_spectra(tmp_path)
    assert frames.detector.ceiling_counts == 65535
    assert_array_equal(np.flatnonzero(frames.mask.any(axis=1)), [3])


@pytest.mark.parametrize(
    "head",
    [
        "Datum;28.03.2026 23:50:15", "Datum;28.03.2026;23:50:15", "Date;2026-03-28 23:50:15",
        "Datum\t28.03.2026 23:50:15", "Datum;28.03.2026\nUhrzeit;23:50:15",
    ],
)  # fmt: skip
@pytest.mark.parametrize("exposure", ["Integrationszeit", "Integration time", "Exposure"])
def test_a_date_in_the_cell_beside_its_name_is_read(tmp_path, head, exposure):
    """The colon of the clock had been taken for the one between a setting and its value."""
    points = "".join(f"{nm},0;{nm % 7},5\n" for nm in range(400, 500))
    (tmp_path / "one.csv").write_text(f"{head}\n{exposure};200 ms\nnm;Counts\n{points}")
    frames = read_spectra(tmp_path / "one.csv")
    assert frames.started_at == "2026-03-28T23:50:15"
    assert frames.exposure_s[0] == 0.2


def test_a_folder_of_nothing_but_darks_holds_darks(tmp_path):
    # beside frames, files named as darks are none; by themselves they are what the folder is for
    folder = fill(tmp_path, "dark_{k:03d}.csv")
    assert_array_equal(read_spectra(folder).counts, COUNTS)
    fill(tmp_path, "frame_{k:03d}.csv")
    assert len(read_spectra(folder)) == COUNT


def test_a_file_without_a_time_does_not_take_away_those_of_the_others(tmp_path):
    head = "Recorded: 2026-05-01T10:00:{k:02d}\nIntegration time: 200 ms\n"
    folder = fill(tmp_path, "f{k:02d}.txt", head=head)
    text = (folder / "f05.txt").read_text().split("\n")
    (folder / "f05.txt").write_text("\n".join(text[1:]))
    frames = read_spectra(folder)
    assert_array_equal(frames.counts, COUNTS)  # before: no frame had a time
    assert np.isnan(frames.time_s[5])
    assert_allclose(np.delete(frames.time_s, 5), np.delete(np.arange(COUNT), 5))
    assert "No time is known of f05.txt" in frames.origins[0].understood[0]


@pytest.mark.parametrize("name", ["run{run}_{k:03d}s.txt", "{run}_20260501_1000{k:02d}.txt"])
def test_two_runs_in_a_folder_are_refused_with_the_files_at_which_they_begin(tmp_path, name):
    for run in "34":
        fill(tmp_path, name.replace("{run}", run))
    with pytest.raises(AmbiguousFile, match="two runs") as caught:  # before: read as one, half its frames left out
        read_spectra(tmp_path)
    assert name.replace("{run}", "4").format(k=0) in str(caught.value)
    assert "folder of its own" in caught.value.mend


def test_runs_one_after_the_other_whose_names_sort_otherwise_are_put_in_order(tmp_path):
    fill(tmp_path, "b_20260501_1000{k:02d}.txt")
    fill(tmp_path, "a_20260501_1001{k:02d}.txt")
    frames = read_spectra(tmp_path)
    assert_allclose(frames.time_s, [*np.arange(COUNT), *(60 + np.arange(COUNT))])


def test_notes_and_empty_files_among_the_frames_are_left_out_and_said(tmp_path):
    folder = fill(tmp_path, "f{k:02d}.txt", seconds=np.arange(COUNT))
    (folder / "a_notes.txt").write_text("opened the valve at half past two\npink glow\n")
    (folder / "f12.txt").write_text("")  # just begun
    frames = read_spectra(folder)
    assert_array_equal(frames.counts, COUNTS)
    said = " ".join(frames.origins[0].understood)
    assert "a_notes.txt was left out: no rows of numbers" in said
    assert "f12.txt was left out: the file is empty" in said


def test_a_folder_of_notes_alone_is_refused(tmp_path):
    for name in "abc":
        (tmp_path / f"{name}.txt").write_text("nothing but words\n")
    with pytest.raises(ReadError, match="only text"):
        read_spectra(tmp_path)


def test_an_interval_that_is_stated_gives_times_only_where_none_are_told(tmp_path):
    folder = fill(tmp_path, "f{k:02d}.txt")
    assert not np.isfinite(read_spectra(folder).time_s).any()
    frames = read_spectra(folder, interval_s=2.5)
    assert_allclose(frames.time_s, 2.5 * np.arange(COUNT))
    assert "as stated" in frames.origins[0].understood[-1]
    for place, file in enumerate(sorted(folder.iterdir())):
        file.rename(folder / f"g_t={7 * place}s.txt")
    assert_allclose(read_spectra(folder, interval_s=2.5).time_s, 7.0 * np.arange(COUNT))
