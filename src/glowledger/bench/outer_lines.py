"""Which outer lines may carry a solution: only those that the others confirm."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.polynomial.chebyshev import chebval, chebvander
from numpy.typing import NDArray
from scipy.special import ndtr

from glowledger.bench.identified import Identified
from glowledger.bench.polynomial import HIGHEST_DEGREE, LineFit, best_degree, fit_lines
from glowledger.bench.shots import Shot

Floats = NDArray[np.float64]

BLEND_WIDTHS = 0.9  # of the FWHM: lines closer than this are fitted as one peak
SHOWN, FAINT_SHOWN = 0.8, 0.3  # chance that a line is seen: surely shown by the lamp, only maybe
CONTRADICTED, WELL_PLACED = -1.0, 0.1  # risk of a line that the others contradict; error of one that objects (FWHM)
LOG_RISK, HARM = -4.5, 0.15  # chance that an outermost line spoils the curve by so much (FWHM)
# lines of one side that are doubted together, contradicting ones beyond, and lines that must predict them
MOST_OUTER, MOST_BEYOND, FEWEST_LEFT = 3, 2, 4
# of ln(counts over listed strength): range of strays, scatter of lines to either side; the response falls at the ends
STRAY_BRIGHTNESS, BRIGHTER, FAINT_BRIGHTER, FAINTER = 4.0, 1.0, 1.4, 1.8
PULL, FEW_OUT, FEW_IN = 0.2, 0.2, 10.0  # of the FWHM: a pulled line; how many are before any was seen
GOOD_TO = 0.075  # of the FWHM: standard error that the solution may have between its lines


@dataclass(slots=True)
class Crowd:
    """All peaks under the trial scale and all listed lines: what an outer line may be mistaken for."""

    peak_nm: Floats
    peak_u: Floats
    width_u: float
    line_nm: Floats
    line_strength: Floats
    line_bright: NDArray[np.bool_]


def crowd_of(shots: list[Shot], coefficients: Floats) -> Crowd:
    """Return all peaks under a trial scale and all listed lines."""
    peak_nm = [np.asarray(chebval(s.u_at(s.peaks.pixel), coefficients)) for s in shots]
    peak_u = np.concatenate([s.u_at(s.peaks.pixel) for s in shots])
    width_u = max(float(np.median(s.fwhm_px) * np.median(np.abs(np.gradient(s.u)))) for s in shots)
    line_nm, first = np.unique(np.concatenate([s.lines.wavelength_nm for s in shots]), return_index=True)
    strength = np.concatenate([s.lines.strength for s in shots])[first]
    bright = np.concatenate([s.lines.bright for s in shots])[first]
    return Crowd(
        peak_nm=np.concatenate(peak_nm), peak_u=peak_u, width_u=width_u, line_nm=line_nm,
        line_strength=strength, line_bright=bright,
    )  # fmt: skip


def supported(
    found: Identified, usable: NDArray[np.intp], span: float, crowd: Crowd
) -> tuple[LineFit | None, NDArray[np.intp]]:
    """Fit the usable lines; drop outer ones that the others do not confirm, until all are confirmed."""
    kept, thrown, risk = usable, usable[:0], [0.0, 0.0]
    fit: LineFit | None = None
    while len(kept) >= 3:
        try:
            fit = best_degree(found.u[kept], found.wavelength_nm[kept], found.error_nm[kept], span)
        except ValueError:
            return None, kept
        alive = kept[fit.weight > 0.05]
        if len(alive) <= FEWEST_LEFT:
            return (fit if len(alive) >= 3 else None), kept
        order = alive[np.argsort(found.u[alive])]
        thrown = np.union1d(thrown, np.setdiff1d(kept, alive))
        pulled = pulled_share(found, alive, thrown)
        stale = [True, True]
        while (side := _side_to_judge(risk, stale)) is not None:
            ends = order if side == 0 else order[::-1]
            risk[side] = log_risk(found, ends, span, crowd, beyond(found, thrown, ends), pulled)
            stale[side] = False
        worst = int(np.argmax(risk))
        if risk[worst] < LOG_RISK:
            return fit, kept  # with those that the robust fit gave no weight
        # a line that more lines contradicted does not come back when these are fewer
        outermost = order[[0]] if worst == 0 else order[[-1]]
        if risk[worst] > CONTRADICTED:
            thrown = np.union1d(thrown, outermost)
        kept = np.setdiff1d(alive, outermost)
    return fit, kept


def _side_to_judge(risk: list[float], stale: list[bool]) -> int | None:
    """Return which end to judge anew: the worse one; the other only before all is declared good; None if done."""
    worst = int(np.argmax(risk))
    if stale[worst]:
        return worst
    return 1 - worst if risk[worst] < LOG_RISK and stale[1 - worst] else None


def pulled_share(found: Identified, alive: NDArray[np.intp], thrown: NDArray[np.intp]) -> tuple[float, float]:
    """Return how often faint and bright lines of this lamp are out of their places, from those that the fit threw out.

    Lines of no list, of the lamp or of strangers, hide in the flanks of others; how many there are, each lamp tells.
    """
    shares = []
    for bright in (False, True):
        out, fine = np.count_nonzero(found.bright[thrown] == bright), np.count_nonzero(found.bright[alive] == bright)
        shares.append((FEW_OUT + out) / (FEW_IN + out + fine))
    return shares[0], shares[1]


def beyond(found: Identified, dead: NDArray[np.intp], order: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return the lines that the fit threw out beyond an outermost one: they may be right, and that one not."""
    side = np.sign(found.u[order[0]] - found.u[order[-1]])
    distance = side * (found.u[dead] - found.u[order[0]])
    chosen = dead[(distance > 0) & (found.error_nm[dead] < WELL_PLACED * found.width_nm[dead])]
    return chosen[np.argsort(np.abs(found.u[chosen] - found.u[order[0]]))][:MOST_BEYOND]


def log_risk(
    found: Identified,
    order: NDArray[np.intp],
    span: float,
    crowd: Crowd,
    dead: NDArray[np.intp],
    pulled: tuple[float, float],
) -> float:
    """Return ln of the chance that an outermost line spoils the curve: it is not what it was taken for, and far off.

    Every combination of the outer few lines being right, or stray peaks or other lines, is weighed by how closely the
    remaining lines predict them and how bright they are (Bayes; Gaussian errors, crookedness of spectrometers as
    prior). A stray peak implies that the line itself is not shown.

    Parameters
    ----------
    found : Identified
        All lines.
    order : ndarray of intp
        Rows to judge, outermost first.
    span : float
        Of the axis, nm.
    crowd : Crowd
        What each may be instead.
    dead : ndarray of intp
        Lines beyond, that contradict.
    pulled : tuple of float
        Chance that an unlisted neighbour pulls a line out of its place: of faint, of bright ones.
    """
    count = int(np.clip((len(order) - 2) // 2, 1, MOST_OUTER))
    rows, rest = np.concatenate([order[:count], dead]), order[count:]
    nm, width = found.wavelength_nm[rows], found.width_nm[rows]
    others = fit_lines(found.u[rest], found.wavelength_nm[rest], found.error_nm[rest], HIGHEST_DEGREE, span)
    basis = chebvander(found.u[rows], HIGHEST_DEGREE)
    curve = basis @ others.covariance @ basis.T
    joint = curve + np.diag(found.error_nm[rows] ** 2 + others.scatter_nm**2)
    off = nm - others.nm(found.u[rows])
    rivals = [_rivals(found, k, np.concatenate([order, dead]), crowd) for k in rows]
    stray = (max(len(crowd.peak_nm) - len(found), 0) + 1.0) / span / STRAY_BRIGHTNESS
    bright = _bright_as_expected(found, rows, rest)
    shown = np.where(found.bright[rows], SHOWN, FAINT_SHOWN)
    total, harm = [], []
    for choice in product((True, False), repeat=len(rows)):
        take = np.array(choice)
        mean, variance, weight = _given(off, joint, curve, take)
        weight += float(np.sum(np.log(shown[take] * bright[take])))
        for k in np.flatnonzero(~take):
            sigma2 = variance[k] + found.error_nm[rows[k]] ** 2
            rival_nm, chance = rivals[k]
            density = chance * np.exp(-0.5 * (rival_nm - nm[k] + off[k] - mean[k]) ** 2 / sigma2)
            gone = 1.0 if _spare_peak(found, crowd, nm[k], 3.0 * np.sqrt(sigma2)) else 1.0 - shown[k]
            other = float(np.sum(density)) / np.sqrt(2.0 * np.pi * sigma2) / STRAY_BRIGHTNESS
            wide = sigma2 + (PULL * width[k]) ** 2
            pull = np.exp(-0.5 * (off[k] - mean[k]) ** 2 / wide) / np.sqrt(2.0 * np.pi * wide)
            pull *= shown[k] * bright[k] * pulled[int(found.bright[rows[k]])]
            weight += float(np.log(gone * (stray + other) + pull))
        total.append(weight)
        if not take[0]:
            limit, sigma = HARM * width[0], np.sqrt(variance[0])
            miss = off[0] - mean[0]
            harm.append(weight + float(np.log(ndtr((miss - limit) / sigma) + ndtr(-(miss + limit) / sigma) + 1e-12)))
    return float(np.logaddexp.reduce(harm) - np.logaddexp.reduce(total))


def _given(
    off: Floats, joint: Floats, curve: Floats, take: NDArray[np.bool_]
) -> tuple[Floats, Floats, float]:
    """Return mean and variance of the curve at all rows, and the log density, given that the rows `take` are right."""
    if not np.any(take):
        return np.zeros(len(off)), np.diag(curve), 0.0
    part = joint[np.ix_(take, take)]
    gain = np.linalg.solve(part, curve[take]).T
    mean = gain @ off[take]
    variance = np.maximum(np.diag(curve) - np.sum(gain * curve[:, take], axis=1), 1e-12)
    density = -0.5 * float(off[take] @ np.linalg.solve(part, off[take]) + np.linalg.slogdet(2.0 * np.pi * part)[1])
    return mean, variance, density


def _bright_as_expected(found: Identified, rows: NDArray[np.intp], rest: NDArray[np.intp]) -> Floats:
    """Return the density of ln(brightness) of rows if they are what they were taken for; that of strays if unknown."""
    names = np.array(found.species)
    out = np.full(len(rows), 1.0 / STRAY_BRIGHTNESS)
    for i, k in enumerate(rows):
        same = rest[(names[rest] == names[k]) & np.isfinite(found.brightness[rest])]
        if len(same) == 0 or not np.isfinite(found.brightness[k]):
            continue
        excess = found.brightness[k] - float(np.median(found.brightness[same]))
        above, below = BRIGHTER if found.bright[k] else FAINT_BRIGHTER, FAINTER
        side = above if excess > 0 else below
        out[i] = 2.0 / (above + below) * np.exp(-0.5 * (excess / side) ** 2) / np.sqrt(2.0 * np.pi) + 0.003
    return out


def _spare_peak(found: Identified, crowd: Crowd, nm: float, reach: float) -> bool:
    """Return whether another peak, that no line explains, lies where the line may be."""
    spare = crowd.peak_nm[np.min(np.abs(crowd.peak_u[:, None] - found.u[None, :]), axis=1) > crowd.width_u]
    return bool(np.any(np.abs(spare - nm) < reach))


def _rivals(
    found: Identified, row: int, order: NDArray[np.intp], crowd: Crowd
) -> tuple[Floats, Floats]:
    """Return wavelengths of lines that a peak may be instead, and the chance that each is shown so brightly."""
    own = float(np.max(crowd.line_strength[np.abs(crowd.line_nm - found.wavelength_nm[row]) < 1e-3], initial=1e-9))
    placed = found.wavelength_nm[order]
    free = np.min(np.abs(crowd.line_nm[:, None] - placed[None, :]), axis=1) > 1e-3
    free &= np.abs(crowd.line_nm - found.wavelength_nm[row]) > BLEND_WIDTHS * found.width_nm[row]
    chance = np.where(crowd.line_bright[free], SHOWN, FAINT_SHOWN) * np.minimum(crowd.line_strength[free] / own, 1.0)
    return crowd.line_nm[free], chance


def well_covered(found: Identified, rows: NDArray[np.intp], fit: LineFit) -> NDArray[np.intp]:
    """Return the longest run of lines between which the solution is good."""
    rows = rows[np.argsort(found.u[rows])]
    if len(rows) < 2:
        return rows
    places = found.u[rows][:-1, None] + np.diff(found.u[rows])[:, None] * np.linspace(0.0, 1.0, 9)[None, :]
    width = np.minimum(found.width_nm[rows][1:], found.width_nm[rows][:-1])
    good = np.max(fit.standard_error_nm(places), axis=1) < GOOD_TO * width
    runs = np.split(np.arange(len(rows)), np.flatnonzero(~good) + 1)
    return rows[max(runs, key=len)]
