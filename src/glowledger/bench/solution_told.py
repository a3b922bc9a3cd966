"""What a calibration tells of a solution: its lines, how well they are placed, and how wide they are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.polynomial.chebyshev import chebder, chebval
from numpy.typing import NDArray

from glowledger.bench.linespread import clean_widths, doubt_of_widths, measured_linespread
from glowledger.bench.model import WavelengthSolution
from glowledger.bench.outcome import Calibration, LineRow
from glowledger.bench.shots import Shot
from glowledger.bench.solution import Refined

Floats = NDArray[np.float64]

MOST_NAMED = 2  # lines in a reason


def with_solution(result: Calibration, refined: Refined, shots: list[Shot], axis: Floats) -> Calibration:
    """Add the solution, its lines and the line-spread to a result."""
    fit, found, used = refined.fit, refined.found, refined.used & ~refined.idle
    at = np.interp(found.u, shots[0].u, axis)
    rows = tuple(
        LineRow(
            species=found.species[k], wavelength_nm=float(found.wavelength_nm[k]), pixel=float(at[k]),
            residual_nm=float(refined.residual_nm[k]), error_nm=float(fit.error_share * found.error_nm[k]),
            used=bool(used[k]),
        )
        for k in range(len(found.peak))
    )  # fmt: skip
    covered = (
        (float(np.min(at[used])), float(np.max(at[used])))
        if np.any(used)
        else (float(axis[0]), float(axis[-1]))
    )
    solution = WavelengthSolution(
        coefficients=fit.coefficients, domain=(float(axis[0]), float(axis[-1])), covariance=fit.covariance,
        scatter_nm=fit.scatter_nm, covered=covered,
    )  # fmt: skip
    place_nm, width_nm, doubt = _line_widths(refined, shots)
    first, last = solution.nm(np.array(covered)).tolist()
    sharp = used & found.sharp if np.any(used & found.sharp) else used  # where a phosphor band lies says little
    left_out = refined.left_out_nm[sharp]
    return replace(
        result,
        solution=solution,
        line_spread=measured_linespread(place_nm, width_nm, doubt, (first, last)),
        lines=rows,
        rms_nm=float(np.sqrt(np.mean(refined.residual_nm[sharp] ** 2))) if np.any(used) else float("nan"),
        loo_rms_nm=float(np.sqrt(np.mean(left_out**2))) if len(left_out) else float("nan"),
        fwhm_nm=float(np.median(width_nm)),
    )


def _line_widths(refined: Refined, shots: list[Shot]) -> tuple[Floats, Floats, Floats]:
    """Return wavelength and width in nm of the single lines, and the error of ln(width) by lines beside them.

    Of all peaks by the profile if there is no single line.
    """
    nm, width, doubt = [], [], []
    for choose_single in (True, False):
        for number, shot in enumerate(shots):
            u = shot.u_at(shot.peaks.pixel)
            slope = np.abs(chebval(u, chebder(refined.fit.coefficients))) * shot.u_per_pixel(shot.peaks.pixel)
            profile = shot.fwhm_px[np.clip(np.rint(shot.peaks.pixel).astype(int), 0, len(shot.u) - 1)]
            rows = _single(refined, number, len(shot.peaks)) & clean_widths(shot.peaks)
            rows = rows if choose_single else np.ones(len(shot.peaks), dtype=bool)
            nm.append(refined.fit.nm(u[rows]))
            width.append((shot.peaks.fwhm_px if choose_single else profile)[rows] * slope[rows])
            doubt.append(doubt_of_widths(shot.peaks, profile)[rows])
        if sum(len(part) for part in nm):
            break
    return np.concatenate(nm), np.concatenate(width), np.concatenate(doubt)


def _single(refined: Refined, number: int, count: int) -> NDArray[np.bool_]:
    """Return which peaks of a shot are used single lines, shape (count,)."""
    rows = refined.used & refined.found.single & (refined.found.shot == number)
    single = np.zeros(count, dtype=bool)
    single[refined.found.peak[rows]] = True
    return single


def only(count: int) -> str:
    """Return how few lines there are, in words."""
    return "no line" if count == 0 else f"only {count} line{'' if count == 1 else 's'}"


def those_at(wavelengths_nm: tuple[float, ...]) -> str:
    """Return which lines are wider than the others, in words."""
    named = [f"{nm:.1f}" for nm in wavelengths_nm[:MOST_NAMED]]
    more = len(wavelengths_nm) - len(named)
    places = " and ".join(named) + " nm" + (f" and {more} more" if more else "")
    one = len(wavelengths_nm) == 1
    return f"the line{'' if one else 's'} at {places}, which {'is' if one else 'are'} wider than the others"
