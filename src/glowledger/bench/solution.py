"""From a matched pattern to a wavelength solution that may be trusted, line by line."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.polynomial.chebyshev import chebval
from numpy.typing import NDArray

from glowledger.bench.broken_scale import unbroken
from glowledger.bench.company import likely_company
from glowledger.bench.cutting import FEWEST_KEPT, as_ill_told, cut_back, fitted, with_excess
from glowledger.bench.demands import SURELY, Demands
from glowledger.bench.identified import Identified
from glowledger.bench.matching import View
from glowledger.bench.nearby import Nearby, nearby_curves, weighed
from glowledger.bench.outer_lines import (
    MOST_DOUBT,
    agreeing_ends,
    doubting_faint,
    doubts,
    foretold_ends,
    in_doubt,
    largest_risk,
    low_risk,
    pulled_share,
    undisputed,
    unlikely,
    unrivalled,
    well_covered,
    without_faint_ends,
)
from glowledger.bench.placing import MOST_ROUGH, placed
from glowledger.bench.polynomial import LineFit
from glowledger.bench.shots import Shot, with_better_width
from glowledger.bench.whole_spectrum import STRANGE_PRICE, WholeFit, WholeSpectrum

Floats = NDArray[np.float64]

ENOUGH_USED, AGREES, DRAWN_STEPS = 4, 3.0, 3  # lines; standard errors; steps
SHOWS = 0.4  # of the FWHM: lines placed so well by their peaks show that a curve placed by the whole spectrum holds
BAND_SHOWS = 0.3  # of the FWHM: the same for phosphor bands, and where peaks place the curve as well
MOST_MOVES, WORTH_MOVING = 2, 1.0  # to a better curve nearby; natural log of the odds
ALIKE = 0.02  # of the FWHM: what is near one of two such curves is near the other
IDLE = 0.005  # leverage of a line, i.e. its part in the fitted wavelength at its own place: less is no say in the curve


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
    left_out_nm : ndarray of shape (k,)
        The same with the line left out of the fit; NaN for lines that are not in it.
    idle : ndarray of bool, shape (k,)
        Whether a line has no say in where the curve runs: beside the others it is placed too vaguely, or set aside.
    by_spectrum : bool
        Whether the whole spectrum places the curve, as single peaks place too few lines.
    described : bool
        Whether no more than half of the peaks are of no line of the lamp.
    clear : bool
        Whether the lines of the lamp describe the whole spectrum, other light being little.
    hiding_nm : tuple of float
        Wavelengths of lines that are so wide that another one likely hides in them.
    rough : bool
        Whether the curve is known roughly only, so few lines tell it.
    risk : float
        Chance that the curve is off by more than `nearby.HARM` of the width at a line that carries it, or between.
    """

    fit: LineFit
    found: Identified
    used: NDArray[np.bool_]
    residual_nm: Floats
    left_out_nm: Floats
    idle: NDArray[np.bool_]
    by_spectrum: bool = False
    described: bool = True
    clear: bool = True
    hiding_nm: tuple[float, ...] = ()
    rough: bool = False
    risk: float = 0.0

    @property
    def of_lines(self) -> bool:
        """Whether any line carries the solution, and not phosphor bands alone, which only show that it holds."""
        return bool(np.any(self.used & self.found.sharp))

    @property
    def at_odds(self) -> bool:
        """Whether lines contradict each other that are so few that none is left to tell which is a stranger's."""
        return self.fit.scatter_nm > 0.0 and self.supporting <= self.fit.degree + 1

    @property
    def supporting(self) -> int:
        """Number of lines that agree with the solution, vague ones included."""
        return int(np.count_nonzero(self.fit.weight > 0.05))


@dataclass(slots=True, eq=False)
class Settling:
    """Draws matched scales to their lines; those that come to a curve looked at before are not followed again."""

    view: View
    looked_at: list[tuple[Floats, Nearby]] = field(default_factory=list)  # nm at the peaks, and what is near there

    def settle(self, scale: Floats, shots: list[Shot] | None) -> Nearby:
        """Return a matched scale drawn to its lines, with the curves near it.

        Parameters
        ----------
        scale : ndarray
            Chebyshev coefficients from the blind match.
        shots : list of Shot or None
            The spectra, if the scale is to be drawn to the polynomial through its lines first: a better beginning for
            the likeliest one, which the others do not need to show that they are worse.
        """
        near = self._near(scale if shots is None else _rough(scale, shots))
        for _ in range(MOST_MOVES):
            if not near.moved:
                break
            near = self._near(near.own.scale)
        return near

    def _near(self, scale: Floats) -> Nearby:
        """Return the curves near a scale; looked for once only."""
        pattern = self.view.pattern
        at = pattern.nm(scale)
        reach = ALIKE * np.abs(pattern.slope(scale)) * pattern.fwhm_u
        for known, near in self.looked_at:
            if np.all(np.abs(at - known) < reach):
                return near
        near = nearby_curves(self.view, scale)
        self.looked_at.append((at, near))
        if not near.moved:  # near the curve that it was drawn to there is nothing else either
            self.looked_at.append((pattern.nm(near.own.scale), near))
        return near


def polished(near: Nearby, shots: list[Shot], view: View) -> tuple[Nearby, list[Shot]]:
    """Return a settled scale, or the better one that the polynomial through its lines leads to.

    Also the shots, with the line width that the single ones of these lines tell.

    Parameters
    ----------
    near : Nearby
        The scale, and the curves near it.
    shots : list of Shot
        Lamp spectra of one instrument.
    view : View
        Their peaks, and the lamp.
    """
    found, usable = placed(shots, near.own.scale, 0.6)
    fit = fitted(found, usable, near.span)
    if fit is None:
        return near, shots
    single = usable[(fit.weight > 0.05) & found.single[usable]]
    better = [
        with_better_width(shot, np.isin(np.arange(len(shot.peaks)), found.peak[single[found.shot[single] == number]]))
        for number, shot in enumerate(shots)
    ]
    if weighed(view, fit.coefficients).log_evidence < near.own.log_evidence + WORTH_MOVING:
        return near, better
    again = nearby_curves(view, fit.coefficients)
    return again if again.own.log_evidence > near.own.log_evidence else near, better


def refine_solution(
    near: Nearby,
    shots: list[Shot],
    by_whole: tuple[WholeSpectrum, WholeFit] | None = None,
    demands: Demands = SURELY,
) -> Refined | None:
    """Turn a settled scale into the final polynomial; None if too few lines remain.

    Parameters
    ----------
    near : Nearby
        The scale, and the curves near it.
    shots : list of Shot
        Lamp spectra of one instrument.
    by_whole : tuple of (WholeSpectrum, WholeFit), optional
        The whole spectrum, and the same scale drawn to it: where single peaks place too few lines, this does.
    demands : Demands
        How well the curve must be known.

    Returns
    -------
    Refined or None
    """
    found, usable = placed(shots, near.own.scale, 0.6)
    first = fitted(found, usable, near.span)
    if first is None:
        return None
    alive = usable[first.weight > 0.05]
    pulled = pulled_share(found, alive, np.setdiff1d(usable, alive))
    refined = _best_refined((found, usable, alive), first, near, pulled, shots, by_whole, demands)
    if refined is None or np.count_nonzero(refined.used & refined.found.sharp) < demands.sharp:
        return None
    if demands.rough and refined.supporting < refined.fit.degree + 1 + demands.spare:
        return None
    return replace(refined, rough=demands.rough, risk=largest_risk(refined.found, refined.used, near, pulled))


def _best_refined(
    placed_lines: tuple[Identified, NDArray[np.intp], NDArray[np.intp]],
    first: LineFit,
    near: Nearby,
    pulled: tuple[float, float],
    shots: list[Shot],
    by_whole: tuple[WholeSpectrum, WholeFit] | None,
    demands: Demands,
) -> Refined | None:
    """Return the solution that most lines hold: by the peaks, or where these are too few by the whole spectrum."""
    found, usable, alive = placed_lines
    kept, kept_by_spectrum = low_risk(found, alive, near, pulled, few=demands.rough)
    doubt = doubts(found, np.setdiff1d(alive, kept), near, pulled)
    by_peaks = _by_peaks(shots, (found, usable, kept), doubt, (first, near.span), by_whole, demands)
    enough = by_peaks is not None and _holding(by_peaks) >= ENOUGH_USED
    if enough or by_whole is None or not by_whole[1].trusted:
        return by_peaks
    alone = ~likely_company(found, shots)
    trusted = [rows[alone[rows]] for rows in (kept, kept_by_spectrum)]
    whole = by_whole[1]
    if max(len(rows) for rows in trusted) >= FEWEST_KEPT:
        aside = np.union1d(usable[~alone[usable]], unlikely(found, near, pulled))
        whole = _without(found, aside, shots, by_whole, near.own.scale)
    by_spectrum = _by_spectrum(found, (usable, trusted[0]), first, whole, shots, demands)
    best = by_spectrum if by_peaks is None else max(by_peaks, by_spectrum, key=_holding)
    if _holding(best) >= (FEWEST_KEPT if best is by_peaks else ENOUGH_USED):
        return best
    return max(best, _by_spectrum(found, (usable, trusted[1]), first, whole, shots, demands), key=_holding)


def _without(
    found: Identified,
    rows: NDArray[np.intp],
    shots: list[Shot],
    by_whole: tuple[WholeSpectrum, WholeFit],
    scale: Floats,
) -> WholeFit:
    """Return the fit of the whole spectrum with the peaks of some lines left aside, and those that may be strangers'.

    What is in doubt holds no curve. What it had bent may lie far off: a `scale` that the peaks hold is a beginning too.
    """
    whole, drawn = by_whole
    freed = []
    for number, (shot, part, before) in enumerate(zip(shots, whole.parts, drawn.freed, strict=True)):
        at = shot.peaks.pixel[found.peak[rows[found.shot[rows] == number]]]
        theirs = part.shot.peaks.pixel  # told of other line widths, these may be others
        freed.append(before | {int(np.argmin(np.abs(theirs - pixel))) for pixel in at})
    odds = float(np.log(MOST_DOUBT / (1.0 - MOST_DOUBT)))
    apart = np.max(np.abs(chebval(found.u, scale) - chebval(found.u, drawn.scale)) / found.width_nm)
    starts = (drawn.scale, scale) if apart > ALIKE else (drawn.scale,)
    fits = [whole.fit_freely(start, DRAWN_STEPS, freed=tuple(freed), odds=odds) for start in starts]
    return min(fits, key=lambda fit: fit.loss / drawn.worth + STRANGE_PRICE * fit.strange)


def _holding(result: Refined) -> int:
    """Return how many lines carry a solution."""
    return int(np.count_nonzero(result.used))


def _by_peaks(
    shots: list[Shot],
    placed_lines: tuple[Identified, NDArray[np.intp], NDArray[np.intp]],
    doubt: dict[float, float],
    first_fit: tuple[LineFit, float],
    by_whole: tuple[WholeSpectrum, WholeFit] | None,
    demands: Demands,
) -> Refined | None:
    """Return the polynomial through peaks: of the placed ones, the usable and the kept; None if too few are left."""
    found, usable, kept = placed_lines
    first, span = first_fit
    if len(kept) < FEWEST_KEPT:
        return None
    held, doubtful = in_doubt(found, kept, doubt)
    fit = fitted(held, np.concatenate([kept, doubtful]), span)
    dropped = np.zeros(0)
    if fit is not None and len(kept) < len(usable):  # what was dropped had bent the scale that the peaks were placed by
        low, high = np.min(found.wavelength_nm[kept]) - 1e-3, np.max(found.wavelength_nm[kept]) + 1e-3
        dropped = np.setdiff1d(found.wavelength_nm[usable], found.wavelength_nm[kept])
        found, kept = placed(shots, fit.coefficients, 0.6)
        kept = kept[~np.isin(found.wavelength_nm[kept], dropped)]
        kept = kept[(found.wavelength_nm[kept] > low) & (found.wavelength_nm[kept] < high)]
        fit = fitted(found, kept, span)
    if fit is None:
        return None
    found, kept, strange = with_excess(found, kept, kept[fit.weight > 0.05], dropped)
    found, doubtful = in_doubt(found, kept, doubt)
    kept = np.concatenate([kept, doubtful])
    fit = fitted(found, kept, span)
    if fit is None:
        return None
    fit = fit if by_whole is None else as_ill_told(fit, by_whole[1])
    alive = kept[(fit.weight > 0.05) & ~np.isin(kept, np.concatenate([doubtful, strange]))]
    cut = cut_back(found, (kept, alive), fit, shots, span, by_whole)
    if cut is None:
        return None
    kept, alive, fit = cut
    cautious = doubting_faint(found, kept, fit)
    shown = alive[_showing(found, alive, demands.shows)]
    carrying = undisputed(found, well_covered(found, shown, cautious, demands.by_peaks), fit, first)
    if by_whole is not None:
        whole, drawn = by_whole
        if fit.degree >= len(drawn.scale):  # else what the spectrum's curve cannot follow would count as dispute
            drawn = whole.fit_freely(fit.coefficients, DRAWN_STEPS)
        carrying = undisputed(found, carrying, fit, _as_line_fit(drawn, found, kept))
    carrying = unrivalled(found, carrying, kept, fit, span)
    carrying = agreeing_ends(found, foretold_ends(found, carrying, kept, fit), fit)
    return _refined(found, kept, carrying, fit)


def _by_spectrum(
    found: Identified,
    usable_kept: tuple[NDArray[np.intp], NDArray[np.intp]],
    first: LineFit,
    whole: WholeFit,
    shots: list[Shot],
    demands: Demands,
) -> Refined:
    """Return the curve that the whole spectrum places, where lines agree with it: of the usable the kept ones.

    The curve is as sure as its covariance says; lines only show where it has been seen to hold, blends among them.
    """
    usable, kept = usable_kept
    fit = _as_line_fit(whole, found, usable)
    shows = found.error_nm < np.where(found.sharp, SHOWS, BAND_SHOWS) * found.width_nm
    agree = usable[(fit.weight > 0.05) & shows[usable] & np.isin(usable, kept)]
    agree = unbroken(found, agree, fit, shots)
    carrying = undisputed(found, well_covered(found, agree, fit, demands.by_spectrum), fit, first)
    carrying = without_faint_ends(found, carrying)
    # together they must tell a shift of the curve by a fifth of the width
    if np.sum((found.width_nm[carrying] / found.error_nm[carrying]) ** 2) < demands.together**-2:
        carrying = carrying[:0]
    none = np.zeros(len(found), dtype=bool)  # the spectrum places the curve, and lines show where it holds
    return replace(_refined(found, usable, carrying, fit), by_spectrum=True, idle=none)


def _showing(found: Identified, rows: NDArray[np.intp], shows: float) -> NDArray[np.bool_]:
    """Return which lines show that a curve holds there: those that may carry it, and phosphor bands placed well.

    Or all that are placed to so much of the width (`shows`).
    """
    if shows:
        return np.asarray(found.error_nm[rows] < shows * found.width_nm[rows])
    band = ~found.sharp[rows] & (found.error_nm[rows] < BAND_SHOWS * found.width_nm[rows])
    return np.asarray(found.anchor[rows] | band)


def _refined(found: Identified, kept: NDArray[np.intp], carrying: NDArray[np.intp], fit: LineFit) -> Refined:
    """Return a fit of the kept lines with those that carry it."""
    used = np.zeros(len(found), dtype=bool)
    used[carrying] = True
    left_out = np.full(len(found), np.nan)
    left_out[kept] = fit.left_out_nm
    residual = found.wavelength_nm - fit.nm(found.u)
    idle = np.ones(len(found), dtype=bool)
    idle[kept] = fit.rate(found.error_nm[kept]) * fit.standard_error_nm(found.u[kept]) ** 2 < IDLE
    if np.count_nonzero(used & ~idle) < FEWEST_KEPT:  # doubtful lines hold the curve: vague ones are all that is shown
        idle[:] = False
    return Refined(fit=fit, found=found, used=used, residual_nm=residual, left_out_nm=left_out, idle=idle)


def _as_line_fit(whole: WholeFit, found: Identified, rows: NDArray[np.intp]) -> LineFit:
    """Return a scale drawn to the whole spectrum as a fit of lines, which it was not drawn to one by one."""
    nm = found.wavelength_nm[rows]
    residual = nm - chebval(found.u[rows], whole.scale)
    error = np.hypot(found.error_nm[rows], whole.standard_error_nm(found.u[rows]))
    return LineFit(
        coefficients=whole.scale, covariance=whole.covariance, weight=(np.abs(residual) < AGREES * error).astype(float),
        residual_nm=residual, left_out_nm=residual, left_out_se_nm=error, scatter_nm=0.0, log_predictive=0.0,
    )  # fmt: skip


def _rough(scale: Floats, shots: list[Shot]) -> Floats:
    """Return the polynomial through all lines near a matched scale; the scale itself if these are too few."""
    found, usable = placed(shots, scale, 0.9, MOST_ROUGH)
    fit = fitted(found, usable, 2.0 * abs(float(scale[1])))
    return scale if fit is None else fit.coefficients
