"""``glowledger live``: a page on a run while it goes on."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from glowledger.cli.reading_options import reading_options
from glowledger.cli.run_options import Wanted, wanted_options
from glowledger.cli.track_follow import NOT_REACHED, Live, following_for, pairs, report_followed

if TYPE_CHECKING:
    from glowledger.live.following import Ended, Following
    from glowledger.live.keeping import Keeper

PORT = 8749
SCHEMA = "glowledger/live/1"


@click.command()
@click.argument("run", type=click.Path(path_type=Path))
@click.option("--host", default="127.0.0.1", show_default=True, metavar="ADDRESS",
              help="Address to serve on. Any but the loopback one lets other machines in; they need the token that is "
              "then part of the address printed.")  # fmt: skip
@click.option("--port", type=click.IntRange(0, 65535), default=PORT, show_default=True,
              help="Port to serve on; 0 takes any free one.")  # fmt: skip
@click.option("--open", "open_page", is_flag=True, help="Open the page in the browser.")
@click.option("--poll", "poll_s", type=click.FloatRange(min=0.01), default=0.05, show_default=True, metavar="SECONDS",
              help="Time from one look for new frames to the next.")  # fmt: skip
@click.option("--until-endpoint", is_flag=True,
              help="End when the endpoint is reached; exits with 5 if it ended before.")  # fmt: skip
@click.option("--quiet-for", "quiet_s", type=click.FloatRange(min=0), metavar="SECONDS",
              help="End when no frame came for so long [never].")  # fmt: skip
@click.option("--ledger", type=click.Path(path_type=Path), metavar="PATH", default=Path("ledger.sqlite"),
              show_default=True, help="Keep the run, its notes and its marks in this ledger.")  # fmt: skip
@click.option("--context", multiple=True, callback=pairs, metavar="NAME=VALUE",
              help="gas=Ar, pressure='5 Pa', gauge=pirani, part='cell 7', ... before what run.toml says.")  # fmt: skip
@click.option("--feed", metavar="GASES",
              help="The gas you let in: O2, air, or Ar:0.9,O2:0.1; what it cannot bring is a finding.")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document at the end; the address goes to stderr.")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Folder for journal, report, notes and marks.")
@wanted_options
@reading_options
def command(
    run: Path,
    host: str,
    port: int,
    open_page: bool,
    poll_s: float,
    until_endpoint: bool,
    quiet_s: float | None,
    ledger: Path,
    context: tuple[tuple[str, str], ...],
    feed: str | None,
    as_json: bool,
    output: Path | None,
    wanted: Wanted,
    reading: dict[str, Any],
) -> None:
    """Show a RUN (a folder that fills, or a file that grows) on a page while it goes on.

    The page shows verdict and time left, trends, flashes, spectrum, glow colour and alarms, takes notes, and marks
    what you do: gas opened, power changed, magnet. The numbers are those of 'track --follow', and so is the report
    when it ends. Started again after a crash it goes on where it was; pages take up by themselves.
    This is a measurement, not a safety interlock.

    \b
    Examples:
      glowledger live sample_spectra/air_leak.csv --bench bench.toml --port 0 --quiet-for 0
      glowledger live sample_spectra/air_leak.csv --bench bench.toml --port 0 --quiet-for 0 --json
    """
    live = Live(
        follow=True, poll_s=poll_s, until_endpoint=until_endpoint, quiet_s=quiet_s, ledger=ledger, context=context
    )
    folder = output or Path(f"{run.resolve().name}_followed")

    def told(address: str) -> None:
        click.echo(f"{run} is shown at {address}", err=as_json)
        if "token=" in address:
            text = "Whoever has this address can read the run and write notes; the connection is not encrypted."
            click.echo(text, err=as_json)
        click.echo("End with Ctrl-C; started again, it goes on from here.", err=as_json)
        if open_page:
            click.launch(address)

    from glowledger.diagnose.feed import parse_feed

    asked = following_for(run, live, wanted, reading, folder, feed=None if feed is None else parse_feed(feed))
    sys.exit(_serve(asked, run, live, wanted, (host, port), told, as_json=as_json))


def _serve(
    asked: Following, run: Path, live: Live, wanted: Wanted, place: tuple[str, int],
    told: Callable[[str], None], *, as_json: bool,
) -> int:  # fmt: skip
    """Follow and serve until it ends; return the exit code."""
    from dataclasses import replace

    from glowledger.ledger.context import read_context
    from glowledger.live.access import access_for
    from glowledger.live.board import board_for
    from glowledger.live.keeping import Keeper
    from glowledger.live.serving import Place, follow_and_serve

    folder = asked.folder
    given = ({"window": wanted.window} if wanted.window else {}) | dict(live.context)
    keeper = Keeper(ledger=live.ledger or Path(), run=run, folder=folder, context=read_context(run, given))
    board = board_for(run, folder, asked.bench)
    access = access_for(place[0], folder)
    keeper.begin()
    ended = follow_and_serve(
        replace(asked, observer=board), board, Place(access=access, port=place[1]), told=told, on_note=keeper.note
    )
    return _end(run, live, wanted, ended, folder, keeper, as_json=as_json)


def _end(
    run: Path, live: Live, wanted: Wanted, ended: Ended, folder: Path, keeper: Keeper, *, as_json: bool
) -> int:
    """Report how it ended, and return the exit code."""
    from glowledger.report import documents, sentences

    if ended.result is None:
        text = f"{ended.too_few} Notes are kept in {folder}."
        summary = {"schema": SCHEMA, "why": ended.why, "frames": ended.frames, "endpoint": None, "folder": folder}
        click.echo(documents.dumps(summary) if as_json else text)
        return NOT_REACHED if live.until_endpoint else 0

    def kept(document: str) -> str:
        return f"Kept as run {keeper.end(json.loads(document))} in {keeper.ledger}."

    reported = report_followed(run, live, wanted, ended, ended.result, folder, kept)
    if as_json:
        chosen = {name: reported.document.get(name) for name in ("endpoint", "marks", "notes", "notice")}
        told = {"schema": SCHEMA, "why": ended.why, "frames": ended.frames, "folder": folder, "ledger": keeper.ledger}
        click.echo(documents.dumps(told | chosen))
    else:
        click.echo("\n" + sentences.track_text(
            ended.result, title=reported.title, glow=reported.glow, notes=reported.notes
        ))  # fmt: skip
    return NOT_REACHED if live.until_endpoint and ended.result.endpoint.verdict != "reached" else 0
