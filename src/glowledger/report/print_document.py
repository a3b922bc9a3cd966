"""A page as a print document: the same answer, figures, tables, cautions and data list, on numbered sheets of A4.

Paragraphs and tables are set by reportlab; the figures keep their lines as lines, put into the finished sheets with
pypdf.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any

from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import Flowable, KeepTogether, LongTable, Paragraph, SimpleDocTemplate, Spacer, TableStyle

from glowledger import __version__
from glowledger.report import page, style
from glowledger.report.sentences import Table

MARGIN = 18 * mm
WIDTH = A4[0] - 2 * MARGIN
FONTS = {
    "glow": "DejaVuSans.ttf", "glow-bold": "DejaVuSans-Bold.ttf", "glow-italic": "DejaVuSans-Oblique.ttf",
    "glow-mono": "DejaVuSansMono.ttf",
}  # fmt: skip
CELL = 3.0 * mm  # padding of a table's columns


@dataclass(slots=True)
class Place:
    """Where a figure goes: sheet number from 0, lower left corner and scale in points, its file."""

    sheet: int
    x: float
    y: float
    scale: float
    content: bytes


class Reserved(Flowable):  # type: ignore[misc]
    """Room for a figure; notes where it came to lie."""

    def __init__(self, picture: page.Picture, places: list[Place]) -> None:
        super().__init__()
        figure = picture.figure
        if figure is None:
            raise ValueError("only drawn figures can be printed")
        self.content = style.figure_bytes(figure, "pdf")
        inches = figure.get_size_inches()
        self.scale = WIDTH / (72.0 * inches[0])
        self.width, self.height = WIDTH, 72.0 * inches[1] * self.scale
        self.places = places

    def wrap(self, *_: float) -> tuple[float, float]:
        """Return the size."""
        return self.width, self.height

    def draw(self) -> None:
        """Note the place; the figure itself is put there when the sheets are done."""
        x, y = self.canv.absolutePosition(0, 0)
        self.places.append(Place(self.canv.getPageNumber() - 1, x, y, self.scale, self.content))


def print_document(report: page.Report) -> bytes:
    """Return a page as PDF.

    Parameters
    ----------
    report : Report
        What the page says. Tables that the page folds away are printed in full.

    Returns
    -------
    bytes
        Sheets of A4, text that can be searched, figures as lines. The same bytes for the same report.
    """
    _register_fonts()
    places: list[Place] = []
    stream = io.BytesIO()
    document = SimpleDocTemplate(
        stream, pagesize=A4, leftMargin=MARGIN, rightMargin=MARGIN, topMargin=MARGIN, bottomMargin=MARGIN,
        title=f"{report.title}: {report.answer}", author=f"glowledger {__version__}", subject=report.answer, lang="en",
        invariant=1,
    )  # fmt: skip

    def edge(canvas: Any, _: Any) -> None:
        canvas.saveState()
        canvas.setFont("glow", 8)
        canvas.setFillColor(HexColor(style.SOFT))
        canvas.drawString(MARGIN, 10 * mm, _short(report.title, 70))
        canvas.drawCentredString(A4[0] / 2, A4[1] - 11 * mm, report.notice or "")
        canvas.drawRightString(A4[0] - MARGIN, 10 * mm, f"glowledger {__version__}, sheet {canvas.getPageNumber()}")
        canvas.restoreState()

    document.build(_content(report, places), onFirstPage=edge, onLaterPages=edge)
    return _with_figures(stream.getvalue(), places)


def _with_figures(sheets: bytes, places: Sequence[Place]) -> bytes:
    from pypdf import PdfReader, PdfWriter, Transformation

    writer = PdfWriter(clone_from=PdfReader(io.BytesIO(sheets)))
    for place in places:
        figure = PdfReader(io.BytesIO(place.content)).pages[0]
        where = Transformation().scale(place.scale).translate(place.x, place.y)
        writer.pages[place.sheet].merge_transformed_page(figure, where)
    for sheet in writer.pages:
        sheet.compress_content_streams()
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def _content(report: page.Report, places: list[Place]) -> list[Any]:
    parts: list[Any] = [_paragraph(report.notice, "notice")] if report.notice else []
    parts += [_paragraph(report.title, "title"), _paragraph(report.answer, "answer")]
    for section in report.sections:
        parts += _section(section, places)
    inside = [f"{one.name}: {one.what}" for one in report.attachments]
    beside = [f"{name}: {what}" for name, what in report.links]
    if inside or beside:
        parts += [_paragraph("Data", "heading"), *(_paragraph(one, "item") for one in [*inside, *beside])]
    versions = ", ".join(f"{name} {number}" for name, number in page.versions())
    repeat = [_paragraph("To repeat this", "heading"), _paragraph(report.command, "code"), _paragraph(versions, "text")]
    return [*parts, KeepTogether(repeat)]


def _section(section: page.Section, places: list[Place]) -> list[Any]:
    parts: list[Any] = [_paragraph(section.heading, "heading")]
    parts += [_paragraph(section.code, "code")] if section.code else []
    parts += [_paragraph(sentence, "text") for sentence in section.prose]
    for picture in section.pictures:
        if picture.figure is not None:
            caption = _paragraph(picture.caption, "caption")
            parts.append(KeepTogether([Spacer(1, 2 * mm), Reserved(picture, places), caption]))
    for chart in section.charts:
        parts += _table(chart)
    parts += [_paragraph(f"! {caution}", "caution") for caution in section.cautions]
    return parts


def _table(chart: page.Chart) -> list[Any]:
    header, rows = chart.table
    if not rows:
        return []
    cells: list[list[Any]] = []
    if chart.caption:  # a row, so that it is never parted from its table
        cells.append([_paragraph(chart.caption, "caption"), *[""] * (len(header) - 1)])
    top = len(cells)
    cells += [[_paragraph(cell, "head") for cell in header]]
    cells += [[_paragraph(cell, "cell") for cell in row] for row in rows]
    table = LongTable(cells, colWidths=_widths(chart.table), repeatRows=(top,), hAlign="LEFT")
    looks: list[Any] = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"), ("LINEBELOW", (0, top + 1), (-1, -1), 0.4, HexColor(style.RULE)),
        ("LINEBELOW", (0, top), (-1, top), 1.0, HexColor(style.INK)), ("LEFTPADDING", (0, 0), (-1, -1), 1),
        ("RIGHTPADDING", (0, 0), (-1, -1), 5), ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2), ("NOSPLIT", (0, 0), (-1, top + 1)),
    ]  # fmt: skip
    table.setStyle(TableStyle([*looks, ("SPAN", (0, 0), (-1, 0))] if top else looks))
    return [table, Spacer(1, 3 * mm)]


def _widths(table: Table) -> list[float]:
    """Return the widths of columns: as wide as the widest cell, narrowed where they would not fit on the sheet."""
    header, rows = table
    wanted, least = [], []
    for k, name in enumerate(header):
        texts = [name, *(row[k] for row in rows)]
        wanted.append(max(pdfmetrics.stringWidth(text, "glow", 8.2) for text in texts) * 1.08 + CELL)
        words = [word for text in texts for word in text.split()] or [""]
        least.append(max(pdfmetrics.stringWidth(word, "glow", 8.2) for word in words) * 1.08 + CELL)
    if sum(wanted) <= WIDTH:
        return wanted
    spare = max(WIDTH - sum(least), 0.0)
    more = [w - n for w, n in zip(wanted, least, strict=True)]
    widths = [n + spare * (m**0.5) / max(sum(q**0.5 for q in more), 1e-9) for n, m in zip(least, more, strict=True)]
    return [w * WIDTH / sum(widths) for w in widths]


def _paragraph(text: str, kind: str) -> Paragraph:
    return Paragraph(escape(text, quote=False).replace("\n", "<br/>"), _STYLES[kind])


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[: most - 1]}…"


def _register_fonts() -> None:
    import matplotlib

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"  # the letters of the figures
    known = pdfmetrics.getRegisteredFontNames()
    for name, file in FONTS.items():
        if name not in known:
            pdfmetrics.registerFont(TTFont(name, str(folder / file)))


def _look(size: float, font: str = "glow", colour: str = style.INK, **more: Any) -> ParagraphStyle:
    return ParagraphStyle(
        font, fontName=font, fontSize=size, leading=1.35 * size, textColor=HexColor(colour), splitLongWords=1, **more
    )


_STYLES = {
    "notice": _look(9, "glow-italic", style.WARN, spaceAfter=4),
    "title": _look(10, colour=style.SOFT),
    "answer": _look(17, spaceBefore=3, spaceAfter=8),
    "heading": _look(12.5, "glow-bold", spaceBefore=10, spaceAfter=4, keepWithNext=1),
    "text": _look(9.2, spaceAfter=4),
    "item": _look(8.6, leftIndent=8, spaceAfter=2),
    "caption": _look(8.2, colour=style.SOFT, spaceBefore=3, spaceAfter=3, keepWithNext=0),
    "caution": _look(9, colour=style.WARN, leftIndent=10, firstLineIndent=-10, spaceAfter=3),
    "code": _look(8, "glow-mono", backColor=HexColor("#f4f2ec"), borderPadding=3, spaceBefore=4, spaceAfter=6),
    "head": _look(8.2, "glow-bold"),
    "cell": _look(8.2),
}
