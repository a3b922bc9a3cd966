"""``glowledger ledger``: what was done and found, run by run."""

from __future__ import annotations

import functools
import math
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import click

from glowledger.cli.telling import remarks

DEFAULT = Path("ledger.sqlite")
INCOMPLETE = 4  # exit code of `check --strict`
SCHEMA = "glowledger/ledger/1"
Command = TypeVar("Command", bound=Callable[..., Any])


@dataclass(frozen=True)
class Chosen:
    """Options given before the sub-command."""

    file: Path | None = None
    as_json: bool = False


def _common(function: Command) -> Command:
    """Add the options that every sub-command has; those given before its name count as well."""

    @functools.wraps(function)
    def chosen(*args: Any, file: Path | None, as_json: bool, **kwargs: Any) -> Any:
        before = click.get_current_context().obj
        before = before if isinstance(before, Chosen) else Chosen()
        return function(*args, file=file or before.file, as_json=as_json or before.as_json, **kwargs)

    return _FILE(_JSON(chosen))  # type: ignore[return-value]


_FILE: Callable[[Command], Command] = click.option(
    "--file", type=click.Path(path_type=Path), metavar="PATH", help=f"The ledger [{DEFAULT}]."
)
_JSON: Callable[[Command], Command] = click.option(
    "--json", "as_json", is_flag=True, help="Print one JSON document instead of text."
)


@click.group()
@_FILE
@_JSON
@click.pass_context
def command(ctx: click.Context, file: Path | None, as_json: bool) -> None:
    """Look up what was done and found: every run that `track --ledger` kept, with its context.

    The context (gas, pressure and gauge, voltage, part, ...) is read from run.toml beside the data.

    \b
    Examples:
      glowledger ledger list
      glowledger ledger pressure "2.5 Pa" --gas Ar:0.9,O2:0.1 --gauge pirani
      glowledger ledger --json list
    """
    ctx.obj = Chosen(file=file, as_json=as_json)


@command.command("list")
@_common
def list_runs(file: Path | None, as_json: bool) -> None:
    """List the runs: when, what, which gas, with what verdict.

    \b
    Examples:
      glowledger ledger list
      glowledger ledger list --file workshop.sqlite --json
    """
    from glowledger.ledger.exporting import run_table
    from glowledger.ledger.store import open_ledger
    from glowledger.report import ledger_texts

    if file is None and not DEFAULT.exists():  # nothing was kept yet: no fault of the user's
        if as_json:
            _print_json({"ledger": None, "runs": []})
        else:
            click.echo(f"Nothing is kept yet: there is no {DEFAULT} here. Keep a run: track RUN --ledger {DEFAULT}")
        return
    path = file or DEFAULT
    with open_ledger(path) as ledger:
        columns, rows = run_table(ledger)
    if as_json:
        _print_json({"ledger": path, "runs": [{name: row.get(name) for name in columns} for row in rows]})
    else:
        click.echo(ledger_texts.run_list(rows))


@command.command()
@click.argument("run")
@click.option("--trends", is_flag=True, help="With --json: the trends too, frame by frame.")
@_common
def show(run: str, trends: bool, file: Path | None, as_json: bool) -> None:
    """Show one RUN: verdicts, context, events, notes, raw files. RUN is how its name begins, or 'latest'.

    \b
    Examples:
      glowledger ledger show latest
      glowledger ledger show latest --json --trends
    """
    from glowledger.ledger.raw_files import states_of
    from glowledger.ledger.store import open_ledger
    from glowledger.report import ledger_texts

    with open_ledger(file or DEFAULT) as ledger:
        found = ledger.run(run)
        states = states_of(ledger.files(found["run_id"]))
        found["files"] = [
            {"path": s.file.path, "sha256": s.file.sha256, "state": s.state, "found_at": s.found_at} for s in states
        ]
        if trends:
            found["trends"] = ledger.trends(found["run_id"])
    if as_json:
        _print_json({"run": found})
    else:
        click.echo(ledger_texts.run_text(found))


@command.command()
@click.argument("run")
@click.argument("text")
@_common
def annotate(run: str, text: str, file: Path | None, as_json: bool) -> None:
    """Add the note TEXT to a RUN.

    \b
    Examples:
      glowledger ledger annotate latest "Water-break test passed."
      glowledger ledger annotate latest "New electrode." --file workshop.sqlite
    """
    from glowledger.ledger.store import open_ledger

    with open_ledger(file or DEFAULT) as ledger:
        run_id = ledger.annotate(run, text)
    _say(as_json, {"run_id": run_id}, f"Noted with run {run_id}.")


@command.command()
@click.argument("folder", type=click.Path(path_type=Path))
@_common
def add(folder: Path, file: Path | None, as_json: bool) -> None:
    """Keep the run whose FOLDER was written by 'track -o' (or its track.json).

    \b
    Examples:
      glowledger ledger add cleaned_tuesday
      glowledger ledger add cleaned_tuesday/track.json --file workshop.sqlite
    """
    from glowledger.ledger.records import read_record
    from glowledger.ledger.store import open_ledger

    record = read_record(folder)
    with open_ledger(file or DEFAULT, create=True) as ledger:
        run_id = ledger.keep(record)
    _say(as_json, {"run_id": run_id}, f"Kept as run {run_id} in {file or DEFAULT}.")


@command.command()
@click.argument("run", required=False)
@click.option(
    "--format", "kind", type=click.Choice(["csv", "json", "ecsv"]), default="csv", show_default=True,
    help="Format of the table.",
)  # fmt: skip
@click.option("-o", "--output", type=click.Path(path_type=Path), help="File to write instead of printing.")
@_common
def export(run: str | None, kind: str, output: Path | None, file: Path | None, as_json: bool) -> None:
    """Export all runs as a table in SI units, or the trends of one RUN.

    \b
    Examples:
      glowledger ledger export -o runs.csv
      glowledger ledger export latest --format ecsv -o trend.ecsv
    """
    from glowledger.ledger.exporting import csv_text, ecsv_text, run_table, trend_table
    from glowledger.ledger.store import open_ledger
    from glowledger.report import documents
    from glowledger.report.writing import write_text

    with open_ledger(file or DEFAULT) as ledger:
        columns, rows = run_table(ledger) if run is None else trend_table(ledger, run)
    kind = "json" if as_json else kind
    if kind == "json":
        table = [{name: row.get(name) for name in columns} for row in rows]
        text = documents.dumps({"schema": SCHEMA, "runs" if run is None else "trends": table}) + "\n"
    else:
        text = csv_text(columns, rows) if kind == "csv" else ecsv_text(columns, rows)
    if output is None:
        click.echo(text, nl=False)
    else:
        written = write_text(output, text)
        for said in remarks(f"Wrote {written}: {len(rows)} rows."):
            click.echo(said, err=True)


@command.command()
@click.option(
    "--look-in", multiple=True, type=click.Path(path_type=Path), metavar="FOLDER",
    help="Look here for raw files that are gone; may be given several times.",
)  # fmt: skip
@click.option("--strict", is_flag=True, help="Exit with 4 if a raw file is changed, missing or out of reach.")
@_common
def check(look_in: tuple[Path, ...], strict: bool, file: Path | None, as_json: bool) -> None:
    """Look whether the ledger is whole and whether the raw files are where and as they were.

    \b
    Examples:
      glowledger ledger check
      glowledger ledger check --look-in archive --strict
    """
    from glowledger.ledger.raw_files import states_of
    from glowledger.ledger.store import open_ledger
    from glowledger.report import ledger_texts

    found = []
    with open_ledger(file or DEFAULT) as ledger:
        ledger.check()
        for run in ledger.runs():
            states = states_of(ledger.files(run["run_id"]), look_in)
            found.append({"run_id": run["run_id"], "title": run["title"], "files": [
                {"path": s.file.path, "state": s.state, "found_at": s.found_at} for s in states
            ]})  # fmt: skip
    bad = [f for run in found for f in run["files"] if f["state"] not in ("as recorded", "moved")]
    _say(as_json, {"whole": True, "runs": found}, ledger_texts.check_text(found))
    if strict and bad:
        sys.exit(INCOMPLETE)


@command.command()
@click.argument("folders", nargs=-1, type=click.Path(path_type=Path))
@_common
def rebuild(folders: tuple[Path, ...], file: Path | None, as_json: bool) -> None:
    """Build the ledger again from the documents kept beside it, and from FOLDERS written by 'track -o'.

    The old database is set aside, not deleted.

    \b
    Examples:
      glowledger ledger rebuild
      glowledger ledger rebuild cleaned_tuesday cleaned_friday --file workshop.sqlite
    """
    from glowledger.ledger.rebuilding import rebuild as build
    from glowledger.report.numbers import counted

    done = build(file or DEFAULT, folders)
    what = f"{counted(done.runs, 'run')} from {counted(done.records, 'document')}, {counted(done.notes, 'note')}"
    text = f"Rebuilt {file or DEFAULT}: {what}."
    if done.set_aside is not None:
        text += f" The old database is now {done.set_aside.name}."
    _say(as_json, {"rebuilt": done}, "\n".join([text, *(f"Left out: {why}" for why in done.left_out)]))


@command.command()
@click.argument("reading")
@click.option("--gas", required=True, metavar="GASES", help="O2, air, or Ar:0.9,O2:0.1.")
@click.option(
    "--gauge", required=True, help="pirani, thermocouple, 'hot cathode', 'cold cathode' or capacitance (name it)."
)
@_common
def pressure(reading: str, gas: str, gauge: str, file: Path | None, as_json: bool) -> None:
    """Say which pressure is behind a gauge READING in a gas other than nitrogen.

    \b
    Examples:
      glowledger ledger pressure "5 Pa" --gas Ar --gauge pirani
      glowledger ledger pressure "2e-2 mbar" --gas Ar:0.9,O2:0.1 --gauge pirani --json
    """
    from glowledger.diagnose.feed import parse_feed
    from glowledger.ledger.gauges import true_pressure
    from glowledger.ledger.quantities import parse_quantity
    from glowledger.rounding import plus_minus

    stated = parse_quantity("pressure", reading)
    true = true_pressure(stated.value, gauge, parse_feed(gas), reading_error_pa=stated.standard_error)
    said = plus_minus(true.pressure_pa, true.standard_error_pa, "Pa")
    told = not math.isnan(true.pressure_pa)
    _say(as_json, {"pressure": true}, f"True pressure {said}. {true.reason}" if told else true.reason)


def _say(as_json: bool, document: dict[str, object], text: str) -> None:
    if as_json:
        _print_json(document)
    else:
        click.echo(text)


def _print_json(document: dict[str, object]) -> None:
    from glowledger.report import documents

    click.echo(documents.dumps({"schema": SCHEMA, **document}))
