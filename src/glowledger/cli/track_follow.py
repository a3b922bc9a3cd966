"""What ``track`` adds for runs that are still being recorded, and for the ledger."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from glowledger.cli.run_options import Wanted, run_options

if TYPE_CHECKING:
    from glowledger.diagnose.feed import Feed
    from glowledger.live.following import Ended, Following
    from glowledger.report.leaving import Drawn
    from glowledger.report.track_files import RunLight, Said
    from glowledger.runs.results import RunResult

NOT_REACHED = 5  # exit code of `--follow`: it ended before the endpoint
CANNOT_TELL = 4
Command = TypeVar("Command", bound=Callable[..., Any])


@dataclass(frozen=True)
class Live:
    """What the user asked of `--follow` and of the ledger."""

    follow: bool = False
    poll_s: float = 1.0
    until_endpoint: bool = False
    quiet_s: float | None = None
    lines: bool = False
    ledger: Path | None = None
    context: tuple[tuple[str, str], ...] = ()


def pairs(_: click.Context, __: click.Parameter, value: tuple[str, ...]) -> tuple[tuple[str, str], ...]:
    """Read NAME=VALUE, given several times."""
    pairs = []
    for text in value:
        name, mark, stated = text.partition("=")
        if not mark:
            raise click.BadParameter(f"'{text}' has no '='; write it as gas=Ar or pressure='5 Pa'.")
        pairs.append((name.strip(), stated.strip()))
    return tuple(pairs)


_OPTIONS = (
    click.option(
        "--follow",
        is_flag=True,
        help="Follow a run that is still being recorded. Started again after a crash it goes on where it was. "
        "Exits with 0 if the endpoint was reached, with 5 if it ended before.",
    ),
    click.option(
        "--poll",
        "poll_s",
        type=click.FloatRange(min=0.01),
        default=1.0,
        show_default=True,
        metavar="SECONDS",
        help="With --follow: time from one look for new frames to the next.",
    ),
    click.option("--until-endpoint", is_flag=True, help="With --follow: end when the endpoint is reached."),
    click.option(
        "--quiet-for",
        "quiet_s",
        type=click.FloatRange(min=0),
        metavar="SECONDS",
        help="With --follow: end when no frame came for so long [never].",
    ),
    click.option("--lines", is_flag=True, help="With --follow: a line per frame on a terminal too, and no view."),
    click.option("--ledger", type=click.Path(path_type=Path), metavar="PATH", help="Keep the run in this ledger."),
    click.option(
        "--context",
        multiple=True,
        callback=pairs,
        metavar="NAME=VALUE",
        help="With --ledger: gas=Ar, pressure='5 Pa', gauge=pirani, part='cell 7', ... before what run.toml says.",
    ),
)


def live_options(function: Command) -> Command:
    """Add the options to a command, which receives them as one object ``live``."""
    import functools

    names = list(Live.__dataclass_fields__)

    @functools.wraps(function)
    def gathered(*args: Any, **kwargs: Any) -> Any:
        kwargs["live"] = Live(**{name: kwargs.pop(name) for name in names})
        return function(*args, **kwargs)

    for option in reversed(_OPTIONS):
        gathered = option(gathered)
    return gathered  # type: ignore[return-value]


def record_for(run: Path, live: Live, *, bench_file: Path | None, window: str | None) -> dict[str, object]:
    """Return what a document needs to be kept in a ledger; empty where none was asked for."""
    if live.ledger is None:
        return {}
    from glowledger.ledger.context import read_context
    from glowledger.ledger.records import record_fields

    given = ({"window": window} if window else {}) | dict(live.context)
    return {"record": record_fields(run, read_context(run, given), bench_file=bench_file)}


def keep(document: str, live: Live) -> str | None:
    """Keep a document in the ledger that was asked for, and return a sentence on it."""
    if live.ledger is None:
        return None
    from glowledger.ledger.records import record_of
    from glowledger.ledger.store import open_ledger

    with open_ledger(live.ledger, create=True) as ledger:
        run_id = ledger.keep(record_of(json.loads(document)))
    return f"Kept as run {run_id} in {live.ledger}."


def follow_live(
    run: Path,
    live: Live,
    *,
    wanted: Wanted,
    feed: Feed | None,
    reading: dict[str, Any],
    as_json: bool,
    strict: bool,
    output: Path | None,
    drawn: Drawn,
) -> int:
    """Follow a growing run, tell of every frame, write the report at the end; return the exit code.

    Parameters
    ----------
    run : Path
        Folder or file.
    live : Live
        What was asked of following.
    wanted : Wanted
        What was asked of `track`.
    feed : Feed or None
        The gas that was let in, where it was stated.
    reading, as_json, strict, output, drawn
        As in `track`.
    """
    from glowledger.live.following import follow_run
    from glowledger.live.lines import Lines
    from glowledger.live.view import View

    folder = output or Path(f"{run.resolve().name}_followed")
    asked = following_for(run, live, wanted, reading, folder, feed=feed)
    listener: Any
    if as_json or live.lines or not sys.stdout.isatty():
        listener = Lines(click.echo, as_json=as_json)
    else:
        listener = View(partial(click.echo, nl=False), str(run))
    ended = follow_run(asked, listener)
    if ended.result is None:
        listener.notice(ended.too_few)
        return NOT_REACHED
    reported = report_followed(run, live, wanted, ended, ended.result, folder, drawn=drawn)
    _say_end(ended, ended.result, reported, folder, as_json)
    verdict = ended.result.endpoint.verdict
    if strict and verdict == "cannot tell":
        return CANNOT_TELL
    return 0 if verdict == "reached" else NOT_REACHED


def following_for(
    run: Path, live: Live, wanted: Wanted, reading: dict[str, Any], folder: Path, *, feed: Feed | None = None
) -> Following:
    """Return how a run is followed, from what was asked; the journal is kept in the folder."""
    from glowledger.bench.bench_file import read_bench
    from glowledger.ledger.raw_files import sha256_of
    from glowledger.live.following import Following, settings_of
    from glowledger.spectra.options import ReadingOptions
    from glowledger.spectra.reading import read_spectra

    bench = None if wanted.bench_file is None else read_bench(wanted.bench_file)
    dark = None if wanted.dark is None else read_spectra(wanted.dark, **reading)
    files = [file for file in (wanted.bench_file, wanted.dark) if file is not None]
    chosen = {k: v for k, v in asdict(wanted).items() if k not in ("bench_file", "dark")}
    settings = settings_of(
        run=run.resolve(), reading=reading, **chosen,
        **{f"content of {file.name}": sha256_of(file) for file in files if file.is_file()},
    )  # fmt: skip
    return Following(
        path=run, folder=folder, reading=ReadingOptions(**reading), bench=bench, dark=dark, window=wanted.window,
        choose=lambda model, series: run_options(wanted, model, series, bench, reading), settings=settings,
        poll_s=live.poll_s, until_endpoint=live.until_endpoint, feed=feed,
        quiet_s=float("inf") if live.quiet_s is None else live.quiet_s,
    )  # fmt: skip


@dataclass(frozen=True)
class Reported:
    """What was written and kept of a followed run that ended."""

    document: dict[str, Any]
    title: str
    glow: list[str]
    notes: list[str]


def report_followed(
    run: Path, live: Live, wanted: Wanted, ended: Ended, result: RunResult, folder: Path,
    kept_by: Callable[[str], str | None] | None = None, drawn: Drawn | None = None,
) -> Reported:  # fmt: skip
    """Write page, figure, document and tables, and keep the run.

    Parameters
    ----------
    run, live, wanted, folder
        As `follow_live`.
    ended : Ended
        How it ended.
    result : RunResult
        What it says.
    kept_by : callable, optional
        Keeps the document, instead of the ledger of `live`; returns a sentence on it.
    drawn : Drawn, optional
        Forms of figures and page.
    """
    from glowledger.cli.identify import spoken_command
    from glowledger.ledger.raw_files import sha256_of
    from glowledger.live.glow_seen import glow_of_followed
    from glowledger.live.remarks import read_remarks, remark_fields
    from glowledger.report import documents
    from glowledger.report.style import INVENTED
    from glowledger.report.track_files import Said, write_track

    notice = INVENTED if ended.invented else None
    seen = ended.glows[0] if ended.glows else None
    extra: dict[str, object] = {"file": run.name, "followed": {"ended": ended.why, "frames_taken": ended.frames}}
    extra |= {"notice": notice} if notice else {}
    extra |= {"started_at": ended.started_at} if ended.started_at else {}
    extra["setup"] = {
        "bench": None if wanted.bench_file is None else sha256_of(wanted.bench_file),
        "window": _material(wanted),
        "exposure_s": ended.exposure_s,
    }
    if seen is not None:
        extra["glow"] = seen.to_dict() | {"later": [one.to_dict() for one in ended.glows[1:]]}
    extra |= remark_fields(folder)
    extra |= record_for(run, live, bench_file=wanted.bench_file, window=wanted.window)
    title = f"{run.name}, followed for {ended.frames} frames"
    said = tuple(Said(time_s=r.time_s, kind=r.kind, text=r.text) for r in read_remarks(folder))
    written = write_track(
        folder, result, title=title, command=spoken_command(), notice=notice, extra=extra, drawn=drawn,
        light=_light(ended, said),
    )  # fmt: skip
    document = documents.dumps(documents.track_document(result, extra=extra))
    kept = keep(document, live) if kept_by is None else kept_by(document)
    notes = ended.glows[-1].care() if ended.glows else []
    notes += [f"{notice}."] if notice else []
    notes += [f"Wrote {written[0]} and {len(written) - 1} files beside it."] + ([kept] if kept else [])
    glow = glow_of_followed(ended.glows, result)
    return Reported(document=json.loads(document), title=title, glow=glow, notes=notes)


def _light(ended: Ended, said: tuple[Said, ...]) -> RunLight:
    """Return what the page shows beside the trends."""
    from glowledger.report.track_files import RunLight

    if not ended.glows:
        return RunLight(said=said)
    first, *later = ended.glows
    found = {f.text: f for one in ended.glows for f in one.findings}  # two metals are of one kind
    care = {c.about: c for one in ended.glows for c in one.cautions}
    return RunLight(
        fit=first.fit, frames=first.frames, later=tuple(s for one in later for s in one.sentences()),
        findings=tuple(found.values()), cautions=tuple(care.values()), said=said,
    )  # fmt: skip


def _say_end(ended: Ended, result: RunResult, reported: Reported, folder: Path, as_json: bool) -> None:
    from glowledger.report import documents, sentences

    if as_json:
        end = reported.document["endpoint"]
        click.echo(documents.dumps(
            {"schema": "glowledger/follow/1", "event": "end", "why": ended.why, "frames": ended.frames, "endpoint": end,
             "folder": folder}
        ))  # fmt: skip
    else:
        click.echo("\n" + sentences.track_text(
            result, title=reported.title, glow=reported.glow, notes=reported.notes
        ))  # fmt: skip


def _material(wanted: Wanted) -> str | None:
    """Return what the viewport is made of, as stated now or in the bench; None where unknown."""
    from glowledger.bench.bench_file import read_bench

    if wanted.window is not None or wanted.bench_file is None:
        return wanted.window
    window = read_bench(wanted.bench_file).window
    return None if window is None or window.material == "unknown" else window.material
