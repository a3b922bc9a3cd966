"""The command ``bench``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from glowledger.cli.reading_options import reading_options


@click.command()
@click.argument("bench", metavar="BENCH", type=click.Path(path_type=Path))
@click.option(
    "--spectrum", type=click.Path(path_type=Path),
    help="A spectrum of lamp or plasma, to see whether its lines lie where the bench puts them.",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document instead of text.")
@reading_options
def command(bench: Path, spectrum: Path | None, as_json: bool, reading: dict[str, Any]) -> None:
    """Say what the file BENCH knows of your spectrometer, what is missing, and what to do next.

    With --spectrum also whether the spectrometer was moved, knocked or swapped since it was calibrated.

    \b
    Examples:
      glowledger bench bench.toml
      glowledger bench bench.toml --spectrum sample_spectra/air_leak.csv --json
    """
    from glowledger.bench.bench_file import read_bench
    from glowledger.bench.checking import check_bench
    from glowledger.bench.model import Bench
    from glowledger.report import bench_answers, documents
    from glowledger.spectra.reading import read_spectra, require_light

    known = read_bench(bench) if bench.exists() else Bench(pixels=0)
    check = None
    if spectrum is not None:
        frames = read_spectra(spectrum, **reading)
        require_light(frames)
        check = check_bench(frames, read_bench(bench))
    parts = bench_answers.bench_parts(known, str(bench))
    if as_json:
        click.echo(documents.dumps(bench_answers.bench_document(parts, str(bench), check)))
        return
    click.echo(bench_answers.bench_text(parts, str(bench) if bench.exists() else f"{bench} (not there yet)", check))
