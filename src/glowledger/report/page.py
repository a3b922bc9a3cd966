"""One self-contained HTML page: the answer on top, then figures, tables, cautions, how to repeat it."""

from __future__ import annotations

import base64
import html
import platform
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from glowledger import __version__
from glowledger.report import style
from glowledger.report.page_figures import HOW, Picture, picture_html, zoom_script
from glowledger.report.sentences import Table

__all__ = ["Attachment", "Chart", "Picture", "Report", "Section", "page_html", "versions"]

LIBRARIES = ("numpy", "scipy", "astropy", "specutils", "matplotlib")
INSIDE = "Inside this page, to save"
BESIDE = "In the folder of this page"
MEDIA = {".json": "application/json", ".csv": "text/csv", ".toml": "text/plain", ".zip": "application/zip"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """A table and the line above it; `folded` hides a long one behind a click."""

    table: Table
    caption: str
    folded: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Attachment:
    """A file that the page carries inside itself."""

    name: str
    content: bytes
    what: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A part of the page: a command, prose, figures, tables, cautions, links, in this order."""

    heading: str
    code: str = ""
    prose: Sequence[str] = ()
    pictures: Sequence[Picture] = ()
    charts: Sequence[Chart] = ()
    cautions: Sequence[str] = ()
    links: Sequence[str] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """All that a page says.

    Attributes
    ----------
    title : str
        What was measured, e.g. the name of the file.
    answer : str
        The one sentence to read from across the room.
    sections : sequence of Section
        In the order of reading.
    command : str
        The command that makes this page again.
    notice : str or None
        E.g. that the data are invented; shown on top.
    links : sequence of (str, str)
        Files beside the page and what they hold.
    attachments : sequence of Attachment
        Files inside the page.
    """

    title: str
    answer: str
    sections: Sequence[Section]
    command: str
    notice: str | None = None
    links: Sequence[tuple[str, str]] = ()
    attachments: Sequence[Attachment] = field(default_factory=tuple)


def page_html(report: Report) -> str:
    """Return the page; it needs no other file and no network.

    Parameters
    ----------
    report : Report
        What to say.

    Returns
    -------
    str
        HTML 5 with figures inside, for screen (light and dark) and print.
    """
    notice = f'<p class="notice">{_text(report.notice)}</p>' if report.notice else ""
    css = style.variables_css() + Path(__file__).with_name("page.css").read_text(encoding="utf-8")
    numbers = iter(range(1, 1000))
    body = "\n".join(_section(section, numbers) for section in report.sections)
    zooms = 'class="zooms"' in body
    how = f'<details class="how"><summary>Figures zoom: how</summary><p>{_text(HOW)}</p></details>' if zooms else ""
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="generator" content="glowledger {_text(__version__)}">
<title>{_text(report.title)}: {_text(report.answer)}</title>
<style>
{css}</style>
</head>
<body>
<header>
{notice}
<h1>{_text(report.title)}</h1>
<p class="answer">{_text(report.answer)}</p>
</header>
<main>
{how}
{body}
{_files(report)}
{_repeat(report)}
</main>
<footer><p>glowledger {_text(__version__)}. {_text(report.notice or "")}</p></footer>
{zoom_script() if zooms else ""}
</body>
</html>
"""


def versions() -> list[tuple[str, str]]:
    """Return the versions of Python, of glowledger and of the libraries it computes with."""
    found = [("Python", platform.python_version()), ("glowledger", __version__)]
    for name in LIBRARIES:
        try:
            found.append((name, version(name)))
        except PackageNotFoundError:
            found.append((name, "not found"))
    return found


def _section(section: Section, numbers: Iterator[int]) -> str:
    parts = [f"<section>\n<h2>{_text(section.heading)}</h2>"]
    if section.code:
        parts.append(f"<pre><code>{_text(section.code)}</code></pre>")
    parts += [f"<p>{_text(sentence)}</p>" for sentence in section.prose]
    parts += [picture_html(picture, next(numbers)) for picture in section.pictures]
    parts += [_chart(chart) for chart in section.charts]
    if section.cautions:
        items = "".join(f"<li>{_text(caution)}</li>" for caution in section.cautions)
        parts.append(f'<ul class="cautions">{items}</ul>')
    parts += [f'<p>More: <a href="{html.escape(name)}">{_text(name)}</a></p>' for name in section.links]
    return "\n".join([*parts, "</section>"])


def _chart(chart: Chart) -> str:
    header, rows = chart.table
    head = "".join(f'<th scope="col">{_text(cell)}</th>' for cell in header)
    body = "\n".join("<tr>" + "".join(f"<td>{_kept_together(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    caption = "" if chart.folded or not chart.caption else f"<caption>{_text(chart.caption)}</caption>"
    inside = f"{caption}<thead><tr>{head}</tr></thead>\n<tbody>{body}</tbody>"
    table = f'<div class="wide"><table>{inside}</table></div>'
    if chart.folded:
        name = _text(chart.caption or "Table")
        return f"<details><summary>{name} ({len(rows)} rows)</summary>{table}</details>"
    return table


def _files(report: Report) -> str:
    inside, beside = [], []
    for file in report.attachments:
        media = MEDIA.get(Path(file.name).suffix, "application/octet-stream")
        source = f"data:{media};base64,{base64.b64encode(file.content).decode('ascii')}"
        name = html.escape(file.name, quote=True)
        inside.append(f'<li><a download="{name}" href="{source}">{name}</a>: {_text(file.what)}</li>')
    for name, what in report.links:
        beside.append(f'<li><a href="{html.escape(name, quote=True)}">{_text(name)}</a>: {_text(what)}</li>')
    parts = [
        f'<p>{where}:</p>\n<ul class="files">{"".join(items)}</ul>'
        for where, items in ((INSIDE, inside), (BESIDE, beside)) if items
    ]  # fmt: skip
    return "\n".join(["<section>\n<h2>Data</h2>", *parts, "</section>"]) if parts else ""


def _repeat(report: Report) -> str:
    listed = ", ".join(f"{name} {number}" for name, number in versions())
    return (
        "<section>\n<h2>To repeat this</h2>\n"
        f"<pre><code>{_text(report.command)}</code></pre>\n<p>{_text(listed)}</p>\n</section>"
    )


def _kept_together(cell: str) -> str:
    """Return the content of a cell; a number stays on a line with its error."""
    return _text(cell.replace(" ± ", "\u00a0±\u00a0"))


def _text(text: str) -> str:
    return html.escape(text, quote=False)
