"""The HTML page: whole in itself, well formed, safe against what a file name may hold."""

import base64
import html.parser
import json
import re
from dataclasses import replace
from pathlib import Path

import pytest

from glowledger.report import page, page_figures, sentences, style
from glowledger.report.csv_tables import table_csv
from glowledger.report.figures_identify import spectrum_figure
from glowledger.report.identify_files import fit_csv, identify_report, write_identify

VOID = {"meta", "input", "img", "br", "link"}  # HTML 5: void elements, from memory


class Reader(html.parser.HTMLParser):
    """Collects tags and checks that they close in order."""

    def __init__(self):
        super().__init__()
        self.open, self.tags, self.text = [], [], []

    def handle_starttag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text.append(data)


def read(text):
    reader = Reader()
    reader.feed(text)
    reader.close()
    assert reader.open == []
    return reader


def page_of(fit, title, command, notice=None):
    figure = spectrum_figure(fit, title, notice=notice)
    report = identify_report(fit, {"spectrum": figure}, title=title, command=command, notice=notice)
    return page.page_html(replace(report, links=[("fit.csv", "the fit")]))


@pytest.fixture
def whole(make_fit):
    return page_of(make_fit(), "a <b> & c.csv", "glowledger identify 'a <b>.csv'", style.INVENTED)


def test_the_page_is_well_formed_and_shows_names_as_they_are(whole):
    text = "".join(read(whole).text)
    assert "a <b> & c.csv" in text
    assert "glowledger identify 'a <b>.csv'" in text
    assert "<b>" not in re.sub(r"&lt;b&gt;", "", whole)


def test_the_page_needs_no_network(whole):
    for _, attributes in read(whole).tags:
        for name in ("src", "href"):
            value = attributes.get(name, "data:")
            assert re.match(r"data:|#|[\w.]+$", value or ""), value
    assert not re.search(r"url\((?!#)", whole)
    assert "@import" not in whole
    addresses = set(re.findall(r"https?://[^\s\"']+", whole))
    assert addresses == {"http://www.w3.org/2000/svg"}  # a name, not a place


def test_the_only_script_is_our_own_and_what_it_reads_is_json(whole):
    scripts = re.findall(r"<script([^>]*)>(.*?)</script>", whole, flags=re.S)
    assert [kind for kind, _ in scripts] == [' type="application/json"', ""]
    assert json.loads(scripts[0][1])["panels"]
    own = (Path(page.__file__).parent / "zoom.js").read_text(encoding="utf-8")
    assert scripts[1][1].strip() == own.strip()
    assert not re.search(r"fetch\(|XMLHttpRequest|innerHTML|eval\(", own)


def test_the_answer_comes_first_and_the_notice_before_it(whole, make_fit):
    answer = sentences.identify_summary(make_fit())[0]
    body = whole[whole.index("<body>") :]
    assert body.index(style.INVENTED) < body.index(answer) < body.index("<h2>")


def test_every_figure_has_a_text_alternative_and_every_table_a_header(whole):
    tags = read(whole).tags
    drawings = [attributes for tag, attributes in tags if tag == "svg"]
    assert drawings
    assert all(one["role"] == "img" and len(one["aria-label"]) > 40 for one in drawings)
    assert sum(tag == "table" for tag, _ in tags) == sum(tag == "thead" for tag, _ in tags) == 3
    assert all(attributes.get("scope") == "col" for tag, attributes in tags if tag == "th")


def test_the_page_tells_versions_command_and_language(whole):
    from importlib.metadata import version

    assert f"numpy {version('numpy')}" in whole
    assert '<html lang="en">' in whole
    assert "prefers-color-scheme: dark" in whole
    assert "@media print" in whole


def test_a_page_of_a_wide_spectrum_stays_below_two_megabytes(make_fit):
    text = page_of(make_fit(200, 1050, 4096), "wide", "glowledger identify wide.csv")
    assert len(text.encode("utf-8")) < 2_000_000


def test_files_inside_the_page_come_out_as_they_went_in():
    report = page.Report(
        title="t",
        answer="a",
        sections=[],
        command="c",
        attachments=[page.Attachment(name="x.json", content='{"é":1}'.encode(), what="numbers")],
    )
    link = next(a for tag, a in read(page.page_html(report)).tags if tag == "a")
    assert link["download"] == "x.json"
    media, _, content = link["href"].partition(";base64,")
    assert media == "data:application/json"
    assert base64.b64decode(content).decode("utf-8") == '{"é":1}'


def test_a_large_figure_is_embedded_as_pixels(make_fit, monkeypatch):
    monkeypatch.setattr(page_figures, "LARGEST_SVG", 1000)
    figure = spectrum_figure(make_fit(pixels=300), "invented")
    report = page.Report(
        title="t",
        answer="a",
        command="c",
        sections=[page.Section(heading="h", pictures=[page.Picture(figure=figure, caption="c")])],
    )
    text = page.page_html(report)
    image = next(attributes for tag, attributes in read(text).tags if tag == "img")
    assert image["src"].startswith("data:image/png;base64,")
    assert image["alt"] == style.alt_text(figure)
    assert "zoom" not in text[text.index("<main>") :]


def test_identify_writes_its_files_and_says_on_each_that_the_data_are_invented(make_fit, tmp_path):
    written = write_identify(
        tmp_path / "a" / "b",
        make_fit(pixels=300),
        title="t",
        command="c",
        notice=style.INVENTED,
        extra={"notice": style.INVENTED},
    )
    assert {path.name for path in written} == {
        "identify.html",
        "identify.json",
        "spectrum.png",
        "spectrum.svg",
        "features.csv",
        "fit.csv",
    }
    assert {path.name for path in (tmp_path / "a" / "b").iterdir()} == {path.name for path in written}
    for path in written:
        assert style.INVENTED.encode() in path.read_bytes(), path.name


def test_the_fit_reads_back_with_the_general_reader_of_numpy(make_fit):
    import io

    import numpy as np
    from numpy.testing import assert_allclose

    fit = make_fit(pixels=300)
    table = np.genfromtxt(io.StringIO(fit_csv(fit, "note")), delimiter=",", names=True, skip_header=1)
    assert_allclose(table["wavelength_nm"], fit.axis_nm, rtol=1e-6)
    assert_allclose(table["model"], fit.model, rtol=1e-6)
    assert table["used"].sum() == fit.used.sum()


def test_tables_quote_what_holds_commas():
    import csv

    table = (("a", "b"), [("x, y", 'say "no"')])
    assert list(csv.reader(table_csv(table).splitlines())) == [["a", "b"], ["x, y", 'say "no"']]
