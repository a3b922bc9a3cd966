"""What a follower says: a line per frame, and the view on a terminal."""

import io
import json
import math
import re
from dataclasses import replace

import pytest

from glowledger.diagnose.cautions import cautions
from glowledger.diagnose.feed import parse_feed
from glowledger.diagnose.sightings import Finding
from glowledger.live.glow_seen import GlowSeen
from glowledger.live.lines import Lines, frame_text, verdict_text
from glowledger.live.view import View, progress, view_lines

NAN = float("nan")
LINE = {
    "source": "row 40", "state": "used", "time_s": 120.0, "first_s": 0.0, "verdict": "approaching", "endpoint_s": 300.0,
    "interval_s": [280.0, 330.0], "remaining_s": 180.0, "remaining_interval_s": [160.0, 210.0], "declared_at_s": NAN,
    "indicator": "CO/Ar I", "indicators": {"CO": [0.0431, 0.0012]}, "alarms": [], "flashes": [],
}  # fmt: skip


def test_a_frame_is_one_line_with_verdict_time_left_and_error():
    text = frame_text(40, LINE)
    assert "\n" not in text
    for part in ("40", "2 min", "approaching, 3 min left (95 %: 2 min 40 s to 3 min 30 s)", "CO 0.0431 ± 0.0012"):
        assert part in text


@pytest.mark.parametrize(("change", "said"), [
    ({"state": "set aside", "flashes": [{"time_s": 117.0, "species": ["Na I"]}]}, "flash of Na I"),
    ({"alarms": [{"kind": "plasma out", "text": "No light."}]}, "alarm, plasma out: No light."),
    ({"state": "unreadable", "reason": "expected 401 columns"}, "row 40 cannot be used: expected 401 columns"),
    ({"state": "learning"}, "learning"),
])  # fmt: skip
def test_what_happened_stands_in_the_line(change, said):
    assert said in frame_text(40, LINE | change)


def test_json_lines_are_json_and_have_no_nan():
    written = []
    lines = Lines(written.append, as_json=True)
    lines.frame(40, LINE)
    caution, frame = (json.loads(text) for text in written)
    assert "safety interlock" in caution["text"]
    assert frame["frame"] == 40
    assert frame["declared_at_s"] is None
    assert frame["indicators"] == {"CO": {"value": 0.0431, "standard_error": 0.0012}}


def test_time_left_is_named_only_where_it_is_known():
    assert verdict_text(LINE | {"remaining_s": NAN}) == "approaching"
    assert verdict_text(LINE | {"verdict": "not reached"}) == "not reached"
    over = LINE | {"verdict": "approaching", "remaining_s": 0.0, "remaining_interval_s": [0.0, 90.0]}
    assert verdict_text(over) == "approaching, perhaps over (95 %: within 1 min 30 s)"
    assert verdict_text(over | {"remaining_interval_s": [0.0, math.inf]}) == "approaching, perhaps over"
    assert progress(LINE) == pytest.approx(120 / 300)
    assert progress(LINE | {"time_s": 1120.0, "first_s": 1000.0}) == pytest.approx(120 / 300)
    assert progress(LINE | {"verdict": "not reached"}) is None
    assert progress(LINE | {"verdict": "reached"}) == 1.0


LEAK = Finding(kind="air leak", text="nitrogen glows although none is fed", confidence="high", evidence=("N2",))
SEEN = GlowSeen(
    frames="the first 20 frames", present=("Ar I", "N2"), findings=(LEAK,),
    cautions=cautions(parse_feed("O2"), None, ()), stated=True,
)  # fmt: skip


def test_what_glows_is_told_once_and_again_when_it_is_another():
    written, more = [], replace(SEEN, frames="the 30 frames up to 5 min")
    lines = Lines(written.append)
    del written[:]
    for seen in ((), (SEEN,), (SEEN,), (SEEN, more), (SEEN, more)):
        lines.glows(seen)
    text = "\n".join(written)
    assert text.count("Nitrogen glows although none is fed. Confidence: high.") == 2
    assert text.count("What glows in the first 20 frames: Ar I (argon) and N2 (nitrogen).") == 1
    assert text.count("What glows in the 30 frames up to 5 min") == 1
    assert "oxygen" in text.lower()  # its hazards, as the gas was stated
    written.clear()
    Lines(written.append).glows((replace(SEEN, stated=False),))
    assert "Take care" not in "\n".join(written)


def test_what_glows_survives_being_kept():
    assert GlowSeen.from_dict(json.loads(json.dumps(SEEN.to_dict()))) == SEEN
    nothing = replace(SEEN, present=(), findings=())
    assert nothing.sentences() == ["Nothing is certain to glow in the first 20 frames."]


def test_the_view_shows_what_glows_in_the_latest_look():
    stream = io.StringIO()
    view = View(stream.write, "frames")
    view.glows((SEEN,))
    view.frame(40, LINE)
    assert stream.getvalue().count("In the glow: Ar I, N2") == 2  # drawn, and drawn over
    assert stream.getvalue().count("air leak (high)") == 2


@pytest.mark.parametrize("rows", [3, 8, 24])
def test_the_view_is_never_taller_than_the_terminal(rows, monkeypatch):
    """What has scrolled out of a terminal cannot be drawn over: it would stand there again with every frame."""
    monkeypatch.setenv("COLUMNS", "40")
    monkeypatch.setenv("LINES", str(rows))
    stream = io.StringIO()
    view = View(stream.write, "frames")
    view.glows((SEEN,))
    for number in range(4):
        view.notice("A notice of many words. " * 8)
        view.frame(number, LINE)
    heights = [int(up) for up in re.findall(r"\x1b\[(\d+)F", stream.getvalue())]
    assert max(heights) < rows
    assert "approaching" in stream.getvalue().split("F\x1b[2K")[-1]  # the verdict is what stays


@pytest.mark.parametrize("width", [20, 40, 80, 200])
def test_the_view_keeps_within_the_terminal(width):
    lines = view_lines("frames", 40, LINE, ["An alarm of many words. " * 6], flashes=3, silent_s=60.0, width=width)
    assert max(len(line) for line in lines) < width
    text = " ".join(" ".join(lines).split())
    assert "interlock" in text
    assert "40 %" in text


def test_the_view_is_drawn_over_itself():
    stream = io.StringIO()
    view = View(stream.write, "frames")
    for number in (1, 2):
        before = stream.tell()
        view.frame(number, LINE)
    last = stream.getvalue()[before:]
    up = int(re.match(r"\x1b\[(\d+)F", last)[1])
    assert up == stream.getvalue()[:before].split("\x1b[J")[-2].count("\n")
    assert "2 frames" in last
