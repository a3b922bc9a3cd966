"""Which lamp a spectrum is of that nobody named: all are tried, on the scale of one of them once that is clear."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.polynomial.chebyshev import chebval
from numpy.typing import NDArray

from glowledger import progress
from glowledger.bench.evidence import Candidate
from glowledger.bench.hypotheses import Prior
from glowledger.bench.outcome import Calibration
from glowledger.bench.searching import DECISIVE, LEADING, Search
from glowledger.bench.shots import USE_LINES, Shot, of_no_lines, renamed
from glowledger.bench.solving import (
    ANOTHER_SCALE,
    HOPELESS,
    NEEDED,
    NOT_ALL_TRIED,
    OTHER_LIGHT,
    SETTLING_GAIN,
    seen,
    solve,
)

Floats = NDArray[np.float64]

AUTO_LAMPS = ("hg-ar", "hg", "cfl", "ne", "ar", "he", "kr", "xe", "h2")
# natural log of the odds by the peaks that a lamp must have that nobody named: of so many one fits by chance more often
BY_CHANCE_OF_SO_MANY = float(np.log(len(AUTO_LAMPS)))
# the same of a settled scale at which nothing more is asked: of 301 (each lamp for 60 instruments of the fleets
# of bench_calibration.py, seeds from 964000) none that had less than 0 gained more than 1.3 afterwards
FORLORN = BY_CHANCE_OF_SO_MANY - SETTLING_GAIN
LAMPS_SOLVED = 4  # the likeliest lamps are solved in full
BRIGHTEST, CUT_OFF = 10, 0.5  # lines; share of them that stand at the ceiling in a spectrum that is spoiled by it
SURE_SCALE = 4.6  # natural log of the odds by the peaks, over chance and over other scales: only more lines are wanting
LAMP_MARGIN = 6.0  # natural log of the odds between two lamps whose solutions contradict each other

NAME_LAMP = "Name the lamp with --lamp (several elements with commas), expose longer, or use a lamp with more lines."


def find_lamp(shot: Shot, axis: Floats, prior: Prior | None = None) -> Calibration:
    """Try all lamps and return the best solution, refused if another lamp fits as well with another scale.

    Parameters
    ----------
    shot : Shot
        A spectrum of an unknown lamp.
    axis : ndarray of shape (p,)
        The axis of the file.
    prior : Prior, optional
        Bounds on the instrument.
    """
    solved: list[tuple[Calibration, Shot]] = []
    accepted: list[Calibration] = []
    for named, found in _likeliest_first(shot, prior or Prior())[:LAMPS_SOLVED]:
        hopeless = solved and found[0].log_evidence < HOPELESS  # the first one tells why no lamp fits
        if hopeless or (accepted and not _contradicts(found, accepted[0], shot, axis)):
            continue
        result = solve([named], axis, prior=prior, candidates=found, forlorn=FORLORN)
        solved.append((result, named))
        if result.accepted and result.log_evidence > BY_CHANCE_OF_SO_MANY:
            accepted.append(result)
    if not accepted:
        few = [held_by_few(refused, [named]) for refused, named in solved]
        mend = spoiled_light(shot) or next(filter(None, few), NAME_LAMP)
        if not solved:
            return Calibration(
                lamp="auto", accepted=False, peaks_found=len(shot.peaks), mend=mend, reasons=("no lamp fits",)
            )
        first = solved[0][0]
        reasons = ("no lamp of the table fits surely", *first.reasons)
        return replace(first, accepted=False, mend=mend, reasons=reasons, warnings=())
    best = accepted[0]
    for other in accepted[1:]:
        if best.log_evidence - other.log_evidence < LAMP_MARGIN and not agree(best, other):
            reason = f"'{best.lamp}' and '{other.lamp}' fit about equally well with different scales"
            return replace(best, accepted=False, reasons=(reason,), mend="Name the lamp with --lamp.")
    return best


def _likeliest_first(shot: Shot, prior: Prior) -> list[tuple[Shot, list[Candidate]]]:
    """Return the lamps under which there are scales, with these, likeliest first.

    One spectrum has one scale. Once a lamp has one that leads so clearly that no other can be right, other lamps are
    asked about that one alone.
    """
    lamps: list[tuple[Shot, Search]] = []
    for tried, lamp in enumerate(AUTO_LAMPS):
        progress.tell(0.8 * tried / len(AUTO_LAMPS))
        named = renamed(shot, lamp)
        search = Search(seen([named]), prior)
        if search.possible:
            leader = _leader([each for _, each in lamps], DECISIVE)
            search.look() if leader is None else search.look_at(leader.scale)
            lamps.append((named, search))
    searches = [search for _, search in lamps]
    for search in sorted(searches, key=_evidence, reverse=True):
        leader = _leader(searches, LEADING)
        if leader is None or leader is search.best:
            if not search.decided:
                search.look_again(search.leading)
        elif (near := search.look_at(leader.scale)) is not None and near.log_evidence > HOPELESS:
            search.look_again(near)
    for search in searches:
        if search.wants_more and _leader(searches, LEADING) is None:
            search.look_at_more()
    trials = [(named, found) for named, search in lamps if (found := search.distinct())]
    return sorted(trials, key=lambda each: -each[1][0].log_evidence)


def _evidence(search: Search) -> float:
    """Return the log odds of the best scale of a lamp."""
    return -np.inf if search.best is None else search.best.log_evidence


def _leader(searches: list[Search], least: float) -> Candidate | None:
    """Return the scale of such log odds that leads over all other ones under any of the lamps; None without."""
    first = max(searches, key=_evidence, default=None)
    leader = None if first is None else first.leading
    if first is None or leader is None or leader.log_evidence < least:
        return None
    beside = leader.log_evidence - LEADING, leader, first.view.pattern
    return None if any(search.has_another(*beside) for search in searches if search is not first) else leader


def _contradicts(found: list[Candidate], best: Calibration, shot: Shot, axis: Floats) -> bool:
    """Return whether a lamp has a scale that may become as likely as an accepted solution, and does not agree with it.

    What is solved has to be likelier than chance, and gains no more than so much by being settled.
    """
    if best.solution is None:
        return True
    places = np.linspace(*best.solution.covered, 33)
    u, nm = np.interp(places, axis, shot.u), best.solution.nm(places)
    least = max(best.log_evidence - LAMP_MARGIN - SETTLING_GAIN, FORLORN)
    return any(c.log_evidence > least and np.max(np.abs(chebval(u, c.scale) - nm)) > best.fwhm_nm for c in found)


def agree(one: Calibration, other: Calibration) -> bool:
    """Return whether two solutions give the same wavelengths, to a line width, where both have lines."""
    if one.solution is None or other.solution is None:
        return False
    low = max(one.solution.covered[0], other.solution.covered[0])
    high = min(one.solution.covered[1], other.solution.covered[1])
    if low >= high:
        return False
    places = np.linspace(low, high, 33)
    return bool(np.max(np.abs(one.solution.nm(places) - other.solution.nm(places))) < one.fwhm_nm)


def held_by_few(result: Calibration, shots: list[Shot]) -> str:
    """Return what to do where the scale is sure, and only lines that hold it are wanting; else nothing."""
    only_few = all(reason.endswith(NEEDED) for reason in result.reasons) and result.log_evidence > 0.0
    doubted = any(reason in (ANOTHER_SCALE, NOT_ALL_TRIED, OTHER_LIGHT) for reason in result.reasons)
    if not only_few and (doubted or min(result.log_evidence, result.log_margin) < SURE_SCALE):
        return ""
    known = f"The lines are recognised as those of '{result.lamp}', but too few of them tell their place. "
    flat = sum(int(np.count_nonzero(shot.peaks.saturated)) for shot in shots)
    if flat:
        lines = "1 line is" if flat == 1 else f"{flat} lines are"
        return f"{known}{lines} cut off at the detector's ceiling: shorten the exposure or move the lamp away."
    if any(not np.all(shot.lines.anchor) for shot in shots):
        known += "The bands of phosphors, which differ between makes, hold no curve. "
    return f"{known}Add a file of a second lamp (neon, argon), or narrow the slit or fibre so that lines stand apart."


def spoiled_light(shot: Shot) -> str:
    """Return what to do about light that no lamp could be told from: cut off lines, hardly any lines; else nothing."""
    brightest = np.argsort(-shot.peaks.area, kind="stable")[:BRIGHTEST]
    flat = int(np.count_nonzero(shot.peaks.saturated[brightest]))
    if flat >= CUT_OFF * len(brightest):
        return (
            f"{flat} of the {len(brightest)} brightest lines are cut off at the detector's ceiling: "
            "shorten the exposure or move the lamp away."
        )
    if of_no_lines(shot.peaks, shot.scene):
        return USE_LINES
    return ""
