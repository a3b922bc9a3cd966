"""``glowledger colour``: the colour of a glow, and which gas glows in a colour."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from glowledger.cli.reading_options import reading_options
from glowledger.cli.telling import remarks

if TYPE_CHECKING:
    from glowledger.bench.model import Bench
    from glowledger.report.colour_answers import ColourAnswer
    from glowledger.spectra.frames import Frames

CANNOT_TELL = 4  # exit code
FULL_SCALES = frozenset(float(2**bits - 1) for bits in range(8, 25))  # of detectors of 8 to 24 bits


@click.command()
@click.argument("file", type=click.Path(path_type=Path), required=False)
@click.option(
    "--bench", "bench_file", type=click.Path(path_type=Path), help="The bench.toml of this spectrometer."
)
@click.option("--dark", type=click.Path(path_type=Path), help="File of dark frames to subtract.")
@click.option(
    "--response", type=click.Choice(["auto", "silicon", "none"]), default="auto", show_default=True,
    help="auto: the bench's measured response, else none. silicon: assume a typical silicon detector. none: "
    "the values are already radiant power.",
)  # fmt: skip
@click.option(
    "--match", "observed", metavar="COLOUR",
    help="Rank gases for an observed colour: '#rrggbb', or words such as 'pale blue' (rough).",
)  # fmt: skip
@click.option("--photo", type=click.Path(path_type=Path), help="Rank gases for a patch of this picture.")
@click.option("--patch", type=int, nargs=4, metavar="X Y W H", help="The glow in the picture, pixels.")
@click.option("--white", type=int, nargs=4, metavar="X Y W H", help="Something white in the picture, pixels.")
@click.option("--strict", is_flag=True, help="Exit with 4 if colour or gas cannot be told.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document instead of text.")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Figure to write: .png, .svg or .pdf.")
@reading_options
def command(
    file: Path | None,
    bench_file: Path | None,
    dark: Path | None,
    response: str,
    observed: str | None,
    photo: Path | None,
    patch: tuple[int, int, int, int] | None,
    white: tuple[int, int, int, int] | None,
    strict: bool,
    as_json: bool,
    output: Path | None,
    reading: dict[str, Any],
) -> None:
    """Say in which colour the glow in FILE is seen, or which gases glow in an observed colour.

    FILE is a spectrum in nm, or raw pixels with --bench. Give --match or --photo instead of FILE for an
    observed colour. A colour is a hint, not an identification: 'cannot tell' is a common answer.

    \b
    Examples:
      glowledger colour sample_spectra/spectrum.csv
      glowledger colour --match '#ff4020'
      glowledger colour --match 'pale violet'
    """
    from glowledger.report.colour_answers import colour_document, colour_text
    from glowledger.report.documents import dumps

    given = [one for one in (file, observed, photo) if one is not None]
    if len(given) != 1:
        raise click.UsageError("Give one of FILE, --match COLOUR or --photo PICTURE --patch X Y W H.")
    if (photo is None) != (patch is None) or (white is not None and photo is None):
        raise click.UsageError("--photo and --patch go together; --white needs them.")
    extra: dict[str, object] = {}
    if file is not None:
        answer, extra = _of_spectrum(file, bench_file, dark, response, reading)
    elif photo is not None and patch is not None:
        answer = _of_photo(photo, patch, white)
    else:
        answer = _of_colour(str(observed))
    notes: tuple[str, ...] = (f"{extra['notice']}.",) if "notice" in extra else ()
    if output is not None:
        from glowledger.report.figures_colour import colour_figure
        from glowledger.report.style import save_figure

        save_figure(colour_figure(answer, notice=extra.get("notice")), output)
        notes += tuple(remarks(f"Wrote {output}."))
    click.echo(dumps(colour_document(answer, extra)) if as_json else colour_text(answer, notes=notes))
    if strict and not answer.told:
        sys.exit(CANNOT_TELL)


def _of_spectrum(
    file: Path, bench_file: Path | None, dark: Path | None, response: str, reading: dict[str, Any]
) -> tuple[ColourAnswer, dict[str, object]]:
    """Answer for the mean spectrum of a file."""
    from glowledger.bench.bench_file import read_bench
    from glowledger.report.style import INVENTED
    from glowledger.spectra.averaging import mean_frame
    from glowledger.spectra.samples import says_invented

    bench = None if bench_file is None else read_bench(bench_file)
    frames = _frames(file, bench, dark, reading)
    extra: dict[str, object] = {"file": file.name, "frames": len(frames)}
    if says_invented(frames):
        extra["notice"] = INVENTED
    subject = file.name + (f", mean of {len(frames)} frames" if len(frames) > 1 else "")
    return answer_for_frame(mean_frame(frames), subject, bench, response), extra


def _frames(file: Path, bench: Bench | None, dark: Path | None, reading: dict[str, Any]) -> Frames:
    """Read a file; one constant value that is no detector's ceiling is equal-energy light, not saturation."""
    import numpy as np

    from glowledger.cli.identify import calibrated_frames
    from glowledger.errors import ReadError
    from glowledger.spectra.reading import read_spectra

    try:
        return calibrated_frames(file, bench=bench, dark=dark, reading=reading)
    except ReadError:
        if not file.is_file() or reading.get("ceiling") is not None:
            raise
        counts = read_spectra(file, **reading).counts
        if np.ptp(counts) > 0 or not counts[0, 0] > 0 or float(counts[0, 0]) in FULL_SCALES:
            raise
        reading = reading | {"ceiling": 2 * float(counts[0, 0])}
        return calibrated_frames(file, bench=bench, dark=dark, reading=reading)


def answer_for_frame(frame: Frames, subject: str, bench: Bench | None, response: str) -> ColourAnswer:
    """Answer for one frame in nm, by the response that is known, assumed, or left out."""
    import numpy as np

    from glowledger.diagnose.colour import AS_RECORDED, recorded_colour, true_colour
    from glowledger.diagnose.colour_match import match_spectrum
    from glowledger.diagnose.observer import Per
    from glowledger.report.colour_answers import ColourAnswer

    counts = np.where(frame.mask[0], np.nan, frame.counts[0])
    per: Per = "nm" if bench is None or bench.solution is None else "pixel"
    measured = bench.response if bench is not None and response == "auto" else None
    if measured is not None or response == "silicon":
        colour, estimate = true_colour(frame.axis, counts, measured, per=per), None
    else:
        colour = recorded_colour(frame.axis, counts, per=per)
        estimate = true_colour(frame.axis, counts, None, per=per) if response == "auto" else None
    match = match_spectrum(colour, estimate)
    first = () if estimate is None else AS_RECORDED
    return ColourAnswer(
        subject=subject, colour=colour, estimate=estimate, observed=None, match=match,
        cautions=tuple(dict.fromkeys((*first, *colour.cautions, *match.cautions))),
    )  # fmt: skip


def _of_photo(
    photo: Path, patch: tuple[int, int, int, int], white: tuple[int, int, int, int] | None
) -> ColourAnswer:
    """Answer for a patch of a picture."""
    from glowledger.diagnose.colour_match import CAMERA_LIMITS, camera_draws, match_colour
    from glowledger.diagnose.photo import photo_patch
    from glowledger.report.colour_answers import ColourAnswer

    seen = photo_patch(photo, patch, white)
    draws = camera_draws(seen.linear, white_referenced=seen.white_referenced, own_log_sd=seen.log_sd)
    match = match_colour(seen.linear, draws, (*seen.cautions, *CAMERA_LIMITS))
    red, green, blue = (float(value) for value in seen.linear)
    return ColourAnswer(
        subject=f"{photo.name}, patch {' '.join(map(str, patch))}", colour=None, estimate=None,
        observed=(red, green, blue), match=match, cautions=match.cautions,
    )  # fmt: skip


def _of_colour(text: str) -> ColourAnswer:
    """Answer for a colour as typed: ``#rrggbb`` or words."""
    from glowledger.diagnose.colour_match import camera_draws, hex_cautions, match_colour, match_words
    from glowledger.diagnose.colour_words import ROUGH, colours_called
    from glowledger.diagnose.srgb import from_hex, is_hex
    from glowledger.report.colour_answers import ColourAnswer

    if is_hex(text):
        linear = from_hex(text)
        match = match_colour(linear, camera_draws(linear, white_referenced=False), hex_cautions(linear))
    else:
        linear, called = colours_called(text)
        match = match_words(called, ROUGH)
    red, green, blue = (float(value) for value in linear)
    return ColourAnswer(
        subject=f"Observed colour {text}", colour=None, estimate=None, observed=(red, green, blue),
        match=match, cautions=match.cautions, in_words=not is_hex(text),
    )  # fmt: skip
