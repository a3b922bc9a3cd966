"""Where a scale breaks: beyond it peaks no longer lie where the scale puts lines, as where two detectors are joined."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from glowledger.bench.expected import lines_of
from glowledger.bench.identified import Identified
from glowledger.bench.polynomial import LineFit
from glowledger.bench.shots import Shot

Floats = NDArray[np.float64]

BRIGHT_SHARE = 0.02  # of the brightest peak of a spectrum: fainter ones are of lines of no list often enough
TELLING = 0.3  # of the FWHM: a line known less well than this, with the curve, agrees with anything
MATCHED, OUT_OF_PLACE = 0.6, 0.2  # of the FWHM: reach in which a line was sought; share of right ones that lie anywhere
LIKE, FAINT_LIKE = 2.2, 4.0  # natural log: how far counts may be from listed strengths, two standard deviations
HIDES = 1.0  # natural log: a peak so much brighter than a line beside it may hide this
STRENGTH_SD, FLOOR = 1.2, 0.1  # of ln of the ratio of two lines; chance that a bright line is missing for other reasons
BREAKS = 0.01  # chance that a scale breaks somewhere on one side, before anything was seen; common practice, no source
OTHER_LIGHT, OTHERS_SHARE = 0.3, 0.5  # chance of light of another lamp on a side; its share of the peaks there
MOST_BROKEN = 0.02  # chance of a break before a line at which the line holds nothing
REACH, CLEAR = 15.0, 1.2  # FWHM: about a peak in which lines are counted; a line alone
MOST_WORD = 4.6  # natural log of the odds by which one peak may speak
FEWEST_INSIDE = 4  # lines that must stay
OTHERS = ("ar", "ne", "hg", "he", "kr", "xe", "h2")  # what may glow unnamed
PLACED = 0.08  # of the FWHM: error of the places of its lines
FEWEST_NEAR, MOST_NEAR = 3, 5  # lines of an element that tell how bright it is, and how many of the nearest are asked


class _Word(NamedTuple):
    """What one peak, or one line that shows none, says: its place, and ln of its odds for the scale.

    Without, and with light of another lamp about.
    """

    u: float
    plain: float
    among_others: float


def unbroken(found: Identified, rows: NDArray[np.intp], fit: LineFit, shots: list[Shot]) -> NDArray[np.intp]:
    """Return lines without those at either end before which the scale likely breaks.

    Beyond a break a peak agrees with a scale only by chance: the more often, the denser the listed lines of such
    brightness, and the less surely it is placed. So each peak that agrees speaks for the scale, unless brighter lines
    beside it are missing, and each that does not, nor is of another element, against it; where the change lies follows
    by Bayes' theorem (a single change point).

    Parameters
    ----------
    found : Identified
        Every identified peak.
    rows : ndarray of intp
        Lines that may carry the solution.
    fit : LineFit
        Over these lines.
    shots : list of Shot
        The spectra behind them.

    Returns
    -------
    ndarray of intp
        Some of `rows`; all where that would leave fewer than `FEWEST_INSIDE`.
    """
    if len(rows) <= FEWEST_INSIDE or any(not np.all(shot.lines.anchor) for shot in shots):
        return rows  # phosphors differ between makes, and peaks of no line are no sign of anything beside them
    ends = float(np.min(found.u[rows])), float(np.max(found.u[rows]))
    words = [word for number, shot in enumerate(shots) for word in _said(found, number, shot, fit, ends)]
    if not words:
        return rows
    told = np.array(words)[np.argsort([word.u for word in words])]
    middle = float(np.median(found.u[rows]))
    keep = np.ones(len(rows), dtype=bool)
    for side in (-1.0, 1.0):
        outer = told[side * (told[:, 0] - middle) > 0][:: int(side)]
        place = side * (outer[:, 0] - middle)
        broken = _chance_of_break(place, outer[:, 1:].T, 1.0 - side * middle)
        at = side * (found.u[rows] - middle)
        keep &= (at <= 0) | (broken[np.searchsorted(place, at - 1e-9)] < MOST_BROKEN)
    return rows[keep] if np.count_nonzero(keep) >= FEWEST_INSIDE else rows


def _said(found: Identified, number: int, shot: Shot, fit: LineFit, ends: tuple[float, float]) -> list[_Word]:
    """Return what the bright peaks of one spectrum say of the scale."""
    mine = np.flatnonzero(found.shot == number)
    if len(mine) == 0:
        return []
    width = float(np.median(found.width_nm[mine]))
    levels = _Levels(found, mine, shot)
    seen = _bright_peaks(found, mine, fit, shot, width, levels)
    inside = [peak for peak in seen if ends[0] <= peak.u <= ends[1]]
    usual = (1.0 + sum(np.isfinite(peak.odds) for peak in inside)) / (2.0 + len(inside))
    of_others = _as_of_another([peak for peak in seen if not np.isfinite(peak.odds)], shot, width)
    words = []
    for peak in seen:
        odds = of_others.get(peak.u, peak.odds)
        both = []
        for share in (usual, (1.0 - OTHERS_SHARE) * usual):
            share = share if np.isfinite(peak.odds) else 1.0 - share
            both.append(float(min(np.log(share) + (odds if np.isfinite(odds) else 0.0), MOST_WORD)))
        words.append(_Word(peak.u, *both))
    return words + _of_missing(shot, fit, width, ends, levels)


def _of_missing(
    shot: Shot, fit: LineFit, width: float, ends: tuple[float, float], levels: _Levels
) -> list[_Word]:
    """Return what listed lines say against the scale that would be bright there, and show no peak.

    How often such a line is missing where the scale holds, the range tells.
    """
    lines, peaks = shot.lines, shot.peaks
    first, last = np.sort(fit.nm(np.array(ends)))
    at = fit.nm(shot.u)
    inner = (lines.wavelength_nm > np.min(at)) & (lines.wavelength_nm < np.max(at))
    chosen = np.flatnonzero(lines.bright & lines.anchor & inner)
    order = np.argsort(at)
    u = np.interp(lines.wavelength_nm[chosen], at[order], shot.u[order])
    peak_nm = fit.nm(shot.u_at(peaks.pixel))
    light = np.log(np.maximum(peaks.area, 1e-9))
    faintest = max(float(np.min(light)), float(np.max(light) + np.log(BRIGHT_SHARE)))
    missing, inside = [], []
    known = fit.standard_error_nm(u) <= TELLING * width
    for j, place in zip(chosen[known].tolist(), u[known].tolist(), strict=True):
        expected = np.log(lines.strength[j]) + levels(place)[j]
        if not expected > faintest + LIKE:
            continue
        gap = np.abs(peak_nm - lines.wavelength_nm[j])
        seen = (gap < MATCHED * width) | ((gap < CLEAR * width) & (light > expected + HIDES))
        missing.append((place, not np.any(seen)))
        inside.append(bool(first <= lines.wavelength_nm[j] <= last))
    gone = sum(is_gone for (_, is_gone), within in zip(missing, inside, strict=True) if within)
    word = float(np.log((1.0 + gone) / (2.0 + sum(inside))))
    return [_Word(place, word, word) for place, is_gone in missing if is_gone]


class _Seen(NamedTuple):
    """A bright peak: place, wavelength and its error by the curve, ln of the odds of its line over chance.

    These are -inf where no listed line of such brightness is.
    """

    u: float
    nm: float
    curve_nm: float
    odds: float


def _bright_peaks(
    found: Identified, mine: NDArray[np.intp], fit: LineFit, shot: Shot, width: float, levels: _Levels
) -> list[_Seen]:
    """Return the bright peaks that tell something."""
    peaks, lines = shot.peaks, shot.lines
    row_of = {int(found.peak[k]): int(k) for k in mine}
    told = []
    log_strength = np.log(lines.strength)
    bright = np.flatnonzero((peaks.area > BRIGHT_SHARE * np.max(peaks.area)) & ~peaks.broad)
    rows = [row_of.get(i) for i in bright.tolist()]
    own = shot.u_at(peaks.pixel[bright])
    at = np.array([u if k is None else found.u[k] for u, k in zip(own, rows, strict=True)])
    at_nm, curve_nm = fit.nm(at).tolist(), fit.standard_error_nm(at).tolist()
    for i, k, u, nm, curve in zip(bright.tolist(), rows, at.tolist(), at_nm, curve_nm, strict=True):
        error = float(np.hypot(curve, 0.0 if k is None else found.error_nm[k]))
        if error > TELLING * width or (k is not None and not found.sharp[k]):
            continue
        if k is None:
            told.append(_Seen(u, nm, curve, -np.inf))
            continue
        level = levels(u)
        unlike = np.abs(np.log(max(peaks.area[i], 1e-9)) - log_strength - level)
        like = (unlike < np.where(lines.bright, LIKE, FAINT_LIKE)) | ~np.isfinite(unlike) | bool(peaks.saturated[i])
        near = np.abs(lines.wavelength_nm - nm) < REACH * width
        odds = _odds_of_place(float(found.wavelength_nm[k]) - nm, error, width, int(np.count_nonzero(like & near)))
        told.append(_Seen(u, nm, curve, odds + _brighter_missing(found, k, shot, fit, width)))
    return told


def _odds_of_place(off_nm: float, error_nm: float, width: float, others: int) -> float:
    """Return ln of the odds of a line so far off over any line being so near, where so many lie within `REACH`."""
    here = np.exp(-0.5 * (off_nm / error_nm) ** 2) / (np.sqrt(2.0 * np.pi) * error_nm)
    anywhere = OUT_OF_PLACE / (2.0 * MATCHED * width)
    return float(np.log(((1.0 - OUT_OF_PLACE) * here + anywhere) * 2.0 * REACH * width / max(others, 1)))


class _Levels:
    """The ln(counts over listed strength) of lines as the nearest seen ones of their element tell.

    Near ones, as response and lamp change it along the axis.
    """

    def __init__(self, found: Identified, mine: NDArray[np.intp], shot: Shot) -> None:
        names, lines = np.array(found.species)[mine], shot.lines
        number = dict(zip(lines.species, lines.element.tolist(), strict=True))
        self.count, self.element = int(np.max(lines.element)) + 1, lines.element
        self.seen: list[tuple[int, Floats, Floats]] = []
        for name in np.unique(names):
            rows = mine[(names == name) & np.isfinite(found.brightness[mine]) & found.bright[mine]]
            if len(rows) >= FEWEST_NEAR:
                self.seen.append((number[str(name)], found.u[rows], found.brightness[rows]))

    def __call__(self, u: float) -> Floats:
        """Return that of each listed line (m,) near a place; NaN where too few are seen."""
        levels = np.full(self.count, np.nan)
        for element, places, brightness in self.seen:
            nearest = np.sort(brightness[np.argsort(np.abs(places - u))[:MOST_NEAR]])
            levels[element] = 0.5 * (nearest[(len(nearest) - 1) // 2] + nearest[len(nearest) // 2])
        return np.asarray(levels[self.element])


def _brighter_missing(found: Identified, k: int, shot: Shot, fit: LineFit, width: float) -> float:
    """Return what brighter lines of its element near a line say against it where they show no peak, ln of the odds."""
    lines = shot.lines
    own = int(np.argmin(np.abs(lines.wavelength_nm - found.wavelength_nm[k])))
    ends = np.sort(fit.nm(shot.u[[0, -1]]))
    same = (lines.element == lines.element[own]) & lines.bright & lines.anchor
    distance = np.abs(lines.wavelength_nm - found.wavelength_nm[k])
    near = (distance > CLEAR * width) & (distance < REACH * width)
    inside = (lines.wavelength_nm > ends[0]) & (lines.wavelength_nm < ends[1])
    peak_nm = fit.nm(shot.u_at(shot.peaks.pixel))
    light = np.maximum(shot.peaks.area, 1e-9)
    fainter = np.log(np.min(light) / light[found.peak[k]])
    word = 0.0  # lamps differ from the list in kind, not line by line: several missing ones say little more than one
    for j in np.flatnonzero(same & near & inside & (lines.strength > lines.strength[own])):
        if np.min(np.abs(peak_nm - lines.wavelength_nm[j])) > CLEAR * width:
            dim = float(ndtr((fainter - np.log(lines.strength[j] / lines.strength[own])) / STRENGTH_SD))
            word += float(np.log(max(dim, FLOOR)))
    return max(word, float(np.log(FLOOR)))


def _as_of_another(strangers: list[_Seen], shot: Shot, width: float) -> dict[float, float]:
    """Return by place the odds of peaks without a line that are of another element on the same scale, if any are.

    Light of an element that was not named is no sign of a break: its lines lie where the scale puts them.
    """
    if len(strangers) < FEWEST_NEAR:
        return {}
    best: dict[float, float] = {}
    for lamp in OTHERS:
        lines = lines_of(lamp)
        nm = np.setdiff1d(lines.wavelength_nm[lines.bright & lines.anchor], shot.lines.wavelength_nm)
        found = {}
        for peak in strangers:
            gap = np.abs(nm - peak.nm)
            if len(nm) and np.min(gap) < MATCHED * width:
                error = float(np.hypot(peak.curve_nm, PLACED * width))
                others = int(np.count_nonzero(gap < REACH * width))
                found[peak.u] = _odds_of_place(float(np.min(gap)), error, width, others)
        if sum(found.values()) > sum(best.values()):
            best = found
    return best if sum(best.values()) > np.log(len(OTHERS)) + MOST_WORD else {}


def _chance_of_break(place: Floats, odds: Floats, end: float) -> Floats:
    """Return how likely the scale breaks before each peak, shape (k + 1,): peaks outwards, ln of their odds, the end.

    The odds are those without and with light of another lamp, whose peaks are strangers where the scale holds, too.
    """
    plain, among_others = np.cumsum(odds, axis=1)
    told = np.logaddexp(np.log(1.0 - OTHER_LIGHT) + plain, np.log(OTHER_LIGHT) + among_others)
    told = np.concatenate([[0.0], told])  # of a break after so many peaks, over one before all
    gap = np.diff(np.concatenate([[0.0], place, [max(end, place[-1] if len(place) else 0.0)]]))
    log = told + np.log(np.maximum(BREAKS * gap / max(float(np.sum(gap)), 1e-12), 1e-9))
    whole = told[-1] + np.log(1.0 - BREAKS)
    top = max(float(np.max(log)), float(whole))
    share = np.exp(log - top)
    return np.asarray(np.cumsum(share) / (np.sum(share) + np.exp(whole - top)), dtype=np.float64)
