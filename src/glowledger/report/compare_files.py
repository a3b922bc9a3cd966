"""The files that ``compare`` leaves in a folder: page, figure, document, tables."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from pathlib import Path

from glowledger.diagnose.cautions import DEFER
from glowledger.diagnose.comparing import Compared
from glowledger.report import compare_answers, documents, page, style
from glowledger.report.figures_compare import compare_figure
from glowledger.report.sentences import LIGHT_ONLY, Table
from glowledger.report.writing import make_folder, write_text

CAPTION = (
    "Above: the compared contaminant over its reference, each run from its own start. Below: time to the endpoint "
    "(filled) and time constant (hollow) with 95 % intervals. Of more than six runs the first six are drawn."
)
HOW = (
    "Time constants come from the posterior of a decay to an unknown floor (two stages: from a fit that leaves both "
    "free), levels from the frames next to the start and the end, flash rates with exact Poisson limits. "
    + compare_answers.HOLM
)


def write_compare(
    folder: str | Path, compared: Compared, *, command: str, cautions: Sequence[str] = (), notice: str | None = None,
    plan: Mapping[str, object] | None = None, extra: Mapping[str, object] | None = None,
) -> list[Path]:  # fmt: skip
    """Write page, figure, document and tables of a comparison.

    Parameters
    ----------
    folder : path
        Made if it is missing.
    compared : Compared
        The answer.
    command : str
        The command that does this again.
    cautions : sequence of str
        For the gases at hand.
    notice : str, optional
        Shown on every file.
    plan, extra : mapping, optional
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
    figure = compare_figure(compared, notice=notice)
    document = compare_answers.compare_document(compared, plan=plan, extra=extra)
    texts = {
        "compare.json": documents.dumps(document) + "\n",
        "runs.csv": table_csv(compare_answers.run_table(compared), notice),
        "differences.csv": table_csv(compare_answers.difference_table(compared), notice),
    }
    links = [
        ("compare.png", "the figure"), ("compare.svg", "the figure, to scale"),
        ("compare.json", "the answer for scripts"), ("runs.csv", "every run"),
        ("differences.csv", "every difference"),
    ]  # fmt: skip
    html = compare_page(compared, command=command, cautions=cautions, notice=notice, links=links)
    written = [write_text(folder / "compare.html", html)]
    written += [style.save_figure(figure, folder / name) for name in ("compare.png", "compare.svg")]
    return written + [write_text(folder / name, text) for name, text in texts.items()]


def compare_page(
    compared: Compared, *, command: str, cautions: Sequence[str] = (), notice: str | None = None,
    links: Sequence[tuple[str, str]] = (),
) -> str:  # fmt: skip
    """Return the page on a comparison; parameters as in `write_compare`."""
    summary = compare_answers.compare_summary(compared)
    runs = page.Chart(table=compare_answers.run_table(compared), caption="Runs, with 95 % intervals")
    pairs = page.Chart(table=compare_answers.difference_table(compared), caption="Every comparison", folded=True)
    light = page.Section(
        heading="What differs",
        prose=summary[1:],
        pictures=[page.Picture(figure=compare_figure(compared, notice=notice), caption=CAPTION)],
        charts=[runs, pairs],
    )
    how = page.Section(heading="How it was compared", prose=[HOW])
    care = page.Section(heading="Take care", cautions=[LIGHT_ONLY, *cautions, DEFER])
    names = " and ".join(run.name for run in compared.runs)
    return page.page_html(
        page.Report(title=f"{names} compared", answer=summary[0], sections=[light, how, care], command=command,
                    notice=notice, links=links)
    )  # fmt: skip


def table_csv(table: Table, notice: str | None = None) -> str:
    """Return a table as CSV."""
    stream = io.StringIO()
    if notice:
        stream.write(f"# note: {notice}\n")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(table[0])
    writer.writerows(table[1])
    return stream.getvalue()
