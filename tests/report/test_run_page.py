"""The page of a run: spectrum, drift and trade-off beside the trends."""

import csv
import re

import numpy as np
import pytest
from numpy.testing import assert_allclose

from glowledger.glow.own_reference import DriftCurve
from glowledger.report import page, style
from glowledger.report.endpoint_answers import operating_sentences, operating_table, standing
from glowledger.report.figures_endpoint import operating_figure
from glowledger.report.track_files import RunLight, Said, light_data, track_figures, track_report, write_track
from glowledger.runs.operating_point import OperatingPoint

NAN = float("nan")
RISKS = np.array([0.5, 0.2, 0.05, 0.01])


def point_of(stop=(545.0, 560.0, 600.0, NAN)):
    time = np.arange(300.0, 640.0, 20.0)
    early = np.clip(1.2 - (time - 300.0) / 250.0, 0.002, 1.0)
    return OperatingPoint(
        indicator="CO/Ar I", time_s=time, early=early, accepted=0.05, risks=RISKS, stop_s=np.array(stop)
    )


@pytest.fixture
def light(make_fit):
    drift = DriftCurve(
        time_s=np.array([10.0, 600.0, 1100.0]), first_frame=np.array([0, 100, 200]), at_nm=np.array([400.0, 800.0]),
        shift_nm=np.array([[0.0, 0.01], [0.2, 0.25], [0.2, 0.3]]), shift_se_nm=np.full((3, 2), 0.01),
        fwhm_nm=np.array([1.2, 1.3, 1.3]), fwhm_se_nm=np.full(3, 0.01), sentences=("The axis drifted.",),
    )  # fmt: skip
    return RunLight(fit=make_fit(pixels=400), drift=drift, point=point_of())


def test_a_run_that_was_reached_says_at_which_risk_and_how_late(make_run):
    end = make_run("reached").endpoint
    said = " ".join(operating_sentences(point_of(), end))
    assert "risk of 5 %" in said
    assert "declared done at 10 min, 1 min after the estimated endpoint" in said
    assert "Accepting 50 % would have stopped it at 9 min 5 s" in said
    assert "as far as the run decays in that way" in said


def test_a_run_that_waited_for_other_indicators_says_so_and_is_marked_where_it_was_declared(make_run):
    result = make_run("reached")  # declared at 600 s
    point = point_of((400.0, 420.0, 450.0, 480.0))
    said = " ".join(operating_sentences(point, result.endpoint))
    assert "CO/Ar I was done at 7 min 30 s; then the run waited for other indicators to end" in said
    assert "Accepting 50 % would have stopped CO/Ar I at 6 min 40 s" in said
    axes = operating_figure(point, result, "invented run").axes[0]
    star = next(line for line in axes.lines if line.get_marker() == "*")
    assert_allclose(star.get_xdata(), 10.0)
    assert axes.get_xlim()[1] > 10.0


def test_a_run_whose_indicator_was_done_and_is_not_any_more_is_marked_at_its_last_frame(make_run):
    axes = operating_figure(point_of((400.0, 420.0, 450.0, 480.0)), make_run("not reached"), "invented run").axes[0]
    star = next(line for line in axes.lines if line.get_marker() == "*")
    assert_allclose(star.get_xdata(), 620.0 / 60.0)
    assert axes.get_xlim()[1] > 620.0 / 60.0, "or nobody sees it"


def test_a_run_that_goes_on_says_the_risk_of_stopping_now(make_run):
    end = make_run("approaching").endpoint
    point = point_of((NAN, NAN, NAN, NAN))
    assert "would be too early with a probability of 0.2 %" in standing(point, end)
    header, rows = operating_table(point, end)
    assert len(header) == 3
    assert all(row[1] == "not within this run" and row[2] == "-" for row in rows)


def test_every_delay_of_the_table_has_its_interval(make_run):
    end = make_run("reached").endpoint  # at 540 s, 510 to 575 s
    _, rows = operating_table(point_of(), end)
    assert [row[2] for row in rows] == [
        "5 s (-30 s to 35 s)", "20 s (-15 s to 50 s)", "1 min (25 s to 1 min 30 s)", "-",
    ]  # fmt: skip
    assert "(accepted here)" in rows[2][0]


@pytest.mark.parametrize("verdict", ["reached", "approaching", "not reached"])
def test_the_trade_off_is_drawn_with_the_run_on_it(make_run, verdict):
    result = make_run(verdict)
    point = point_of() if verdict == "reached" else point_of((NAN,) * 4)
    figure = operating_figure(point, result, "invented run", notice=style.INVENTED)
    star = next(line for line in figure.axes[0].lines if line.get_marker() == "*")
    x, y = star.get_data()
    if verdict == "reached":
        assert_allclose((x[0], y[0]), (600.0 / 60.0, 5.0))
    else:
        assert_allclose((x[0], y[0]), (point.time_s[-1] / 60.0, 100 * point.now))
    assert standing(point, result.endpoint) in style.alt_text(figure)
    low, high = figure.axes[0].get_xlim()
    assert low < x[0] < high


def test_the_page_shows_all_figures_and_holds_their_numbers(make_run, light, tmp_path):
    written = write_track(
        tmp_path, make_run(), title="t", command="c", notice=style.INVENTED, light=light,
        extra={"notice": style.INVENTED},
    )  # fmt: skip
    text = written[0].read_text(encoding="utf-8")
    assert text.count('class="zooms"') == 4
    assert len(text.encode()) < 2_000_000
    inside = set(re.findall(r'download="([^"]*)"', text))
    assert inside == {"track.json", "trends.csv", "operating_point.csv", "fit.csv", "drift.csv"}
    assert {path.name for path in written if path.suffix in (".csv", ".json")} == inside
    for path in written:
        assert style.INVENTED.encode() in path.read_bytes(), path.name


def test_what_was_marked_and_noted_stands_on_the_page_as_text(make_run):
    said = (
        Said(time_s=None, kind="note", text="door <b>open</b>"), Said(time_s=300.0, kind="magnet", text=""),
        Said(time_s=421.0, kind="note", text="a hiss"),
    )  # fmt: skip
    result, light = make_run("reached"), RunLight(said=said)
    figures = track_figures(result, light, "run", None)
    (marks,) = [line for line in figures["run"].axes[0].lines if str(line.get_label()).startswith("marks")]
    assert len(marks.get_xdata()) == 1  # notes are no marks
    text = page.page_html(track_report(result, figures, light, title="run", command="c"))
    for words in ("a hiss", "magnet", "door &lt;b&gt;open"):
        assert words in text
    bare = page.page_html(track_report(result, track_figures(result, RunLight(), "r", None), RunLight(), title="r",
                                       command="c"))  # fmt: skip
    assert "noted while" not in bare


def test_drift_and_risk_read_back(light):
    data = light_data(light, None)
    rows = list(csv.DictReader(data["drift.csv"].content.splitlines()))
    assert_allclose([float(row["shift_nm at 800.0 nm"]) for row in rows], light.drift.shift_nm[:, 1], rtol=1e-5)
    rows = list(csv.DictReader(data["operating_point.csv"].content.splitlines()))
    assert_allclose([float(row["probability_too_early"]) for row in rows], light.point.early, rtol=1e-5)


def test_what_is_not_known_is_left_out(make_run):
    result = make_run("cannot tell")
    figures = track_figures(result, RunLight(), "t", None)
    report = track_report(result, figures, RunLight(), title="t", command="c")
    assert set(figures) == {"run"}
    assert page.page_html(report).count('class="zooms"') == 1
