"""Answers in words."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from glowledger.glow.results import SeriesFit
from glowledger.report import sentences
from glowledger.report.numbers import clock, clock_interval, percent, sigmas, two_digits
from glowledger.report.sentences import share_error, unsure_indicators
from glowledger.rounding import plus_minus
from glowledger.runs.analysing import analyse_run
from glowledger.runs.results import Flash


@pytest.mark.parametrize(
    ("value", "error", "expected"),
    [
        # JCGM 100:2008 (GUM) 7.2.6, from memory: 10,057 62 Ω with u = 27 mΩ is rounded to 10,058 Ω
        (10.05762, 0.027, "10.058 ± 0.027"),
        (0.4123, 0.0129, "0.412 ± 0.013"),
        (52043.0, 812.0, "52000 ± 800"),
        (0.0, 1.0, "0.0 ± 1.0"),
        (-3.14159, 0.05, "-3.14 ± 0.05"),
        (math.nan, 1.0, "unknown"),
    ],
)
def test_numbers_carry_as_many_digits_as_their_uncertainty(value, error, expected):
    assert plus_minus(value, error) == expected


@given(st.floats(-1e9, 1e9), st.floats(1e-9, 1e9))
def test_rounding_stays_well_within_the_error(value, error):
    shown, shown_error = (float(part) for part in plus_minus(value, error).split(" ± "))
    assert abs(shown - value) <= 0.17 * error + 1e-9 * abs(value)
    assert shown_error == pytest.approx(error, rel=0.17)


@pytest.mark.parametrize(
    ("seconds", "expected"),
    [
        (0, "0 s"),
        (2.5, "2.5 s"),
        (45, "45 s"),
        (60, "1 min"),
        (565, "9 min 25 s"),
        (3780, "1 h 3 min"),
        (math.nan, "unknown"),
        (math.inf, "never"),
        (59.7, "1 min"),
        (-5, "-5 s"),
    ],
)
def test_times_are_said_as_people_say_them(seconds, expected):
    assert clock(seconds) == expected


def test_open_and_unknown_intervals():
    assert clock_interval((510.0, 575.0)) == "8 min 30 s to 9 min 35 s"
    assert clock_interval((510.0, math.inf)) == "8 min 30 s or later"
    assert clock_interval((math.nan, math.nan)) == ""


def test_an_interval_does_not_vanish_in_rounding():
    assert clock_interval((59.82, 60.21)) == "59.8 s to 60.2 s"  # before: '1 min to 1 min'
    assert clock_interval((22.6, 23.3)) == "22.6 s to 23.3 s"
    assert clock_interval((7330.0, 7375.0)) == "7330 s to 7375 s"  # before: '2 h 2 min to 2 h 2 min'
    assert clock_interval((0.0, 0.0)) == "0 s to 0 s"


@pytest.mark.parametrize(
    ("value", "expected"), [(368.2, "370"), (0.0123, "0.012"), (78.4, "78"), (math.nan, "unknown")]
)
def test_limits_have_two_digits(value, expected):
    assert two_digits(value) == expected


def test_parts_and_significances():
    assert [percent(p) for p in (0.4123, 0.0412, 0.0005, 0.0, math.nan)] == [
        "41 %",
        "4.1 %",
        "< 0.1 %",
        "0.0 %",
        "unknown",
    ]
    assert [sigmas(s) for s in (2.44, 55.0, math.inf, math.nan)] == ["2.4 σ", "> 30 σ", "> 30 σ", "-"]


def test_the_summary_names_what_is_sure_doubtful_untellable_and_unseen_in_this_order(make_fit):
    said = sentences.identify_summary(make_fit())
    assert said[0].startswith("In the glow: Ar I (argon)")
    assert "CN" not in said[0]
    assert said[1].startswith("Possible, not certain: CN")
    assert said[2].startswith("Cannot tell NO: all of its bands lie below 300 nm")
    assert "He I" in said[3]
    assert "not the same as absent" in said[3]


def test_a_reason_that_begins_with_a_symbol_keeps_its_capital(make_fit):
    from dataclasses import replace

    fit = make_fit()
    reason = "Ar I 763.51 stands out by itself"
    fit = replace(fit, species=(replace(fit.species[0], reason=reason), *fit.species[1:]))
    assert f"\nAr I: {reason}.\n" in f"{sentences.identify_text(fit)}\n"


def test_a_spectrum_without_certain_species_claims_nothing(make_fit):
    assert sentences.identify_summary(make_fit(names=("CN",)))[0] == "Nothing in the glow is certain."


def test_the_text_keeps_to_the_width_apart_from_tables(make_fit):
    text = sentences.identify_text(make_fit(), title="a.csv", notes=["Wrote spectrum.png."], width=80)
    blocks = text.split("\n\n")
    assert blocks[0] == "a.csv"
    assert blocks[-1] == "Wrote spectrum.png."
    for block in blocks:
        if not block.startswith("Species"):
            assert max(map(len, block.split("\n"))) <= 80
    assert "Caution: 3 pixels near 811.5 nm are saturated" in text


def test_columns_of_a_table_begin_under_each_other(make_fit):
    lines = sentences.text_table(sentences.species_table(make_fit(), every=True)).split("\n")
    start = lines[0].index("Verdict")
    verdicts = ("present", "possible", "not seen", "cannot tell")
    assert all(line[start:].startswith(verdicts) for line in lines[2:])
    assert all(line[start - 1] == " " for line in lines[2:])


def test_limits_are_given_for_what_is_not_seen_and_nothing_for_what_cannot_be_told(make_fit):
    _, rows = sentences.species_table(make_fit(), every=True)
    by_name = {row[0]: row for row in rows}
    assert by_name["He I"][4] == "below 78 counts (95 %)"
    assert by_name["NO"][2:5] == ("-", "-", "-")


@pytest.mark.parametrize(
    ("verdict", "start"),
    [
        ("reached", "Endpoint reached at 9 min (95 %: 8 min 30 s to 9 min 35 s), declared at 10 min."),
        ("approaching", "Not done yet: about 5 min 40 s left (95 %: 3 min 40 s to 10 min 10 s)."),
        ("not reached", "Not done yet, and no time left can be named."),
        ("cannot tell", "This run cannot tell whether it is done."),
    ],
)
def test_the_verdict_on_a_run_comes_first_with_its_interval(make_run, verdict, start):
    said = sentences.track_summary(make_run(verdict))
    assert said[0] == start
    assert any("Na I, H I and Al I set aside" in s for s in said)
    assert any("saturated" in s for s in said)


@pytest.mark.parametrize(("high_s", "bound"), [(2340.0, " (95 %: within 39 min)"), (float("inf"), "")])
def test_an_end_that_may_have_come_is_not_said_to_be_no_seconds_away(make_run, high_s, bound):
    from dataclasses import replace

    end = replace(make_run("approaching").endpoint, remaining_s=0.0, remaining_interval_s=(0.0, high_s))
    expected = f"Not done yet: the end may have come already, but that is not sure{bound}."
    assert sentences.verdict_sentence(end) == expected


def test_the_text_on_a_run_always_says_what_light_cannot_prove(make_run):
    text = " ".join(sentences.track_text(make_run("reached")).split())
    assert "does not prove that the surface is clean" in text
    assert "not a safety interlock" in text


def test_what_light_cannot_prove_is_said_once(make_run):
    from dataclasses import replace

    run = make_run("reached")
    end = replace(run.endpoint, reason="It fell to its floor. Check with a water-break test.")
    text = sentences.track_text(replace(run, endpoint=end))
    assert text.count("water-break") == 1


def test_a_trend_without_usable_frames_is_unknown(make_run):
    from dataclasses import replace

    import numpy as np

    run = make_run()
    empty = replace(run.indicators[0], used=np.zeros(run.frames, dtype=bool))
    _, rows = sentences.trend_table(replace(run, indicators=(empty,)))
    assert rows[0][1:3] == ("unknown", "unknown")


def test_the_error_of_a_share_is_that_of_drawn_amounts(make_fit):
    fit = make_fit()
    counts = np.array([s.counts if s.share > 0 else 0.0 for s in fit.species])
    shares = counts / counts.sum()
    species = tuple(replace(s, share=float(p)) for s, p in zip(fit.species, shares, strict=True))
    fit = replace(fit, species=species)
    errors = np.array([s.standard_error if p > 0 else 0.0 for s, p in zip(species, shares, strict=True)])
    drawn = counts + errors * np.random.default_rng(3).standard_normal((20_000, counts.size))
    spread = (drawn / drawn.sum(axis=1, keepdims=True)).std(axis=0)
    for one, expected in zip(species, spread, strict=True):
        if one.share > 0:
            assert share_error(one, fit) == pytest.approx(expected, rel=0.03)


def test_what_is_followed_without_being_certain_to_glow_is_named_unless_a_flash_tells_it():
    rng = np.random.default_rng(2)
    t = np.arange(120.0)
    counts = np.column_stack([3e4 + 0 * t, 400 + 4000 * np.exp(-t / 15), 300 + 2000 * np.exp(-t / 15)])
    counts += np.sqrt(counts) * rng.standard_normal(counts.shape)
    total = counts.sum(axis=1)
    plain = {name: np.zeros(t.size) for name in ("continuum_counts", "shift_nm")}
    run = analyse_run(
        SeriesFit(
            species_names=("Ar I", "CO", "CN"), counts=counts, standard_error=np.sqrt(counts), time_s=t,
            total_counts=total, total_error=np.sqrt(total), chi2_reduced=np.ones(t.size),
            saturated=np.zeros(t.size, dtype=bool), exposure_s=np.ones(t.size), **plain,
        )
    )  # fmt: skip
    assert {one.name for one in run.indicators} == {"CO/Ar I", "CN/Ar I"}
    assert unsure_indicators(run, ["Ar I", "CO", "CN"], "the mean") == []
    assert unsure_indicators(run, ["Ar I", "CO"], "the mean") == [
        "Followed, but not certain to glow in the mean: CN."
    ]
    flash = Flash(time_s=5.0, duration_s=1.0, species=("CN",))
    assert unsure_indicators(replace(run, flashes=(flash,)), ["Ar I", "CO"], "the mean") == []
