"""When a followed run began is kept where the files tell, as for a finished run."""

import threading

import live_recording as recording
import pytest
from live_follower import asked

from glowledger.live.following import follow_run
from glowledger.spectra.reading import read_spectra

COUNTS = recording.counts(30)


class Deaf:
    def frame(self, number, line):
        pass

    def notice(self, text):
        pass

    def glows(self, seen):
        pass

    def waiting(self, since_s):
        pass


def followed(path, out):
    return follow_run(asked(path, out, quiet_s=0.05), Deaf(), threading.Event())


def dated_rows(first, last):
    """Rows with a date and time each, three seconds apart, from 09:00:00 on."""
    return "".join(
        f"2026-03-04T09:{3 * k // 60:02d}:{3 * k % 60:02d}," + ",".join(f"{c:.0f}" for c in COUNTS[k]) + "\n"
        for k in range(first, last)
    )


def test_of_a_growing_table_also_after_a_restart(tmp_path):
    path, head = tmp_path / "run.csv", "time," + ",".join(f"{a:g}" for a in recording.AXIS) + "\n"
    path.write_text(head + dated_rows(0, 25))
    assert read_spectra(path).started_at == "2026-03-04T09:00:00"
    assert followed(path, tmp_path / "out").started_at == "2026-03-04T09:00:00"
    path.write_text(head + dated_rows(0, 30))
    again = followed(path, tmp_path / "out")
    assert (again.frames, again.started_at) == (30, "2026-03-04T09:00:00")


@pytest.mark.parametrize("name", ["plasma_2026-03-04_09-{m:02d}-{s:02d}.csv"])
def test_of_a_folder_with_dates_in_the_names(tmp_path, name):
    folder = tmp_path / "run"
    folder.mkdir()
    for k in range(25):
        text = "wavelength_nm,counts\n" + "".join(
            f"{a:g},{c:.0f}\n" for a, c in zip(recording.AXIS, COUNTS[k], strict=True)
        )
        (folder / name.format(m=3 * k // 60, s=3 * k % 60)).write_text(text)
    assert read_spectra(folder).started_at == "2026-03-04T09:00:00"
    assert followed(folder, tmp_path / "out").started_at == "2026-03-04T09:00:00"


def test_is_not_made_up_where_nothing_tells(tmp_path):
    (tmp_path / "run.csv").write_text(
        recording.table_head() + "".join(recording.table_row(3.0 * k, row) for k, row in enumerate(COUNTS))
    )
    assert followed(tmp_path / "run.csv", tmp_path / "out").started_at is None
