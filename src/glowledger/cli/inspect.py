"""``glowledger inspect``: what a file holds."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from glowledger.cli.reading_options import reading_options


@click.command("inspect")
@click.argument("path", metavar="FILE_OR_FOLDER", type=click.Path(path_type=Path))
@reading_options
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document instead of text.")
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), help="Write to this file instead of the terminal."
)
def command(path: Path, as_json: bool, output: Path | None, reading: dict[str, Any]) -> None:
    """Say what a file or folder holds: axis, frames, times, exposure, saturation.

    Changes nothing. Start here when a file is not read as you expect; where two readings are possible, the
    message names the option that settles it, and the other commands take the same options.

    \b
    Examples:
      glowledger inspect sample_spectra/lamp.csv
      glowledger inspect sample_spectra/cleaning_run.csv --json
    """
    from glowledger.report.documents import dumps
    from glowledger.spectra.inspection import describe, sentences
    from glowledger.spectra.reading import read_spectra
    from glowledger.spectra.writing import whole_file

    document = describe(read_spectra(path, **reading), path)
    text = dumps(document) if as_json else sentences(document)
    if output is None:
        click.echo(text)
        return
    with whole_file(output) as stream:
        stream.write(f"{text}\n".encode())
