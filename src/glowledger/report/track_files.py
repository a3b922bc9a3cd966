"""The files that ``track`` leaves in a folder: page, figures, document, tables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from glowledger.diagnose.cautions import DEFER, Caution
from glowledger.diagnose.sightings import Finding
from glowledger.glow.own_reference import DriftCurve
from glowledger.glow.results import Fit
from glowledger.report import documents, method, page, sentences
from glowledger.report.csv_tables import columns_csv
from glowledger.report.endpoint_answers import operating_sentences, operating_table
from glowledger.report.figures_bench import drift_figure
from glowledger.report.figures_endpoint import operating_figure
from glowledger.report.figures_identify import spectrum_figure
from glowledger.report.figures_run import run_figure
from glowledger.report.identify_files import CAPTION as SPECTRUM_CAPTION
from glowledger.report.identify_files import FIT_WHAT, fit_csv
from glowledger.report.leaving import Data, Drawn, leave
from glowledger.report.numbers import clock
from glowledger.runs.operating_point import OperatingPoint
from glowledger.runs.results import RunResult

if TYPE_CHECKING:
    from matplotlib.figure import Figure

NOTE = "note"
CAPTION = (
    "Dots: each indicator with its standard error, as part of its first level; hollow marks are frames set "
    "aside. Vertical lines begin new conditions, triangles along the top are flashes, diamonds along the bottom marks "
    "that someone made. The green band is the "
    "95 % interval of the endpoint, the dashed line the frame at which it was declared."
)
POINT_CAPTION = (
    "Grey steps: the probability, as judged after each frame, that stopping then would be too early. Dots: when done "
    "would have been said for a given accepted risk; further to the right is a longer wait, further down a smaller "
    "risk. The star is this run, the dashed line the risk it accepts, the green band the 95 % interval of the "
    "endpoint. Once done has been said only every few frames are judged, so later times are upper limits; risks below "
    "0.05 % are drawn there."
)
DRIFT_CAPTION = (
    "Above: by how much the plasma's own lines seem to move, at up to three wavelengths, with standard errors. Below: "
    "their width. The drift is taken out of every frame before anything is counted."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """A mark or note that someone made while a run went on; time in s from its start, None before the first frame."""

    time_s: float | None
    kind: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RunLight:
    """What a run's page shows beside its trends; all of it may be missing.

    Attributes
    ----------
    fit : Fit or None
        Of the mean spectrum.
    frames : str
        Of which frames that is the mean, in words.
    later : tuple of str
        What came to glow later, in sentences.
    findings : tuple of Finding
        What its species may mean.
    cautions : tuple of Caution
        Hazards of the situation.
    drift : DriftCurve or None
        How the spectrometer's axis moved.
    point : OperatingPoint or None
        The trade-off between stopping early and waiting.
    said : tuple of Said
        Marks and notes, oldest first.
    """

    fit: Fit | None = None
    frames: str = "all frames"
    later: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    cautions: tuple[Caution, ...] = ()
    drift: DriftCurve | None = None
    point: OperatingPoint | None = None
    said: tuple[Said, ...] = ()


def write_track(
    folder: str | Path,
    result: RunResult,
    *,
    title: str,
    command: str,
    notice: str | None = None,
    extra: Mapping[str, object] | None = None,
    light: RunLight | None = None,
    drawn: Drawn | None = None,
) -> list[Path]:
    """Write page, figures, JSON document and tables on one run.

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
    light : RunLight, optional
        Spectrum, drift and trade-off.
    drawn : Drawn, optional
        Forms of figures and page.

    Returns
    -------
    list of Path
        What was written, the page first.

    Raises
    ------
    WriteError
        If a file cannot be written.
    """
    light = light or RunLight()
    figures = track_figures(result, light, title, notice)
    document = documents.track_document(result, extra=extra)
    data = {"track.json": Data(content=documents.dumps(document) + "\n", what="the answer for scripts")}
    data |= {"trends.csv": Data(content=trends_csv(result, notice), what="every indicator, frame by frame")}
    data |= light_data(light, notice)
    report = track_report(result, figures, light, title=title, command=command, notice=notice)
    return leave(folder, "track", report, figures, data, drawn or Drawn())


def track_figures(result: RunResult, light: RunLight, title: str, notice: str | None) -> dict[str, Figure]:
    """Return the figures of a run's page by name."""
    marks = [one.time_s for one in light.said if one.kind != NOTE and one.time_s is not None]
    figures = {"run": run_figure(result, title, notice=notice, marks_s=marks)}
    if light.point is not None:
        figures["operating_point"] = operating_figure(light.point, result, title, notice=notice)
    if light.fit is not None:
        figures["spectrum"] = spectrum_figure(light.fit, f"{title}: mean of {light.frames}", notice=notice)
    if light.drift is not None:
        figures["drift"] = drift_figure(light.drift, notice=notice)
    return figures


def light_data(light: RunLight, notice: str | None) -> dict[str, Data]:
    """Return the numbers behind the further figures."""
    data = {}
    if light.point is not None:
        point = light.point
        text = columns_csv(["time_s", "probability_too_early"], [point.time_s, point.early], notice)
        data["operating_point.csv"] = Data(content=text, what="the probability that stopping is too early, over time")
    if light.fit is not None:
        data["fit.csv"] = Data(content=fit_csv(light.fit, notice), what=f"{FIT_WHAT}, of the mean of {light.frames}")
    if light.drift is not None:
        curve, header = light.drift, ["time_s", "first_frame", "fwhm_nm", "fwhm_standard_error_nm"]
        columns = [curve.time_s, curve.first_frame.astype(float), curve.fwhm_nm, curve.fwhm_se_nm]
        for k, nm in enumerate(curve.at_nm):
            header += [f"shift_nm at {nm:.1f} nm", f"its standard error at {nm:.1f} nm"]
            columns += [curve.shift_nm[:, k], curve.shift_se_nm[:, k]]
        data["drift.csv"] = Data(content=columns_csv(header, columns, notice), what="drift of axis and line width")
    return data


def track_report(
    result: RunResult,
    figures: Mapping[str, Figure],
    light: RunLight,
    *,
    title: str,
    command: str,
    notice: str | None = None,
) -> page.Report:
    """Return what the page on one run says; parameters as in `write_track`."""
    summary = sentences.track_summary(result)
    first = page.Section(
        heading="What the run shows",
        prose=summary[1:],
        pictures=[page.Picture(figure=figures["run"], caption=CAPTION)],
        charts=[
            page.Chart(table=sentences.trend_table(result), caption="Indicators: light over that of the reference"),
            *_said_chart(light.said),
            *_indicator_charts(result),
        ],
    )
    said = (sentences.LIGHT_ONLY, sentences.NO_INTERLOCK)
    care = page.Section(heading="Take care", cautions=[*said, *(c.text for c in light.cautions), DEFER])
    how = page.Section(heading="How it was found", prose=[*method.TRACK, method.sources("track")])
    sections = [first, *_light_sections(result, figures, light), how, care]
    return page.Report(title=title, answer=summary[0], sections=sections, command=command, notice=notice)


def _said_chart(said: tuple[Said, ...]) -> list[page.Chart]:
    rows = [("before" if one.time_s is None else clock(one.time_s), one.kind, one.text) for one in said]
    table: sentences.Table = (("At", "Mark", "Words"), rows)
    return [page.Chart(table=table, caption="Marked and noted while it went on")] if rows else []


def _indicator_charts(result: RunResult) -> list[page.Chart]:
    verdicts: sentences.Table = (
        ("Indicator", "Verdict", "Why"), [(name, e.verdict, e.reason) for name, e in result.endpoints.items()],
    )  # fmt: skip
    flashes: sentences.Table = (
        ("Flash at", "Length", "Species, strongest first"),
        [(clock(f.time_s), clock(f.duration_s), ", ".join(f.species) or "-") for f in result.flashes],
    )
    named = (("Verdict on each indicator", verdicts), ("Flashes", flashes))
    return [page.Chart(table=table, caption=name, folded=True) for name, table in named if table[1]]


def _light_sections(result: RunResult, figures: Mapping[str, Figure], light: RunLight) -> list[page.Section]:
    """Return the parts of the page that hang on more than the trends."""
    sections = []
    if light.point is not None:
        table = operating_table(light.point, result.endpoint)
        sections.append(page.Section(
            heading="Too early or too late",
            prose=operating_sentences(light.point, result.endpoint),
            pictures=[page.Picture(figure=figures["operating_point"], caption=POINT_CAPTION)],
            charts=[page.Chart(table=table, caption="What another accepted risk would have meant for this run")],
        ))  # fmt: skip
    if light.fit is not None:
        found, meaning = sentences.species_table(light.fit, errors=True), sentences.finding_table(light.findings)
        sections.append(page.Section(
            heading="What glows",
            prose=[sentences.identify_summary(light.fit)[0], *light.later, *sentences.fit_sentences(light.fit)],
            pictures=[page.Picture(figure=figures["spectrum"], caption=SPECTRUM_CAPTION)],
            charts=[
                page.Chart(table=found, caption=f"Species found in the mean of {light.frames}"),
                *([page.Chart(table=meaning, caption="What they may mean")] if light.findings else []),
                page.Chart(table=sentences.feature_table(light.fit), caption="All their features", folded=True),
            ],
            cautions=[sentences.capital(warning) for warning in light.fit.warnings],
        ))  # fmt: skip
    if light.drift is not None:
        sections.append(page.Section(
            heading="Whether the spectrometer held still", prose=light.drift.sentences,
            pictures=[page.Picture(figure=figures["drift"], caption=DRIFT_CAPTION)],
        ))  # fmt: skip
    return sections


def trends_csv(result: RunResult, notice: str | None = None) -> str:
    """Return all indicators as CSV: time, then value, standard error and use of each; empty where unknown."""
    header, columns = ["time_s"], [trend.time_s for trend in result.indicators[:1]]
    for trend in result.indicators:
        header += [trend.name, f"{trend.name} standard error", f"{trend.name} used"]
        columns += [trend.value, trend.standard_error, trend.used.astype(float)]
    return columns_csv(header, columns, notice)
