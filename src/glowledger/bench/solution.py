"""From a matched pattern to a wavelength solution that may be trusted, line by line."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial.chebyshev import chebder, chebval
from numpy.typing import NDArray

from glowledger.bench.expected import STRENGTH_SCATTER, LineList
from glowledger.bench.matching import Candidate
from glowledger.bench.peaks import Peaks
from glowledger.bench.polynomial import LineFit, best_degree

Floats = NDArray[np.float64]

SHAPE_ERROR = 0.02  # of the FWHM: how well the assumed line shape centres a real one
LARGEST_BLEND_ERROR = 0.12  # of the FWHM: blends vaguer than this are not used
USE_WITHIN = 0.5  # of the FWHM: a peak farther from its line is something else
FAINT = 0.01  # lines fainter than this share of a neighbour do not move its centre


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Identified:
    """Peaks with the lines they were taken for; arrays of shape (k,), ordered by pixel.

    Attributes
    ----------
    peak : ndarray of intp
        Index into the peaks.
    wavelength_nm, error_nm : ndarray
        Published wavelength (strength-weighted over an unresolved blend); standard error of the comparison, nm.
    species : tuple of str
        Standard notation.
    anchor : ndarray of bool
        May carry the solution.
    """

    peak: NDArray[np.intp]
    wavelength_nm: Floats
    error_nm: Floats
    species: tuple[str, ...]
    anchor: NDArray[np.bool_]


def identify_peaks(
    peaks: Peaks, u: Floats, coefficients: Floats, lines: LineList, fwhm_px: Floats, half_axis: float, reach: float
) -> Identified:
    """Give each peak the lines that make it up under a trial scale.

    Parameters
    ----------
    peaks : Peaks
        All peaks.
    u : ndarray of shape (m,)
        Their positions on the axis mapped to -1..1.
    coefficients : ndarray
        Chebyshev coefficients of the trial scale.
    lines : LineList
        Single lines of the lamp.
    fwhm_px : ndarray of shape (m,)
        Line width at each peak, pixels.
    half_axis : float
        Half the length of the axis in pixels.
    reach : float
        Largest distance between a peak and its line, in FWHM.

    Returns
    -------
    Identified
    """
    at = np.asarray(chebval(u, coefficients))
    slope = np.abs(chebval(u, chebder(coefficients))) / half_axis
    width = slope * fwhm_px
    order = np.argsort(at)
    slot = np.clip(np.searchsorted(at[order], lines.wavelength_nm), 1, len(at) - 1)
    left, right = order[slot - 1], order[slot]
    nearer = np.abs(lines.wavelength_nm - at[left]) < np.abs(lines.wavelength_nm - at[right])
    owner = np.where(nearer, left, right)
    distance = np.abs(lines.wavelength_nm - at[owner]) / width[owner]
    rows: list[tuple[int, float, float, str, bool]] = []
    for i in range(len(peaks)):
        members = np.flatnonzero((owner == i) & (distance < max(reach, 0.9)))
        if len(members) == 0:
            continue
        members = members[lines.strength[members] > FAINT * np.max(lines.strength[members])]
        share = lines.strength[members] / np.sum(lines.strength[members])
        centre = float(share @ lines.wavelength_nm[members])
        offset = lines.wavelength_nm[members] - centre
        blend2 = STRENGTH_SCATTER**2 * float(np.sum((share * offset) ** 2))
        blend2 += float(np.sum(share * lines.error_nm[members] ** 2))
        if abs(centre - at[i]) > reach * width[i]:
            continue
        vague = np.sqrt(blend2) > LARGEST_BLEND_ERROR * width[i]
        measured2 = (peaks.standard_error_px[i] * slope[i]) ** 2 + (SHAPE_ERROR * width[i]) ** 2
        strongest = members[int(np.argmax(share))]
        usable = bool(np.all(lines.anchor[members]) and not vague and not peaks.broad[i])
        rows.append((i, centre, float(np.sqrt(measured2 + blend2)), lines.species[strongest], usable))
    return Identified(
        peak=np.array([r[0] for r in rows], dtype=np.intp),
        wavelength_nm=np.array([r[1] for r in rows]),
        error_nm=np.array([r[2] for r in rows]),
        species=tuple(r[3] for r in rows),
        anchor=np.array([r[4] for r in rows], dtype=bool),
    )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Refined:
    """The polynomial and the lines behind it.

    Attributes
    ----------
    fit : LineFit
        Over the used lines.
    found : Identified
        Every identified peak.
    used : ndarray of bool, shape (k,)
        Whether a line carries the solution.
    residual_nm : ndarray of shape (k,)
        Published minus fitted wavelength.
    """

    fit: LineFit
    found: Identified
    used: NDArray[np.bool_]
    residual_nm: Floats


def refine_solution(
    candidate: Candidate, peaks: Peaks, u: Floats, lines: LineList, fwhm_px: Floats, half_axis: float
) -> Refined | None:
    """Turn a matched candidate into the final polynomial; None if too few lines remain.

    Parameters
    ----------
    candidate : Candidate
        Scale from the blind match.
    peaks, u, lines, fwhm_px, half_axis
        As in `identify_peaks`.

    Returns
    -------
    Refined or None
    """
    coefficients = candidate.scale
    result: Refined | None = None
    for reach in (0.9, 0.7, 0.5, 0.5):
        found = identify_peaks(peaks, u, coefficients, lines, fwhm_px, half_axis, reach)
        usable = np.flatnonzero(found.anchor)
        if len(usable) < 3:
            return None
        fit, kept = _supported(u[found.peak], found, usable, 2.0 * abs(float(candidate.scale[1])), half_axis, fwhm_px)
        if fit is None:
            return None
        used = np.zeros(len(found.peak), dtype=bool)
        used[kept[fit.weight > 0.05]] = True
        residual = found.wavelength_nm - fit.nm(u[found.peak])
        result = Refined(fit=fit, found=found, used=used, residual_nm=residual)
        coefficients = fit.coefficients
    return result


def _supported(
    u: Floats, found: Identified, usable: NDArray[np.intp], span: float, half_axis: float, fwhm_px: Floats
) -> tuple[LineFit | None, NDArray[np.intp]]:
    """Fit the usable lines; drop outer ones that the others do not confirm, until all are confirmed."""
    kept = usable
    fit: LineFit | None = None
    while len(kept) >= 3:
        try:
            fit = best_degree(u[kept], found.wavelength_nm[kept], found.error_nm[kept], span)
        except ValueError:
            return None, kept
        width = fwhm_px[found.peak[kept]] * span / (2.0 * half_axis)
        order = np.argsort(u[kept])
        worst, excess = -1, 1.0
        for end in (order[0], order[-1]):
            bad = abs(fit.left_out_nm[end]) / max(4.0 * fit.left_out_se_nm[end], 1e-9)
            if len(kept) > 4 and bad > excess and abs(fit.residual_nm[end]) > 0.1 * width[end]:
                worst, excess = int(end), bad
        if worst < 0:
            return fit, kept
        kept = np.delete(kept, worst)
    return fit, kept
