"""``glowledger simulate``: what a given spectrometer, window and gas mixture would record."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from glowledger.cli.completing import windows
from glowledger.cli.telling import remarks

if TYPE_CHECKING:
    from glowledger.bench.model import Bench, LineSpread
    from glowledger.glow.recording import Outlook, Recording

SIMULATED = "Simulated: an invented glow through the program's own model, not a measurement"
LEAST_PIXELS = 100


def _light(_: click.Context, __: click.Parameter, value: str) -> tuple[tuple[str, float], ...]:
    """Read 'Ar I:1,OH:0.01', or one name alone."""
    found: list[tuple[str, float]] = []
    parts = [p.strip() for p in value.split(",") if p.strip()]
    for part in parts:
        name, colon, number = part.rpartition(":")
        if not colon and len(parts) == 1:
            name, colon, number = part, ":", "1"
        try:
            share = float(number) if colon else math.nan
        except ValueError:
            share = math.nan
        if not (math.isfinite(share) and share > 0 and name.strip()):
            raise click.BadParameter(f"'{part}' is not 'name:share' with a share above 0, e.g. 'Ar I:1' or 'air:1'")
        found.append((name.strip(), share))
    if not found:
        raise click.BadParameter("name at least one species or gas, e.g. 'Ar I:1' or 'air:1'")
    return tuple(found)


def _range(_: click.Context, __: click.Parameter, value: str) -> tuple[float, float]:
    low, _colon, high = value.partition(":")
    try:
        ends = (float(low), float(high))
    except ValueError as error:
        raise click.BadParameter(f"'{value}' is not 'low:high' in nm, e.g. 250:900") from error
    if not 150.0 <= ends[0] < ends[1] <= 1300.0:
        raise click.BadParameter("the range must rise and lie between 150 and 1300 nm")
    return ends


@click.command()
@click.option(
    "--light", required=True, callback=_light, metavar="MIXTURE",
    help="Photons sent out, by species or gas, e.g. 'Ar I:1,OH:0.01' or 'air:1,CO:0.02'.",
)  # fmt: skip
@click.option("--range", "range_nm", default="250:900", callback=_range, show_default=True, help="First and last nm.")
@click.option("--pixels", type=click.IntRange(LEAST_PIXELS, 20000), default=2048, show_default=True, help="Pixels.")
@click.option("--fwhm", type=click.FloatRange(0.02, 50), default=1.2, show_default=True, help="Line width (FWHM), nm.")
@click.option(
    "--window", metavar="MATERIAL", shell_complete=windows,
    help="What the viewport is made of, e.g. acrylic, 'fused silica'.",
)  # fmt: skip
@click.option(
    "--thickness", type=click.FloatRange(0.1, 100), default=3.0, show_default=True, help="Of the window, mm."
)
@click.option("--peak", type=click.FloatRange(1), default=40000.0, show_default=True, help="Counts of the top pixel.")
@click.option(
    "--exposure", type=click.FloatRange(1e-4, 1e4), default=1.0, show_default=True,
    help="Exposure time relative to the one that gives these counts; above the ceiling lines are cut off.",
)  # fmt: skip
@click.option("--averages", type=click.IntRange(1, 100000), default=1, show_default=True, help="Scans averaged.")
@click.option("--gain", type=click.FloatRange(1e-4), default=1.0, show_default=True, help="Counts per photoelectron.")
@click.option("--read-noise", type=click.FloatRange(1e-3), default=20.0, show_default=True, help="Of one scan, counts.")
@click.option("--ceiling", type=click.FloatRange(10), default=65535.0, show_default=True, help="Counts at saturation.")
@click.option(
    "--continuum", type=click.FloatRange(0, 10), default=0.05, show_default=True,
    help="Smooth light as part of the light of lines and bands.",
)  # fmt: skip
@click.option("--t-rot", type=click.FloatRange(50, 10000), default=500.0, show_default=True, help="Of molecules, K.")
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="Of the noise.")
@click.option(
    "--bench", "bench_file", type=click.Path(path_type=Path),
    help="A bench.toml whose wavelengths, line width, response, window and detector are taken instead.",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document instead of text.")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="CSV file for the simulated spectrum.")
def command(light: tuple[tuple[str, float], ...], as_json: bool, output: Path | None, **options: Any) -> None:
    """Say what a spectrometer would see of a glow, before you buy it or fit a window.

    The mixture is given as photons sent out, in any unit; a gas (air, argon, oxygen) stands for the species of a
    usual tube of it. Levels have typical proportions, which real glows leave; near a limit trust the answer only
    to a factor of two or three.

    \b
    Examples:
      glowledger simulate --light 'Ar I:1,OH:0.05,CO:0.05' --window acrylic
      glowledger simulate --light 'air:1,CO:0.02' --fwhm 2.5
      glowledger simulate --light 'N2:1,CN:0.05' --range 340:850 --fwhm 2.5 --json
    """
    from glowledger.report import documents

    recording, bench, gases = simulated(light, **options)
    if output is not None:
        write_recording(output, recording, light, options["seed"])
    if as_json:
        click.echo(documents.dumps(simulate_document(recording, output, gases)))
        return
    click.echo("\n".join([*_text(recording, bench, gases), *(remarks(f"Wrote {output}.") if output else [])]))


def simulated(
    light: tuple[tuple[str, float], ...], **options: Any
) -> tuple[Recording, Bench, dict[str, dict[str, float]]]:
    """Simulate one exposure; return it, the bench it was made with, and what each gas was taken for."""
    from glowledger.diagnose.gas_light import mixture_of
    from glowledger.glow.recording import record_glow

    mixture, gases = mixture_of(light)
    axis, spread, bench, exposure = _instrument(options)
    recording = record_glow(
        tuple(mixture), axis, spread, bench, exposure, t_rot_k=options["t_rot"], seed=options["seed"]
    )
    return recording, bench, gases


def _instrument(options: dict[str, Any]) -> tuple[Any, LineSpread, Bench, Any]:
    """Return axis, line-spread, bench and exposure as asked for."""
    from dataclasses import replace

    import numpy as np

    from glowledger.bench.bench_file import read_bench
    from glowledger.bench.model import Bench, LineSpread, Window
    from glowledger.glow.recording import Exposure

    low, high = options["range_nm"]
    stated = None if options["bench_file"] is None else read_bench(options["bench_file"])
    bench = stated or Bench(pixels=options["pixels"])
    axis = np.linspace(low, high, options["pixels"])
    if bench.solution is not None:
        axis = bench.solution.nm(np.linspace(*bench.solution.domain, bench.pixels))
        axis = axis if axis[0] < axis[-1] else axis[::-1]
    if options["window"] is not None:
        bench = replace(bench, window=Window(material=options["window"], thickness_mm=options["thickness"]))
    middle = np.array([0.5 * (axis[0] + axis[-1])])
    fwhm = np.array([options["fwhm"]])
    spread = bench.line_spread or LineSpread(at_nm=middle, fwhm_nm=fwhm, fwhm_se_nm=0.05 * fwhm)
    known = bench.detector
    exposure = Exposure(
        peak_counts=options["peak"],
        factor=options["exposure"],
        counts_per_electron=known.counts_per_electron or options["gain"],
        read_noise_counts=known.read_noise_counts or options["read_noise"],
        ceiling_counts=known.ceiling_counts or options["ceiling"],
        averages=options["averages"],
        continuum=options["continuum"],
    )
    return axis, spread, bench, exposure


def _text(recording: Recording, bench: Bench, gases: dict[str, dict[str, float]]) -> list[str]:
    axis = recording.axis_nm
    window = "" if bench.window.material == "unknown" else f" through {bench.window.material}"
    lines = [f"{SIMULATED}.", f"{axis.size} pixels from {axis[0]:.0f} to {axis[-1]:.0f} nm{window}:"]
    taken = [
        f"{gas} as {', '.join(f'{name} {100 * part:.{3 if part > 0.1 else 2}g} %' for name, part in parts.items())}"
        for gas, parts in gases.items()
    ]
    if taken:
        lines.insert(1, f"Taken for its usual light (photons of the column of a usual tube): {'; '.join(taken)}.")
    lines += [f"  {_sentence(one, bench.window.material)}" for one in recording.outlooks]
    cut = int(recording.saturated.sum())
    if cut:
        lines.append(f"{cut} pixels are saturated: expose shorter.")
    lines.append(
        "Standard deviations are those of an observer who knows every template; a real fit reaches less. "
        "Second-order and stray light are left out."
    )
    return lines


def _sentence(one: Outlook, window: str) -> str:
    """Return one line on a species."""
    from glowledger.report.numbers import sigmas

    if one.visible == "outside the range":
        return f"{one.name}: {one.visible}; {one.reason}"
    places = ", ".join(
        f"{f.wavelength_nm:.1f} nm {'blocked' if f.blocked else sigmas(f.sigma)}" for f in one.features
    )
    if one.visible == "hidden by the window":
        return f"{one.name}: hidden by the {window} window ({places})"
    least = f" It takes {100 * one.smallest_share:.2g} % of the photons to be found." if one.smallest_share > 0 else ""
    return f"{one.name}: {one.visible} at {sigmas(one.sigma)}, {one.counts:.3g} counts ({places}).{least}"


def write_recording(
    path: Path, recording: Recording, light: tuple[tuple[str, float], ...], seed: int
) -> None:
    """Write the spectrum as CSV with a preamble that says that it is simulated."""
    from dataclasses import replace

    import numpy as np

    from glowledger.report.writing import write_text
    from glowledger.spectra.frames import Detector, frames_from_arrays
    from glowledger.spectra.writing import csv_chunks

    exposure = recording.exposure
    detector = Detector(
        ceiling_counts=exposure.ceiling_counts,
        counts_per_electron=exposure.counts_per_electron,
        read_noise_counts=exposure.read_noise_counts,
    )
    frames = frames_from_arrays(recording.axis_nm, recording.counts, detector=detector)
    frames = replace(frames, averages=np.full(1, float(exposure.averages)))
    mixture = ",".join(f"{name}:{share:g}" for name, share in light)
    preamble = f"# note: {SIMULATED}\n# mixture: {mixture}\n# seed: {seed}\n"
    write_text(path, preamble + "".join(csv_chunks(frames)))


def simulate_document(
    recording: Recording, output: Path | None, gases: dict[str, dict[str, float]]
) -> dict[str, object]:
    """Return the answer as one document, schema ``glowledger/simulate/1``."""
    axis = recording.axis_nm
    return {
        "schema": "glowledger/simulate/1",
        "notice": SIMULATED,
        "range_nm": [float(axis[0]), float(axis[-1])],
        "pixels": axis.size,
        "gases": gases,
        "saturated_pixels": int(recording.saturated.sum()),
        "species": list(recording.outlooks),
        "file": output,
    }
