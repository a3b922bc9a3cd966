"""The command ``calibrate``."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from glowledger.cli.completing import lamps
from glowledger.cli.figure_options import format_option
from glowledger.cli.reading_options import reading_options
from glowledger.cli.telling import progress_shown, remarks, say_answer

if TYPE_CHECKING:
    from glowledger.report.leaving import Drawn


@click.command()
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--lamp",
    "lamps",
    multiple=True,
    metavar="LAMP",
    shell_complete=lamps,
    help="cfl, ne, hg, hg-ar, ar, he, kr, xe, h2, elements with commas (hg,cd,ar), or auto [auto]. Once, or per file.",
)
@click.option(
    "--dark", type=click.Path(path_type=Path), help="Dark file to subtract: same exposure, lamp off."
)
@click.option(
    "--bench", type=click.Path(path_type=Path), help="bench.toml to write, or to update if it exists."
)
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), help="Folder for the line table and the figure."
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document instead of text.")
@format_option
@reading_options
def command(
    files: tuple[Path, ...],
    lamps: tuple[str, ...],
    dark: Path | None,
    bench: Path | None,
    output: Path | None,
    as_json: bool,
    drawn: Drawn,
    reading: dict[str, Any],
) -> None:
    """Find the wavelength of every pixel from lamp spectra in FILES.

    Needs no starting guess: the pattern of lines tells. A solution that is not sure is refused (exit code 3)
    with the reason, and nothing is written. Files of different lamps are combined into one solution.

    \b
    Examples:
      glowledger calibrate sample_spectra/lamp.csv --lamp cfl --bench bench.toml
      glowledger calibrate sample_spectra/lamp_neon.csv --json
    """
    from glowledger.bench import verdict
    from glowledger.bench.calibration import calibrate
    from glowledger.bench.updating import updated_bench
    from glowledger.report import documents
    from glowledger.spectra.reading import read_spectra, require_light

    if lamps and len(lamps) not in (1, len(files)):
        raise click.UsageError(
            f"{len(files)} files but {len(lamps)} --lamp: give one for all, or one per file."
        )
    named = lamps * len(files) if len(lamps) == 1 else lamps or ("auto",) * len(files)
    shots = []
    for file, lamp in zip(files, named, strict=True):
        frames = read_spectra(file, **reading)
        require_light(frames)
        if dark is not None:
            from glowledger.spectra.darks import subtract_dark

            frames = subtract_dark(frames, read_spectra(dark, **reading))
        shots.append((frames, lamp.strip().casefold()))
    with progress_shown("calibrate"):
        result = calibrate(shots)
    notes: tuple[str, ...] = ()
    if result.accepted and bench is not None:
        notes = updated_bench(bench, result, [frames for frames, _ in shots])
    written = [] if bench is None else [bench]
    if result.accepted and output is not None:
        written += _write_output(output, result, [frames for frames, _ in shots], drawn)
    if as_json:
        click.echo(documents.dumps(verdict.document(result) | {"notes": list(notes)}))
    else:
        _say(result, files, written, notes)
    if not result.accepted:
        sys.exit(3)


def _say(result: Any, files: tuple[Path, ...], written: list[Path], notes: tuple[str, ...]) -> None:
    """Print the answer; a refusal is one of our errors and becomes one paragraph on stderr."""
    from glowledger.bench import verdict
    from glowledger.errors import CalibrationError

    if not result.accepted:
        raise CalibrationError(verdict.sentence(result), mend=result.mend, file=files[0])
    say_answer(
        f"{verdict.lamp_name(verdict.parts_seen(result))} recognised: {result.matched} lines carry the solution, "
        f"{len(result.lines)} of {result.peaks_found} peaks identified."
    )
    click.echo(verdict.sentence(result))
    click.echo(f"{verdict.width_sentence(result)} Polynomial of degree {result.degree}.")
    for text in (*result.warnings, *notes):
        click.echo(text)
    for text in remarks(f"Wrote {', '.join(str(path) for path in written)}.") if written else ():
        click.echo(text)


def _write_output(folder: Path, result: Any, frames: list[Any], drawn: Drawn) -> list[Path]:
    from glowledger.bench import verdict
    from glowledger.report.figures_calibration import calibration_figure
    from glowledger.report.style import save_figure
    from glowledger.report.writing import make_folder, write_text

    figure = calibration_figure(result, frames)
    make_folder(folder)
    table = write_text(folder / "calibration_lines.csv", verdict.residual_table(result))
    return [table, *(save_figure(figure, folder / f"calibration.{kind}") for kind in drawn.formats)]
