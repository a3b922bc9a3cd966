"""Which outer lines may carry a solution: only those that the others confirm."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial.chebyshev import chebval
from numpy.typing import NDArray

from glowledger.bench.identified import Identified
from glowledger.bench.polynomial import HIGHEST_DEGREE, LineFit, best_degree, fit_lines
from glowledger.bench.shots import Shot

Floats = NDArray[np.float64]

BLEND_WIDTHS = 0.9  # of the FWHM: lines closer than this are fitted as one peak
SURE_WITHIN = 0.6  # of the FWHM: an outer line predicted this well by the others cannot be mistaken
# an outer line this far off (mapped axis) must be predicted so well (of the FWHM)
LONE_GAP, LONE_WITHIN = 0.16, 0.2
LUCK_ALONE, LUCK_TOGETHER = 0.004, 0.001  # chance of foreign peaks where outer lines are expected
MANY_LINES, LUCK_WITH_MANY = 15, 0.012  # so many lines hold the curve well enough to reach farther
MOST_OUTER = 2
# a line that a lamp only may show is no outer line unless the others say where it is (of the FWHM)
FAINT_WITHIN, FAINT_SURE = 0.15, 0.12
CLEAR, OFF_BY, AGAINST = 0.06, 0.12, 3.0  # a line placed so well (FWHM) that is off by so much (FWHM, sigma) objects
MOST_BEYOND = 6
GOOD_TO = 0.06  # of the FWHM: standard error that the solution may have between its lines


@dataclass(slots=True)
class Crowd:
    """All peaks under the trial scale and all listed lines: what an outer line may be mistaken for."""

    peak_nm: Floats
    line_nm: Floats
    line_strength: Floats
    line_bright: NDArray[np.bool_]


def crowd_of(shots: list[Shot], coefficients: Floats) -> Crowd:
    """Return all peaks under a trial scale and all listed lines."""
    peak_nm = [np.asarray(chebval(s.u_at(s.peaks.pixel), coefficients)) for s in shots]
    line_nm, first = np.unique(np.concatenate([s.lines.wavelength_nm for s in shots]), return_index=True)
    strength = np.concatenate([s.lines.strength for s in shots])[first]
    bright = np.concatenate([s.lines.bright for s in shots])[first]
    return Crowd(peak_nm=np.concatenate(peak_nm), line_nm=line_nm, line_strength=strength, line_bright=bright)


def supported(
    found: Identified, usable: NDArray[np.intp], span: float, crowd: Crowd
) -> tuple[LineFit | None, NDArray[np.intp]]:
    """Fit the usable lines; drop outer ones that the others do not confirm, until all are confirmed."""
    kept = usable
    fit: LineFit | None = None
    while len(kept) >= 3:
        try:
            fit = best_degree(found.u[kept], found.wavelength_nm[kept], found.error_nm[kept], span)
        except ValueError:
            return None, kept
        alive = np.flatnonzero(fit.weight > 0.05)
        if len(alive) <= 4:
            doubtful = len(alive) < 3 or _any_crowded(found, kept, fit, alive, crowd, span)
            return (None if doubtful else fit), kept
        order = alive[np.argsort(found.u[kept[alive]])]
        sides = (order, order[::-1])
        dropped = [int(ends[0]) for ends in sides if _mistakable(found, kept, fit, ends, crowd, span)]
        if not dropped:
            dropped = _beyond_gap(found, kept, fit, order)
        if not dropped:
            return fit, kept
        kept = np.delete(kept, dropped)
    return fit, kept


def _mistakable(
    found: Identified,
    kept: NDArray[np.intp],
    fit: LineFit,
    ends: NDArray[np.intp],
    crowd: Crowd,
    span: float,
) -> bool:
    """Return whether an outer line may be another line or a foreign peak, judged by what the others predict.

    `ends` are the outermost lines of one side, outermost first. Where the others do not predict a line closely, it is
    kept only if chance could hardly have put a peak there: alone, or together with its neighbours.
    """
    density = (len(crowd.peak_nm) - len(found.peak) + 1) / span
    for count in range(1, min(MOST_OUTER, len(ends), len(kept) - 4) + 1):
        group = ends[:count]
        rest = np.delete(kept, group)
        degree = min(fit.degree + 2, HIGHEST_DEGREE + 1)
        others = fit_lines(found.u[rest], found.wavelength_nm[rest], found.error_nm[rest], degree, span)
        rows = kept[group]
        off = np.abs(found.wavelength_nm[rows] - others.nm(found.u[rows]))
        variance = (
            others.standard_error_nm(found.u[rows]) ** 2 + others.scatter_nm**2 + found.error_nm[rows] ** 2
        )
        error = np.sqrt(variance)
        if count == 1:
            width, nm = found.width_nm[rows[0]], found.wavelength_nm[rows[0]]
            if not found.bright[rows[0]]:
                return bool(off[0] > FAINT_WITHIN * width or error[0] > FAINT_SURE * width)
            lone = np.min(np.abs(found.u[rest] - found.u[rows[0]])) > LONE_GAP
            if off[0] < LONE_WITHIN * width and (not lone or error[0] < SURE_WITHIN * width):
                return False
            if _crowded(crowd, nm, max(2.5 * error[0], off[0]), width):
                return True
        elif not np.all(found.bright[rows]) or np.any(off < LONE_WITHIN * found.width_nm[rows]):
            continue  # a neighbour that is sure anyway, or that may be another, proves nothing for the outer one
        luck = float(np.prod(np.minimum(2.0 * np.maximum(off, error) * density, 1.0)))
        if luck < (LUCK_TOGETHER if count > 1 else LUCK_ALONE if len(rest) < MANY_LINES else LUCK_WITH_MANY):
            return False
    return True


def _any_crowded(
    found: Identified, kept: NDArray[np.intp], fit: LineFit, alive: NDArray[np.intp], crowd: Crowd, span: float
) -> bool:
    """Return whether one of so few lines could as well be its neighbour in the list, as far as the others tell."""
    for k in alive:
        rest = kept[alive[alive != k]]
        others = fit_lines(found.u[rest], found.wavelength_nm[rest], found.error_nm[rest], fit.degree, span)
        row = kept[k]
        error = float(np.hypot(others.standard_error_nm(found.u[row : row + 1])[0], found.error_nm[row]))
        nm, width = float(found.wavelength_nm[row]), float(found.width_nm[row])
        if _crowded(crowd, nm, 2.5 * error, width, found.wavelength_nm):
            return True
    return False


def _crowded(crowd: Crowd, nm: float, reach: float, width: float, placed_nm: Floats | None = None) -> bool:
    """Return whether within `reach` of a line there is another it could be, or another peak that could be it.

    Lines that have a peak of their own (`placed_nm`), and lines of the same blend, are no rivals.
    """
    if reach < SURE_WITHIN * width:
        return False
    placed = np.array([nm]) if placed_nm is None else placed_nm
    own = float(np.max(crowd.line_strength[np.abs(crowd.line_nm - nm) < 1e-3], initial=0.0))
    rival = (np.abs(crowd.line_nm - nm) < reach) & (crowd.line_strength > 0.1 * own)
    if np.any(crowd.line_bright[np.abs(crowd.line_nm - nm) < 1e-3]):
        rival &= crowd.line_bright  # what the lamp only may show is no rival of what it surely shows
    rival &= np.min(np.abs(crowd.line_nm[:, None] - placed[None, :]), axis=1) > 1e-3
    if placed_nm is not None:
        rival &= np.abs(crowd.line_nm - nm) > BLEND_WIDTHS * width
    peaks = np.count_nonzero(np.abs(crowd.peak_nm - nm) < reach)
    known = np.count_nonzero(np.abs(placed - nm) < reach)
    return bool(peaks > max(int(known), 1) or np.any(rival))


def _beyond_gap(
    found: Identified, kept: NDArray[np.intp], fit: LineFit, order: NDArray[np.intp]
) -> list[int]:
    """Return the fewer lines on one side of the worst gap, if the solution is not good within that gap."""
    u = found.u[kept[order]]
    width = found.width_nm[kept[order]]
    middle = 0.5 * (u[1:] + u[:-1])
    excess = fit.standard_error_nm(middle) / (GOOD_TO * 0.5 * (width[1:] + width[:-1]))
    worst = int(np.argmax(excess))
    if excess[worst] <= 1.0:
        return []
    left, right = order[: worst + 1], order[worst + 1 :]
    fewer = left if len(left) < len(right) else right
    return [int(k) for k in fewer] if len(order) - len(fewer) >= 4 else []


def uncontradicted(
    found: Identified, usable: NDArray[np.intp], kept: NDArray[np.intp], fit: LineFit, span: float, crowd: Crowd
) -> tuple[LineFit | None, NDArray[np.intp]]:
    """Drop outer lines for which a well placed line was left out that would agree without them.

    One or a few outer lines taken for others bend the curve so that it misses the right ones next to them. Which of
    the two is right is not known then, so neither carries the solution.
    """
    best: LineFit | None = fit
    while best is not None:
        used = kept[best.weight > 0.05]
        spare = np.setdiff1d(usable, used)
        off = np.abs(found.wavelength_nm[spare] - best.nm(found.u[spare]))
        error = np.hypot(found.error_nm[spare], best.standard_error_nm(found.u[spare]))
        width = found.width_nm[spare]
        against = spare[(found.error_nm[spare] < CLEAR * width) & (off > np.maximum(AGAINST * error, OFF_BY * width))]
        group = _outer_group(found, used, against, span)
        if group is None:
            break
        best, kept = supported(found, np.setdiff1d(used, group), span, crowd)
    return best, kept


def _outer_group(
    found: Identified, used: NDArray[np.intp], against: NDArray[np.intp], span: float
) -> NDArray[np.intp] | None:
    """Return the smallest group of outer lines without which one of the lines `against` agrees, if any."""
    groups = []
    order = used[np.argsort(found.u[used])]
    for row in against:
        below, above = order[found.u[order] < found.u[row]], order[found.u[order] > found.u[row]]
        for beyond in (below if len(below) else order[:1], above if len(above) else order[-1:]):
            if len(beyond) <= min(MOST_BEYOND, max(len(used) // 3, 1), len(used) - 4):
                groups.append((len(beyond), int(row), beyond))
    for _, row, beyond in sorted(groups, key=lambda group: group[:2]):
        rest = np.setdiff1d(used, beyond)
        try:
            others = best_degree(found.u[rest], found.wavelength_nm[rest], found.error_nm[rest], span)
        except ValueError:
            continue
        off = abs(float(found.wavelength_nm[row] - others.nm(found.u[row : row + 1])[0]))
        if off < 3.0 * np.hypot(others.standard_error_nm(found.u[row : row + 1])[0], found.error_nm[row]):
            return beyond
    return None
