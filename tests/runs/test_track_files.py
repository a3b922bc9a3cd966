import csv
import json

import numpy as np
import pytest
from run_counts import NAMES, cleaning_counts

from glowledger.errors import WriteError
from glowledger.glow.results import SeriesFit
from glowledger.report.figures_run import drawn_trends, run_figure
from glowledger.report.style import alt_text
from glowledger.report.track_files import write_track
from glowledger.runs.analysing import analyse_run


@pytest.fixture(scope="module")
def result():
    counts = cleaning_counts(200, tau_s=25.0, flashes=(30, 120), out=slice(90, 100))
    return analyse_run(SeriesFit(species_names=NAMES, **counts))


def test_figure_shows_every_indicator_flash_and_condition(result):
    figure = run_figure(result, "a run", notice="Invented data, for demonstration only")
    axes = figure.axes[0]
    labels = axes.get_legend_handles_labels()[1]
    for trend in drawn_trends(result):
        assert trend.name in labels
    assert f"flashes ({len(result.flashes)})" in labels
    written = " ".join(t.get_text() for t in axes.texts)
    assert "plasma out" in written
    assert "endpoint, 95 %" in labels
    assert "Endpoint reached" in alt_text(figure)
    assert "Invented" in alt_text(figure)


def test_indicators_differ_in_marker_not_in_colour_alone(result):
    axes = run_figure(result, "a run").axes[0]
    markers = [line.get_marker() for line in axes.lines if line.get_label() in {t.name for t in result.indicators}]
    assert len(set(markers)) == len(markers) == len(result.indicators)


def test_a_run_without_indicators_can_be_drawn():
    counts = cleaning_counts(3)
    empty = analyse_run(SeriesFit(species_names=NAMES, **counts))
    assert "cannot tell" in alt_text(run_figure(empty, "three frames"))


def test_files_of_a_run_hold_what_the_document_promises(result, tmp_path):
    written = write_track(tmp_path / "out", result, title="a run", command="glowledger track x", notice="Invented")
    assert {p.name for p in written} == {"track.html", "run.png", "run.svg", "track.json", "trends.csv"}
    document = json.loads((tmp_path / "out" / "track.json").read_text())
    assert document["schema"] == "glowledger/track/1"
    fields = {"verdict", "time_s", "interval_s", "declared_at_s", "remaining_s", "remaining_interval_s"}
    assert fields | {"indicator", "criterion", "reason"} <= set(document["endpoint"])
    assert document["frames"] == 200
    rows = list(csv.reader((tmp_path / "out" / "trends.csv").read_text().splitlines()))
    assert rows[0] == ["# note: Invented"]
    assert rows[1][0] == "time_s"
    assert len(rows) == 2 + len(result.indicators[0].time_s)
    value = np.array([float(r[1]) if r[1] else np.nan for r in rows[2:]])
    np.testing.assert_allclose(value, result.indicators[0].value, rtol=1e-5)


def test_a_folder_that_cannot_be_made_is_said(result, tmp_path):
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(WriteError):
        write_track(tmp_path / "taken", result, title="a run", command="glowledger track x")
