"""Solve lamp spectra whose lamps are known: match blind, refine, and doubt the result."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache, partial
from itertools import product

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.company import likely_company
from glowledger.bench.deciding import (
    MOST_ASKED,
    BySpectrum,
    by_spectrum,
    likeliest,
    matched_evidence,
    ruled_out,
    told_by_spectrum,
)
from glowledger.bench.demands import ROUGHLY
from glowledger.bench.evidence import Candidate
from glowledger.bench.hypotheses import Prior
from glowledger.bench.matching import View, quite_unlike, view_of, worth_a_look
from glowledger.bench.nearby import HARM, Nearby, beside_matched
from glowledger.bench.outcome import Calibration
from glowledger.bench.outer_lines import MOST_RISK
from glowledger.bench.polynomial import crookedness
from glowledger.bench.searching import match
from glowledger.bench.shots import Shot, joined_lines, pattern_of
from glowledger.bench.solution import Refined, Settling, polished, refine_solution
from glowledger.bench.solution_told import only, those_at, with_solution
from glowledger.bench.whole_spectrum import WholeFit, WholeSpectrum

Floats = NDArray[np.float64]

MIN_MARGIN = 4.6  # natural log of the odds against the next best scale that is really another one: 1 %
# margin plus log odds against chance by the peaks, both clipped, that a solution must reach which so many lines carry
# or more: many lines that hold one curve are evidence as well; and log odds alone. Of 450 lamps under wrong names (the
# fleets of bench_calibration.py, seeds from 340000) none with three lines at a wrong scale came above 2.9, none with
# four above -4.2, with five above -10.5 (but a xenon lamp under its own name had three lines on a scale the other way
# round at 8.2: three always lie on some curve, and are no evidence); of 1090 right solutions none had log odds below
# -8.0. A mercury lamp, two of whose four lines were strangers, came to 4.1
# (where much of the light is of another kind many lines agree by chance: an argon lamp called mercury-argon had 7 of 13
# peaks within 0.02 FWHM of one curve, and came to 5.0)
MANY_LINES = 5
LEAST, LEAST_EVIDENCE = ((0, 10.0), (4, 6.0), (MANY_LINES, -2.0)), -8.0
MOST_MARGIN, EVIDENCE_RANGE = 20.0, (-25.0, 15.0)
# where the peaks leave doubt the whole spectrum is asked as well: ln of the odds that a solution is right, of a lamp
# that is what it was called in nine files of ten, by a logistic regression. Its constant, that where lines of the lamp
# do not describe the spectrum, which then says nothing, and what each of these is worth, between limits: margin and
# odds against chance by the peaks, the same odds by the spectrum, and its odds over quite different scales. From 1096
# right solutions of lamps under right names and 102 wrong ones, nearly all of 3850 under wrong names (the fleets of
# bench_calibration.py from 541000 to 704000). The log odds from four fifths of them foretold 25 wrong ones of 35 from
# -2 to 0, 9 of 32 from 0 to 2, 3 of 64 from 2 to 4 among the others: 27, 7, 1 were
CONSTANT, NOT_DESCRIBED = 5.1, 2.4
WORTH = ((0.30, -10.0, 20.0), (0.41, -15.0, 15.0), (0.073, -60.0, 25.0), (0.034, -30.0, 60.0))
ANY_CURVE = 3  # lines that always lie on some curve
MOST_UNLIKE = 8  # other scales that it is asked about
MOST_SETTLED, NEAR_EVIDENCE, MOST_ODDS = 4, 6.0, 999.0  # scales; natural log
SETTLING_GAIN = 5.0  # natural log of the odds
HOPELESS = -18.0  # of a scale before it is settled, which never gains so much
# log odds against chance of the best settled scale at which nothing more is asked: of 465 accepted lamps, right and
# wrong names, none had less than -10.1 (fleets of bench_calibration.py from 491000)
FORLORN = -15.0
# natural log of the odds: 1 %; 0.1 % where the curve is known roughly, so that lines agree with it more easily
SURE, ROUGH_SURE = 4.6, 6.9
MIN_USED, MIN_SUPPORTING = 3, 4  # lines that carry the solution; those and vaguer ones that agree
MIN_EXPLAINED, STRANGE_CONFIDENCE = 0.5, 20.0  # of the bright peaks; confidence that outweighs light of other kinds

ANOTHER_SCALE = "a quite different wavelength scale fits nearly as well"
BY_CHANCE = "the peaks fit this lamp hardly better than chance"
OTHER_LIGHT = "most of the bright peaks are not of this lamp"
ROUGH = (
    "Few lines tell the curve, so that it is known only as roughly as is told here. A file of a second lamp (neon, "
    "argon), or a narrower slit or fibre, makes it surer."
)
HIDDEN = "another line seems to hide in"
NEEDED = " are needed"
NOT_ALL_TRIED = "so many other wavelength scales fit nearly as well that not all of them were tried"


def seen(shots: list[Shot]) -> View:
    """Return the peaks of one instrument's shots and the lamps behind them, for the match."""
    return view_of(pattern_of(shots), joined_lines(shots))


def solve(
    shots: list[Shot],
    axis: Floats,
    *,
    prior: Prior | None = None,
    candidates: list[Candidate] | None = None,
    forlorn: float = FORLORN,
) -> Calibration:
    """Solve lamp spectra of one instrument for their stated lamps.

    Parameters
    ----------
    shots : list of Shot
        One or more, on one axis.
    axis : ndarray of shape (p,)
        The axis of the files.
    prior : Prior, optional
        Bounds on the instrument.
    candidates : list of Candidate, optional
        Distinct scales, best evidence first, if already searched for.
    forlorn : float
        Log odds against chance of the best settled scale at which nothing more is asked: it is refused.

    Returns
    -------
    Calibration
    """
    view = seen(shots)
    found = match(view, prior or Prior()) if candidates is None else candidates
    lamp = ",".join(dict.fromkeys(shot.lamp for shot in shots))
    peaks_found = sum(len(shot.peaks) for shot in shots)
    if not found:
        return Calibration(
            lamp=lamp, accepted=False, peaks_found=peaks_found,
            reasons=("no wavelength scale that a spectrometer could have fits these peaks",),
        )  # fmt: skip
    trials, whole = _settled(found, shots, view)
    result = Calibration(lamp=lamp, accepted=False, log_evidence=found[0].log_evidence, peaks_found=peaks_found)
    if whole is None:
        return replace(result, reasons=("too few lines can carry a solution",))
    matched, near = likeliest(trials, view, whole)
    told = partial(_told, result, matched, trials, found)
    if near.own.log_evidence < forlorn:
        result, _ = told(near)
        return replace(result, reasons=_forlorn(result.log_margin, near.own))
    led_away = all(near is not trial for _, trial in trials)  # by the whole spectrum
    near, better = polished(near, shots, view)
    view = replace(view, alike=_alike((matched, near), found))
    near = beside_matched(near, view, stay=led_away)
    same = all(one is other for one, other in zip(better, shots, strict=True))
    with_widths = [better] if same else [better, shots]
    near, fitted, refined, shots = _drawn(near, with_widths, view, whole, cache(partial(_lost, told, whole)))
    result, unlike = told(near)
    if refined is None:
        return replace(result, reasons=("too few lines can carry a solution, or each could as well be its neighbour",))
    result = with_solution(result, refined, shots, axis)
    hiding_nm = np.sort(refined.found.wavelength_nm[likely_company(refined.found, shots) & refined.found.vague])
    refined = replace(
        refined, described=2 * fitted.strange <= fitted.peaks, clear=fitted.trusted, hiding_nm=tuple(hiding_nm.tolist())
    )  # fmt: skip
    sure = partial(_sure_by_spectrum, result)
    reasons = _doubts(result, near.own, refined, lambda: by_spectrum(fitted, unlike, whole, sure))
    reasons += (NOT_ALL_TRIED,) if whole.left_out else ()
    return replace(result, accepted=not reasons, reasons=reasons, warnings=_risks(refined, reasons))


def _risks(refined: Refined, reasons: tuple[str, ...]) -> tuple[str, ...]:
    """Return how likely an accepted solution is off, where that is more than usual, and that it is known roughly."""
    if reasons:
        return ()
    few = (ROUGH,) if refined.rough else ()
    if refined.risk < MOST_RISK:
        return few
    odds = round(1.0 / refined.risk, -1) if refined.risk < 0.05 else round(1.0 / refined.risk)
    return (
        *few,
        "A line that carries the solution may be a stranger's, or pulled by one: the chance that the scale is off "
        f"somewhere by more than {HARM:g} line widths is about 1 in {odds:.0f}. A file of a second lamp settles it.",
    )


def _drawn(
    by_peaks: Nearby,
    with_widths: list[list[Shot]],
    view: View,
    whole: WholeSpectrum,
    lost: Callable[[Nearby, WholeFit], bool],
) -> tuple[Nearby, WholeFit, Refined | None, list[Shot]]:
    """Return a solution drawn to the whole spectrum, this fit, what it is refined to, and the shots that tell this.

    Where too few lines hold it so, and enough of them by the peaks alone, these decide; and where too few do with the
    better of the line widths, the shots with the other ones; then more of the curves nearby are asked about; at last a
    curve that is known roughly will do. Nothing else is tried for a scale that is `lost` anyway.
    """
    near, fitted = told_by_spectrum(by_peaks, view, whole)
    first = near, fitted, refine_solution(near, with_widths[0], (whole, fitted)), with_widths[0]
    if _holds(first[2], whole):
        return first
    for drawn, shots in list(product((near,) if near is by_peaks else (near, by_peaks), with_widths))[1:]:
        if not lost(drawn, fitted):
            refined = refine_solution(drawn, shots, (whole, fitted))
            if _holds(refined, whole):
                return drawn, fitted, refined, shots
    if fitted.trusted and not whole.half_spent and not lost(near, fitted):
        again, told = told_by_spectrum(by_peaks, view, whole, MOST_ASKED)
        refined = refine_solution(again, with_widths[0], (whole, told))
        if _holds(refined, whole):
            return again, told, refined, with_widths[0]
    rough = None if lost(near, fitted) else refine_solution(near, with_widths[0], (whole, fitted), ROUGHLY)
    return (near, fitted, rough, with_widths[0]) if _holds(rough, whole) else first


def _holds(refined: Refined | None, whole: WholeSpectrum) -> bool:
    """Return whether enough lines hold a solution, or nothing more may be asked."""
    return whole.left_out or (refined is not None and bool(np.count_nonzero(refined.used) >= MIN_USED))


def _told(
    result: Calibration,
    matched: Candidate,
    trials: list[tuple[Candidate, Nearby]],
    found: list[Candidate],
    near: Nearby,
) -> tuple[Calibration, list[Candidate]]:
    """Return a result with what the peaks say of a scale, and the scales quite unlike that one."""
    unlike = [c for c in (*(trial.own for _, trial in trials), *found) if quite_unlike(c, near.own)][:MOST_UNLIKE]
    margin = _margin((matched, near), trials, found)
    return replace(result, log_evidence=near.own.log_evidence, log_margin=margin), unlike


def _lost(
    told: Callable[[Nearby], tuple[Calibration, list[Candidate]]], whole: WholeSpectrum, near: Nearby, fitted: WholeFit
) -> bool:
    """Return whether a scale will be refused however many lines hold it."""
    result, unlike = told(near)
    if result.log_margin > MIN_MARGIN and result.log_evidence > LEAST_EVIDENCE and _confidence(result) > LEAST[-1][1]:
        return False
    sure = partial(_sure_by_spectrum, result)
    return not sure(by_spectrum(fitted, unlike, whole, sure))


def _settled(
    found: list[Candidate], shots: list[Shot], view: View
) -> tuple[list[tuple[Candidate, Nearby]], WholeSpectrum | None]:
    """Return the candidates that may be the best one, drawn to their lines, and the whole spectrum, if there is one."""
    trials: list[tuple[Candidate, Nearby]] = []
    best, whole, first = None, None, None
    settling = Settling(view)
    hopeless = found[0].log_evidence < HOPELESS
    most = 1 if hopeless else MOST_SETTLED
    for candidate in _likeliest_first(found, shots) if hopeless else found:
        if len(trials) == most or candidate.log_evidence < _least_evidence(found[0], best):
            break
        if any(not worth_a_look(candidate, near.own) for _, near in trials):
            continue  # the curves near that one have been looked at
        if whole is not None and first is not None:
            if not whole.affords():
                break
            if ruled_out(candidate, first, whole):
                continue
        near = settling.settle(candidate.scale, None if trials else shots)
        trials.append((candidate, near))
        if best is None or near.own.log_evidence > best[1].own.log_evidence:
            best = trials[-1]
        if whole is None:
            whole = WholeSpectrum(shots, crookedness(near.span))
            first = whole.fit(near.own.scale)
    return trials, whole


def _least_evidence(first: Candidate, best: tuple[Candidate, Nearby] | None) -> float:
    """Return the evidence, as matched, that a scale must have to be settled beside the best of those that are.

    One that gained much by it says that others may as well.
    """
    if best is None:
        return first.log_evidence - NEAR_EVIDENCE
    matched, near = best
    least = max(first.log_evidence, near.own.log_evidence) - NEAR_EVIDENCE
    return min(least, matched.log_evidence - MIN_MARGIN)


def _likeliest_first(found: list[Candidate], shots: list[Shot]) -> list[Candidate]:
    """Return candidates of which the peaks tell nothing, the one first that the whole spectrum puts first."""
    whole = WholeSpectrum(shots, crookedness(2.0 * abs(float(found[0].scale[1]))))
    near = [c for c in found[:MOST_SETTLED] if c.log_evidence > found[0].log_evidence - NEAR_EVIDENCE]
    return sorted(near, key=lambda c: -matched_evidence(c, whole)) + found[len(near) :]


def _margin(
    best: tuple[Candidate, Nearby], trials: list[tuple[Candidate, Nearby]], found: list[Candidate]
) -> float:
    """Return ln of the odds of the best scale over the next one that is really another, at most 999.

    Like is compared with like: settled with settled, as matched with as matched. A scale that the whole spectrum led
    away from where it was matched is compared with what others may gain by being settled; that one is no other.
    """
    margin = MOST_ODDS
    matched, near = best
    settled = {id(candidate): trial.own for candidate, trial in trials}
    settled[id(matched)] = near.own
    as_matched = matched.log_evidence
    if quite_unlike(matched, near.own):
        as_matched = near.own.log_evidence - SETTLING_GAIN
    for candidate in found:
        other = settled.get(id(candidate), candidate)
        lead = (as_matched if other is candidate else near.own.log_evidence) - other.log_evidence
        if lead < margin and other is not near.own and _another(other, best):
            margin = lead
    return margin


def _alike(best: tuple[Candidate, Nearby], found: list[Candidate]) -> list[Candidate]:
    """Return the scales that are no others to the best one, and that may become as likely by being settled."""
    least = best[0].log_evidence - NEAR_EVIDENCE - SETTLING_GAIN
    likely = [candidate for candidate in found if candidate.log_evidence > least]
    return [candidate for candidate in likely if not _another(candidate, best)]


def _another(other: Candidate, best: tuple[Candidate, Nearby]) -> bool:
    """Return whether a scale is quite unlike the best one, both as matched and as settled."""
    matched, near = best
    return quite_unlike(other, near.own) and quite_unlike(other, matched)


def _doubts(
    result: Calibration, best: Candidate, refined: Refined, by_spectrum: Callable[[], BySpectrum]
) -> tuple[str, ...]:
    """Return why a solution must not be used; empty if it may.

    `by_spectrum` returns what the whole spectrum says; it is asked only where peaks are not enough.
    """
    doubts = []
    if result.log_margin < MIN_MARGIN:
        doubts.append(ANOTHER_SCALE)
    confidence = _confidence(result)
    carrying = result.matched if refined.clear else min(result.matched, MANY_LINES - 1)
    if refined.by_spectrum or not refined.of_lines:
        carrying = 0
    least = next(limit for lines, limit in reversed(LEAST) if carrying >= lines)
    if confidence < least or result.log_evidence < LEAST_EVIDENCE:
        doubts.append(BY_CHANCE)
    doubts += [BY_CHANCE] if refined.rough and not doubts and result.log_evidence < 0.0 else []
    asked = doubts and best.explained > MIN_EXPLAINED and result.matched >= MIN_USED
    word = by_spectrum() if asked else None
    sure = word is not None and _sure_by_spectrum(result, word, ROUGH_SURE if refined.rough else SURE)
    if word is not None and sure and (refined.of_lines or word.evidence > SURE):
        doubts = []
    if not doubts and (result.log_evidence < 0.0 or not refined.of_lines):  # the spectrum has to make up for that
        word = word or by_spectrum()
    if not doubts and not refined.of_lines and word is not None and not word.evidence > SURE:
        doubts.append(BY_CHANCE)
    against = word is not None and word.evidence > -np.inf and not _sure_by_spectrum(result, word)
    if not doubts and (against or (result.log_evidence < SURE and not _of_this_lamp(result, refined))):
        doubts.append("neither the peaks nor the whole spectrum speak for this lamp")
    few = result.matched <= ANY_CURVE and 3 * result.matched < len(result.lines)
    if not doubts and few and result.log_evidence < LEAST_EVIDENCE and word is not None and word.evidence < 2 * SURE:
        doubts.append(f"only {result.matched} of {len(result.lines)} lines lie on one curve, and so few always do")
    if result.matched < MIN_USED:
        doubts.append(f"{only(result.matched)} can carry the solution, {MIN_USED}{NEEDED}")
        if refined.hiding_nm and result.log_margin > MIN_MARGIN:  # else which lines they are is not known
            doubts.append(f"{HIDDEN} {those_at(refined.hiding_nm)}")
    elif refined.supporting < MIN_SUPPORTING:
        doubts.append(f"{only(refined.supporting)} can agree with the solution, {MIN_SUPPORTING}{NEEDED}")
    elif refined.at_odds:
        doubts.append("the few lines contradict each other: one of them is a stranger's, or pulled by one")
    if best.explained < MIN_EXPLAINED and confidence < STRANGE_CONFIDENCE:
        doubts.append(OTHER_LIGHT)
    return tuple(doubts)


def _forlorn(log_margin: float, best: Candidate) -> tuple[str, ...]:
    """Return why a scale that the peaks speak so clearly against is not looked at any further."""
    reasons = [ANOTHER_SCALE] if log_margin < MIN_MARGIN else []
    return (*reasons, BY_CHANCE, *([OTHER_LIGHT] if best.explained < MIN_EXPLAINED else []))


def _of_this_lamp(result: Calibration, refined: Refined) -> bool:
    """Return whether the lines of the lamp describe the spectrum, or half of the peaks and these say enough alone."""
    alone = _odds_right((result.log_margin, result.log_evidence))
    return refined.described and (refined.clear or alone > SURE)


def _confidence(result: Calibration) -> float:
    """Return margin plus log odds against chance by the peaks, both clipped."""
    return min(result.log_margin, MOST_MARGIN) + float(np.clip(result.log_evidence, *EVIDENCE_RANGE))


def _sure_by_spectrum(result: Calibration, word: BySpectrum, odds: float = SURE) -> bool:
    """Return whether peaks and whole spectrum together leave no doubt of scale and lamp."""
    least = MIN_MARGIN if result.log_margin > MIN_MARGIN else MIN_MARGIN / WORTH[0][0]
    if word.evidence == -np.inf or result.log_margin + word.odds < least:
        return False
    return _odds_right((result.log_margin, result.log_evidence, word.evidence, word.odds)) > odds


def _odds_right(known: tuple[float, ...]) -> float:
    """Return ln of the odds that a solution is right, from as much as is known of `WORTH`."""
    constant = CONSTANT if len(known) == len(WORTH) else NOT_DESCRIBED
    return constant + sum(w * min(max(x, low), high) for x, (w, low, high) in zip(known, WORTH, strict=False))
