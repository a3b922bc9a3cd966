"""The command ``detector``."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import click

from glowledger.cli.reading_options import reading_options


@click.command()
@click.argument("files", nargs=-1, type=click.Path(path_type=Path))
@click.option("--dark", type=click.Path(path_type=Path), help="File or folder of raw dark frames.")
@click.option(
    "--bench", "bench_file", type=click.Path(path_type=Path), help="The bench.toml in which to keep what was measured."
)
@click.option(
    "--dark-below", "dark_below_nm", type=click.FloatRange(min=0, min_open=True), metavar="NM",
    help="No light can arrive below this wavelength, because of a filter or window.",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document instead of text.")
@reading_options
def command(
    files: tuple[Path, ...],
    dark: Path | None,
    bench_file: Path | None,
    dark_below_nm: float | None,
    as_json: bool,
    reading: dict[str, Any],
) -> None:
    """Measure the detector from raw frames in FILES (a steady light) and from dark frames.

    Repeated frames tell gain and read noise, four or more exposures tell where counts stop being in proportion,
    darks tell hot pixels, pattern and bias. Nothing is required: what is not measured is said to be assumed.

    \b
    Examples:
      glowledger detector --dark sample_spectra/dark.csv
      glowledger detector sample_spectra/tungsten.csv --dark sample_spectra/dark.csv --bench bench.toml --json
    """
    from glowledger.bench.bench_file import read_bench
    from glowledger.bench.detector_measuring import in_bench, measure_detector
    from glowledger.bench.keeping_parts import keep_part
    from glowledger.report import documents
    from glowledger.spectra.reading import read_spectra

    if not files and dark is None:
        raise click.UsageError("Nothing to measure: give FILES of light, or --dark.")
    bench = None if bench_file is None else read_bench(bench_file)
    light = tuple(read_spectra(file, **reading) for file in files)
    darks = None if dark is None else read_spectra(dark, **reading)
    report = measure_detector(light, darks, bench, dark_below_nm)
    said = [*report.sentences, *report.assumed]
    if bench is not None and bench_file is not None:
        frames = (*light, *(() if darks is None else (darks,)))
        keep_part(bench_file, in_bench(bench, report), "detector", "measured from frames", frames)
        said.append(f"Kept in {bench_file}: {kept_text(report)}.")
    if not as_json:
        click.echo("\n".join(said))
        return
    document = {
        "schema": "glowledger/detector/1", **dataclasses.asdict(report.detector),
        "counts_per_electron_se": report.gain_se, "read_noise_se": report.read_noise_se,
        "hot_pixels": report.hot_pixels, "dark": report.dark, "linearity": report.linearity,
        "stray_fraction": report.stray, "second_order": report.second_order,
        "sentences": report.sentences, "assumed": report.assumed, "bench": bench_file,
    }  # fmt: skip
    click.echo(documents.dumps(document))


def kept_text(report: Any) -> str:
    """Return which parts go into the bench."""
    names = {"ceiling_counts": "ceiling", "counts_per_electron": "gain", "read_noise_counts": "read noise"}
    kept = [text for name, text in names.items() if getattr(report.detector, name) is not None]
    kept += [] if report.dark is None else ["hot pixels"]
    kept += [] if report.stray is None else ["scattered light"]
    return ", ".join(kept) or "nothing new"
