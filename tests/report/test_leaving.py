"""What a command leaves in a folder: every format that was asked for, and data that come out as they went in."""

import base64
import io
import re
import zipfile

import pytest
from matplotlib.figure import Figure

from glowledger.report import page
from glowledger.report.leaving import Data, Drawn, attached, leave

REPORT = page.Report(title="t", answer="a", sections=[], command="c")


def left(folder, drawn, data):
    figure = Figure(figsize=(2, 1))
    figure.subplots().plot([0, 1])
    return leave(folder, "answer", REPORT, {"one": figure}, {"x.csv": Data(content=data, what="numbers")}, drawn)


@pytest.mark.parametrize("formats", [("png",), ("svg", "pdf"), ("png", "svg", "pdf")])
def test_figures_are_written_in_every_format_asked_for(tmp_path, formats):
    written = left(tmp_path / "new", Drawn(formats=formats), "a\n1\n")
    names = {path.name for path in (tmp_path / "new").iterdir()}
    assert names == {path.name for path in written} == {"answer.html", "x.csv", *(f"one.{kind}" for kind in formats)}


def test_a_print_document_is_written_and_linked_where_asked_for(tmp_path):
    written = left(tmp_path, Drawn(pdf=True), "a\n1\n")
    assert written[0].name == "answer.html"
    assert (tmp_path / "answer.pdf").read_bytes().startswith(b"%PDF")
    assert 'href="answer.pdf"' in written[0].read_text(encoding="utf-8")


def test_data_inside_the_page_are_those_beside_it(tmp_path):
    left(tmp_path, Drawn(), "wavelength,counts\n500.1,é\n")
    text = (tmp_path / "answer.html").read_text(encoding="utf-8")
    found = re.search(r'download="x.csv" href="data:text/csv;base64,([^"]*)"', text)
    assert base64.b64decode(found[1]) == (tmp_path / "x.csv").read_bytes()


def test_large_data_are_packed_and_huge_ones_linked(tmp_path):
    text = "".join(f"{i},{i * i}\n" for i in range(40_000))
    packed = attached("x.csv", Data(content=text, what="numbers"))
    assert packed.name == "x.csv.zip"
    assert zipfile.ZipFile(io.BytesIO(packed.content)).read("x.csv").decode("utf-8") == text
    assert packed.content == attached("x.csv", Data(content=text, what="numbers")).content
    from random import Random

    huge = Random(1).randbytes(600_000).hex()
    assert attached("x.csv", Data(content=huge, what="numbers")) is None
    left(tmp_path, Drawn(), huge)
    assert 'href="x.csv"' in (tmp_path / "answer.html").read_text(encoding="utf-8")
