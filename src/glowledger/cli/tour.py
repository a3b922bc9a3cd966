"""``glowledger tour``: the whole job on the bundled, invented example."""

from __future__ import annotations

import contextlib
import io
import json
import os
import shlex
import shutil
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from glowledger.report.tour_page import Step

MARK = ".glowledger_tour"  # a folder that holds this file was made here and may be written again
SAMPLES = ("lamp.csv", "dark.csv", "air_leak.csv", "cleaning_run.csv")


@dataclass(frozen=True)
class Planned:
    """A step before it is run: its command, what it is for, and its share of the time."""

    line: str
    heading: str
    weight: int


PLAN = (
    Planned(
        "calibrate sample_spectra/lamp.csv --lamp cfl --dark sample_spectra/dark.csv --bench bench.toml "
        "-o calibrate",
        "Find the wavelength of every pixel from a household lamp", 2,
    ),
    Planned(
        "identify sample_spectra/air_leak.csv --bench bench.toml --dark sample_spectra/dark.csv "
        "--feed Ar:0.9,O2:0.1 -o identify",
        "Ask what glows in a chamber that should hold argon and oxygen", 3,
    ),
    Planned(
        "track sample_spectra/cleaning_run.csv --bench bench.toml --dark sample_spectra/dark.csv -o track",
        "Follow a cleaning run and ask whether it is done", 10,
    ),
)  # fmt: skip


@click.command()
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), default=Path("glowledger_tour"), show_default=True,
    help="Folder for the report; made anew, or written again if an earlier tour made it.",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document instead of text.")
def command(output: Path, as_json: bool) -> None:
    """Run the whole job on a bundled example: calibrate, identify, track; leave a report in a folder.

    The spectra are invented and say so everywhere. Nothing is opened and no network is used.

    \b
    Examples:
      glowledger tour
      glowledger tour -o my_tour --json
    """
    from glowledger.report import documents
    from glowledger.report.style import INVENTED
    from glowledger.report.tour_page import endpoint_of, step_sentences

    refuse_foreign(output)
    steps = run_tour(output)
    if as_json:
        summary = {
            "schema": "glowledger/tour/1",
            "notice": INVENTED,
            "folder": output,
            "page": output / "index.html",
            "steps": [
                {"name": s.name, "command": s.command, "said": step_sentences(s), "files": list(s.files)}
                for s in steps
            ],
            "verdict": endpoint_of(steps[-1].document).verdict,
        }
        click.echo(documents.dumps(summary))
        return
    click.echo(f"{INVENTED}.")
    for step in steps:
        click.echo(f"\n$ {step.command}")
        for sentence in step_sentences(step):
            click.echo(click.wrap_text(sentence, 100, preserve_paragraphs=True))
    click.echo(f"\nOpen {output / 'index.html'} in a browser.")


def refuse_foreign(folder: Path) -> None:
    """Refuse to write into a folder that holds something and was not made by a tour.

    Raises
    ------
    WriteError
        If so.
    """
    from glowledger.errors import WriteError

    mend = "Choose another folder with -o, or remove this one yourself."
    if folder.exists() and not folder.is_dir():
        raise WriteError("a file of that name is in the way.", mend=mend, file=folder)
    if folder.is_dir() and any(folder.iterdir()) and not (folder / MARK).is_file():
        problem = "the folder holds files that no tour made; they are left alone."
        raise WriteError(problem, mend=mend, file=folder)


def run_tour(folder: Path) -> list[Step]:
    """Run every step in a folder of its own and move it into place when all is done.

    Raises
    ------
    GlowledgerError
        If a step fails or the folder cannot be written; then nothing is left behind.
    """
    from glowledger.report.tour_page import tour_page
    from glowledger.report.writing import make_folder, write_bytes, write_text
    from glowledger.spectra.samples import samples_folder

    samples = samples_folder()
    make_folder(folder.parent)
    with _workplace(folder) as place, _progress() as done:
        make_folder(place / "sample_spectra")
        for name in SAMPLES:
            write_bytes(place / "sample_spectra" / name, (samples / name).read_bytes())
        steps = []
        for planned in PLAN:
            steps.append(_run(planned, place))
            done.update(planned.weight)
        write_text(place / "index.html", tour_page(steps, place))
        write_text(place / MARK, "Made by glowledger tour; it may write this folder again.\n")
        done.update(1)
        _move(place, folder)
    return steps


def _run(planned: Planned, place: Path) -> Step:
    """Run one command as if typed in `place`, and keep what it printed and wrote."""
    from glowledger.cli import main
    from glowledger.errors import RunError
    from glowledger.report.tour_page import Step
    from glowledger.report.writing import write_text

    spoken = f"glowledger {planned.line}"
    name, *words = shlex.split(planned.line)
    step = main.get_command(click.get_current_context(), name)
    before = _files(place)
    out, err = io.StringIO(), io.StringIO()
    with contextlib.chdir(place), contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            if step is not None:
                step.main([*words, "--json"], prog_name=spoken, standalone_mode=False, obj=spoken)
        except SystemExit as stop:
            if stop.code:
                problem = f"the step '{name}' of the tour stopped: {err.getvalue().strip()}"
                raise RunError(problem, mend="Install glowledger again.") from None
    document = _labelled(json.loads(out.getvalue()))
    write_text(place / f"{name}.json", json.dumps(document) + "\n")
    _label_files(place, _files(place) - before)
    made = sorted(str(path.relative_to(place)) for path in _files(place) - before)
    return Step(name=name, heading=planned.heading, command=spoken, document=document, files=made)


def _labelled(document: dict[str, Any]) -> dict[str, Any]:
    from glowledger.report.style import INVENTED

    return {**document, "notice": INVENTED}


def _label_files(place: Path, files: set[Path]) -> None:
    """Say at the top of every table and bench file that its data are invented, unless it says so."""
    from glowledger.report.style import INVENTED
    from glowledger.report.writing import write_text

    for path in files:
        if path.suffix in (".csv", ".toml"):
            text = path.read_text(encoding="utf-8")
            if "invented" not in text[:300].lower():
                write_text(path, f"# note: {INVENTED}\n{text}")


def _files(place: Path) -> set[Path]:
    return {path for path in place.rglob("*") if path.is_file()}


@contextlib.contextmanager
def _workplace(folder: Path) -> Iterator[Path]:
    """Give a folder beside the final one; it is gone afterwards, whatever happens."""
    from glowledger.errors import WriteError

    try:
        place = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", dir=folder.parent)).resolve()
    except OSError as error:
        problem = f"the folder cannot be made ({error.strerror or error})."
        raise WriteError(problem, mend="Choose another with -o.", file=folder) from error
    try:
        yield place
    finally:
        shutil.rmtree(place, ignore_errors=True)


def _move(place: Path, folder: Path) -> None:
    """Put the finished files where they belong; files of the user's own beside them stay."""
    from glowledger.report.writing import make_folder

    make_folder(folder)
    for path in sorted(_files(place)):
        target = folder / path.relative_to(place)
        make_folder(target.parent)
        os.replace(path, target)


@contextlib.contextmanager
def _progress() -> Iterator[Any]:
    """Show a bar with the time left on stderr, where that is a terminal."""
    shown = sys.stderr if sys.stderr.isatty() else io.StringIO()
    total = sum(planned.weight for planned in PLAN) + 1
    with click.progressbar(length=total, label="tour", show_eta=True, file=shown) as bar:
        yield bar
