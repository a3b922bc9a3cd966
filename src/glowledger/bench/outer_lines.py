"""Which lines may carry a solution: the run of them at which no other curve is likely, and between which it is good."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
from numpy.polynomial.chebyshev import chebval, chebvander
from numpy.typing import NDArray

from glowledger.bench.identified import Identified
from glowledger.bench.nearby import Nearby
from glowledger.bench.polynomial import LineFit, through

Floats = NDArray[np.float64]

WELL_PLACED = 0.1  # of the FWHM: error of a line that objects
FEW_OUT, FEW_IN = 0.2, 10.0  # pulled lines and others: how many there are before any was seen
# of the FWHM: standard error that the solution may have between its lines, and where that leaves few lines: a fifth is
# four of them, and three. Curves err by 0.87 of their standard errors in 68 % of places, 1.9 in 95 %, 2.9 in 99 %
# (538 lamps of seeds from 260000 of bench_calibration.py, which prints this)
GOOD_TO, STILL_GOOD_TO, FEW_COVERED = 0.05, 0.065, 4
# chance that another curve is right: in the range, the same where that leaves few lines, at a line in the fit
MOST_RISK, STILL_RISK, MOST_DOUBT = 0.005, 0.02, 0.1
FORETOLD = 0.1  # of the FWHM: standard error with which the lines further in must foretell an outermost one
LINES_PER_COEFFICIENT = 2  # fewer foretell nothing
LONE, ENOUGH_WITHOUT = 0.25, 5  # of the range; lines: further out than that a line holds itself, where so many stay
FAINT_WORD = 0.4  # weight in the range of lines that a lamp only may show: beside a crowd of lines one is always near
# an outermost line that lies further off the curve, of the FWHM or in its errors, where so many others stay, is no end
OFF_END, CONTRADICTS, ENOUGH_AGREEING = 0.15, 3.0, 4
UNDISPUTED = 0.1  # of the FWHM: how far two fits that believe different lines may differ
BESIDE_ONE = 4  # lines next to one that contradicts the curve, two of which may be the strangers instead
KNOWN_BY_OTHER = 3.0  # standard errors of the other fit: nearer than that it says nothing


def pulled_share(found: Identified, alive: NDArray[np.intp], thrown: NDArray[np.intp]) -> tuple[float, float]:
    """Return how often faint and bright lines of this lamp are out of their places, from those that the fit threw out.

    Lines of no list, of the lamp or of strangers, hide in the flanks of others; how many there are, each lamp tells.
    """
    shares = []
    for bright in (False, True):
        out, fine = np.count_nonzero(found.bright[thrown] == bright), np.count_nonzero(found.bright[alive] == bright)
        shares.append((FEW_OUT + out) / (FEW_IN + out + fine))
    return shares[0], shares[1]


def low_risk(
    found: Identified, rows: NDArray[np.intp], near: Nearby, pulled: tuple[float, float], *, few: bool = False
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the longest run of lines at and between which no other curve is likely, or less so if that leaves few.

    A blend at an end of few lines may be pulled unseen, but not where all its lines were fitted together: the run for
    a curve through peaks, and for one that the whole spectrum places. Where it is known that the rule for many lines
    leaves too `few`, that for few is taken, whatever stands at the ends.
    """
    rows = rows[np.argsort(found.u[rows])]
    risk = near.risk(found.u[rows], found.width_nm[rows], pulled)
    if few:
        still = _run(found, rows, risk, near, pulled, STILL_RISK)
        return still, still
    best = _run(found, rows, risk, near, pulled, MOST_RISK)
    if np.count_nonzero(found.anchor[best] | ~found.sharp[best]) >= FEW_COVERED:
        return best, best
    still = _run(found, rows, risk, near, pulled, STILL_RISK)
    well_placed = found.single & (found.error_nm < WELL_PLACED * found.width_nm)
    runs = []
    for ends in (well_placed, found.anchor):
        alone = np.flatnonzero(ends[still])
        run = still[alone[0] : alone[-1] + 1] if len(alone) else still[:0]
        runs.append(run if len(run) > len(best) else best)
    return runs[0], runs[1]


def largest_risk(
    found: Identified, used: NDArray[np.bool_], near: Nearby, pulled: tuple[float, float]
) -> float:
    """Return the chance that the curve is off by more than `nearby.HARM` of the width at lines used, or between them.

    Parameters
    ----------
    found : Identified
        Every identified peak.
    used : ndarray of bool, shape (k,)
        Lines that carry the curve.
    near : Nearby
        The scale, and the curves near it.
    pulled : tuple of float
        Chances that a faint, a bright line is pulled.
    """
    rows = np.flatnonzero(used & found.sharp)
    if len(rows) < 2:
        return 0.0
    rows = rows[np.argsort(found.u[rows])]
    at, width = found.u[rows], found.width_nm[rows]
    return float(max(near.risk(at, width, pulled).max(), near.risk_between(at, width, pulled).max()))


def _run(
    found: Identified, rows: NDArray[np.intp], risk: Floats, near: Nearby, pulled: tuple[float, float], limit: float
) -> NDArray[np.intp]:
    """Return the longest run of lines, with risks as many, at and between which no other curve is likely.

    A phosphor band is no end, as it carries nothing: the curve is asked about beside it as between other lines.
    """
    some = found.sharp[rows] | (risk < limit)
    rows, good = rows[some], risk[some] < limit
    return rows[_longest(good, near.risk_between(found.u[rows], found.width_nm[rows], pulled) < limit)]


def _longest(good: NDArray[np.bool_], between: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Return the longest run of lines (k,) that are good, and all between them, from each to the next (k - 1,), is."""
    broken = ~(between & good[1:] & good[:-1])
    runs = np.split(np.arange(len(good)), np.flatnonzero(broken) + 1)
    return max((run[good[run]] for run in runs), key=len)


def doubts(
    found: Identified, rows: NDArray[np.intp], near: Nearby, pulled: tuple[float, float]
) -> dict[float, float]:
    """Return for lines that are no ends of a range how likely another curve is there, by wavelength."""
    risk = near.risk(found.u[rows], found.width_nm[rows], pulled) if len(rows) else np.zeros(0)
    return {float(found.wavelength_nm[k]): float(r) for k, r in zip(rows, risk, strict=True) if r < MOST_DOUBT}


def unlikely(found: Identified, near: Nearby, pulled: tuple[float, float]) -> NDArray[np.intp]:
    """Return the identified peaks at which another curve is so likely that they hold none."""
    rows = np.argsort(found.u)
    return rows[near.risk(found.u[rows], found.width_nm[rows], pulled) > MOST_DOUBT]


def in_doubt(
    found: Identified, kept: NDArray[np.intp], doubt: dict[float, float]
) -> tuple[Identified, NDArray[np.intp]]:
    """Return lines with larger errors where another curve is likely, and which those are: they hold a curve a little.

    With a chance p the line is another one about a line width off: variance p times the width squared.
    """
    new = np.setdiff1d(np.flatnonzero(found.vague & np.isin(found.wavelength_nm, list(doubt))), kept)
    new = new[~np.isin(found.wavelength_nm[new], found.wavelength_nm[kept])]
    error = found.error_nm.copy()
    chance = np.array([doubt[float(nm)] for nm in found.wavelength_nm[new]])
    error[new] = np.hypot(error[new], np.sqrt(chance) * found.width_nm[new])
    return replace(found, error_nm=error), new


def well_covered(
    found: Identified, rows: NDArray[np.intp], fit: LineFit, still_good_to: float = STILL_GOOD_TO
) -> NDArray[np.intp]:
    """Return the longest run of lines between which the solution is good, or still good where that leaves few."""
    rows = rows[np.argsort(found.u[rows])]
    if len(rows) < 2:
        return rows
    places = found.u[rows][:-1, None] + np.diff(found.u[rows])[:, None] * np.linspace(0.0, 1.0, 9)[None, :]
    width = np.minimum(found.width_nm[rows][1:], found.width_nm[rows][:-1])
    error = np.max(fit.standard_error_nm(places), axis=1) / width
    best = rows[:0]
    for limit in (GOOD_TO, still_good_to):
        runs = np.split(np.arange(len(rows)), np.flatnonzero(error >= limit) + 1)
        best = rows[max(runs, key=len)]
        if len(best) >= FEW_COVERED:
            break
    return best


def doubting_faint(found: Identified, kept: NDArray[np.intp], fit: LineFit) -> LineFit:
    """Return a fit with the covariance that it has if lines which the lamp only may show count for `FAINT_WORD`.

    In a crowd some faint line is near any curve, so that these agree with it is little evidence.
    """
    faint = ~found.bright[kept]
    basis = np.asarray(chebvander(found.u[kept][faint], fit.degree), dtype=np.float64)
    rate = (1.0 - FAINT_WORD) * fit.rate(found.error_nm[kept])[faint]
    precision = np.linalg.inv(fit.covariance) - (basis * rate[:, None]).T @ basis
    return replace(fit, covariance=np.asarray(np.linalg.inv(precision), dtype=np.float64))


def undisputed(
    found: Identified, rows: NDArray[np.intp], fit: LineFit, other: LineFit
) -> NDArray[np.intp]:
    """Return the longest run of lines between which a fit agrees with another one as far as that one knows.

    Where lines contradict each other a robust fit believes some and leaves out others, and how it weighs them decides
    which. A part of the axis on which the curve hangs on that choice is not known, however small its standard error.
    """
    rows = rows[np.argsort(found.u[rows])]
    if len(rows) < 2:
        return rows
    places = found.u[rows][:-1, None] + np.diff(found.u[rows])[:, None] * np.linspace(0.0, 1.0, 5)[None, :]
    width = np.minimum(found.width_nm[rows][1:], found.width_nm[rows][:-1])
    dispute = np.abs(fit.nm(places) - other.nm(places)) / np.maximum(
        UNDISPUTED * width[:, None], KNOWN_BY_OTHER * other.standard_error_nm(places)
    )
    good = np.max(dispute, axis=1) < 1.0
    runs = np.split(np.arange(len(rows)), np.flatnonzero(~good) + 1)
    return rows[max(runs, key=len)]


def unrivalled(
    found: Identified, rows: NDArray[np.intp], kept: NDArray[np.intp], fit: LineFit, span: float
) -> NDArray[np.intp]:
    """Return the longest run of lines between which no curve differs that needs but one stranger more.

    A bright, well placed line within the range that contradicts the curve is a stranger's, or two of its neighbours
    are, and it is right: where only two or three lines on its side tell, the latter is not unlikely.

    Parameters
    ----------
    found : Identified
        Every identified peak.
    rows : ndarray of intp
        Lines that may carry the solution.
    kept : ndarray of intp, shape (m,)
        Lines of the fit.
    fit : LineFit
        Over `kept`.
    span : float
        Of the axis, nm.
    """
    rows = rows[np.argsort(found.u[rows])]
    if len(rows) < 2:
        return rows
    error = np.hypot(fit.error_share * found.error_nm[kept], fit.scatter_nm)
    off = np.abs(found.wavelength_nm[kept] - fit.nm(found.u[kept]))
    told = found.bright[kept] & found.sharp[kept] & (found.error_nm[kept] < WELL_PLACED * found.width_nm[kept])
    against = told & (off > OFF_END * found.width_nm[kept]) & (off > CONTRADICTS * error)
    agree = (fit.weight > 0.05) & ~against
    places = found.u[rows][:-1, None] + np.diff(found.u[rows])[:, None] * np.linspace(0.0, 1.0, 5)[None, :]
    width = np.minimum(found.width_nm[rows][1:], found.width_nm[rows][:-1])
    good = np.ones(len(rows) - 1, dtype=bool)
    for k in np.flatnonzero(against).tolist():
        beside = np.flatnonzero(agree)
        beside = beside[np.argsort(np.abs(found.u[kept][beside] - found.u[kept][k]), kind="stable")[:BESIDE_ONE]]
        for pair in combinations(beside.tolist(), 2):
            used = agree.copy()
            used[k], used[list(pair)] = True, False
            rival = through(found.u[kept[used]], found.wavelength_nm[kept[used]], error[used], fit, span)
            left = np.abs(found.wavelength_nm[kept[used]] - chebval(found.u[kept[used]], rival))
            if np.all(left < CONTRADICTS * error[used]):
                good &= np.max(np.abs(fit.nm(places) - chebval(places, rival)), axis=1) < UNDISPUTED * width
    return rows[max(np.split(np.arange(len(rows)), np.flatnonzero(~good) + 1), key=len)]


def agreeing_ends(found: Identified, rows: NDArray[np.intp], fit: LineFit) -> NDArray[np.intp]:
    """Return lines without outermost ones that lie off the curve though this follows them: they show that it fails.

    That it holds to a fifth of the line width up to an end is told by a line that lies nearer than that; where the
    scale breaks, as of joined detectors, and a line beyond agrees by chance, the curve is bent and does not reach it.
    """
    rows = rows[np.argsort(found.u[rows])]
    off = np.abs(found.wavelength_nm[rows] - fit.nm(found.u[rows]))
    error = np.hypot(fit.error_share * found.error_nm[rows], fit.scatter_nm)
    agrees = (off < OFF_END * found.width_nm[rows]) & (off < CONTRADICTS * error)
    good = np.flatnonzero(agrees | ~found.sharp[rows])  # where phosphor bands lie differs between makes
    if len(good) < ENOUGH_AGREEING:
        return rows
    return rows[good[0] : good[-1] + 1]


def foretold_ends(
    found: Identified, rows: NDArray[np.intp], kept: NDArray[np.intp], fit: LineFit
) -> NDArray[np.intp]:
    """Return lines without an outermost one that holds only itself: one that the others do not foretell.

    A curve follows a line at its end wherever this lies, and more so the higher its degree: that it agrees is no
    evidence that it is the right line, or in its place. Where few lines hold the solution none foretells another; there
    the curves nearby decide (`low_risk`), but a lone line far out is no end where enough others stay, nor is a phosphor
    band where it is lines still further out, in doubt as they are, that place the curve.

    Parameters
    ----------
    found : Identified
        Every identified peak.
    rows : ndarray of intp
        Lines that may carry the solution.
    kept : ndarray of intp, shape (m,)
        Lines of the fit.
    fit : LineFit
        Over `kept`.
    """
    rows = rows[np.argsort(found.u[rows])]
    if len(rows) < 2:
        return rows
    rows = _ended(found, _ended(found, rows, 1.0, kept, fit)[::-1], -1.0, kept, fit)[::-1]
    rows = _surely_shown(found, _surely_shown(found, rows, 1.0, kept, fit)[::-1], -1.0, kept, fit)[::-1]
    few = len(rows) < LINES_PER_COEFFICIENT * (fit.degree + 1) + 2
    gap = np.abs(np.diff(found.wavelength_nm[rows]))
    alone = [
        (not few or (len(rows) > ENOUGH_WITHOUT and gap[next_gap] > LONE * np.sum(gap)))
        and _foretold_to(found, int(end), side, kept, fit) > FORETOLD * found.width_nm[end]
        for end, side, next_gap in ((rows[0], -1.0, 0), (rows[-1], 1.0, -1))
    ]
    return rows[int(alone[0]) : len(rows) - int(alone[1])]


def without_faint_ends(found: Identified, rows: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return lines without outermost ones that a lamp need not show, where enough others stay.

    For a curve that the whole spectrum places: how well it would foretell them without their own light is not known.
    """
    rows = rows[np.argsort(found.u[rows])]
    for _ in range(2):
        while len(rows) > ENOUGH_WITHOUT and found.sharp[rows[-1]] and not found.bright[rows[-1]]:
            rows = rows[:-1]
        rows = rows[::-1]
    return rows


def _surely_shown(
    found: Identified, rows: NDArray[np.intp], side: float, kept: NDArray[np.intp], fit: LineFit
) -> NDArray[np.intp]:
    """Return lines, rising towards a side, without ends there that a lamp need not show and the others do not foretell.

    A stranger that stands alone is taken for such a line wherever it is within reach, and not only pulls one.
    """
    while len(rows) > ENOUGH_WITHOUT and found.sharp[rows[-1]] and not found.bright[rows[-1]]:
        end = int(rows[-1])
        if _foretold_to(found, end, side, kept, fit) < FORETOLD * found.width_nm[end]:
            break
        rows = rows[:-1]
    return rows


def _ended(
    found: Identified, rows: NDArray[np.intp], side: float, kept: NDArray[np.intp], fit: LineFit
) -> NDArray[np.intp]:
    """Return lines, rising towards a side, without bands at this end that hang on what lies further out."""
    while len(rows) > ENOUGH_WITHOUT and not found.sharp[rows[-1]]:
        end = int(rows[-1])
        if _foretold_to(found, end, side, kept, fit, itself=True) < FORETOLD * found.width_nm[end]:
            break
        rows = rows[:-1]
    return rows


def borne_out_ends(
    found: Identified, rows: NDArray[np.intp], kept: NDArray[np.intp], fit: LineFit
) -> NDArray[np.intp]:
    """Return lines without outermost ones at which the lines further in clearly tell another curve.

    Where the scale breaks, as of joined detectors, lines beyond that agree by chance bend the curve, and the last right
    ones follow it within their errors; those further in do not.

    Parameters
    ----------
    found : Identified
        Every identified peak.
    rows : ndarray of intp
        Lines that may carry the solution.
    kept : ndarray of intp, shape (m,)
        Lines of the fit.
    fit : LineFit
        Over `kept`.
    """
    rows = rows[np.argsort(found.u[rows])]
    for side in (1.0, -1.0):
        while len(rows) > ENOUGH_AGREEING:
            end = int(rows[-1])
            off, error = _told_by_inner(found, end, side, kept, fit)
            if abs(off) < max(OFF_END * found.width_nm[end], CONTRADICTS * error):
                break
            rows = rows[:-1]
        rows = rows[::-1]
    return rows


def _told_by_inner(
    found: Identified, end: int, side: float, kept: NDArray[np.intp], fit: LineFit
) -> tuple[float, float]:
    """Return how far off a fit the lines further in than one at a side (-1 or 1) put the curve there, and the error."""
    inner, basis, rate = _without(found, side * found.u[kept] >= side * found.u[end], kept, fit)
    at = np.asarray(chebvander(found.u[[end]], fit.degree)[0], dtype=np.float64)
    told = np.linalg.solve(inner, at)
    left = found.wavelength_nm[kept] - fit.nm(found.u[kept])
    outer = side * found.u[kept] >= side * found.u[end]
    variance = float(at @ told)
    return -float(told @ (basis.T @ (rate * left[outer]))), float(np.sqrt(variance)) if variance > 0.0 else np.inf


def _without(
    found: Identified, out: NDArray[np.bool_], kept: NDArray[np.intp], fit: LineFit
) -> tuple[Floats, Floats, Floats]:
    """Return the precision of a fit without some of its lines (m,), and what these add: basis and rate."""
    basis = np.asarray(chebvander(found.u[kept][out], fit.degree), dtype=np.float64)
    rate = fit.rate(found.error_nm[kept])[out]
    return np.linalg.inv(fit.covariance) - (basis * rate[:, None]).T @ basis, basis, rate


def _foretold_to(
    found: Identified, end: int, side: float, kept: NDArray[np.intp], fit: LineFit, *, itself: bool = False
) -> float:
    """Return the standard error, nm, with which lines further in (and `itself`) tell the one at a side (-1 or 1)."""
    place = side * found.u[kept]
    outer = place > side * found.u[end] if itself else place >= side * found.u[end]
    inner = _without(found, outer, kept, fit)[0]
    at = np.asarray(chebvander(found.u[[end]], fit.degree)[0], dtype=np.float64)
    variance = float(at @ np.linalg.solve(inner, at))
    return float(np.sqrt(variance)) if variance > 0.0 else np.inf
