"""Lines with company: wider than the other lines of the spectrum say, as one of no list is in the same peak.

Two lines in one peak lie in the middle between them, and nothing but the width tells. A line of width F and a companion
that is r times as bright and d away make a peak whose centre is r d / (1 + r) off and whose width is the square root of
F^2 + 8 ln 2 r d^2 / (1 + r)^2 (moments of two Gaussians, FWHM^2 = 8 ln 2 times the variance): beside a companion as
bright as the line itself the centre is off by the square root of (what the peak is wider, in squares, over 8 ln 2).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.polynomial.chebyshev import chebvander
from numpy.typing import NDArray

from glowledger.bench.identified import Identified
from glowledger.bench.linespread import clean_widths
from glowledger.bench.outer_lines import FEW_IN, FEW_OUT
from glowledger.bench.peaks import BROAD_RATIO
from glowledger.bench.shots import Shot

Floats = NDArray[np.float64]

# of ln(width): how much the width of a spectrometer's lines rises and bends over the axis, its level being free; how
# much it scatters from line to line at least; common practice
WIDTH_TERMS_SD, WIDTH_SCATTER = (5.0, 0.12, 0.06), 0.02
FEWEST_WIDTHS = 3  # lines that tell how wide another one should be, and that one
TOO_WIDE = 3.0  # standard deviations: such a line does not tell how wide others should be
LIKELY = 0.1  # chance of company from which on a line holds no curve that a whole spectrum places
MEDIAN_OF_SQUARE = 0.455  # of a normal number of unit variance
SQUARE_OF_WIDTH = 8.0 * np.log(2.0)  # FWHM^2 over variance of a Gaussian


def doubting_wide(found: Identified, shots: list[Shot]) -> Identified:
    """Return the lines with larger errors of those that are wider than the others say.

    The chance that a line has company times the square of how far one as bright as itself has pulled it adds to the
    variance of its place. Blends of listed lines are wide as they are, and placed by all their lines.

    Parameters
    ----------
    found : Identified
        Peaks with their lines.
    shots : list of Shot
        The spectra that they are of.
    """
    pulled = np.zeros(len(found))
    for number, shot in enumerate(shots):
        rows = np.flatnonzero((found.shot == number) & found.single)
        excess, chance = company(shot)
        beyond = np.expm1(2.0 * np.maximum(excess, 0.0)) / SQUARE_OF_WIDTH
        peak = found.peak[rows]
        pulled[rows] = found.width_nm[rows] * np.sqrt(chance[peak] * beyond[peak])
    return replace(found, error_nm=np.hypot(found.error_nm, pulled))


def likely_company(found: Identified, shots: list[Shot]) -> NDArray[np.bool_]:
    """Return which lines, shape (k,), are so wide that they likely have company: their place is that of both."""
    out = np.zeros(len(found), dtype=bool)
    for number, shot in enumerate(shots):
        rows = np.flatnonzero((found.shot == number) & found.single)
        out[rows] = company(shot)[1][found.peak[rows]] > LIKELY
    return out


def company(shot: Shot) -> tuple[Floats, Floats]:
    """Return by how much each peak (m,) is wider than the others say, ln of widths, and the chance that it has company.

    Nothing of peaks that have no width of their own: blends, flat tops, faint ones.
    """
    peaks = shot.peaks
    excess, chance = np.zeros(len(peaks)), np.zeros(len(peaks))
    rows = np.flatnonzero(clean_widths(peaks))
    if len(rows) >= FEWEST_WIDTHS:
        error = peaks.area_se[rows] / peaks.area[rows]
        excess[rows], sd = wider(shot.u_at(peaks.pixel[rows]), np.log(peaks.fwhm_px[rows]), error)
        alone = np.exp(-0.5 * (excess[rows] / sd) ** 2) / (sd * np.sqrt(2.0 * np.pi))
        beside = np.where(excess[rows] > 0.0, 1.0 / np.log(BROAD_RATIO), 0.0)  # any excess up to that of a band
        chance[rows] = FEW_OUT * beside / (FEW_OUT * beside + (FEW_IN - FEW_OUT) * alone + 1e-300)
    return excess, chance


def wider(u: Floats, log_width: Floats, error: Floats) -> tuple[Floats, Floats]:
    """Return by how much each line is wider than the others say, and the standard deviation of that, all (k,).

    Parameters
    ----------
    u : ndarray of shape (k,)
        Places, -1..1.
    log_width, error : ndarray of shape (k,)
        ln of the widths, and their standard errors.
    """
    telling = np.ones(len(u), dtype=bool)
    excess, sd = _beyond(u, log_width, error, telling)
    while np.count_nonzero(telling) > FEWEST_WIDTHS:
        widest = int(np.argmax(np.where(telling, excess / sd, -np.inf)))
        others = telling & (np.arange(len(u)) != widest)
        by_others = _beyond(u, log_width, error, others)
        if by_others[0][widest] < TOO_WIDE * by_others[1][widest]:
            break
        telling, (excess, sd) = others, by_others
    return excess, sd


def _beyond(u: Floats, log_width: Floats, error: Floats, telling: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Return by how much each line is wider than the telling ones say, itself not asked, and the error of that."""
    basis = np.asarray(chebvander(u, len(WIDTH_TERMS_SD) - 1), dtype=np.float64)
    width = log_width - np.median(log_width[telling])
    variance = error**2 + WIDTH_SCATTER**2
    rate = telling / variance
    covariance = np.linalg.inv((basis * rate[:, None]).T @ basis + np.diag(np.array(WIDTH_TERMS_SD) ** -2.0))
    residual = width - basis @ (covariance @ (basis.T @ (rate * width)))
    known = np.einsum("ki,ij,kj->k", basis, covariance, basis)
    free = 1.0 - known * rate  # 1 for a line that tells nothing of the curve
    usual = float(np.median(residual[telling] ** 2 / (free * variance)[telling])) / MEDIAN_OF_SQUARE
    return residual / free, np.sqrt((known / free + variance) * max(usual, 1.0))
