"""The files that ``identify`` leaves in a folder: page, figure, document, tables."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from glowledger.diagnose.cautions import DEFER, Caution
from glowledger.diagnose.sightings import Finding
from glowledger.diagnose.state import StateReading
from glowledger.glow.results import Fit
from glowledger.report import documents, meaning_texts, method, page, sentences, style
from glowledger.report.colour_answers import ColourAnswer
from glowledger.report.figures_colour import colour_figure
from glowledger.report.figures_identify import Scale, spectrum_figure
from glowledger.report.writing import make_folder, write_text

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def identify_page(
    fit: Fit,
    *,
    title: str,
    command: str,
    findings: Sequence[Finding] = (),
    cautions: Sequence[Caution] = (),
    hints: Sequence[str] = (),
    state: Sequence[StateReading] = (),
    colour: ColourAnswer | None = None,
    scale: Scale = "sqrt",
    notice: str | None = None,
    links: Sequence[tuple[str, str]] = (),
    figure: Figure | None = None,
) -> str:
    """Return the page on one identified spectrum; parameters as in `write_identify`.

    A `figure` drawn before is taken as it is; otherwise one is drawn.
    """
    summary = sentences.identify_summary(fit, findings=findings)
    if figure is None:
        figure = spectrum_figure(fit, title, scale=scale, notice=notice)
    light = page.Section(
        heading="What the light shows",
        prose=summary[1:],
        pictures=[page.Picture(figure=figure, caption=CAPTION)],
        charts=[
            page.Chart(table=sentences.species_table(fit), caption="Species found"),
            page.Chart(table=sentences.feature_table(fit), caption="All their features", folded=True),
            page.Chart(table=sentences.species_table(fit, every=True), caption="All species", folded=True),
        ],
        cautions=fit.warnings,
    )
    how = page.Section(heading="How it was found", prose=[*method.IDENTIFY, *sentences.fit_sentences(fit)])
    means = page.Section(
        heading="What it may mean", charts=[page.Chart(table=sentences.finding_table(findings), caption="")]
    )
    safety = page.Section(heading="Take care", cautions=[*(c.text for c in cautions), *hints, DEFER])
    plasma = page.Section(
        heading="State of the plasma", charts=[page.Chart(table=meaning_texts.state_table(state), caption="")]
    )
    sections = [light, *([means] if findings else []), *([plasma] if state else [])]
    sections += [*([] if colour is None else [_colour_section(colour, notice)]), how, safety]
    return page.page_html(
        page.Report(
            title=title, answer=summary[0], sections=sections, command=command, notice=notice, links=links
        )
    )  # fmt: skip


def _colour_section(colour: ColourAnswer, notice: str | None) -> page.Section:
    """Return the colour to the eye: swatch, place on the diagram, gases that glow in such a colour."""
    said = [] if colour.colour is None else [colour.colour.description]
    if colour.estimate is not None:
        said.append(f"With a typical silicon detector assumed: {colour.estimate.description}")
    return page.Section(
        heading="The colour of the glow",
        prose=[*said, colour.match.description],
        pictures=[page.Picture(figure=colour_figure(colour, notice=notice), caption=COLOUR_CAPTION)],
        cautions=colour.cautions,
    )


def write_identify(
    folder: str | Path,
    fit: Fit,
    *,
    title: str,
    command: str,
    findings: Sequence[Finding] = (),
    cautions: Sequence[Caution] = (),
    hints: Sequence[str] = (),
    state: Sequence[StateReading] = (),
    colour: ColourAnswer | None = None,
    scale: Scale = "sqrt",
    notice: str | None = None,
    extra: Mapping[str, object] | None = None,
) -> list[Path]:
    """Write page, figure, JSON document and tables on one identified spectrum.

    Parameters
    ----------
    folder : path
        Made if it is missing.
    fit : Fit
        The forward fit.
    title : str
        What the spectrum is.
    command : str
        The command that does this again.
    findings : sequence of Finding, optional
        Conclusions drawn from several species.
    cautions : sequence of Caution, optional
        Hazards of the situation.
    hints : sequence of str, optional
        What the gas does to materials.
    state : sequence of StateReading, optional
        Temperatures and ratios, 'cannot tell' included.
    colour : ColourAnswer, optional
        The colour of the glow to the eye.
    scale : {'sqrt', 'linear', 'log'}
        Of the counts in the figure.
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
    figure = spectrum_figure(fit, title, scale=scale, notice=notice)
    document = documents.identify_document(fit, findings=findings, extra=extra)
    texts = {
        "identify.json": documents.dumps(document) + "\n",
        "features.csv": table_csv(sentences.feature_table(fit), notice),
        "fit.csv": fit_csv(fit, notice),
    }
    links = [("spectrum.png", "the figure"), ("spectrum.svg", "the figure, to scale"),
             ("identify.json", "the answer for scripts"), ("features.csv", "the features"),
             ("fit.csv", "measured counts, fit, background and noise per pixel")]  # fmt: skip
    html = identify_page(
        fit, title=title, command=command, findings=findings, cautions=cautions, hints=hints, state=state,
        colour=colour, notice=notice, links=links, figure=figure,
    )  # fmt: skip
    written = [write_text(folder / "identify.html", html)]
    written += [style.save_figure(figure, folder / name) for name in ("spectrum.png", "spectrum.svg")]
    return written + [write_text(folder / name, text) for name, text in texts.items()]


def fit_csv(fit: Fit, notice: str | None = None) -> str:
    """Return the fit pixel by pixel as CSV: nm, counts, model, background, noise, used, found species."""
    shown = {s.name for s in fit.species if s.verdict in ("present", "possible")}
    names = [name for name in fit.species_model if name in shown]
    columns = [fit.axis_nm, fit.data, fit.model, fit.background, fit.standard_deviation]
    columns += [fit.used.astype(float)]
    columns += [fit.species_model[name] for name in names]
    header = ",".join([*FIT_COLUMNS, *names])
    stream = io.StringIO()
    if notice:
        stream.write(f"# note: {notice}\n")
    np.savetxt(stream, np.stack(columns, axis=1), fmt="%.7g", delimiter=",", header=header, comments="")
    return stream.getvalue()


def table_csv(table: sentences.Table, notice: str | None = None) -> str:
    """Return a table as CSV."""
    stream = io.StringIO()
    if notice:
        stream.write(f"# note: {notice}\n")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(table[0])
    writer.writerows(table[1])
    return stream.getvalue()


FIT_COLUMNS = ("wavelength_nm", "counts", "model", "background", "standard_deviation", "used")
CAPTION = (
    "Thin line: measured counts; broad line: the fit of all species and background together. Poles carry "
    "the strongest features of what was found. Below: measured minus fitted, in standard deviations; the "
    "grey band is ± 2."
)
COLOUR_CAPTION = (
    "Left: the CIE 1931 diagram with this light and the gases that come nearest. Right: its colour as a screen can "
    "show it, as bright as the screen, with less saturation where the glow is more colourful than any screen."
)
