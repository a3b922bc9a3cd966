"""The figure and the files of a followed run."""

import csv
import json
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from glowledger.report import style
from glowledger.report.figures_run import run_figure, time_unit
from glowledger.report.track_files import trends_csv, write_track
from glowledger.runs.results import Regime

VERDICTS = ["reached", "approaching", "not reached", "cannot tell"]


@pytest.mark.parametrize("verdict", VERDICTS)
def test_every_verdict_is_drawn_said_and_described(make_run, verdict):
    from glowledger.report.sentences import verdict_sentence

    result = make_run(verdict)
    figure = run_figure(result, "invented run", notice=style.INVENTED)
    said = verdict_sentence(result.endpoint)
    assert said in [text.get_text() for text in figure.axes[0].texts]
    assert said in style.alt_text(figure)
    assert style.INVENTED in style.alt_text(figure)
    assert style.figure_bytes(figure).startswith(b"\x89PNG")


def test_nothing_in_the_figure_reaches_beyond_its_edge(make_run):
    figure = run_figure(make_run("approaching"), "invented run", notice=style.INVENTED)
    figure.draw_without_rendering()
    inside = figure.bbox.padded(1)
    for text in [*figure.texts, *figure.axes[0].texts, figure.axes[0].title]:
        box = text.get_window_extent()
        assert inside.x0 <= box.x0, text.get_text()
        assert box.x1 <= inside.x1, text.get_text()


def test_a_run_of_one_frame_or_without_indicators_is_drawn(make_run):
    result = make_run("cannot tell", flashes=False)
    one = tuple(
        replace(t, **{n: getattr(t, n)[:1] for n in ("time_s", "value", "standard_error", "used")})
        for t in result.indicators
    )
    for indicators in (one, ()):
        few = replace(result, indicators=indicators, frames=1, duration_s=0.0, endpoints={})
        assert style.figure_bytes(run_figure(few, "short"), "svg")


def test_conditions_are_marked_with_their_reason(make_run):
    regimes = (
        Regime(start_s=0.0, end_s=400.0, why="start of the run"),
        Regime(start_s=400.0, end_s=1196.0, why="all light stepped by 0.6"),
    )
    figure = run_figure(replace(make_run(), regimes=regimes), "invented run")
    assert any("stepped by 0.6" in text.get_text() for text in figure.axes[0].texts)


def test_time_is_shown_in_a_unit_that_suits_its_length():
    assert [time_unit(length)[0] for length in (90.0, 1200.0, 20_000.0)] == ["s", "min", "h"]


def test_the_table_reads_back_and_leaves_unknown_values_empty(make_run):
    result = make_run()
    value = result.indicators[0].value.copy()
    value[3] = np.nan
    result = replace(result, indicators=(replace(result.indicators[0], value=value), *result.indicators[1:]))
    rows = list(csv.reader(trends_csv(result).splitlines()))
    assert rows[0][:4] == ["time_s", "CO/Ar I", "CO/Ar I standard error", "CO/Ar I used"]
    assert rows[4][1] == ""
    read = np.array([float(row[4]) for row in rows[1:]])
    assert_allclose(read, result.indicators[1].value, rtol=1e-5, atol=1e-9)


def test_all_files_are_written_and_say_that_the_data_are_invented(make_run, tmp_path):
    written = write_track(
        tmp_path / "answer", make_run(), title="t", command="glowledger track t", notice=style.INVENTED,
        extra={"notice": style.INVENTED},
    )  # fmt: skip
    assert written[0].name == "track.html"
    assert {path.name for path in (tmp_path / "answer").iterdir()} == {path.name for path in written}
    for path in written:
        assert style.INVENTED.encode() in path.read_bytes(), path.name
    document = json.loads((tmp_path / "answer" / "track.json").read_text(encoding="utf-8"))
    assert document["schema"] == "glowledger/track/1"
