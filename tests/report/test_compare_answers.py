"""What `compare` prints, writes and draws. Whole texts beside stored ones prove nothing about physics.

After a change of wording that is meant, run this file as a program and read the difference before committing it.
"""

import csv
import dataclasses
import json
import sys
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from glowledger.diagnose.compared_run import QUANTITIES, ComparedRun
from glowledger.diagnose.comparing import compare_runs
from glowledger.diagnose.estimates import Estimate
from glowledger.diagnose.fair_comparison import Conditions
from glowledger.diagnose.feed import parse_feed
from glowledger.diagnose.repeats_needed import scatter_from_relative
from glowledger.diagnose.run_estimates import DecayReading
from glowledger.report.compare_answers import compare_document, compare_text, difference_table, headline, run_table
from glowledger.report.compare_files import write_compare
from glowledger.report.documents import dumps, track_document
from glowledger.report.figures_compare import aligned, compare_figure
from glowledger.report.gas_cautions import gas_cautions
from glowledger.report.plan_answers import Plan, plan_text
from glowledger.report.style import alt_text

GOLDEN = Path(__file__).parent / "golden"
NAMES = ["compare.txt", "compare_plan.txt", "compare_plan_unknown.txt"]


def invented_comparison(make_run):
    """Two gases, one run each: the second is slower, its endpoint open, and seen through another window."""
    first = make_run("reached", seed=5)
    second = dataclasses.replace(make_run("not reached", seed=6), flashes=())
    stretched = tuple(dataclasses.replace(t, time_s=1.5 * t.time_s) for t in second.indicators)
    second = dataclasses.replace(second, indicators=stretched, duration_s=1.5 * second.duration_s)
    common = {"bench": "aa", "reference": "Ar I", "part": "coupon", "electrode": "ring"}
    oxygen = Conditions(feed=parse_feed("O2"), power_w=60.0, words={**common, "window": "silica"})
    argon = Conditions(feed=parse_feed("Ar"), power_w=80.0, words={**common, "window": "acrylic"})
    runs = [
        ComparedRun(name="oxygen", result=first, conditions=oxygen, decays=(invented_decay(180.0, 0.408),)),
        ComparedRun(name="argon", result=second, conditions=argon, decays=(invented_decay(270.0, 0.413),)),
    ]
    return compare_runs(runs, "CO")


def invented_decay(tau_s, level):
    """A reading made up by hand, so that the stored texts hang on nothing but the wording."""
    return DecayReading(
        name="CO/Ar I",
        time_constant=Estimate(value=tau_s, low=0.95 * tau_s, high=1.04 * tau_s),
        slow_constant=Estimate(reason="the fall has one stage"),
        initial=Estimate(value=level, low=level - 0.007, high=level + 0.007, freedom=20.0),
        final=Estimate(value=0.0082, low=0.0031, high=0.0133, freedom=40.0),
        two=0.01,
    )


def reports(make_run):
    compared = invented_comparison(make_run)
    known = Plan(difference=0.2, chance=0.8, gases=3, scatter=scatter_from_relative(0.1))
    unknown = Plan(difference=0.2, chance=0.8, gases=2, scatter=None, unknown="no earlier runs were given.")
    return {
        "compare.txt": compare_text(compared, cautions=gas_cautions([parse_feed("O2")]), notes=["Wrote nothing."]),
        "compare_plan.txt": plan_text(known),
        "compare_plan_unknown.txt": plan_text(unknown),
    }


@pytest.fixture
def compared(make_run):
    return invented_comparison(make_run)


@pytest.mark.parametrize("name", NAMES)
def test_the_text_reads_as_stored(name, make_run):
    assert reports(make_run)[name] + "\n" == (GOLDEN / name).read_text(encoding="utf-8")


def test_the_document_has_what_scripts_rely_on(compared):
    document = json.loads(dumps(compare_document(compared)))
    assert document["schema"] == "glowledger/compare/1"
    for run in document["runs"]:
        assert {"name", "gas", "endpoint_s", "interval_s", "time_constant_s", "interval_tau_s"} <= set(run)
    assert {"ranking", "warnings"} <= set(document)
    assert document["runs"][1]["endpoint_s"] is None
    by = {c["quantity"]: c for c in document["comparisons"]}
    assert by["time_constant_s"]["told"]
    assert by["time_constant_s"]["interval"][0] < 1.5 < by["time_constant_s"]["interval"][1]
    assert not by["initial_level"]["fair"]
    assert not by["initial_level"]["told"]
    assert by["endpoint_s"]["ratio"] is None
    assert document["causes"][0]["differ"] == ["gas", "power"]


def test_many_pairs_are_summed_up_instead_of_listed(make_run):
    runs = [
        ComparedRun(name=f"run {i}", result=make_run(seed=i), conditions=Conditions(feed=parse_feed(gas)),
                    decays=(invented_decay(100.0 * (1 + i), 0.4),))
        for i, gas in enumerate(["O2", "O2", "Ar", "Ar", "Ar"])
    ]  # fmt: skip
    compared = compare_runs(runs)
    text = compare_text(compared)
    judged = [c for c in compared.comparisons if c.fair and c.difference is not None]
    told = sum(c.told for c in judged)
    assert told >= 9  # all but the last two time constants differ by 20 % or more, the intervals by 5 %
    assert f"Of {len(judged)} fair comparisons between 10 pairs of runs {told} are larger" in " ".join(text.split())
    assert "gas (6 pairs)" in text
    assert text.count("Differs:") == min(told, 12)


def test_every_known_number_of_the_table_has_its_interval(compared):
    header, rows = run_table(compared)
    assert len(header) == len(rows[0]) == len(rows[1])
    for row in rows:
        for cell in row[3:]:
            assert cell == "cannot tell" or "(" in cell


def test_the_figure_draws_every_run_from_its_start_and_differs_in_marker(compared):
    figure = compare_figure(compared, notice="Invented data")
    lines = [line for line in figure.axes[0].lines if line.get_label()[0] != "_"]
    assert [line.get_label() for line in lines] == ["oxygen (O2)", "argon (Ar)"]
    assert len({line.get_marker() for line in lines}) == 2
    assert len({str(line._dash_pattern) for line in lines}) == 2
    assert all(line.get_xdata()[0] < 1.0 for line in lines)
    assert "oxygen" in alt_text(figure)
    assert "Invented" in alt_text(figure)


def untimed(compared, names):
    """The same runs, of which those named told no time."""
    nothing = {q: Estimate(reason="no decay stands out") for q in ("endpoint_s", "time_constant_s", "slow_constant_s")}
    runs = [
        dataclasses.replace(r, estimates=r.estimates | nothing if r.name in names else r.estimates)
        for r in compared.runs
    ]
    return dataclasses.replace(compared, runs=tuple(runs), ranking=())


def test_where_nobody_can_be_called_faster_the_headline_says_why_and_what_else_differs(compared):
    assert "argon told neither an end nor a time constant." in headline(untimed(compared, {"argon"}))
    assert "oxygen and argon told neither" in headline(untimed(compared, {"argon", "oxygen"}))
    timed = headline(dataclasses.replace(compared, ranking=()))
    assert "neither" not in timed
    assert "is larger than its uncertainty" in timed
    differs = {QUANTITIES[c.quantity][0] for c in compared.comparisons if c.told}
    assert differs
    assert all(name in timed for name in differs)


def test_the_heading_of_the_figure_stays_within_it(compared):
    long = tuple(dataclasses.replace(r, name=f"{r.name} of a coupon kept wet") for r in compared.runs)
    figure = compare_figure(dataclasses.replace(untimed(compared, {"oxygen", "argon"}), runs=long), notice="Invented")
    figure.canvas.draw()
    heading = figure.axes[0]._left_title.get_window_extent()
    assert heading.x1 <= figure.bbox.x1
    assert heading.y1 <= figure.bbox.y1


def test_long_runs_are_averaged_for_the_figure_without_bias(make_run):
    trend = make_run().indicators[0]
    time, value = aligned(trend)
    assert len(time) == 120
    np.testing.assert_allclose(np.average(value, weights=[3] * 60 + [2] * 60), trend.value.mean())  # 300 frames
    assert time[0] < time[-1] <= trend.time_s[-1]


def test_the_files_hold_what_the_page_promises(compared, tmp_path):
    written = write_compare(tmp_path / "out", compared, command="glowledger compare a b", notice="Invented")
    assert {p.name for p in written} == {
        "compare.html", "compare.png", "compare.svg", "compare.json", "runs.csv", "differences.csv",
    }  # fmt: skip
    rows = list(csv.reader((tmp_path / "out" / "differences.csv").read_text(encoding="utf-8").splitlines()))
    assert rows[0] == ["# note: Invented"]
    assert len(rows) == 2 + len(difference_table(compared)[1])
    assert json.loads((tmp_path / "out" / "compare.json").read_text())["runs"][0]["name"] == "oxygen"


# the command


def told(*words):
    from glowledger.cli import main

    return CliRunner().invoke(main, ["compare", *map(str, words)])


@pytest.fixture
def files(make_run, tmp_path):
    """Two documents of track, one bare and one in a run folder."""
    first, folder = tmp_path / "first.json", tmp_path / "second"
    document = dumps(track_document(make_run(seed=5), extra={"setup": {"window": "acrylic"}}))
    first.write_text(document, encoding="utf-8-sig")  # as some editors save it
    folder.mkdir()
    extra = {"setup": {"window": "fused silica", "exposure_s": 0.2}, "notice": "Invented"}
    (folder / "track.json").write_text(dumps(track_document(make_run(seed=6), extra=extra)))
    return first, folder


def test_documents_are_compared_and_named_after_their_files(files):
    done = told(*files, "--gas", "first=O2", "--gas", "Ar", "--power", "60 W", "--json")
    assert done.exit_code == 0, done.stderr
    document = json.loads(done.stdout)
    assert [(r["name"], r["power_w"]) for r in document["runs"]] == [("first", 60.0), ("second", 60.0)]
    assert document["notice"] == "Invented"
    level = next(c for c in document["comparisons"] if c["quantity"] == "final_level")
    assert "window" in level["answer"]
    assert any("ozone" in c for c in document["cautions"])


def test_a_gas_of_all_runs_yields_to_that_of_one(files):
    given = ("--gas", "Ar", "--gas", "second=O2", "--json")
    gases = [r["gas"] for r in json.loads(told(*files, *given).stdout)["runs"]]
    assert gases == ["Ar", "O2"]
    turned = ("--gas", "second=O2", "--gas", "Ar", "--json")
    assert [r["gas"] for r in json.loads(told(*files, *turned).stdout)["runs"]] == ["Ar", "O2"]


def test_a_pirani_gauge_reads_another_pressure_in_another_gas(files):
    given = ("--gas", "first=N2", "--gas", "second=Ar", "--pressure", "5 Pa", "--gauge", "pirani", "--json")
    document = json.loads(told(*files, *given).stdout)
    nitrogen, argon = (run["pressure_pa"] for run in document["runs"])
    assert nitrogen == pytest.approx(5.0)
    assert 1.5 < argon / 5.0 < 1.8  # common practice: Pirani gauges read argon low by some 1.6
    level = next(c for c in document["comparisons"] if c["quantity"] == "initial_level")
    assert "pressure differs" in level["answer"]
    assert {"gas", "pressure"} <= set(document["causes"][0]["differ"])


def test_a_pressure_without_its_gauge_is_not_used(files):
    document = json.loads(told(*files, "--gas", "Ar", "--pressure", "5 Pa", "--json").stdout)
    assert document["runs"][0]["pressure_pa"] is None
    assert any("kind of gauge" in w for w in document["warnings"])


def test_names_are_checked(files):
    assert told(*files, "--names", "a").exit_code == 2
    assert told(*files, "--names", "a,b", "--gas", "first=O2").exit_code == 2
    assert told(files[0]).exit_code == 2
    assert told(*files, "--names", "a,a").exit_code == 3


def test_a_damaged_document_is_refused_in_one_paragraph(files, tmp_path):
    (tmp_path / "half.json").write_text('{"schema":"glowledger/track/1","frames":')
    (tmp_path / "other.json").write_text('{"schema":"glowledger/identify/1"}')
    for name in ("half.json", "other.json", "nowhere.json"):
        done = told(files[0], tmp_path / name, "-o", tmp_path / "out")
        assert done.exit_code == 3
        assert len(done.stderr.strip().splitlines()) == 1
        assert name in done.stderr
        assert not (tmp_path / "out").exists()


def test_a_number_without_unit_and_an_unknown_gas_are_refused(files):
    for wrong in (("--power", "60"), ("--gas", "phlogiston")):
        assert told(*files, *wrong).exit_code == 3


def test_a_plan_without_runs_says_what_it_cannot_tell():
    done = told("--plan", "--difference", "0.3")
    assert done.exit_code == 0
    assert done.stdout.startswith("Cannot tell how many repeats it takes")
    assert "no earlier runs" in " ".join(done.stdout.split())


def test_a_plan_from_a_stated_scatter_is_that_of_the_t_test():
    from glowledger.diagnose.repeats_needed import repeats_for

    plan = json.loads(told("--plan", "--difference", "0.3", "--scatter", "0.15", "--json").stdout)["plan"]
    assert plan["repeats_per_gas"] == repeats_for(0.3, scatter_from_relative(0.15).value).needed


def test_a_plan_takes_several_gases_with_the_cautions_of_each():
    gases = ("--gas", "O2", "--gas", "H2", "--gas", "Ar")
    document = json.loads(told("--plan", *gases, "--scatter", "0.1", "--json").stdout)
    assert document["plan"]["gases"] == 3
    cautions = " ".join(document["cautions"])
    assert "ozone" in cautions
    assert "embrittles" in cautions
    assert "sputtering" in cautions


def test_two_values_for_all_runs_are_a_contradiction(files):
    done = told(*files, "--gas", "O2", "--gas", "Ar")
    assert done.exit_code == 2
    assert "says two things of all runs" in done.stderr


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent))
    from invented_results import invented_run

    for name, text in reports(invented_run).items():
        (GOLDEN / name).write_text(text + "\n", encoding="utf-8")
