"""Curves that the peaks do not tell apart, told apart by the whole spectrum."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial.chebyshev import chebval
from numpy.typing import NDArray

from glowledger.bench.evidence import Candidate
from glowledger.bench.matching import View
from glowledger.bench.nearby import ANOTHER, LOCAL, Nearby, beside_matched, nearby_curves, of_terms, weighed
from glowledger.bench.whole_evidence import log_evidence
from glowledger.bench.whole_spectrum import WholeFit, WholeSpectrum

Floats = NDArray[np.float64]

ASKED, NEAR_ENOUGH = 6, 7.0  # curves nearby that the spectrum is asked about; natural log of the odds by their peaks
MOST_ASKED = 12  # the same where what was not asked leaves too few lines in which the curve is sure
SAME = 0.15  # of the FWHM: two curves that come so near are one
BETTER = 5.0  # natural log of the odds by the spectrum at which another curve takes the place of the best one
CLOSE = 6.0  # natural log of the odds by the peaks: scales that the spectrum may put before the best one
RULED_OUT = 40.0  # natural log of the odds against a matched scale, before it is drawn to its lines
MOST_MOVES, OWN_STEPS, OTHER_STEPS = 2, 4, 2
DECIDING_STRANGE = 0.15  # share of the peaks: with more of no line of the lamp, light of another kind may make odds
LOST = 3.0  # natural log of the odds by the peaks that the curve drawn to the spectrum may lose


def likeliest(trials: list[tuple[Candidate, Nearby]], view: View, whole: WholeSpectrum) -> tuple[Candidate, Nearby]:
    """Return the likeliest of settled scales: by its peaks if these say so, else by peaks and spectrum.

    Peaks that leave scales open may as well have drawn the right one to a wrong curve: each is also taken as it was
    matched, and drawn to the spectrum instead.

    Parameters
    ----------
    trials : list of (Candidate, Nearby)
        At least one scale, as matched and as settled.
    view : View
        Peaks and lamp.
    whole : WholeSpectrum
        The spectra.
    """
    top = max(near.own.log_evidence for _, near in trials)
    close = [trial for trial in trials if trial[1].own.log_evidence > top - CLOSE]
    best = max(close, key=lambda trial: trial[1].own.log_evidence)
    if len(close) == 1:
        return best
    first = whole.fit(best[1].own.scale, OTHER_STEPS)
    told: list[tuple[float, Candidate, Nearby, WholeFit | None]] = []
    for candidate, near in close:
        if not whole.affords():
            break
        fit = first if near is best[1] else whole.fit(near.own.scale, OTHER_STEPS, first)
        if fit.trusted:
            told.append((near.own.log_evidence + log_evidence(fit, whole), candidate, near, None))
        fit = whole.fit(of_terms(candidate.scale), OTHER_STEPS, first)
        if fit.trusted:
            by_peaks = weighed(view, fit.scale).log_evidence
            told.append((by_peaks + log_evidence(fit, whole), candidate, near, fit))
    if not told:
        return best
    _, candidate, near, drawn = max(told, key=lambda row: row[0])
    return candidate, near if drawn is None else nearby_curves(view, drawn.scale, stay=True)


def told_by_spectrum(
    near: Nearby, view: View, whole: WholeSpectrum, most: int = ASKED
) -> tuple[Nearby, WholeFit]:
    """Return a solution drawn to the whole spectrum, or the curve nearby that this prefers, and its fit.

    Parameters
    ----------
    near : Nearby
        The solution and the curves near it, by their peaks.
    view : View
        Peaks and lamp.
    whole : WholeSpectrum
        The spectra.
    most : int
        So many curves nearby are asked about.
    """
    freed, before = None, None
    for moves in range(MOST_MOVES + 1):
        own = whole.fit_freely(near.own.scale, OWN_STEPS, freed=freed)
        if not own.trusted:
            return near, own
        if before is not None and _same(own, before[1], near, whole):
            near, own, told = before  # asking again would tell the same
            break
        fits, told = _asked(near, own, whole, most, to_the_end=moves == MOST_MOVES)
        before = near, own, told
        best = min(fits, key=lambda k: told[k], default=-1)
        if moves == MOST_MOVES or best < 0 or told[best] > -BETTER:
            break
        near, freed = nearby_curves(view, fits[best].scale, stay=True), fits[best].freed
        near = beside_matched(near, view, stay=True)
    drawn = weighed(view, own.scale)
    if drawn.log_evidence > near.own.log_evidence - LOST:
        near = replace(near, own=replace(drawn, log_evidence=max(drawn.log_evidence, near.own.log_evidence)))
    return replace(near, told=told), own


def _same(one: WholeFit, other: WholeFit, near: Nearby, whole: WholeSpectrum) -> bool:
    """Return whether two fits are one curve where the peaks are, with the same peaks left aside."""
    places = np.linspace(float(np.min(near.u)), float(np.max(near.u)), 17)
    off = np.abs(chebval(places, one.scale) - chebval(places, other.scale))
    return one.freed == other.freed and bool(np.max(off) < SAME * whole.parts[0].width_nm(one.scale))


def _asked(
    near: Nearby, own: WholeFit, whole: WholeSpectrum, most: int, *, to_the_end: bool
) -> tuple[dict[int, WholeFit], Floats]:
    """Return the fits of the likeliest other curves, and the log odds of the solution over each of all others.

    One that takes its place ends the search, unless this goes `to_the_end`: the others will be asked about beside it.
    """
    told = np.full(len(near.others), np.nan)
    width = whole.parts[0].width_nm(own.scale)
    places = np.linspace(float(np.min(near.u)), float(np.max(near.u)), 17)
    here = chebval(places, own.scale)
    fits: dict[int, WholeFit] = {}
    order = np.argsort([-c.log_evidence for c in near.others], kind="stable")
    for k in order.tolist():
        other = near.others[k]
        if len(fits) == most or other.log_evidence < near.own.log_evidence - NEAR_ENOUGH:
            break
        if np.max(np.abs(chebval(places, other.scale) - chebval(places, near.own.scale))) < ANOTHER * width:
            continue
        if not whole.affords():
            break
        fit = whole.fit_freely(other.scale, OTHER_STEPS, own)
        if np.max(np.abs(chebval(places, fit.scale) - here)) < SAME * width:
            told[k] = np.inf
        else:
            smoother = LOCAL.log_density(fit.scale) - LOCAL.log_density(own.scale)
            told[k] = own.log_odds(fit) - max(smoother, 0.0)  # less smooth it may only be as it is drawn less far
            fits[k] = fit
            if told[k] < -BETTER and not to_the_end:
                break
    return fits, told


def ruled_out(candidate: Candidate, best: WholeFit, whole: WholeSpectrum) -> bool:
    """Return whether the whole spectrum leaves a matched scale no chance beside a fitted one."""
    return best.log_odds(whole.fit(of_terms(candidate.scale), OTHER_STEPS, best)) > RULED_OUT


def matched_evidence(candidate: Candidate, whole: WholeSpectrum) -> float:
    """Return ln of the odds of a matched scale by peaks and spectrum together."""
    return candidate.log_evidence + log_evidence(whole.fit(of_terms(candidate.scale), OTHER_STEPS), whole)


@dataclass(frozen=True, slots=True, kw_only=True)
class BySpectrum:
    """What the whole spectrum says of a scale, natural log of odds.

    Attributes
    ----------
    evidence : float
        Over peaks of no lamp.
    odds : float
        Over the next best of quite different scales; 0 where there is none, or where it shows more light than the
        lamp's.
    """

    evidence: float = -np.inf
    odds: float = -np.inf


def by_spectrum(
    own: WholeFit, others: list[Candidate], whole: WholeSpectrum, sure: Callable[[BySpectrum], bool]
) -> BySpectrum:
    """Return what the whole spectrum says of a fitted scale; nothing where lines of the lamp do not describe it.

    Parameters
    ----------
    own : WholeFit
        The scale drawn to the spectrum.
    others : list of Candidate
        Quite different scales.
    whole : WholeSpectrum
        The spectra.
    sure : callable
        Whether an answer leaves no doubt. Each further scale can only make it less sure, so none is asked about once
        it is not.
    """
    if not own.trusted:
        return BySpectrum()
    lamp_only = own.strange <= max(DECIDING_STRANGE * own.peaks, 1)
    word = BySpectrum(evidence=log_evidence(own, whole), odds=np.inf if others and lamp_only else 0.0)
    for other in others if lamp_only else ():
        if not sure(word):
            break
        if not whole.affords():
            return BySpectrum()
        fit = whole.fit(of_terms(other.scale), OTHER_STEPS, own)
        word = replace(word, odds=min(word.odds, own.log_odds(fit)))
    return word
