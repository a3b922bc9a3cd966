"""``glowledger identify``: who glows in a spectrum."""

from __future__ import annotations

import shlex
import sys
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from glowledger.cli.completing import species as species_names
from glowledger.cli.completing import windows
from glowledger.cli.figure_options import figure_options
from glowledger.cli.reading_options import reading_options
from glowledger.cli.telling import progress_shown, remarks, say_answer

if TYPE_CHECKING:
    from glowledger.bench.model import Bench
    from glowledger.diagnose.cautions import Caution
    from glowledger.diagnose.rate_constants import Rates
    from glowledger.diagnose.sightings import Finding
    from glowledger.diagnose.state import StateReading
    from glowledger.errors import GlowledgerError
    from glowledger.glow.results import Fit
    from glowledger.report.colour_answers import ColourAnswer
    from glowledger.report.leaving import Drawn
    from glowledger.spectra.frames import Frames

CANNOT_TELL = 4  # exit code


@dataclass(frozen=True)
class Answer:
    """What `identify` found in one file."""

    fit: Fit
    findings: tuple[Finding, ...]
    cautions: tuple[Caution, ...]
    hints: tuple[str, ...]
    state: tuple[StateReading, ...]
    colour: ColourAnswer | None
    title: str
    notice: str | None
    extra: dict[str, object]


def calibrated_frames(
    file: Path, *, bench: Bench | None, dark: Path | None = None, reading: dict[str, Any] | None = None
) -> Frames:
    """Read a file, subtract the dark, put the bench to it; the axis is then in nm."""
    from glowledger.bench.applying import calibrated
    from glowledger.spectra.darks import subtract_dark
    from glowledger.spectra.reading import read_spectra, require_light

    frames = read_spectra(file, **(reading or {}))
    require_light(frames)
    if dark is not None:
        frames = subtract_dark(frames, read_spectra(dark, **(reading or {})))
    if bench is not None and bench.solution is not None:
        return calibrated(frames, bench)
    if frames.axis_kind == "pixel":
        raise no_wavelengths(file)
    return frames


def missing_parts(bench_file: Path | None) -> list[str]:
    """Return a sentence on what the bench does not know, if it lacks something that bears on the answer."""
    if bench_file is None:
        return []
    from glowledger.bench.bench_file import read_bench
    from glowledger.report.bench_answers import bench_parts

    names = [part.name for part in bench_parts(read_bench(bench_file), str(bench_file)) if not part.known]
    if not names:
        return []
    return [f"Not known of the spectrometer: {', '.join(names)}. 'glowledger bench {bench_file}' says what to do."]


def no_wavelengths(file: Path) -> GlowledgerError:
    """Return the error that says which step is missing before spectra in pixels can be used."""
    from glowledger.errors import CalibrationError

    return CalibrationError(
        "the axis is in pixels, and there is no wavelength calibration for this spectrometer yet.",
        mend="Record a lamp (a compact fluorescent will do) and run 'glowledger calibrate LAMP.csv "
        "--lamp auto --bench bench.toml'; then give '--bench bench.toml' here. "
        "'glowledger guide first-evening' shows how.",
        file=file,
    )


def with_window(bench: Bench | None, window: str | None, pixels: int) -> Bench | None:
    """Return the bench with the window that was named, or as it was."""
    from glowledger.bench.model import Bench, Window

    if window is None:
        return bench
    return replace(bench or Bench(pixels=pixels), window=Window(material=window))


def bench_warning(frames: Frames, bench: Bench | None) -> str:
    """Return what to say if the plasma's lines do not fit the bench, or ''."""
    from glowledger.glow.bench_misfit import bench_misfit

    return "" if bench is None or bench.solution is None else bench_misfit(frames, bench).warning.rstrip(".")


def answer(
    file: Path,
    *,
    bench_file: Path | None = None,
    dark: Path | None = None,
    feed: str | None = None,
    species: tuple[str, ...] = (),
    window: str | None = None,
    rates: Path | None = None,
    reading: dict[str, Any] | None = None,
    coloured: bool = True,
) -> Answer:
    """Identify the mean spectrum of a file; what the command and the tour both call.

    The colour is left out where nothing tells it: to compare it with all gases takes as long as to fit a spectrum.
    """
    from glowledger.bench.bench_file import read_bench
    from glowledger.diagnose.cautions import cautions, material_hints
    from glowledger.diagnose.feed import parse_feed
    from glowledger.diagnose.findings import findings
    from glowledger.diagnose.plasma_state import plasma_state
    from glowledger.glow.identifying import identify_frame

    constants = rates_in(rates)
    stated = None if feed is None else parse_feed(feed)
    bench = None if bench_file is None else read_bench(bench_file)
    frames = calibrated_frames(file, bench=bench, dark=dark, reading=reading)
    bench = with_window(bench, window, frames.axis.size)
    fit = identify_frame(frames, bench=bench, species=species or None)
    strange = bench_warning(frames, bench)
    if strange:
        fit = replace(fit, warnings=(strange, *fit.warnings))
    concluded = findings(fit, stated)
    state = plasma_state(fit, None if bench is None else bench.response, constants)
    window_of = None if bench is None else bench.window
    return gathered(
        fit=fit, findings=concluded, cautions=cautions(stated, window_of, concluded), hints=material_hints(stated),
        state=state, colour=glow_colour(frames, bench) if coloured else None, file=file, frames=frames,
    )  # fmt: skip


def gathered(
    *,
    fit: Fit,
    findings: tuple[Finding, ...],
    cautions: tuple[Caution, ...],
    hints: tuple[str, ...],
    state: tuple[StateReading, ...],
    colour: ColourAnswer | None,
    file: Path,
    frames: Frames,
) -> Answer:
    """Put all that was found beside the title and the further fields of the document."""
    from glowledger.report.style import INVENTED
    from glowledger.spectra.samples import says_invented
    from glowledger.tables.added import added_packages

    notice, count = INVENTED if says_invented(frames) else None, len(frames)
    extra: dict[str, object] = {"file": file.name, "frames": count} | added_packages()
    extra |= {"plasma_state": [asdict(one) for one in state], "cautions": [asdict(one) for one in cautions]}
    if colour is not None and colour.colour is not None:
        seen = colour.colour
        extra["colour"] = {"xy": seen.xy, "srgb": seen.srgb, "description": seen.description, "told": seen.told}
    return Answer(
        fit=fit, findings=findings, cautions=cautions, hints=hints, state=state, colour=colour, notice=notice,
        title=file.name + (f", mean of {count} frames" if count > 1 else ""),
        extra=extra | ({"notice": notice} if notice else {}),
    )  # fmt: skip


def glow_colour(frames: Frames, bench: Bench | None) -> ColourAnswer | None:
    """Return the colour of the mean spectrum; None where it holds no visible light."""
    from glowledger.cli.colour import answer_for_frame
    from glowledger.errors import GlowledgerError
    from glowledger.spectra.averaging import mean_frame

    try:
        return answer_for_frame(mean_frame(frames), "The glow", bench, "auto")
    except GlowledgerError:
        return None


def rates_in(file: Path | None) -> Rates | None:
    """Read the user's rate constants; errors name the file."""
    from glowledger.diagnose.rate_constants import parse_rates
    from glowledger.errors import TableError

    if file is None:
        return None
    try:
        return parse_rates(file.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise TableError(f"the rate constants cannot be read ({error}).", mend="Check the path.", file=file) from None
    except TableError as error:
        raise TableError(error.problem, mend=error.mend, file=file) from None


def untold(fit: Fit, asked: tuple[str, ...]) -> bool:
    """Return True if one of the species asked for cannot be told, or none of all can."""
    blank = [s.verdict == "cannot tell" for s in fit.species]
    return any(blank) if asked else all(blank)


def _names(_: click.Context, __: click.Parameter, value: str | None) -> tuple[str, ...]:
    return tuple(name.strip() for name in (value or "").split(",") if name.strip())


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--bench", "bench_file", type=click.Path(path_type=Path), help="The bench.toml of this spectrometer."
)
@click.option("--dark", type=click.Path(path_type=Path), help="File of dark frames to subtract.")
@click.option("--feed", metavar="GASES", help="The gas you let in: O2, air, or Ar:0.9,O2:0.1.")
@click.option(
    "--species", callback=_names, metavar="NAMES", shell_complete=species_names,
    help="Look for these only, e.g. 'N2,OH,Ar I'.",
)  # fmt: skip
@click.option(
    "--window", metavar="MATERIAL", shell_complete=windows,
    help="What the viewport is made of, e.g. acrylic.",
)  # fmt: skip
@click.option(
    "--rates", type=click.Path(path_type=Path),
    help="TOML file of your own rate constants: densities of O, H, N by actinometry.",
)  # fmt: skip
@click.option(
    "--scale", type=click.Choice(["sqrt", "linear", "log"]), default="sqrt", show_default=True,
    help="Scale of the counts in the figure.",
)  # fmt: skip
@click.option("--all", "every", is_flag=True, help="List also what was not seen, with its limits.")
@click.option("--strict", is_flag=True, help="Exit with 4 if what you ask cannot be told from this spectrum.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document instead of text.")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Folder for page, figure and tables.")
@figure_options
@reading_options
def command(
    file: Path,
    bench_file: Path | None,
    dark: Path | None,
    feed: str | None,
    species: tuple[str, ...],
    window: str | None,
    rates: Path | None,
    scale: Any,
    every: bool,
    strict: bool,
    as_json: bool,
    output: Path | None,
    drawn: Drawn,
    reading: dict[str, Any],
) -> None:
    """Say which gases and contaminants glow in FILE, how sure that is, and what cannot be told.

    FILE is a spectrum in nm, or raw pixels with --bench. Of several frames the mean is taken.

    \b
    Examples:
      glowledger identify sample_spectra/spectrum.csv --feed Ar
      glowledger identify sample_spectra/air_leak.csv --bench bench.toml --dark sample_spectra/dark.csv
    """
    from glowledger.report import documents, meaning_texts, sentences

    with progress_shown(f"identify {file.name}"):
        found = answer(
            file, bench_file=bench_file, dark=dark, feed=feed, species=species, window=window, rates=rates,
            reading=reading, coloured=as_json or output is not None,
        )  # fmt: skip
    written: list[Path] = []
    if output is not None:
        from glowledger.report.identify_files import write_identify

        written = write_identify(
            output, found.fit, title=found.title, command=spoken_command(), findings=found.findings,
            cautions=found.cautions, hints=found.hints, state=found.state, colour=found.colour, scale=scale,
            notice=found.notice, extra=found.extra, drawn=drawn,
        )  # fmt: skip
    if as_json:
        document = documents.identify_document(found.fit, findings=found.findings, extra=found.extra)
        click.echo(documents.dumps(document))
    else:
        notes = [meaning_texts.state_sentence(one) for one in found.state if one.told]
        notes += meaning_texts.caution_sentences(found.cautions)
        notes += [f"{found.notice}."] if found.notice else []
        notes += remarks(*missing_parts(bench_file))
        notes += remarks(f"Wrote {written[0]} and {len(written) - 1} files beside it.") if written else []
        text = sentences.identify_text(
            found.fit, title=found.title, findings=found.findings, notes=notes, every=every,
            checks=meaning_texts.settling_sentences(found.findings),
        )
        say_answer(text)
    if strict and untold(found.fit, species):
        sys.exit(CANNOT_TELL)


def spoken_command() -> str:
    """Return the command line as it was typed, for the page to repeat."""
    said = click.get_current_context().find_root().obj
    return said if isinstance(said, str) else shlex.join(["glowledger", *sys.argv[1:]])
