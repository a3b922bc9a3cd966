"""The files that ``compare`` leaves in a folder: page, figure, document, tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from glowledger.diagnose.cautions import DEFER
from glowledger.diagnose.comparing import Compared
from glowledger.report import compare_answers, documents, page
from glowledger.report.csv_tables import table_csv
from glowledger.report.figures_compare import compare_figure
from glowledger.report.leaving import Data, Drawn, leave
from glowledger.report.sentences import LIGHT_ONLY

if TYPE_CHECKING:
    from matplotlib.figure import Figure

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
    plan: Mapping[str, object] | None = None, extra: Mapping[str, object] | None = None, drawn: Drawn | None = None,
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
    drawn : Drawn, optional
        Forms of figure and page.

    Returns
    -------
    list of Path
        What was written, the page first.

    Raises
    ------
    WriteError
        If a file cannot be written.
    """
    figure = compare_figure(compared, notice=notice)
    document = compare_answers.compare_document(compared, plan=plan, extra=extra)
    runs, pairs = compare_answers.run_table(compared), compare_answers.difference_table(compared)
    data = {
        "compare.json": Data(content=documents.dumps(document) + "\n", what="the answer for scripts"),
        "runs.csv": Data(content=table_csv(runs, notice), what="every run"),
        "differences.csv": Data(content=table_csv(pairs, notice), what="every difference"),
    }
    report = compare_report(compared, figure, command=command, cautions=cautions, notice=notice)
    return leave(folder, "compare", report, {"compare": figure}, data, drawn or Drawn())


def compare_report(
    compared: Compared, figure: Figure, *, command: str, cautions: Sequence[str] = (), notice: str | None = None
) -> page.Report:
    """Return what the page on a comparison says; parameters as in `write_compare`."""
    summary = compare_answers.compare_summary(compared)
    runs = page.Chart(table=compare_answers.run_table(compared), caption="Runs, with 95 % intervals")
    pairs = page.Chart(table=compare_answers.difference_table(compared), caption="Every comparison", folded=True)
    light = page.Section(
        heading="What differs",
        prose=summary[1:],
        pictures=[page.Picture(figure=figure, caption=CAPTION)],
        charts=[runs, pairs],
    )
    how = page.Section(heading="How it was compared", prose=[HOW])
    care = page.Section(heading="Take care", cautions=[LIGHT_ONLY, *cautions, DEFER])
    names = " and ".join(run.name for run in compared.runs)
    return page.Report(
        title=f"{names} compared", answer=summary[0], sections=[light, how, care], command=command, notice=notice
    )
