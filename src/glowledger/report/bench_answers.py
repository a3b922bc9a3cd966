"""What a bench knows and what is missing, each with what to do next, in plain sentences and as a document."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from glowledger.bench.checking import BenchCheck
from glowledger.bench.model import Bench
from glowledger.tables.windows import UNKNOWN


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchPart:
    """One part of a bench.

    Attributes
    ----------
    name : str
        ``wavelengths``, ``line width``, ``response``, ``detector`` or ``window``.
    known : bool
        Whether it was measured or stated.
    text : str
        What is known, or what its lack means.
    next_step : str
        What to do if it is missing, with the command; '' if it is known.
    source : str
        Where it came from, as the bench file has it; '' where that is not kept.
    """

    name: str
    known: bool
    text: str
    next_step: str = ""
    source: str = ""


def bench_parts(bench: Bench, file: str) -> tuple[BenchPart, ...]:
    """Return every part of a bench, known or missing, in the order in which to measure them.

    Parameters
    ----------
    bench : Bench
        As read.
    file : str
        Name of its file, for the commands in the sentences.

    Returns
    -------
    tuple of BenchPart
    """
    came_from = dict(bench.provenance)
    return (
        _wavelengths(bench, file, came_from.get("wavelength", "")),
        _line_width(bench, file),
        _detector(bench, file, came_from.get("detector", "")),
        _response(bench, file, came_from.get("response", "")),
        _window(bench, file, came_from.get("window", "")),
    )


def _wavelengths(bench: Bench, file: str, source: str) -> BenchPart:
    solution = bench.solution
    if solution is None:
        return BenchPart(
            name="wavelengths", known=False,
            text="no wavelength calibration for this spectrometer yet: spectra in pixels cannot be identified.",
            next_step="record a lamp (a compact fluorescent will do), then run 'glowledger calibrate LAMP.csv "
            f"--lamp auto --bench {file}'.",
        )  # fmt: skip
    ends = np.sort(solution.nm(np.array(solution.covered)))
    error = solution.standard_error_nm(np.linspace(*solution.covered, 9))
    text = f"known to {np.max(error):.2g} nm from {ends[0]:.0f} to {ends[1]:.0f} nm, extrapolated beyond."
    return BenchPart(name="wavelengths", known=True, text=text, source=source)


def _line_width(bench: Bench, file: str) -> BenchPart:
    spread = bench.line_spread
    if spread is None:
        return BenchPart(
            name="line width", known=False, text="not measured: it is guessed from each spectrum.",
            next_step=f"run 'glowledger calibrate LAMP.csv --bench {file}' with a lamp of narrow lines.",
        )  # fmt: skip
    low, high = float(np.min(spread.fwhm_nm)), float(np.max(spread.fwhm_nm))
    width = f"{low:.3g} nm" if high - low < 0.01 * high else f"{low:.3g} to {high:.3g} nm"
    return BenchPart(name="line width", known=True, text=f"{width} (FWHM).")


def _detector(bench: Bench, file: str, source: str) -> BenchPart:
    known = bench.detector
    names = {
        "ceiling_counts": "ceiling {:.0f} counts", "counts_per_electron": "gain {:.3g} counts per electron",
        "read_noise_counts": "read noise {:.3g} counts",
    }  # fmt: skip
    found = [text.format(getattr(known, name)) for name, text in names.items() if getattr(known, name) is not None]
    if known.read_noise_counts is None and not bench.hot_pixels:
        return BenchPart(
            name="detector", known=False,
            text="noise not measured: it is estimated from every spectrum anew, and answers are a little wider.",
            next_step=f"record dark frames (plasma off, same exposure), then run 'glowledger detector --dark DARK.csv "
            f"--bench {file}'.",
        )  # fmt: skip
    found += [f"{len(bench.hot_pixels)} hot pixels"]
    return BenchPart(name="detector", known=True, text=", ".join(found) + ".", source=source)


def _response(bench: Bench, file: str, source: str) -> BenchPart:
    if bench.response is None:
        return BenchPart(
            name="response", known=False,
            text="not measured: shares of the light far apart in wavelength, temperatures and true colours cannot be "
            "told or carry wide errors.",
            next_step="hold a tungsten lamp of known colour temperature before the fibre, then run 'glowledger "
            f"response LAMP.csv --temperature KELVIN --dark DARK.csv --bench {file}'; or, with argon or nitrogen in "
            f"the glow, 'glowledger response GLOW.csv --from-branching --dark DARK.csv --bench {file}'.",
        )  # fmt: skip
    low, high = bench.response.usable_nm
    return BenchPart(name="response", known=True, text=f"known from {low:.0f} to {high:.0f} nm.", source=source)


def _window(bench: Bench, file: str, source: str) -> BenchPart:
    window = bench.window
    if window.measured:
        text = f"{window.material}, measured from {window.at_nm[0]:.0f} to {window.at_nm[-1]:.0f} nm."
        return BenchPart(name="window", known=True, text=text, source=source)
    if window.material == UNKNOWN:
        return BenchPart(
            name="window", known=False,
            text="unknown: whatever it stops looks as if it were not there; 'not seen' below 400 nm may be the window.",
            next_step=f"say what the viewport is made of: 'glowledger response --bench {file} --window acrylic "
            "--thickness 3' ('glowledger tables --kind windows' lists materials).",
        )  # fmt: skip
    text = f"{window.material}, {window.thickness_mm:g} mm, as stated."
    return BenchPart(name="window", known=True, text=text, source=source)


def bench_text(parts: tuple[BenchPart, ...], file: str, check: BenchCheck | None = None) -> str:
    """Return what is known and what to do next, for the terminal."""
    missing = [part for part in parts if not part.known]
    lines = [f"{file}: {len(parts) - len(missing)} of {len(parts)} parts are known."]
    if check is not None:
        lines.append(f"This spectrum and the bench: {check.verdict} - {check.reason}")
        if check.verdict in ("moved", "does not fit"):
            lines.append(f"  Next: record a lamp and run 'glowledger calibrate LAMP.csv --bench {file}' again.")
    for part in parts:
        lines.append(f"{part.name}: {part.text}" + (f" From: {part.source}" if part.source else ""))
    lines += [f"Next, for the {part.name}: {part.next_step}" for part in missing[:1]]
    lines += [f"Later, for the {part.name}: {part.next_step}" for part in missing[1:]]
    return "\n".join(lines)


def bench_document(parts: tuple[BenchPart, ...], file: str, check: BenchCheck | None = None) -> dict[str, object]:
    """Return the same as one document, schema ``glowledger/bench/1``."""
    return {"schema": "glowledger/bench/1", "file": file, "parts": list(parts), "check": check}
