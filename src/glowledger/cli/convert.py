"""The command ``convert``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from glowledger.cli.reading_options import reading_options
from glowledger.cli.telling import remarks


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--bench", type=click.Path(path_type=Path), help="bench.toml of this spectrometer; not needed for spectra in nm."
)
@click.option(
    "--dark", type=click.Path(path_type=Path), help="Dark file to subtract: same exposure, plasma off."
)
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    help="File to write (.csv, .ecsv, .fits); CSV on stdout if left out.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document about what was written.")
@reading_options
def command(
    file: Path, bench: Path | None, dark: Path | None, output: Path | None, as_json: bool, reading: dict[str, Any]
) -> None:
    """Write the spectra in FILE with a calibrated wavelength axis (nm in air), as CSV, ECSV or FITS.

    \b
    Examples:
      glowledger convert sample_spectra/air_leak.csv --bench bench.toml -o leak_nm.csv
      glowledger convert sample_spectra/cleaning_run.csv --bench bench.toml --json -o run_nm.fits
      glowledger convert sample_spectra/spectrum.csv -o spectrum.ecsv
    """
    import numpy as np

    from glowledger.bench.applying import calibrated, extrapolated
    from glowledger.bench.bench_file import read_bench
    from glowledger.cli.identify import no_wavelengths
    from glowledger.report import documents
    from glowledger.report.numbers import counted
    from glowledger.spectra.reading import read_spectra
    from glowledger.spectra.writing import csv_chunks, write_spectra

    if as_json and output is None:
        raise click.UsageError("--json needs -o: both would go to the same place.")
    instrument = None if bench is None else read_bench(bench)
    frames = read_spectra(file, **reading)
    if instrument is None and frames.axis_kind == "pixel":
        raise no_wavelengths(file)
    if dark is not None:
        from glowledger.spectra.darks import subtract_dark

        frames = subtract_dark(frames, read_spectra(dark, **reading))
    converted, outside = frames, np.zeros(frames.axis.size, dtype=bool)
    if instrument is not None:
        converted, outside = calibrated(frames, instrument), extrapolated(frames, instrument)
    if output is None:
        for chunk in csv_chunks(converted):
            click.echo(chunk, nl=False)
        return
    write_spectra(output, converted)
    low, high = float(converted.axis[0]), float(converted.axis[-1])
    inside = converted.axis[~outside]
    covered = [float(inside[0]), float(inside[-1])] if inside.size else None
    if as_json:
        click.echo(
            documents.dumps(
                {
                    "schema": "glowledger/convert/1",
                    "file": output,
                    "frames": len(converted),
                    "range_nm": [low, high],
                    "covered_nm": covered,
                    "extrapolated_pixels": int(outside.sum()),
                }
            )
        )
        return
    note = f" {int(outside.sum())} pixels lie beyond the lamp's lines: extrapolated." if outside.any() else ""
    written = f"{counted(len(converted), 'frame')} from {low:.1f} to {high:.1f} nm written to {output}.{note}"
    for text in remarks(written):
        click.echo(text)
