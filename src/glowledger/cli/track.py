"""``glowledger track``: follow a cleaning run and say whether it is done."""

from __future__ import annotations

import logging
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from glowledger import progress
from glowledger.cli.figure_options import figure_options
from glowledger.cli.identify import (
    CANNOT_TELL,
    bench_warning,
    calibrated_frames,
    missing_parts,
    spoken_command,
    with_window,
)
from glowledger.cli.reading_options import reading_options
from glowledger.cli.run_options import Wanted, run_options, wanted_options
from glowledger.cli.telling import progress_shown, remarks, say_answer
from glowledger.cli.track_follow import Live, follow_live, keep, live_options, record_for

if TYPE_CHECKING:
    from glowledger.bench.model import Bench
    from glowledger.diagnose.cautions import Caution
    from glowledger.diagnose.sightings import Finding
    from glowledger.glow.results import Fit
    from glowledger.glow.series import SeriesModel
    from glowledger.report.leaving import Drawn
    from glowledger.report.track_files import RunLight
    from glowledger.runs.operating_point import RiskHistory
    from glowledger.runs.results import RunResult
    from glowledger.spectra.frames import Frames

_LOG = logging.getLogger(__name__)


@dataclass(frozen=True)
class Followed:
    """What `track` found in one run."""

    result: RunResult
    title: str
    notice: str | None
    extra: dict[str, object]
    fit: Fit
    findings: tuple[Finding, ...]
    cautions: tuple[Caution, ...]
    light: Callable[[], RunLight]


def follow(
    file: Path, wanted: Wanted, reading: dict[str, Any] | None = None, *, feed: str | None = None
) -> Followed:
    """Follow the run in a file or folder; what the command and others call."""
    from glowledger.bench.bench_file import read_bench
    from glowledger.diagnose.cautions import cautions
    from glowledger.diagnose.feed import parse_feed
    from glowledger.diagnose.findings import findings
    from glowledger.glow.series import learn_series
    from glowledger.report.numbers import counted
    from glowledger.report.style import INVENTED
    from glowledger.runs.analysing import analyse_run
    from glowledger.runs.operating_point import RiskHistory
    from glowledger.spectra.noise import coarse_warning
    from glowledger.spectra.samples import says_invented
    from glowledger.tables.added import added_packages

    stated = None if feed is None else parse_feed(feed)
    bench = None if wanted.bench_file is None else read_bench(wanted.bench_file)
    with progress.share(0.0, 0.1):
        frames = calibrated_frames(file, bench=bench, dark=wanted.dark, reading=reading)
    bench = with_window(bench, wanted.window, frames.axis.size)
    with progress.share(0.1, 0.5):
        model = learn_series(frames, bench=bench)
    with progress.share(0.5, 0.6):
        series = model.measure(frames)
    _LOG.info("measured %d species in %d frames", len(series.species_names), len(frames))
    options = run_options(wanted, model, series, bench, reading)
    history = RiskHistory()
    with progress.share(0.6, 1.0):
        result = analyse_run(series, options, watch=history)
    _LOG.info("followed the run, reference %s", result.reference)
    result = _with_alarm(result, "coarse steps", coarse_warning(frames))
    result = _of_darkness(result, model)
    result = _with_alarm(result, "bench in doubt", bench_warning(frames, bench))
    invented, fit = says_invented(frames), model.identified.fit
    concluded = findings(fit, stated)
    care = cautions(stated, None if bench is None else bench.window, concluded)
    extra: dict[str, object] = {"file": file.name, "setup": _setup(wanted, bench, frames), **added_packages()}
    extra["glow"] = {
        "present": [one.name for one in fit.species if one.verdict == "present"], "findings": list(concluded),
        "cautions": list(care),
    }  # fmt: skip
    extra |= {"started_at": frames.started_at} if frames.started_at else {}
    return Followed(
        result=result,
        title=f"{file.name}, {counted(len(frames), 'frame')}{without_times(frames)}",
        notice=INVENTED if invented else None,
        extra=extra | ({"notice": INVENTED} if invented else {}),
        fit=fit, findings=concluded, cautions=care,
        light=lambda: _light(frames, bench, model, history, result, concluded, care),
    )


def _light(
    frames: Frames, bench: Bench | None, model: SeriesModel, history: RiskHistory, result: RunResult,
    findings: tuple[Finding, ...], cautions: tuple[Caution, ...],
) -> RunLight:
    """Return what the page shows beside the trends; takes a while, so only where a page is asked for."""
    from glowledger.glow.own_reference import drift_curve
    from glowledger.report.track_files import RunLight
    from glowledger.runs.operating_point import operating_point

    return RunLight(
        fit=model.identified.fit, findings=findings, cautions=cautions,
        drift=drift_curve(frames, bench, model.identified), point=operating_point(history, result),
    )  # fmt: skip


def _of_darkness(result: RunResult, model: SeriesModel) -> RunResult:
    """Return the result with its reason, where nothing can be told, if there is no light in the run at all."""
    from dataclasses import replace

    from glowledger.glow.no_light import NO_LIGHT
    from glowledger.report.sentences import capital

    if result.endpoint.verdict != "cannot tell" or NO_LIGHT not in model.identified.fit.warnings:
        return result
    return replace(result, endpoint=replace(result.endpoint, reason=capital(NO_LIGHT)))


def _with_alarm(result: RunResult, kind: str, warning: str) -> RunResult:
    """Return the result with an alarm on what holds for the whole run, if there is a warning."""
    from dataclasses import replace

    from glowledger.report.sentences import capital
    from glowledger.runs.results import Alarm

    if not warning:
        return result
    start_s = result.regimes[0].start_s if result.regimes else 0.0
    alarm = Alarm(kind=kind, time_s=start_s, text=capital(warning))
    return replace(result, alarms=(alarm, *result.alarms))


def without_times(frames: Frames) -> str:
    """Return what has to stand over an answer whose seconds are frames."""
    import numpy as np

    known = len(frames) < 2 or np.isfinite(frames.time_s).any()
    return "" if known else "; no times are known, so seconds count frames (see --interval)"


def _setup(wanted: Wanted, bench: Bench | None, frames: Frames) -> dict[str, object]:
    """Return what the answer hangs on besides the light, so that runs can be compared later."""
    import numpy as np

    from glowledger.ledger.raw_files import sha256_of

    known = frames.exposure_s[np.isfinite(frames.exposure_s)]
    material = "unknown" if bench is None or bench.window is None else bench.window.material
    return {
        "bench": None if wanted.bench_file is None else sha256_of(wanted.bench_file),
        "window": None if material == "unknown" else material,
        "exposure_s": float(np.median(known)) if known.size else None,
    }


@click.command()
@click.argument("run", type=click.Path(path_type=Path))
@wanted_options
@click.option(
    "--feed", metavar="GASES", help="The gas you let in: O2, air, or Ar:0.9,O2:0.1; what it cannot bring is a finding."
)
@click.option("--strict", is_flag=True, help="Exit with 4 if the run cannot tell whether it is done.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document instead of text.")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Folder for page, figure and tables.")
@figure_options
@live_options
@reading_options
def command(
    run: Path, feed: str | None, strict: bool, as_json: bool, output: Path | None, drawn: Drawn,
    reading: dict[str, Any], live: Live, wanted: Wanted,
) -> None:  # fmt: skip
    """Follow a cleaning RUN (a file of many frames, or a folder) and say whether it is done.

    Contaminant light over that of the process gas is followed as a decay to a floor. Flashes are set aside,
    and the run is cut where conditions change. What glows in the mean of all frames is told as well, and whether it
    points to a leak, water or oil. This is a measurement, not a safety interlock.

    \b
    Examples:
      glowledger track sample_spectra/cleaning_run.csv --bench bench.toml --dark sample_spectra/dark.csv
      glowledger track sample_spectra/cleaning_run.csv --bench bench.toml --indicator CO --hold 60 --json
    """
    from glowledger.report import documents, meaning_texts, sentences

    if live.follow:
        from glowledger.diagnose.feed import parse_feed

        sys.exit(follow_live(
            run, live, wanted=wanted, reading=reading, feed=None if feed is None else parse_feed(feed),
            as_json=as_json, strict=strict, output=output, drawn=drawn,
        ))  # fmt: skip
    with progress_shown(f"track {run.name}"):
        found = follow(run, wanted, reading, feed=feed)
    extra = found.extra | record_for(run, live, bench_file=wanted.bench_file, window=wanted.window)
    written: list[Path] = []
    if output is not None:
        from glowledger.report.track_files import write_track

        written = write_track(
            output, found.result, title=found.title, command=spoken_command(), notice=found.notice,
            extra=extra, light=found.light(), drawn=drawn,
        )  # fmt: skip
    document = documents.dumps(documents.track_document(found.result, extra=extra))
    kept = keep(document, live)
    if as_json:
        click.echo(document)
    else:
        notes = meaning_texts.caution_sentences(found.cautions) if feed is not None else []
        notes += [f"{found.notice}."] if found.notice else []
        notes += remarks(*missing_parts(wanted.bench_file))
        notes += remarks(f"Wrote {written[0]} and {len(written) - 1} files beside it.") if written else []
        notes += remarks(kept) if kept else []
        glow = sentences.glow_of_run(found.result, found.fit, found.findings)
        say_answer(sentences.track_text(found.result, title=found.title, glow=glow, notes=notes))
    if strict and found.result.endpoint.verdict == "cannot tell":
        sys.exit(CANNOT_TELL)
