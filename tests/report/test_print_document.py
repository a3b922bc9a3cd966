"""The print document says what the page says."""

import io

import pytest
from pypdf import PdfReader

from glowledger.report import page, style
from glowledger.report.figures_identify import spectrum_figure
from glowledger.report.identify_files import identify_report
from glowledger.report.print_document import print_document


@pytest.fixture(scope="module")
def told():
    return page.Report(title="t", answer="a", sections=[], command="c")


def read(report):
    reader = PdfReader(io.BytesIO(print_document(report)))
    return reader, " ".join(" ".join(sheet.extract_text() for sheet in reader.pages).split())


@pytest.fixture
def report(make_fit):
    fit = make_fit(pixels=500)
    figure = spectrum_figure(fit, "a <b> & c.csv", notice=style.INVENTED)
    return identify_report(
        fit, {"spectrum": figure}, title="a <b> & c.csv", command="glowledger identify 'a <b>.csv'",
        notice=style.INVENTED,
    )  # fmt: skip


def test_every_sentence_cell_and_caution_of_the_page_is_printed(report):
    reader, text = read(report)
    assert len(reader.pages) > 1
    squeezed = text.replace(" ", "")
    for section in report.sections:
        cells = [cell for chart in section.charts for row in [chart.table[0], *chart.table[1]] for cell in row]
        for said in [section.heading, *section.prose, *section.cautions, *cells]:
            assert said.replace(" ", "") in squeezed, said
    for said in (report.answer, report.command, report.notice, "numpy"):
        assert said.replace(" ", "") in squeezed


def test_figures_keep_their_lines_and_letters(report):
    reader, text = read(report)
    assert "Wavelength in air (nm)" in text
    assert not any(sheet.images for sheet in reader.pages)


def test_the_document_names_itself_and_its_language(report):
    reader, _ = read(report)
    assert reader.metadata.title == f"{report.title}: {report.answer}"
    assert reader.root_object["/Lang"] == "en"
    assert all(abs(float(sheet.mediabox.width) - 595.28) < 0.1 for sheet in reader.pages)  # A4: ISO 216, 210 mm


def test_the_same_report_gives_the_same_bytes(told):
    assert print_document(told) == print_document(told)


def test_a_table_longer_than_a_sheet_repeats_its_header():
    table = (("Left column", "Right"), [(f"row {i}", "x" * (i % 60)) for i in range(150)])
    section = page.Section(heading="h", charts=[page.Chart(table=table, caption="Long table")])
    _, text = read(page.Report(title="t", answer="a", sections=[section], command="c"))
    assert text.count("Left column") >= 3
    assert text.count("Long table") == 1
    assert all(f"row {i}" in text for i in range(150))
