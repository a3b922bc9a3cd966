"""A contaminant that comes after the measurement was learned is named, measured and followed from there."""

import threading
from dataclasses import replace

import live_recording as recording
import numpy as np
import pytest
from live_follower import asked

from glowledger.live.following import follow_run

SPECIES = ("Ar I", "H I", "Na I")
COMES, TAU, FRAMES = 60, 30.0, 240


@pytest.fixture(scope="module")
def rows():
    """Sodium comes at once in frame 60 and falls from there to a floor, unknown when the first 20 were learned from."""
    counts = recording.counts(FRAMES)
    late = np.arange(FRAMES)[:, None] - COMES
    sodium = np.where(late >= 0, 0.1 + np.exp(-np.maximum(late, 0) / TAU), 0.0)
    # D lines, NIST Atomic Spectra Database; 2 : 1 in an optically thin glow
    lines = sum(
        part * np.exp(-0.5 * ((recording.AXIS - nm) / (recording.WIDTH_NM / 2.3548)) ** 2)
        for nm, part in ((588.995, 1.0), (589.592, 0.5))
    )
    return [recording.table_row(3.0 * k, row) for k, row in enumerate(counts + 5000.0 * sodium * lines)]


class Heard:
    def __init__(self):
        self.lines = {}
        self.seen = []

    def frame(self, number, line):
        self.lines[number] = line

    def notice(self, text):
        pass

    def glows(self, seen):
        self.seen.append(seen)

    def waiting(self, since_s):
        pass


def follow(tmp_path, text, name="out"):
    (tmp_path / "run.csv").write_text(recording.table_head() + text)
    heard = Heard()
    wanted = replace(asked(tmp_path / "run.csv", tmp_path / name, quiet_s=0.0), species=SPECIES)
    return follow_run(wanted, heard, threading.Event()), heard


def test_it_is_named_and_followed_to_its_end(rows, tmp_path):
    ended, heard = follow(tmp_path, "".join(rows))
    news = [a for a in ended.result.alarms if a.kind == "new in the light: Na I"]
    assert len(news) == 1
    assert 3.0 * COMES < news[0].time_s < 3.0 * (COMES + 40)
    told = [n for n, line in heard.lines.items() if any(a["kind"].startswith("new in") for a in line.get("alarms", []))]
    assert len(told) == 1
    sodium = next(t for t in ended.result.indicators if t.name == "Na I/Ar I")
    known = np.isfinite(sodium.value)
    assert not known[:COMES].any()
    assert known[told[0] + 1 :].all()
    # it falls as it was made to: the ratio of its excess 30 frames apart is 1/e, whatever Na I is measured in
    late = sodium.value[known]
    floor = late[-20:].mean()
    first, later = late[5:15].mean() - floor, late[35:45].mean() - floor
    assert later / first == pytest.approx(np.exp(-30 / TAU), abs=0.06)
    assert ended.result.endpoints["Na I/Ar I"].verdict in ("approaching", "reached")


def test_what_it_may_mean_is_told_from_there(rows, tmp_path):
    ended, heard = follow(tmp_path, "".join(rows))
    first, later = ended.glows
    assert set(first.present) == {"Ar I", "H I"}
    assert "Na I" in later.present
    assert first.frames == "the first 20 frames"
    assert "sodium" in [f.kind for f in later.findings]
    assert "sodium" not in [f.kind for f in first.findings]
    assert heard.seen[-1] == ended.glows
    counts = [len(seen) for seen in heard.seen]
    assert counts == sorted(counts)
    assert set(counts) == {0, 1, 2}


def test_hydrogen_does_not_step_when_sodium_is_taken_up(rows, tmp_path):
    ended, _ = follow(tmp_path, "".join(rows))
    hydrogen = next(t for t in ended.result.indicators if t.name == "H I/Ar I")
    frame = hydrogen.time_s / 3.0
    expected = recording.FLOOR + np.exp(-frame / recording.TAU)
    scale = np.median(hydrogen.value[:50] / expected[:50])
    assert np.nanmax(np.abs(hydrogen.value / (scale * expected) - 1.0)[hydrogen.used]) < 0.35
    assert np.nanmedian(hydrogen.value[100:] / (scale * expected[100:])) == pytest.approx(1.0, abs=0.03)
    assert "signal stepped" not in [a.kind for a in ended.result.alarms]


def test_a_restart_forgets_nothing_of_it(rows, tmp_path):
    whole, _ = follow(tmp_path, "".join(rows))
    follow(tmp_path, "".join(rows[:130]), "again")
    ended, _ = follow(tmp_path, "".join(rows), "again")
    a, b = (next(t for t in one.result.indicators if t.name == "Na I/Ar I") for one in (whole, ended))
    np.testing.assert_allclose(a.value, b.value, rtol=1e-9)
    assert [x.kind for x in whole.result.alarms] == [x.kind for x in ended.result.alarms]
    assert whole.glows == ended.glows
    assert len(ended.glows) == 2


def test_steps_wider_than_the_noise_are_told_once_while_the_run_goes_on(tmp_path):
    counts = recording.counts(70)
    step = (counts.max() - counts.min()) / 60
    rows = [recording.table_row(3.0 * k, step * np.round(row / step)) for k, row in enumerate(counts)]
    ended, heard = follow(tmp_path, "".join(rows))
    assert [a.kind for a in ended.result.alarms].count("coarse steps") == 1
    told = [n for n, line in heard.lines.items() if "coarse steps" in [a["kind"] for a in line.get("alarms", [])]]
    assert len(told) == 1
