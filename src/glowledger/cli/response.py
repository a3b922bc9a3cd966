"""The command ``response``."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from glowledger.cli.completing import windows
from glowledger.cli.figure_options import format_option
from glowledger.cli.reading_options import reading_options
from glowledger.cli.telling import progress_shown, remarks

if TYPE_CHECKING:
    from glowledger.bench.model import Bench
    from glowledger.report.leaving import Drawn
    from glowledger.spectra.frames import Frames


@click.command()
@click.argument("file", required=False, type=click.Path(path_type=Path))
@click.option(
    "--bench", "bench_file", type=click.Path(path_type=Path), required=True,
    help="The bench.toml of this spectrometer; the result is kept in it.",
)  # fmt: skip
@click.option(
    "--temperature", type=click.FloatRange(1600, 3600), metavar="KELVIN",
    help="FILE is a tungsten lamp of this colour temperature, as printed on it.",
)  # fmt: skip
@click.option(
    "--temperature-error", type=click.FloatRange(min=0), default=50.0, show_default=True, metavar="KELVIN",
    help="Standard error of that temperature.",
)  # fmt: skip
@click.option("--filament", is_flag=True, help="The temperature is that of the filament, not of its colour.")
@click.option("--through-window", is_flag=True, help="The lamp shone through the viewport.")
@click.option(
    "--from-branching", is_flag=True,
    help="FILE is a glow with argon or nitrogen: lines of one upper level tell the response, or check it.",
)  # fmt: skip
@click.option("--dark", type=click.Path(path_type=Path), help="File of dark frames to subtract.")
@click.option(
    "--window", metavar="MATERIAL", shell_complete=windows,
    help="What the viewport is made of, e.g. acrylic, or a name for it.",
)  # fmt: skip
@click.option(
    "--thickness", "thickness_mm", type=click.FloatRange(min=0, min_open=True), metavar="MM",
    help="Thickness of the viewport [3].",
)  # fmt: skip
@click.option("--with-window", type=click.Path(path_type=Path), help="A steady lamp seen through the viewport.")
@click.option("--without-window", type=click.Path(path_type=Path), help="The same lamp without it.")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Folder for the figure.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document instead of text.")
@format_option
@reading_options
def command(
    file: Path | None,
    bench_file: Path,
    output: Path | None,
    as_json: bool,
    reading: dict[str, Any],
    **asked: Any,
) -> None:
    """Measure how much light of each wavelength the spectrometer counts, and what the viewport lets through.

    FILE is a tungsten lamp (--temperature) or a glow (--from-branching). Only relative response is found.
    A response measured with a lamp stays when a glow is given: it is then checked, not replaced.

    \b
    Examples:
      glowledger response sample_spectra/tungsten.csv --bench bench.toml --temperature 2800 --dark sample_spectra/dark.csv
      glowledger response --bench bench.toml --window "fused silica" --thickness 3 --json
      glowledger response sample_spectra/air_leak.csv --bench bench.toml --dark sample_spectra/dark.csv --from-branching
    """  # noqa: E501 - an example is one line
    from glowledger.report import documents

    _check_usage(file, asked)
    document: dict[str, object] = {"schema": "glowledger/response/1"}
    said: list[str] = []
    if asked["window"] or asked["with_window"] or asked["thickness_mm"]:
        document |= _window(bench_file, asked, reading, said)
    if file is not None:
        with progress_shown(f"response {file.name}"):
            document |= _response(file, bench_file, asked, reading, said, output)
    document |= {"bench": bench_file, "sentences": said}
    click.echo(documents.dumps(document) if as_json else "\n".join(said))


def _check_usage(file: Path | None, asked: dict[str, Any]) -> None:
    lamp, glow = asked["temperature"] is not None, asked["from_branching"]
    if file is not None and lamp == glow:
        raise click.UsageError("Say what FILE is: --temperature KELVIN for a lamp, or --from-branching for a glow.")
    if file is None and (lamp or glow):
        raise click.UsageError("--temperature and --from-branching need a FILE.")
    if (asked["with_window"] is None) != (asked["without_window"] is None):
        raise click.UsageError("--with-window and --without-window go together.")
    if file is None and not (asked["window"] or asked["with_window"] or asked["thickness_mm"]):
        raise click.UsageError("Nothing to do: give a FILE, or --window.")


def _read(file: Path, bench_file: Path, dark: Path | None, reading: dict[str, Any]) -> tuple[Frames, Bench]:
    """Read a lamp or glow: saturation judged on raw counts, then the dark, then the wavelengths."""
    from glowledger.bench.applying import calibrated
    from glowledger.bench.bench_file import read_bench
    from glowledger.bench.model import Bench
    from glowledger.spectra.darks import subtract_dark
    from glowledger.spectra.reading import read_spectra, require_light

    frames = read_spectra(file, **reading)
    require_light(frames)
    if frames.axis_kind == "nm_air" and not bench_file.exists():
        bench = Bench(pixels=frames.axis.size)
    else:
        bench = read_bench(bench_file)
    if dark is not None:
        frames = subtract_dark(frames, read_spectra(dark, **reading))
    if bench.solution is not None or frames.axis_kind == "pixel":
        frames = calibrated(frames, bench)
    return frames, bench


def _response(
    file: Path, bench_file: Path, asked: dict[str, Any], reading: dict[str, Any], said: list[str], output: Path | None
) -> dict[str, object]:
    from glowledger.bench.keeping_parts import keep_part
    from glowledger.bench.response_lamp import lamp_response, refuse_saturated
    from glowledger.glow.branching_response import branching_response
    from glowledger.spectra.reading import read_spectra

    if asked["temperature"] is not None:
        refuse_saturated(read_spectra(file, **reading))
    frames, bench = _read(file, bench_file, asked["dark"], reading)
    found: dict[str, object]
    keep = True
    if asked["temperature"] is not None:
        lamp = lamp_response(
            frames, bench, asked["temperature"], asked["temperature_error"], colour=not asked["filament"],
            through_window=asked["through_window"],
        )  # fmt: skip
        response, what = lamp.response, f"tungsten lamp, filament {lamp.filament_k:.0f} K"
        said.extend(lamp.sentences)
        found = {"method": "lamp", "filament_k": lamp.filament_k}
    else:
        glow = branching_response(frames, bench)
        response, what, keep = glow.response, "branching ratios of a glow", bench.response is None
        said.extend(glow.sentences)
        found = {
            "method": "branching", "agrees": glow.agrees, "chi2_per_ratio": glow.chi2, "ranges_nm": glow.ranges_nm,
            "lines": [
                {"label": label, "wavelength_nm": nm, "departure": off, "standard_error": error}
                for label, nm, off, error in zip(
                    glow.lines.label, glow.lines.nm, glow.departure, glow.lines.error, strict=True
                )
            ],
        }  # fmt: skip
    if output is not None:
        _write_figure(output, response, None if keep else bench.response, frames, said, asked["drawn"])
    if keep:
        keep_part(bench_file, replace(bench, response=response), "response", what, (frames,))
        said.extend(remarks(f"Wrote the response to {bench_file}."))
    curve = {name: getattr(response, name) for name in ("at_nm", "value", "relative_error", "usable_nm")}
    return found | {"kept": keep, "response": curve}


def _write_figure(
    output: Path, response: Any, other: Any, frames: Frames, said: list[str], drawn: Drawn
) -> None:
    from glowledger.report.figures_bench import response_figure
    from glowledger.report.style import save_figure
    from glowledger.report.writing import make_folder
    from glowledger.spectra.samples import says_invented

    figure = response_figure(response, other, invented=says_invented(frames))
    make_folder(output)
    written = [save_figure(figure, output / f"response.{kind}") for kind in drawn.formats]
    said.extend(remarks(f"Wrote {', '.join(map(str, written))}."))


def _window(bench_file: Path, asked: dict[str, Any], reading: dict[str, Any], said: list[str]) -> dict[str, object]:
    from glowledger.bench.bench_file import read_bench
    from glowledger.bench.keeping_parts import keep_part
    from glowledger.bench.model import Window
    from glowledger.bench.window_measuring import measured_window
    from glowledger.tables.windows import UNKNOWN, window_material, window_note

    thickness = asked["thickness_mm"]
    if asked["with_window"] is None:
        bench = read_bench(bench_file)
        material = asked["window"] or bench.window.material
        name = UNKNOWN if material.casefold() == UNKNOWN else window_material(material).name
        window = Window(material=name, thickness_mm=thickness or bench.window.thickness_mm)
        keep_part(bench_file, replace(bench, window=window), "window", f"{name}, as stated")
        said.append(f"Window: {name}, {window.thickness_mm:g} mm. {window_note(name)}")
    else:
        through, bench = _read(asked["with_window"], bench_file, asked["dark"], reading)
        free, _ = _read(asked["without_window"], bench_file, asked["dark"], reading)
        window = measured_window(through, free, asked["window"] or "measured", thickness or bench.window.thickness_mm)
        keep_part(bench_file, replace(bench, window=window), "window", "measured with and without", (through, free))
        low, high = window.at_nm[0], window.at_nm[-1]
        passed, error = window.measured_at(0.5 * (low + high))
        said.append(
            f"Window measured from {low:.0f} to {high:.0f} nm; it lets {100 * passed:.0f} ± {100 * error:.0f} % "
            f"through at {0.5 * (low + high):.0f} nm."
        )
    names = ("material", "thickness_mm", "at_nm", "transmittance", "standard_error")
    return {"window": {name: getattr(window, name) for name in names}}
