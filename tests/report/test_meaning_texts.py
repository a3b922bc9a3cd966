"""Sentences and tables on what a spectrum may mean."""

import numpy as np

from glowledger.diagnose.cautions import DEFER, cautions
from glowledger.diagnose.colour import recorded_colour
from glowledger.diagnose.colour_match import match_spectrum
from glowledger.diagnose.feed import parse_feed
from glowledger.diagnose.sightings import Finding
from glowledger.diagnose.state import StateReading
from glowledger.report.colour_answers import ColourAnswer
from glowledger.report.figures_colour import colour_figure
from glowledger.report.figures_identify import spectrum_figure
from glowledger.report.identify_files import identify_report
from glowledger.report.meaning_texts import (
    caution_sentences,
    reading_text,
    settling_sentences,
    state_sentence,
    state_table,
)
from glowledger.report.page import page_html


def reading(value=1500.0, interval=(1220.0, 1849.0), unit="K", told=True, name="Ar 4p excitation temperature"):
    return StateReading(
        name=name, value=value, standard_error=100.0, interval=interval, unit=unit, told=told,
        reason="Because of the levels.", cautions=("Not the electron temperature.",), sources=("A book",),
    )  # fmt: skip


def test_each_conclusion_names_what_would_settle_it_and_what_else_it_could_be():
    leak = Finding(
        kind="air leak", text="A leak.", confidence="high", evidence=("N2",), confirm_by=("close the valve", "wait"),
        could_also_be=("a virtual leak",),
    )  # fmt: skip
    purity = Finding(kind="purity", text="Pure.", confidence="low", evidence=("Ar I",), confirm_by=("x",))
    (said,) = settling_sentences([leak, purity])
    assert said == "To check 'air leak': close the valve; or wait. It could also be a virtual leak."


def test_cautions_of_the_gas_are_said_with_whom_to_ask_and_general_ones_are_left_to_the_page():
    said = caution_sentences(cautions(parse_feed("O2")))
    assert any(s.startswith("Take care (oxygen and pump oil)") for s in said)
    assert not any("volts" in s for s in said)
    assert said[-1] == DEFER
    assert caution_sentences(cautions(parse_feed("Ar"))) == []


def test_readings_are_given_to_what_their_interval_carries():
    assert reading_text(reading()) == "1500 K (95 %: 1220 to 1850 K)"
    assert reading_text(reading(0.0721, (0.0527, 0.0945), "1")) == "0.072 (95 %: 0.053 to 0.095)"
    assert reading_text(reading(np.nan, (4210.0, np.inf), told=False)) == "cannot tell; above 4210 K"
    assert reading_text(reading(np.nan, (0.0, 2.1e21), "m^-3", told=False)) == "cannot tell; below 2.1e+21 m^-3"
    assert reading_text(reading(np.nan, (np.nan, np.nan), told=False)) == "cannot tell"
    assert state_sentence(reading()).endswith("K). Because of the levels.")


def test_rotation_is_not_told_twice():
    # the fit's own report has the temperature; here stands what it must not be taken for
    said = state_sentence(reading(name="rotational temperature of OH"))
    assert said == "Beware of the rotational temperature of OH: Not the electron temperature."


def test_the_page_shows_the_state_with_what_cannot_be_told_and_the_colour_with_its_swatch(make_fit):
    axis = np.linspace(400.0, 700.0, 600)
    colour = recorded_colour(axis, 1e3 * np.exp(-(((axis - 589.0) / 1.0) ** 2)))
    answer = ColourAnswer(
        subject="The glow", colour=colour, estimate=None, observed=None, match=match_spectrum(colour),
        cautions=("A colour is a hint.",),
    )  # fmt: skip
    untold = reading(np.nan, (np.nan, np.nan), told=False)
    fit = make_fit(pixels=512)
    figures = {"spectrum": spectrum_figure(fit, "invented"), "colour": colour_figure(answer)}
    report = identify_report(
        fit, figures, title="invented", command="c", state=(reading(), untold), colour=answer,
        hints=("Argon cleans by sputtering.",),
    )  # fmt: skip
    text = page_html(report)
    for words in ("State of the plasma", "1500 K (95 %: 1220 to 1850 K)", "cannot tell",
                  "Not the electron temperature.", "A book", "The colour of the glow", colour.srgb,
                  "A colour is a hint.", "Argon cleans by sputtering."):  # fmt: skip
        assert words in text
    header, rows = state_table((reading(), untold))
    assert len(header) == len(rows[0]) == 5
