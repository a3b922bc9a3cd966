"""What a command leaves in a folder: the page, the same as a print document, figures, data."""

from __future__ import annotations

import base64
import io
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from glowledger.report import page, style
from glowledger.report.writing import make_folder, write_bytes, write_text

if TYPE_CHECKING:
    from matplotlib.figure import Figure

PLAIN = 200_000  # bytes; larger data go into the page packed
PACKED = 500_000  # bytes; data that are larger even packed are only linked, so that a page stays below 2 MB


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """In which forms figures and page are wanted.

    Attributes
    ----------
    formats : sequence of {'png', 'svg', 'pdf'}
        Of the figure files.
    pdf : bool
        Write the page as a print document too.
    """

    formats: Sequence[str] = ("png", "svg")
    pdf: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Data:
    """A file of data and what it holds."""

    content: str
    what: str


def leave(
    folder: str | Path,
    name: str,
    report: page.Report,
    figures: Mapping[str, Figure],
    data: Mapping[str, Data],
    drawn: Drawn,
) -> list[Path]:
    """Write a page, its figures and its data.

    Parameters
    ----------
    folder : path
        Made if it is missing.
    name : str
        Of the page, without extension.
    report : Report
        What the page says; links and attachments are added here.
    figures : mapping of str to Figure
        By name without extension.
    data : mapping of str to Data
        By file name. Each is also inside the page, so that the page alone loses nothing.
    drawn : Drawn
        The forms wanted.

    Returns
    -------
    list of Path
        What was written, the page first.

    Raises
    ------
    WriteError
        If a file cannot be written.
    """
    folder = make_folder(folder)
    names = [f"{stem}.{kind}" for stem in figures for kind in drawn.formats]
    inside, outside = [], [(one, "the figure") for one in names]
    for file, one in data.items():
        attachment = attached(file, one)
        if attachment is None:
            outside.append((file, one.what))
        else:
            inside.append(attachment)
    if drawn.pdf:
        outside.insert(0, (f"{name}.pdf", "this page for printing"))
    whole = replace(report, links=outside, attachments=inside)
    written = [write_text(folder / f"{name}.html", page.page_html(whole))]
    if drawn.pdf:
        from glowledger.report.print_document import print_document

        written.append(write_bytes(folder / f"{name}.pdf", print_document(whole)))
    written += [style.save_figure(figures[Path(one).stem], folder / one) for one in names]
    return written + [write_text(folder / file, one.content) for file, one in data.items()]


def attached(file: str, data: Data) -> page.Attachment | None:
    """Return a file of data as it goes into a page: plain, packed, or None if it is too large even then."""
    content = data.content.encode("utf-8")
    if len(content) <= PLAIN:
        return page.Attachment(name=file, content=content, what=data.what)
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr(zipfile.ZipInfo(file), content, zipfile.ZIP_DEFLATED)  # without a date: same data, same bytes
    if len(base64.b64encode(stream.getvalue())) > PACKED:
        return None
    return page.Attachment(name=f"{file}.zip", content=stream.getvalue(), what=f"{data.what} (packed)")
