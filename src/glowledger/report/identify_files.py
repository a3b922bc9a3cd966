"""The files that ``identify`` leaves in a folder: page, figure, document, tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from glowledger.diagnose.cautions import DEFER, Caution
from glowledger.diagnose.sightings import Finding
from glowledger.diagnose.state import StateReading
from glowledger.glow.results import Fit
from glowledger.report import documents, meaning_texts, method, page, sentences
from glowledger.report.colour_answers import ColourAnswer
from glowledger.report.csv_tables import columns_csv, table_csv
from glowledger.report.figures_colour import colour_figure
from glowledger.report.figures_identify import Scale, spectrum_figure
from glowledger.report.leaving import Data, Drawn, leave

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def identify_report(
    fit: Fit, figures: Mapping[str, Figure], *, title: str, command: str, findings: Sequence[Finding] = (),
    cautions: Sequence[Caution] = (), hints: Sequence[str] = (), state: Sequence[StateReading] = (),
    colour: ColourAnswer | None = None, notice: str | None = None,
) -> page.Report:  # fmt: skip
    """Return what the page on one identified spectrum says; parameters as in `write_identify`."""
    summary = sentences.identify_summary(fit, findings=findings)
    light = page.Section(
        heading="What the light shows",
        prose=summary[1:],
        pictures=[page.Picture(figure=figures["spectrum"], caption=CAPTION)],
        charts=[
            page.Chart(table=sentences.species_table(fit, errors=True), caption="Species found"),
            page.Chart(table=sentences.feature_table(fit), caption="All their features", folded=True),
            page.Chart(table=sentences.species_table(fit, every=True, errors=True), caption="All species", folded=True),
        ],
        cautions=[sentences.capital(warning) for warning in fit.warnings],
    )
    means = page.Section(
        heading="What it may mean", charts=[page.Chart(table=sentences.finding_table(findings), caption="")]
    )
    how = page.Section(
        heading="How it was found", prose=[*method.IDENTIFY, *sentences.fit_sentences(fit), method.sources("identify")]
    )
    safety = page.Section(heading="Take care", cautions=[*(c.text for c in cautions), *hints, DEFER])
    plasma = page.Section(
        heading="State of the plasma", charts=[page.Chart(table=meaning_texts.state_table(state), caption="")]
    )
    sections = [light, *([means] if findings else []), *([plasma] if state else [])]
    sections += [*([] if colour is None else [_colour_section(colour, figures["colour"])]), how, safety]
    return page.Report(title=title, answer=summary[0], sections=sections, command=command, notice=notice)


def _colour_section(colour: ColourAnswer, figure: Figure) -> page.Section:
    """Return the colour to the eye: swatch, place on the diagram, gases that glow in such a colour."""
    said = [] if colour.colour is None else [colour.colour.description]
    if colour.estimate is not None:
        said.append(f"With a typical silicon detector assumed: {colour.estimate.description}")
    return page.Section(
        heading="The colour of the glow",
        prose=[*said, colour.match.description],
        pictures=[page.Picture(figure=figure, caption=COLOUR_CAPTION)],
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
    drawn: Drawn | None = None,
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
    figure = spectrum_figure(fit, title, scale=scale, notice=notice)
    document = documents.identify_document(fit, findings=findings, extra=extra)
    data = {
        "identify.json": Data(content=documents.dumps(document) + "\n", what="the answer for scripts"),
        "features.csv": Data(content=table_csv(sentences.feature_table(fit), notice), what="the features"),
        "fit.csv": Data(content=fit_csv(fit, notice), what=FIT_WHAT),
    }
    figures = {"spectrum": figure}
    if colour is not None:
        figures["colour"] = colour_figure(colour, notice=notice)
    report = identify_report(
        fit, figures, title=title, command=command, findings=findings, cautions=cautions, hints=hints, state=state,
        colour=colour, notice=notice,
    )  # fmt: skip
    return leave(folder, "identify", report, figures, data, drawn or Drawn())


def fit_csv(fit: Fit, notice: str | None = None) -> str:
    """Return the fit pixel by pixel as CSV: nm, counts, model, background, noise, used, found species."""
    shown = {s.name for s in fit.species if s.verdict in ("present", "possible")}
    names = [name for name in fit.species_model if name in shown]
    columns = [fit.axis_nm, fit.data, fit.model, fit.background, fit.standard_deviation]
    columns += [fit.used.astype(float)]
    columns += [fit.species_model[name] for name in names]
    return columns_csv([*FIT_COLUMNS, *names], columns, notice, digits=7)


FIT_COLUMNS = ("wavelength_nm", "counts", "model", "background", "standard_deviation", "used")
FIT_WHAT = "measured counts, fit, background and noise per pixel"
CAPTION = (
    "Thin line: measured counts; broad line: the fit of all species and background together. Poles carry "
    "the strongest features of what was found. Below: measured minus fitted, in standard deviations; the "
    "grey band is ± 2."
)
COLOUR_CAPTION = (
    "Left: the CIE 1931 diagram with this light and the gases that come nearest. Right: its colour as a screen can "
    "show it, as bright as the screen, with less saturation where the glow is more colourful than any screen."
)
