"""Read and write ``bench.toml``: one file, readable by a person, with where each number came from."""

from __future__ import annotations

import logging
import re
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.model import Bench, LineSpread, Response, WavelengthSolution, Window
from glowledger.errors import CalibrationError
from glowledger.spectra.frames import Detector

FORMAT = "glowledger/bench/1"
MEASURED_WINDOW = ("at_nm", "transmittance", "standard_error")
_LOG = logging.getLogger(__name__)


def bench_text(bench: Bench) -> str:
    """Return a bench as the text of a ``bench.toml``."""
    lines = [
        "# The spectrometer and its window as measured, written by glowledger calibrate.",
        "# Wavelengths are nm in air. Keep this file beside your spectra; every command takes it with --bench.",
        f'format = "{FORMAT}"',
        f"pixels = {bench.pixels}",
    ]
    if bench.solution is not None:
        lines += _solution_lines(bench.solution)
    if bench.line_spread is not None:
        spread = bench.line_spread
        lines += ["", "[line_spread]  # full width at half maximum of a single line"]
        lines += [_array("at_nm", spread.at_nm), _array("fwhm_nm", spread.fwhm_nm)]
        lines += [_array("fwhm_se_nm", spread.fwhm_se_nm)]
        lines += [
            f"lorentz_fraction = {_number(spread.lorentz_fraction)}",
            f"asymmetry = {_number(spread.asymmetry)}",
        ]
    if bench.response is not None:
        response = bench.response
        lines += ["", "[response]  # counts per photon, relative to the maximum"]
        lines += [_array("at_nm", response.at_nm), _array("value", response.value)]
        lines += [_array("relative_error", response.relative_error), _array("usable_nm", response.usable_nm)]
        lines += [f"includes_window = {str(response.includes_window).lower()}"]
    lines += ["", "[window]  # the viewport between plasma and spectrometer"]
    lines += [
        f"material = {_quoted(bench.window.material)}",
        f"thickness_mm = {_number(bench.window.thickness_mm)}",
    ]
    if bench.window.measured:
        lines += [_array(name, getattr(bench.window, name)) for name in MEASURED_WINDOW]
    lines += ["", "[detector]  # what is left out is estimated from the data"]
    for name in ("ceiling_counts", "counts_per_electron", "read_noise_counts"):
        value = getattr(bench.detector, name)
        if value is not None:
            lines.append(f"{name} = {_number(value)}")
    if bench.stray_fraction is not None:
        lines.append(f"stray_fraction = {_number(bench.stray_fraction)}")
    if bench.hot_pixels:
        lines.append(f"hot_pixels = [{', '.join(str(i) for i in bench.hot_pixels)}]  # counted from 0")
    for part, story in bench.provenance:
        lines += ["", "[[provenance]]", f"part = {_quoted(part)}", f"story = {_quoted(story)}"]
    return "\n".join(lines) + "\n"


def _solution_lines(solution: WavelengthSolution) -> list[str]:
    rows = ",\n  ".join("[" + ", ".join(_number(v) for v in row) + "]" for row in solution.covariance)
    return [
        "",
        "[wavelength]  # Chebyshev series over the axis values in domain",
        _array("coefficients_nm", solution.coefficients),
        _array("domain", solution.domain),
        f"covariance_nm2 = [\n  {rows},\n]",
        f"scatter_nm = {_number(solution.scatter_nm)}",
        _array("covered", solution.covered)
        + "  # axis values of the outermost lines used; beyond: extrapolated",
    ]


def _number(value: float) -> str:
    return repr(float(value))


def _array(name: str, values: Iterable[float]) -> str:
    return f"{name} = [{', '.join(_number(v) for v in values)}]"


def _quoted(text: str) -> str:
    """Return a TOML basic string."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    plain = "".join(c if c >= " " and c != "\x7f" else f"\\u{ord(c):04x}" for c in escaped)
    return f'"{plain}"'


def read_bench(path: str | Path) -> Bench:
    """Read a ``bench.toml``.

    Parameters
    ----------
    path : path
        The file.

    Returns
    -------
    Bench

    Raises
    ------
    CalibrationError
        If the file is missing, damaged (says the line where it can) or of another format.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise CalibrationError(
            "there is no such bench file.",
            mend="Make one: glowledger calibrate LAMP.csv --bench bench.toml",
            file=path,
        ) from error
    except (OSError, UnicodeDecodeError) as error:
        raise CalibrationError(
            f"cannot be read as a bench file ({error}).", mend="Calibrate again.", file=path
        ) from error
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        place = re.search(r"line (\d+)", str(error))
        raise CalibrationError(
            f"is damaged: {error}.",
            mend="Mend that line, or calibrate again.",
            file=path,
            line=int(place.group(1)) if place else text.count("\n") + 1,
        ) from error
    if table.get("format") != FORMAT:
        raise CalibrationError(
            f'is not a bench file of this version: format is {table.get("format")!r}, expected "{FORMAT}".',
            mend="Calibrate again, or use the glowledger version that wrote it.",
            file=path,
            line=_line_of(text, "format"),
        )
    bench = _bench(table, text, path)
    for part, where_from in bench.provenance:
        _LOG.info("%s: %s: %s", path, part, where_from)
    return bench


def _window(section: dict[str, Any]) -> Window:
    """Return the window; a measured one needs as many values as wavelengths, and these rising."""
    plain: dict[str, Any] = {name: value for name, value in section.items() if name not in MEASURED_WINDOW}
    measured: dict[str, Any] = {name: tuple(float(v) for v in section.get(name, ())) for name in MEASURED_WINDOW}
    if len({len(values) for values in measured.values()}) != 1 or not np.all(np.diff(measured["at_nm"]) > 0):
        raise ValueError(
            "a measured window needs a transmittance and an error for each of its rising wavelengths"
        )
    return Window(**plain, **measured)


def _line_of(text: str, name: str, section: str = "") -> int | None:
    """Return the line where a key stands in its section, counted from 1."""
    current = ""
    for number, line in enumerate(text.splitlines(), start=1):
        head = re.match(r"\s*\[+([A-Za-z_]+)\]+", line)
        if head:
            current = head.group(1)
        if current == section and re.match(rf"\s*{re.escape(name)}\s*=", line):
            return number
    return None


class _Table:
    """The parsed file, which remembers what was read last so that an error can name it."""

    def __init__(self, table: dict[str, Any]) -> None:
        """Take the parsed TOML."""
        self.table = table
        self.section, self.name = "", "pixels"

    def numbers(self, section: str, name: str) -> NDArray[np.float64]:
        """Return numbers of one entry; finite ones only."""
        self.section, self.name = section, name
        values = np.array(self.table[section][name], dtype=np.float64)
        if not np.all(np.isfinite(values)):
            raise ValueError("a value is not a finite number")
        return values

    def pair(self, section: str, name: str) -> tuple[float, float]:
        """Return two numbers."""
        values = self.numbers(section, name)
        if values.shape != (2,):
            raise ValueError("expected two numbers")
        return float(values[0]), float(values[1])


def _bench(table: dict[str, Any], text: str, path: Path) -> Bench:
    """Build the bench; a missing or unfit value is an error with its line."""
    entry = _Table(table)
    try:
        pixels = int(table["pixels"])
        solution = _solution(entry) if "wavelength" in table else None
        spread = _line_spread(entry) if "line_spread" in table else None
        response = _response(entry) if "response" in table else None
        entry.section, entry.name = "window", "material"
        window = _window(table.get("window", {}))
        entry.section, entry.name = "detector", "ceiling_counts"
        known = dict(table.get("detector", {}))
        hot_pixels = tuple(int(i) for i in known.pop("hot_pixels", ()))
        stray = known.pop("stray_fraction", None)
        detector = Detector(**{name: float(value) for name, value in known.items()})
        entry.section, entry.name = "provenance", "part"
        provenance = tuple((str(p["part"]), str(p["story"])) for p in table.get("provenance", []))
    except (KeyError, TypeError, ValueError, IndexError) as error:
        what = f"{entry.name!r} is missing" if isinstance(error, KeyError) else str(error)
        where = f"[{entry.section}] {entry.name}" if entry.section else entry.name
        raise CalibrationError(
            f"is damaged at {where}: {what}.",
            mend="Calibrate again.",
            file=path,
            line=_line_of(text, entry.name, entry.section),
        ) from error
    return Bench(
        pixels=pixels,
        solution=solution,
        line_spread=spread,
        response=response,
        window=window,
        detector=detector,
        hot_pixels=hot_pixels,
        stray_fraction=None if stray is None else float(stray),
        provenance=provenance,
    )


def _solution(entry: _Table) -> WavelengthSolution:
    coefficients = entry.numbers("wavelength", "coefficients_nm")
    covariance = entry.numbers("wavelength", "covariance_nm2")
    if coefficients.ndim != 1 or len(coefficients) < 2 or covariance.shape != 2 * coefficients.shape:
        raise ValueError("coefficients and covariance differ in size")
    scatter = float(entry.numbers("wavelength", "scatter_nm"))
    covered = entry.pair("wavelength", "covered")
    domain = entry.pair("wavelength", "domain")
    if domain[0] >= domain[1]:
        raise ValueError("the domain must rise")
    return WavelengthSolution(
        coefficients=coefficients, covariance=covariance, domain=domain, covered=covered, scatter_nm=scatter
    )


def _line_spread(entry: _Table) -> LineSpread:
    names = ("at_nm", "fwhm_nm", "fwhm_se_nm")
    columns = {name: np.atleast_1d(entry.numbers("line_spread", name)) for name in names}
    if len({column.shape for column in columns.values()}) != 1 or np.any(columns["fwhm_nm"] <= 0):
        raise ValueError("widths must be positive, one to a wavelength")
    return LineSpread(
        **columns,
        lorentz_fraction=float(entry.numbers("line_spread", "lorentz_fraction")),
        asymmetry=float(entry.numbers("line_spread", "asymmetry")),
    )


def _response(entry: _Table) -> Response:
    return Response(
        at_nm=entry.numbers("response", "at_nm"),
        value=entry.numbers("response", "value"),
        relative_error=entry.numbers("response", "relative_error"),
        usable_nm=entry.pair("response", "usable_nm"),
        includes_window=bool(entry.table["response"].get("includes_window", True)),
    )
