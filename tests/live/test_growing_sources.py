"""Files and folders that grow: every frame once, whole, across restarts; what is spoilt is told and passed over."""

import json
import os

import live_recording as recording
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from glowledger.errors import ReadError
from glowledger.live.arrivals import source_of
from glowledger.live.growing_folder import GrowingFolder
from glowledger.live.growing_table import GrowingTable
from glowledger.live.peeking import Peek
from glowledger.spectra.options import ReadingOptions

COUNTS = recording.counts(40)
ROWS = [recording.table_row(3.0 * k, row) for k, row in enumerate(COUNTS)]
TEXT = (recording.table_head() + "".join(ROWS)).encode()


class Collected:
    """Looks until nothing comes, and keeps all that came."""

    def __init__(self, path, kind=None):
        self.path, self.source = path, source_of(path, ReadingOptions())
        assert kind is None or isinstance(self.source, kind)
        self.keys, self.counts, self.times, self.spoilt, self.notices = [], [], [], [], []

    def look(self, most=7):
        while True:
            found = self.source.look(most)
            assert len(found.keys) == (0 if found.frames is None else len(found.frames))
            if found.frames is not None:
                self.counts += list(found.frames.counts)
                self.times += found.frames.time_s.tolist()
            self.keys += found.keys
            self.spoilt += found.spoilt
            self.notices += [kind for kind, _ in found.notices]
            if not found.more:
                return self

    def restart(self):
        state = json.loads(json.dumps(self.source.to_dict()))
        self.source = source_of(self.path, ReadingOptions(), state, {*self.keys, *(key for key, _ in self.spoilt)})


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_table_that_grows_in_pieces_of_any_size_with_restarts(tmp_path, data):
    file = tmp_path / "run.csv"
    file.write_bytes(b"")
    found = Collected(file, GrowingTable)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(TEXT)), max_size=9)))
    for start, end in zip([0, *cuts], [*cuts, len(TEXT)], strict=True):
        with file.open("ab") as stream:
            stream.write(TEXT[start:end])
        found.look(data.draw(st.integers(1, 50)))
        if data.draw(st.booleans()):
            found.restart()
    assert_array_equal(found.counts, COUNTS)
    assert_array_equal(found.times, 3.0 * np.arange(len(COUNTS)))
    assert len(set(found.keys)) == len(found.keys) == len(COUNTS)


def test_windows_line_ends_and_decimal_commas(tmp_path):
    file = tmp_path / "run.csv"
    text = TEXT.decode().replace(".", "\0").replace(",", ";").replace("\0", ",").replace("\n", "\r\n")
    file.write_bytes(text.encode()[:-300])
    found = Collected(file).look().look()
    file.write_bytes(text.encode())
    assert_array_equal(found.look().counts, COUNTS)
    assert found.notices == []


def test_interleaved_and_short_rows_are_passed_over_and_told_once(tmp_path):
    file = tmp_path / "run.csv"
    mixed = ROWS[25][:300] + ROWS[26][:200] + ROWS[25][300:] + ROWS[26][200:]  # two writers in one another's lines
    rows = [*ROWS[:25], mixed, ROWS[27][: len(ROWS[27]) // 2] + "\n", *ROWS[28:]]
    file.write_text(recording.table_head() + "".join(rows[:22]))
    found = Collected(file).look()
    with file.open("a") as stream:
        stream.write("".join(rows[22:]))
    found.look(64)
    lost = "".join(rows).count("\n") - len(found.counts)
    assert lost == len(found.spoilt) == 3
    assert [key for key, _ in found.spoilt] == ["row 26", "row 27", "row 28"]
    assert all("expected" in why for _, why in found.spoilt)
    assert_array_equal(found.counts, [*COUNTS[:25], *COUNTS[28:]])


@pytest.mark.parametrize("cut", [1, 40])
def test_a_last_line_without_its_end_is_not_taken_and_that_can_be_asked_for(tmp_path, cut):
    file = tmp_path / "run.csv"
    file.write_bytes(TEXT[:-cut])  # without its line end it may be whole, or lack a digit
    found = Collected(file).look().look()
    assert len(found.counts) == len(COUNTS) - 1
    assert "run.csv" in found.source.unfinished
    assert "not taken" in found.source.unfinished
    with file.open("ab") as stream:
        stream.write(TEXT[-cut:])
    assert_array_equal(found.look().counts, COUNTS)
    assert found.source.unfinished == ""


def test_frames_with_another_number_of_pixels(tmp_path):
    file = tmp_path / "run.csv"
    short = [row.rsplit(",", 40)[0] + "\n" for row in ROWS[30:34]]
    file.write_text(recording.table_head() + "".join(ROWS[:30]))
    found = Collected(file).look()
    with file.open("a") as stream:
        stream.write("".join(short) + "".join(ROWS[34:]))
    assert_array_equal(found.look().counts, [*COUNTS[:30], *COUNTS[34:]])
    assert len(found.spoilt) == 4


def test_a_file_that_is_cut_goes_on_from_its_end(tmp_path):
    file = tmp_path / "run.csv"
    file.write_bytes(TEXT[: TEXT.index(ROWS[30].encode())])
    found = Collected(file).look()
    file.write_bytes(TEXT[: TEXT.index(ROWS[27].encode()) + 50])  # the tail of it is lost
    found.look()
    with file.open("ab") as stream:
        stream.write(("\n" + "".join(ROWS[31:])).encode())
    found.look()
    assert_array_equal(found.counts, [*COUNTS[:30], *COUNTS[31:]])
    assert found.notices == ["file cut"]
    assert len(found.spoilt) == 1  # the row that was cut in two


def test_a_file_that_is_begun_anew_is_read_from_its_start(tmp_path):
    file = tmp_path / "run.csv"
    file.write_bytes(TEXT)
    found = Collected(file).look()
    file.write_text(recording.table_head() + "".join(recording.table_row(k, row + 1) for k, row in enumerate(COUNTS)))
    found.look()
    assert found.notices == ["file written anew"]
    assert_array_equal(found.counts, [*COUNTS, *(COUNTS + 1)])
    assert len(set(found.keys)) == 80


def test_clock_times_go_on_after_midnight(tmp_path):
    file = tmp_path / "run.csv"
    hours = [(12 + 8 * k) % 24 for k in range(30)]
    lines = [f"{h:02d}:00:00," + row.split(",", 1)[1] for h, row in zip(hours, ROWS, strict=False)]
    file.write_text(recording.table_head() + "".join(lines[:24]))
    found = Collected(file).look()
    found.restart()
    with file.open("a") as stream:
        stream.write("".join(lines[24:]))
    assert_array_equal(np.diff(found.look().times), 8 * 3600.0)


def test_a_wide_table_written_anew_each_time_is_read_as_a_whole(tmp_path):
    file = tmp_path / "run.csv"

    def write(frames):
        head = "wavelength_nm," + ",".join(f"t={3 * k} s" for k in range(frames)) + "\n"
        columns = zip(recording.AXIS, COUNTS[:frames].T, strict=True)
        file.write_text(head + "".join(f"{a:g}," + ",".join(f"{c:.0f}" for c in row) + "\n" for a, row in columns))

    found = Collected(file)
    for frames in (10, 25, 40):
        write(frames)
        found.look().look()
        found.look()
        found.restart()
    found.look().look()
    assert_array_equal(found.counts, COUNTS)
    assert len(set(found.keys)) == 40


def test_a_folder_that_fills_with_restarts(tmp_path):
    found = Collected(tmp_path, GrowingFolder)
    found.look()
    for k, row in enumerate(COUNTS[:8]):
        if k == 3:  # written slowly, looked at in between
            file = recording.write_frame(tmp_path, k, row, in_place=False)
            whole = file.read_text()
            file.write_text(whole[: len(whole) - 2])  # every row there, the last number cut short
            found.look()
            assert len(found.counts) == 3
            file.write_text(whole)
        else:
            recording.write_frame(tmp_path, k, row)
        (tmp_path / "later.part").write_text("not yet")
        found.look()
        found.look()
        found.restart()
    assert_array_equal(found.counts, COUNTS[:8])
    assert_array_equal(found.times, np.arange(8.0))
    assert len(set(found.keys)) == 8


def test_a_folder_passes_over_what_cannot_be_used_and_tells_it_once(tmp_path):
    for k in range(3):
        recording.write_frame(tmp_path, k, COUNTS[k])
    found = Collected(tmp_path).look().look()
    axis = recording.AXIS[:300]
    (tmp_path / "frame_t=3s.csv").write_text("".join(f"{a:g},5\n" for a in axis))
    (tmp_path / "frame_t=4s.csv").write_text("oops\n")
    (tmp_path / "frame_t=5s.csv").write_text("")
    recording.write_frame(tmp_path, 6, COUNTS[6])
    found.source.patience_s = 0.0
    for _ in range(3):
        found.look()
    assert_array_equal(found.counts, [*COUNTS[:3], COUNTS[6]])
    assert [key for key, _ in found.spoilt] == ["frame_t=3s.csv", "frame_t=4s.csv", "frame_t=5s.csv"]
    assert "300 points" in found.spoilt[0][1]


def test_a_file_that_is_half_written_for_several_looks_is_waited_for(tmp_path):
    """Looks follow each other within milliseconds while much comes; half a file had been passed over for good."""
    for k in range(3):
        recording.write_frame(tmp_path, k, COUNTS[k])
    found = Collected(tmp_path).look().look()
    whole = recording.write_frame(tmp_path, 3, COUNTS[3])
    text = whole.read_text()
    half = text[: text.index("\n", len(text) // 2) + 1]
    whole.write_text(half)
    for _ in range(4):
        assert found.source.look(7).growing
    whole.write_text(text)
    found.look()
    assert found.spoilt == []
    assert_array_equal(found.counts, COUNTS[:4])


def test_a_folder_that_is_away_for_a_while(tmp_path):
    folder = tmp_path / "share"
    folder.mkdir()
    recording.write_frame(folder, 0, COUNTS[0])
    found = Collected(folder).look().look()
    folder.rename(tmp_path / "away")
    found.look().look()
    (tmp_path / "away").rename(folder)
    recording.write_frame(folder, 1, COUNTS[1])
    found.look()
    assert found.notices == ["source away", "source back"]
    assert_array_equal(found.counts, COUNTS[:2])


def test_times_of_files_are_those_of_their_last_change_where_nothing_else_tells(tmp_path):
    for k, row in enumerate(COUNTS[:4]):
        file = recording.write_frame(tmp_path, k, row)
        other = file.rename(tmp_path / f"{'dcba'[k]}.csv")  # names in the wrong order
        os.utime(other, (1_700_000_000 + 60 * k, 1_700_000_000 + 60 * k))
    found = Collected(tmp_path).look().look()
    assert_array_equal(np.sort(found.times), 60.0 * np.arange(4))


def test_the_first_file_has_to_be_understood(tmp_path):
    (tmp_path / "a.csv").write_text("hello\nworld\n")
    found = Collected(tmp_path)
    found.look()
    with pytest.raises(ReadError):
        found.look()


def test_a_first_line_that_takes_its_time_is_waited_for(tmp_path):
    file = tmp_path / "run.csv"
    file.write_bytes(TEXT[:1])
    found = Collected(file, GrowingTable).look().look()
    file.write_bytes(TEXT)
    assert_array_equal(found.look(most=50).counts, COUNTS)


def test_a_half_written_file_is_not_shown_while_the_follower_learns(tmp_path):
    peek = Peek(tmp_path, ReadingOptions())
    recording.write_frame(tmp_path, 0, COUNTS[0])
    assert peek.look()[0] == 1
    file = recording.write_frame(tmp_path, 1, COUNTS[1])
    text = file.read_text()
    file.write_text(text[: text.index("\n", len(text) // 2) + 1])
    assert peek.look() is None
    file.write_text(text)
    assert_array_equal(peek.look()[1].counts[0], COUNTS[1])
