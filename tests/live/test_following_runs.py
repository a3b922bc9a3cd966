"""Following a run: the same answer as the finished run gives, no frame lost or taken twice, whatever happens."""

import json
import os
import random
import subprocess
import sys
import threading
import time
from pathlib import Path

import live_recording as recording
import numpy as np
import pytest
from live_follower import asked
from numpy.testing import assert_allclose, assert_array_equal

from glowledger.errors import CalibrationError, RunError
from glowledger.glow.series import learn_series
from glowledger.live.arrivals import Arrived
from glowledger.live.following import CHUNK, follow_run
from glowledger.live.journal import open_journal
from glowledger.live.measuring import LiveRun
from glowledger.live.preparing import Preparation, packed, unpacked
from glowledger.runs.analysing import analyse_run
from glowledger.runs.run_options import RunOptions
from glowledger.spectra.frames import frames_from_arrays

FOLLOWER = Path(recording.__file__).with_name("live_follower.py")
FRAMES = 180
LONGER = recording.counts(2 * FRAMES)
COUNTS = LONGER[:FRAMES]
ROWS = [recording.table_row(3.0 * k, row) for k, row in enumerate(COUNTS)]


class Heard:
    """Remembers what was told."""

    def __init__(self):
        self.lines, self.notices, self.waits = {}, [], 0

    def frame(self, number, line):
        self.lines[number] = line

    def notice(self, text):
        self.notices.append(text)

    def glows(self, seen):
        pass

    def waiting(self, since_s):
        self.waits += 1


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    """The run as one table, followed at one go, and the finished run measured by what was learned from its start."""
    folder = tmp_path_factory.mktemp("finished")
    (folder / "run.csv").write_text(recording.table_head() + "".join(ROWS))
    heard = Heard()
    ended = follow_run(asked(folder / "run.csv", folder / "out", quiet_s=0.0), heard, threading.Event())
    frames = frames_from_arrays(recording.AXIS, COUNTS, time_s=3.0 * np.arange(FRAMES))
    model = learn_series(frames[:20], species=("Ar I", "H I"))
    whole = analyse_run(model.measure(frames), RunOptions(candidates=model.joint))
    return ended, heard, whole


def same_trends(result, other, rtol=1e-9):
    assert [t.name for t in result.indicators] == [t.name for t in other.indicators]
    for a, b in zip(result.indicators, other.indicators, strict=True):
        assert_array_equal(a.time_s, b.time_s)
        assert_allclose(a.value, b.value, rtol=rtol)
        assert_allclose(a.standard_error, b.standard_error, rtol=rtol)


def test_followed_live_a_run_gives_what_the_finished_run_gives(finished):
    ended, heard, whole = finished
    same_trends(ended.result, whole)
    assert ended.result.endpoint.verdict == whole.endpoint.verdict == "reached"
    assert_allclose(ended.result.endpoint.time_s, whole.endpoint.time_s)
    low, high = ended.result.endpoint.interval_s
    end = 3.0 * recording.TAU * np.log(20)  # of the excess as it was simulated
    assert low - (high - low) < end < high + (high - low)
    assert sorted(heard.lines) == list(range(1, FRAMES + 1))
    assert heard.lines[5]["state"] == "learning"
    assert heard.lines[FRAMES]["verdict"] == "reached"
    assert list(heard.lines[30]["indicators"]) == ["H I"]


def test_no_verdict_looks_ahead(finished, tmp_path):
    _, heard, _ = finished
    (tmp_path / "run.csv").write_text(recording.table_head() + "".join(ROWS[:90]) + ROWS[90].rstrip())
    shorter = Heard()
    follow_run(asked(tmp_path / "run.csv", tmp_path / "out", quiet_s=0.0), shorter, threading.Event())
    assert any("no line end" in text for text in shorter.notices)  # what is not taken is told
    for number in range(1, 91):
        mine, theirs = shorter.lines[number], heard.lines[number]
        assert (mine["state"], mine.get("verdict")) == (theirs["state"], theirs.get("verdict"))
        for name in ("endpoint_s", "remaining_s", "declared_at_s"):  # chunks of another size: rounding differs
            assert_allclose(mine.get(name, np.nan), theirs.get(name, np.nan), rtol=1e-6)


def test_it_ends_at_the_endpoint_and_goes_on_when_started_again(finished, tmp_path):
    rows = [recording.table_row(3.0 * k, row) for k, row in enumerate(LONGER)]
    (tmp_path / "run.csv").write_text(recording.table_head() + "".join(rows))
    first, second = Heard(), Heard()
    ended = follow_run(asked(tmp_path / "run.csv", tmp_path / "out", until_endpoint=True), first, threading.Event())
    assert (ended.why, ended.result.endpoint.verdict) == ("endpoint", "reached")
    declared_at = int(ended.result.endpoint.declared_at_s / 3.0) + 1
    assert declared_at <= ended.frames < declared_at + CHUNK  # frames that wait already are kept by the chunk
    ended = follow_run(asked(tmp_path / "run.csv", tmp_path / "out", quiet_s=0.0), second, threading.Event())
    assert ended.frames == len(LONGER)
    assert sorted([*first.lines, *second.lines]) == list(range(1, len(LONGER) + 1))
    values, before = (run.result.indicators[0].value for run in (ended, finished[0]))
    assert_allclose(values[:FRAMES], before, rtol=1e-9)


def test_a_run_that_begins_in_the_dark_is_learned_when_it_is_lit(tmp_path):
    values = recording.counts(100, dark=35)
    rows = [recording.table_row(3.0 * k, row) for k, row in enumerate(values)]
    (tmp_path / "run.csv").write_text(recording.table_head() + "".join(rows))
    heard = Heard()
    ended = follow_run(asked(tmp_path / "run.csv", tmp_path / "out", quiet_s=0.0), heard, threading.Event())
    assert ended.result is not None
    assert "H I/Ar I" in [t.name for t in ended.result.indicators]
    assert heard.lines[100]["state"] == "used"


def test_a_clock_that_is_set_back_does_not_stop_it(tmp_path):
    times = [3.0 * k if k < 60 else 3.0 * k - 3600.0 for k in range(FRAMES)]
    rows = [recording.table_row(t, row) for t, row in zip(times, COUNTS, strict=True)]
    (tmp_path / "run.csv").write_text(recording.table_head() + "".join(rows))
    heard = Heard()
    ended = follow_run(asked(tmp_path / "run.csv", tmp_path / "out", quiet_s=0.0), heard, threading.Event())
    assert "clock jumped back" in [a.kind for a in ended.result.alarms]
    assert ended.result.endpoint.verdict == "reached"
    assert len(heard.lines) == FRAMES
    assert np.all(np.diff(ended.result.indicators[0].time_s) > 0)


def test_pixels_without_a_bench_are_refused_at_the_first_frame(tmp_path):
    head = "time_s," + ",".join(str(k) for k in range(recording.AXIS.size)) + "\n"
    (tmp_path / "run.csv").write_text(head + "".join(ROWS[:30]))
    with pytest.raises(CalibrationError) as told:
        follow_run(asked(tmp_path / "run.csv", tmp_path / "out", quiet_s=0.0), Heard(), threading.Event())
    assert "--bench" in told.value.mend


def test_a_folder_of_another_run_and_a_second_follower_are_refused(tmp_path):
    with open_journal(tmp_path, {"run": "a"}):
        other = [sys.executable, "-c", OPEN, str(tmp_path)]
        done = subprocess.run(other, capture_output=True, text=True, timeout=600)
        assert "another process" in done.stdout
    with pytest.raises(RunError, match="run differ"), open_journal(tmp_path, {"run": "b"}):
        pass


OPEN = """
import sys
from pathlib import Path
from glowledger.errors import RunError
from glowledger.live.journal import open_journal
try:
    with open_journal(Path(sys.argv[1]), {"run": "a"}):
        pass
except RunError as error:
    print(error.problem)
"""


def test_frames_are_packed_without_a_change():
    frames = frames_from_arrays(recording.AXIS, np.where(COUNTS[:2] > 9000, np.nan, COUNTS[:2]), exposure_s=0.5)
    back = unpacked(packed(frames))
    for name in ("axis", "counts", "mask", "time_s", "exposure_s", "averages"):
        assert_array_equal(getattr(back, name), getattr(frames, name))
    assert (back.axis_kind, back.detector, back.added_variance) == (frames.axis_kind, frames.detector, None)


def start(path, out, *more, environment=None):
    words = [sys.executable, str(FOLLOWER), str(path), str(out), *more]
    env = {**os.environ, **(environment or {})}
    return subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=env)


@pytest.mark.parametrize("kind", ["table", "folder"])
def test_killed_at_random_moments_it_loses_and_repeats_nothing(kind, finished, tmp_path):
    chance = random.Random(11)
    path = tmp_path / ("run.csv" if kind == "table" else "frames")
    if kind == "table":
        path.write_text(recording.table_head())
    else:
        path.mkdir()
    told: list[dict] = []
    written = 0
    for part in (30, 70, FRAMES):  # each time the process is killed while frames come
        process = start(path, tmp_path / "out")
        kill_after = written + chance.randrange(2, part - written)
        while written < part:
            if kind == "table":
                with path.open("a") as stream:
                    stream.write(ROWS[written])
            else:
                recording.write_frame(path, 3 * written, COUNTS[written])
            written += 1
            if written == kill_after:
                time.sleep(0.6 + 1.5 * chance.random())
                process.kill()
        told += [json.loads(line) for line in process.communicate()[0].splitlines() if line.endswith("}")]
    process = start(path, tmp_path / "out")
    out, err = process.communicate(timeout=600)
    assert process.returncode == 0, err
    told += [json.loads(line) for line in out.splitlines()]
    assert told[-1] == {"ended": "quiet", "frames": FRAMES}
    frames = [line for line in told if "frame" in line]
    assert {line["frame"] for line in frames} == set(range(1, FRAMES + 1))  # told at least once,
    by_number: dict[int, set] = {}
    for line in frames:
        by_number.setdefault(line["frame"], set()).add(json.dumps(line, sort_keys=True))
    assert all(len(same) == 1 for same in by_number.values())  # and if twice, the same
    assert len({line["source"] for line in frames}) == FRAMES
    with open_journal(tmp_path / "out", json.loads(json.dumps({"path": str(path)}))) as journal:
        points = journal.points()
    trend = finished[0].result.indicators[0]
    assert_allclose([p.values["H I"] for p in points], trend.value[: len(points)], rtol=1e-9)
    assert len(points) >= FRAMES - 6


@pytest.mark.skipif(sys.platform == "win32", reason="sends a signal")
def test_killed_between_keeping_and_telling_it_tells_again(tmp_path):
    path = tmp_path / "run.csv"
    path.write_text(recording.table_head() + "".join(ROWS[:90]))
    process = start(path, tmp_path / "out", environment={"KILL_AT_LINE": "80"})
    first = [json.loads(line) for line in process.communicate(timeout=600)[0].splitlines()]
    assert process.returncode == -9
    assert [line["frame"] for line in first] == list(range(1, 80))
    process = start(path, tmp_path / "out")
    second = [json.loads(line) for line in process.communicate(timeout=600)[0].splitlines()]
    again = [line for line in second if line.get("frame", 99) < 80]
    assert [line["frame"] for line in second[:-1]] == list(range(65, 91))  # from the first of the chunk of 64
    assert again == first[64:]
    assert second[-1] == {"ended": "quiet", "frames": 90}


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="limits the size of files by setrlimit")
def test_a_full_disk_is_told_and_nothing_is_lost(finished, tmp_path):
    path = tmp_path / "run.csv"
    path.write_text(recording.table_head() + "".join(ROWS))
    process = start(path, tmp_path / "out", "270000")
    out, err = process.communicate(timeout=600)
    assert process.returncode == 3
    assert err.startswith("WriteError")
    assert "full" in err
    before = [json.loads(line) for line in out.splitlines()]
    process = start(path, tmp_path / "out")
    out, err = process.communicate(timeout=600)
    assert process.returncode == 0, err
    told = before + [json.loads(line) for line in out.splitlines()]
    assert [line["frame"] for line in told if "frame" in line] == list(range(1, FRAMES + 1))
    assert 0 < len(before) < FRAMES


@pytest.mark.skipif(sys.platform == "win32", reason="sends a signal")
def test_an_interrupt_ends_it_cleanly(tmp_path):
    import signal

    path = tmp_path / "run.csv"
    path.write_text(recording.table_head() + "".join(ROWS[:40]))
    process = start(path, tmp_path / "out")
    first = process.stdout.readline()
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=600)
    assert (process.returncode, err) == (0, "")
    assert json.loads(first)["frame"] == 1
    assert json.loads(out.splitlines()[-1])["ended"] == "stopped"


def test_light_that_was_not_learned_is_called(tmp_path):
    values = np.array(COUNTS)
    extra = 4000.0 * np.exp(-0.5 * ((recording.AXIS - 589.3) / 0.7) ** 2)  # a sodium lamp, say
    values[60:] += extra
    rows = [recording.table_row(3.0 * k, row) for k, row in enumerate(values)]
    (tmp_path / "run.csv").write_text(recording.table_head() + "".join(rows))
    ended = follow_run(asked(tmp_path / "run.csv", tmp_path / "out", quiet_s=0.0), Heard(), threading.Event())
    assert "patterns no longer fit" in [a.kind for a in ended.result.alarms]


def test_stages_are_passed_whatever_the_size_of_the_chunks():
    frames = frames_from_arrays(recording.AXIS, COUNTS[:50], time_s=3.0 * np.arange(50))
    results = []
    for size in (50, 7):
        run = LiveRun(
            preparation=Preparation(), choose=lambda model, series: RunOptions(candidates=model.joint),
            stages=(20, 40), species=("Ar I", "H I"),
        )  # fmt: skip
        points = []
        for at in range(0, 50, size):
            part = frames[at : at + size]
            step = run.take(Arrived(keys=tuple(f"row {at + i}" for i in range(len(part))), frames=part))
            points = step.points if step.replaced else points + step.points
        results.append([(p.time_s, p.values["H I"], p.errors["H I"]) for p in points])
        assert (run.stage, run.learned_from, run.buffer) == (2, 40, [])
    assert_allclose(results[0], results[1], rtol=1e-9)
