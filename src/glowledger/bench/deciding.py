"""Curves that the peaks do not tell apart, told apart by the whole spectrum."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.polynomial.chebyshev import chebval
from numpy.typing import NDArray

from glowledger.bench.evidence import Candidate
from glowledger.bench.matching import View
from glowledger.bench.nearby import ANOTHER, Nearby, nearby_curves, of_terms, weighed
from glowledger.bench.whole_spectrum import WholeFit, WholeSpectrum

Floats = NDArray[np.float64]

ASKED, NEAR_ENOUGH = 6, 7.0  # curves nearby that the spectrum is asked about; natural log of the odds by their peaks
SAME = 0.15  # of the FWHM: two curves that come so near are one
BETTER = 5.0  # natural log of the odds by the spectrum at which another curve takes the place of the best one
CLOSE = 6.0  # natural log of the odds by the peaks: scales that the spectrum may put before the best one
RULED_OUT = 40.0  # natural log of the odds against a matched scale, before it is drawn to its lines
MOST_MOVES, OWN_STEPS, OTHER_STEPS = 2, 4, 2
LOST = 3.0  # natural log of the odds by the peaks that the curve drawn to the spectrum may lose


def likeliest(trials: list[Nearby], whole: WholeSpectrum) -> Nearby:
    """Return the likeliest of settled scales: by its peaks if these say so, else by peaks and spectrum.

    Parameters
    ----------
    trials : list of Nearby
        At least one.
    whole : WholeSpectrum
        The spectra.
    """
    best = max(trials, key=lambda near: near.own.log_evidence)
    close = [near for near in trials if near.own.log_evidence > best.own.log_evidence - CLOSE]
    if len(close) == 1:
        return best
    by_spectrum = whole.fit(best.own.scale, OTHER_STEPS)
    odds = [
        0.0 if near is best else near.own.log_evidence - best.own.log_evidence
        - by_spectrum.log_odds(whole.fit(near.own.scale, OTHER_STEPS, by_spectrum))
        for near in close
    ]  # fmt: skip
    return close[int(np.argmax(odds))]


def told_by_spectrum(near: Nearby, view: View, whole: WholeSpectrum) -> tuple[Nearby, WholeFit]:
    """Return a solution drawn to the whole spectrum, or the curve nearby that this prefers, and its fit.

    Parameters
    ----------
    near : Nearby
        The solution and the curves near it, by their peaks.
    view : View
        Peaks and lamp.
    whole : WholeSpectrum
        The spectra.
    """
    for moves in range(MOST_MOVES + 1):
        own = whole.fit(near.own.scale, OWN_STEPS)
        if not own.trusted:
            return near, own
        fits, told = _asked(near, own, whole)
        best = min(fits, key=lambda k: told[k], default=-1)
        if moves == MOST_MOVES or best < 0 or told[best] > -BETTER:
            break
        near = nearby_curves(view, fits[best].scale, stay=True)
    drawn = weighed(view, own.scale)
    if drawn.log_evidence > near.own.log_evidence - LOST:
        near = replace(near, own=replace(drawn, log_evidence=max(drawn.log_evidence, near.own.log_evidence)))
    return replace(near, told=told), own


def _asked(near: Nearby, own: WholeFit, whole: WholeSpectrum) -> tuple[dict[int, WholeFit], Floats]:
    """Return the fits of the likeliest other curves, and the log odds of the solution over each of all others."""
    told = np.full(len(near.others), np.nan)
    width = whole.parts[0].width_nm(own.scale)
    places = np.linspace(float(np.min(near.u)), float(np.max(near.u)), 17)
    here = chebval(places, own.scale)
    fits: dict[int, WholeFit] = {}
    order = np.argsort([-c.log_evidence for c in near.others], kind="stable")
    for k in order.tolist():
        other = near.others[k]
        if len(fits) == ASKED or other.log_evidence < near.own.log_evidence - NEAR_ENOUGH:
            break
        if np.max(np.abs(chebval(places, other.scale) - chebval(places, near.own.scale))) < ANOTHER * width:
            continue
        fit = whole.fit(other.scale, OTHER_STEPS, own)
        if np.max(np.abs(chebval(places, fit.scale) - here)) < SAME * width:
            told[k] = np.inf
        else:
            told[k] = own.log_odds(fit)
            fits[k] = fit
    return fits, told


def ruled_out(candidate: Candidate, best: WholeFit, whole: WholeSpectrum) -> bool:
    """Return whether the whole spectrum leaves a matched scale no chance beside a fitted one."""
    return best.log_odds(whole.fit(of_terms(candidate.scale), OTHER_STEPS, best)) > RULED_OUT


def spectrum_margin(own: WholeFit, others: list[Candidate], whole: WholeSpectrum) -> float:
    """Return ln of the odds by the whole spectrum over the next best of quite different scales."""
    return min((own.log_odds(whole.fit(of_terms(other.scale), OTHER_STEPS, own)) for other in others), default=np.inf)
