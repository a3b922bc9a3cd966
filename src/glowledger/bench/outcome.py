"""What a calibration says: the solution with its lines, or the reason why there is none."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.model import LineSpread, WavelengthSolution

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LineRow:
    """A line of the result: what it is, where it fell, how far off the solution, and whether it was used."""

    species: str
    wavelength_nm: float
    pixel: float
    residual_nm: float
    error_nm: float
    used: bool


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Calibration:
    """The answer of a calibration.

    Attributes
    ----------
    lamp : str
        As stated or as found out.
    accepted : bool
        Whether the solution may be used; `reasons` say why not.
    reasons, warnings : tuple of str
        Plain sentences.
    solution : WavelengthSolution or None
        None if nothing was found at all.
    line_spread : LineSpread or None
        Width over wavelength.
    lines : tuple of LineRow
        Identified lines by position.
    rms_nm, loo_rms_nm, fwhm_nm : float
        Root mean square of used residuals, the same with each line left out in turn, median line width.
    log_evidence, log_margin : float
        Natural log of the odds over chance, and over the next best scale.
    peaks_found : int
        Peaks in all lamp spectra.
    mend : str
        What to do, when not accepted.
    looks_like : str
        A lamp that fits instead of the stated one; empty if none was found.
    """

    lamp: str
    accepted: bool
    reasons: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    solution: WavelengthSolution | None = None
    line_spread: LineSpread | None = None
    lines: tuple[LineRow, ...] = ()
    rms_nm: float = float("nan")
    loo_rms_nm: float = float("nan")
    fwhm_nm: float = float("nan")
    log_evidence: float = float("nan")
    log_margin: float = float("nan")
    peaks_found: int = 0
    mend: str = ""
    looks_like: str = ""

    @property
    def matched(self) -> int:
        """Number of lines that carry the solution."""
        return sum(line.used for line in self.lines)

    @property
    def degree(self) -> int:
        """Degree of the polynomial; 0 without one."""
        return 0 if self.solution is None else len(self.solution.coefficients) - 1

    @property
    def range_nm(self) -> tuple[float, float] | None:
        """Outermost used lines, nm."""
        used = [line.wavelength_nm for line in self.lines if line.used]
        return (min(used), max(used)) if used else None


def curve_error_nm(solution: WavelengthSolution, axis: Floats) -> Floats:
    """Return the standard error of the curve itself, without the scatter of single lines, same shape."""
    return np.sqrt(np.maximum(solution.standard_error_nm(axis) ** 2 - solution.scatter_nm**2, 0.0))
