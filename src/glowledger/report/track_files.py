"""The files that ``track`` leaves in a folder: page, figure, document, tables."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from glowledger.diagnose.cautions import DEFER
from glowledger.report import documents, method, page, sentences, style
from glowledger.report.figures_run import run_figure
from glowledger.report.writing import make_folder, write_text
from glowledger.runs.results import RunResult

CAPTION = (
    "Dots: each indicator with its standard error, as part of its first level; hollow marks are frames set "
    "aside. Vertical lines begin new conditions, triangles along the top are flashes. The green band is the "
    "95 % interval of the endpoint, the dashed line the frame at which it was declared."
)


def write_track(
    folder: str | Path,
    result: RunResult,
    *,
    title: str,
    command: str,
    notice: str | None = None,
    extra: Mapping[str, object] | None = None,
) -> list[Path]:
    """Write page, figure, JSON document and tables on one run.

    Parameters
    ----------
    folder : path
        Made if it is missing.
    result : RunResult
        Everything the run says.
    title : str
        What the run is.
    command : str
        The command that does this again.
    notice : str, optional
        Shown on every file, e.g. that the data are invented.
    extra : mapping, optional
        Further fields of the document.

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
    figure = run_figure(result, title, notice=notice)
    texts = {
        "track.json": documents.dumps(documents.track_document(result, extra=extra)) + "\n",
        "trends.csv": trends_csv(result, notice),
    }
    links = [
        ("run.png", "the figure"),
        ("run.svg", "the figure, to scale"),
        ("track.json", "the answer for scripts"),
        ("trends.csv", "every indicator, frame by frame"),
    ]
    html = track_page(result, title=title, command=command, notice=notice, links=links)
    written = [write_text(folder / "track.html", html)]
    written += [style.save_figure(figure, folder / name) for name in ("run.png", "run.svg")]
    return written + [write_text(folder / name, text) for name, text in texts.items()]


def track_page(
    result: RunResult,
    *,
    title: str,
    command: str,
    notice: str | None = None,
    links: Sequence[tuple[str, str]] = (),
) -> str:
    """Return the page on one run; parameters as in `write_track`."""
    summary = sentences.track_summary(result)
    light = page.Section(
        heading="What the run shows",
        prose=summary[1:],
        pictures=[page.Picture(figure=run_figure(result, title, notice=notice), caption=CAPTION)],
        charts=[page.Chart(table=sentences.trend_table(result), caption="Indicators")],
    )
    verdicts = [(name, e.verdict, e.reason) for name, e in result.endpoints.items()]
    each = page.Section(
        heading="Indicator by indicator",
        charts=[page.Chart(table=(("Indicator", "Verdict", "Why"), verdicts), caption="", folded=True)],
    )
    how = page.Section(heading="How it was found", prose=[*method.TRACK])
    care = page.Section(heading="Take care", cautions=[sentences.LIGHT_ONLY, sentences.NO_INTERLOCK, DEFER])
    sections = [light, *([each] if verdicts else []), how, care]
    return page.page_html(
        page.Report(
            title=title, answer=summary[0], sections=sections, command=command, notice=notice, links=links
        )
    )  # fmt: skip


def trends_csv(result: RunResult, notice: str | None = None) -> str:
    """Return all indicators as CSV: time, then value, standard error and use of each; empty where unknown."""
    stream = io.StringIO()
    if notice:
        stream.write(f"# note: {notice}\n")
    writer = csv.writer(stream, lineterminator="\n")
    header = ["time_s"]
    for trend in result.indicators:
        header += [trend.name, f"{trend.name} standard error", f"{trend.name} used"]
    writer.writerow(header)
    if not result.indicators:
        return stream.getvalue()
    columns = [result.indicators[0].time_s]
    for trend in result.indicators:
        columns += [trend.value, trend.standard_error, trend.used.astype(float)]
    for row in np.column_stack(columns):
        writer.writerow(["" if not np.isfinite(x) else f"{x:.6g}" for x in row])
    return stream.getvalue()
