"""From evidence to one of four words, each with its reason."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from glowledger.glow.agreement import (
    SEQUENCE_NM,
    WEIGHTY_SIGMA,
    coherence,
    gone,
    misshapen_main,
    missing,
    places,
    rest_of_pattern,
    together,
)
from glowledger.glow.case import Case
from glowledger.glow.features import OWN_SHARE, FeatureTest
from glowledger.glow.phosphor import PHOSPHOR
from glowledger.glow.reach import Reach
from glowledger.glow.results import Feature, SpeciesEvidence, Verdict
from glowledger.glow.significance import POSSIBLE_SIGMA, significance_needed

OUT_OF_RANGE = "none of its lines or bands lies in the measured range"
PRESENT_SIGMA = 5.0  # of the whole species
LONE_SURE_SIGMA = 20.0
# below two pixels to a FWHM places and shapes of lines are ambiguous (sampling theorem), and one line proves little
SAMPLED = 2.0
UNSAMPLED_SIGMA = 20.0
COARSE_NM = 5.0  # FWHM above which neighbours are one: magnesium at 383 and CN at 388, silver at 338 and N2 at 337 nm
LONE_SIGMA = 8.0  # of the only feature, when a species can show just one
LONE_SHARE = 0.5  # of the light there must be its own, others counted as fitted or as usual, whichever is more
COHERENT = 0.5
FEWEST_TOGETHER = 3  # places of features that together show a species which none shows by itself
VERY_COHERENT, MANY_CLEAN = 0.8, 4  # what it takes to believe a species fainter than the unexplained light
CERTAIN_SIGMA = 20.0
CERTAIN_LINE_SIGMA, CERTAIN_SHARE = 100.0, 0.8  # a main line this strong and free of others stands for its atom
MUCH_LIGHT = 0.2  # of all line light: no accident
MOST_LIGHT = 0.4
TYPICAL_MAIN = 0.5
MOSTLY_UNEXPLAINED = 0.3  # of the light: then lines are not even where they are looked for
MOSTLY_UNSURE = 0.5  # likewise, that only species which may not be there explain
REST_ASTRAY = 0.4  # of the typical light in all other features: one line alone may be anything
SAME_EVIDENCE = 0.8  # of the significance of the best top of a sequence: the brightest of them stands for it
TYPICAL_PART = 0.10  # a feature below this part of the strongest in the typical pattern cannot stand alone
TYPICAL_PAIR = 0.03  # two of them may be fainter
# an ion takes more energy than its neutral, which then glows as well: without it a line is more likely another's
NEUTRALS = {
    "N2+": ("N2",), "N II": ("N I", "N2"), "O II": ("O I",), "O2+": ("O I",), "Ar II": ("Ar I",), "CO+": ("CO",),
    "CO2+": ("CO", "CO+"), "C II": ("C I", "CO", "CH", "C2", "CN"), "Ca II": ("Ca I",), "Mg II": ("Mg I",),
}  # fmt: skip
# Metastable helium, 19.8 eV, makes these shine straight from the neutral in its ground state, which need not glow
# (Penning ionisation: Schmeltekopf, Ferguson & Fehsenfeld, J. Chem. Phys. 48, 2966 (1968), from memory)
LIT_BY_HELIUM = frozenset({"N2+", "CO+", "CO2+"})
# a glow breaks these up, and the parts shine brighter than the whole
PARTS = {"H2": "H I", "He2": "He I", "phosphor": "Hg I"}
UNMISTAKABLE = 1e-20  # chance
CHANCE_BESIDE_BLOCKED = 1e-3  # what shows itself in the part that is open is not 'cannot tell'
CHANCE_BESIDE_BAD = 1e-3  # where the fit is bad, what is hardly rarer than misfit is no sign of anything
CHANCE_OF_PAIR = 1e-9  # two features that misfit so rarely makes stand against any amount of it elsewhere
CHANCE_ALLOWED = 2e-5  # for one species: 0.1 % over the some fifty that are asked for, and a margin for crowded spectra
MOST_FEATURES = 12
ENTANGLED = 5.0  # standard error over what it would be alone
FAINT_SHARE = 0.10  # a detection limit above this part of all light tells nothing useful
LITTLE_SHARE = 0.01  # of the line light: what is less may be called not seen though its interval leaves zero out
ONE_SIDED_95 = 1.6448536269514722  # normal quantile
CURRIE = 2 * ONE_SIDED_95  # detection limit over standard error: Currie, Anal. Chem. 40, 586 (1968)


def in_percent(part: float) -> str:
    """Return a part of the whole in per cent with two digits."""
    return f"{100 * part:.0f} %" if part >= 0.0995 else f"{100 * part:.2g} %"


def judge_all(cases: list[Case]) -> list[SpeciesEvidence]:
    """Return the verdicts on all species, in the order of the cases; what is not seen is named as hiding no other."""
    needed = significance_needed(np.array([c.drop.significance for c in cases if c.drop is not None]))
    first = [judge(case, needed) for case in cases]
    unseen = frozenset(one.name for one in first if one.verdict == "not seen")
    unsure = [
        case for case, one in zip(cases, first, strict=True)
        if one.verdict in ("possible", "cannot tell") and case.drop and case.drop.significance > PRESENT_SIGMA
    ]  # fmt: skip
    last = []
    for case in cases:  # what breaks up into a species goes with it
        doubtful = sum(one.share for one in unsure if PARTS.get(one.name) != case.name and one is not case)
        last.append(judge(replace(case, unseen=unseen, unsure=doubtful), needed))
    return beside_companions(cases, last)


def judge(case: Case, needed: float) -> SpeciesEvidence:
    """Return the verdict on one species.

    Parameters
    ----------
    case : Case
        The evidence.
    needed : float
        From `significance_needed`.

    Returns
    -------
    SpeciesEvidence
    """
    if case.drop is None or case.reach is None:
        return _evidence(case, "cannot tell", case.blocked or OUT_OF_RANGE)
    if case.drop.significance >= needed:
        verdict, reason = _phosphor(case) if case.name == PHOSPHOR else _seen(case)
        shows_itself = not case.blocked or case.chance < CHANCE_BESIDE_BLOCKED
        if verdict == "present" or (verdict == "possible" and shows_itself):
            return _evidence(case, verdict, reason)
        if verdict == "not seen":  # no limit holds for what the fit asks for
            verdict, reason = "cannot tell", "the fit asks for it, but no line or band of it can be told apart"
        if verdict == "cannot tell" and not case.blocked:
            return _evidence(case, verdict, reason)
    if case.blocked:
        return _evidence(case, "cannot tell", case.blocked)
    return _evidence(case, *_unseen(case))


def _seen(case: Case) -> tuple[Verdict, str]:
    """Decide between present and possible for a species the fit wants."""
    clean = [test for test in case.tests if test.feature.clean]
    sigma = case.drop.significance if case.drop else 0.0
    if max((test.sigma for test in case.tests), default=0.0) < POSSIBLE_SIGMA:
        return _seen_together(case)
    if not clean:  # the fit may ask for anything under what it cannot tell apart
        murky = [test for test in case.tests if test.murky]
        return ("possible" if places(murky) > 1 else "cannot tell"), _why_not_clean(case, murky)
    best = _best(clean)
    if case.positions_uncertain:
        return "possible", f"{best.feature.label} is seen, but positions of its bands are only roughly known"
    unexplained = max(case.unexplained, case.unexplained_anywhere)
    many = places(clean) >= MANY_CLEAN and coherence(case.tests) >= COHERENT
    beyond_doubt = case.chance < UNMISTAKABLE and (case.share > unexplained or many)
    if case.fit_failed and case.share < MOST_LIGHT and not beyond_doubt:
        # a misshapen neighbour or an unlisted line is then the better guess
        faint = case.share < unexplained or sigma < PRESENT_SIGMA or case.chance > CHANCE_BESIDE_BAD
        reason = f"the fit as a whole is bad, so that {best.feature.label} may be anything"
        return ("cannot tell" if faint else "possible"), reason
    if sigma < PRESENT_SIGMA:
        return "possible", f"faint: {sigma:.1f} standard deviations, {best.feature.label} at best"
    most = case.share > MOST_LIGHT and sigma > WEIGHTY_SIGMA
    main = most or (case.share > MUCH_LIGHT and sigma > CERTAIN_SIGMA)
    if case.chance > CHANCE_ALLOWED and not main:
        return "possible", f"light that fits nothing listed could look like {best.feature.label} here by chance"
    coherent = coherence(case.tests)
    if coherent < COHERENT and not main and not (case.blended and sigma > CERTAIN_SIGMA):
        part = f"only {100 * coherent:.0f} % of its lines or bands agree"
        part = part if coherent >= 0.005 else "no other line or band of it agrees"
        return "possible", f"{best.feature.label} is seen, but {part} with it"
    pair = places(clean) >= 2 and case.chance < CHANCE_OF_PAIR
    if case.share < unexplained and not pair and (len(clean) < MANY_CLEAN or coherent < VERY_COHERENT):
        part = f"{in_percent(unexplained)} of the light fits nothing listed"
        return "possible", f"{part}; {best.feature.label} may be part of that"
    if case.unsure > max(MOSTLY_UNSURE, case.share) and not pair:
        part = f"{in_percent(case.unsure)} of the light went to species that may not be there"
        return "possible", f"{part}; {best.feature.label} may be light of the same origin"
    return _by_features(case, clean, best, main)


def _by_features(case: Case, clean: list[FeatureTest], best: FeatureTest, main: bool) -> tuple[Verdict, str]:
    """Decide by which of its lines and bands are seen and which are not; `main` where it makes much of the light."""
    if places(clean) >= 2 and max(test.typical_part for test in clean) >= TYPICAL_PAIR:
        names, one = _strongest(clean)
        return "present", f"{names} stand{'s' if one else ''} out by {'itself' if one else 'themselves'}"
    main_line = misshapen_main(case.tests, best)
    if main_line and best.sigma > LONE_SIGMA and best.share > LONE_SHARE and best.well_centred:
        blunt = f"{main_line.feature.label} too, though it has not the shape of a line: cut off or overexposed?"
        return "present", f"{best.feature.label} stands out by itself; {blunt}"
    absent = gone(case.tests, best)
    if absent and not main:
        return "possible", f"{best.feature.label} is seen, but not {absent.feature.label}, which comes with it"
    lacking = missing(case.tests, best)
    certain = best.typical_part >= TYPICAL_MAIN and (
        best.sigma >= CERTAIN_SIGMA if best.band else best.sigma >= CERTAIN_LINE_SIGMA and best.share >= CERTAIN_SHARE
    )
    if lacking and not certain:
        return "possible", f"{best.feature.label} is seen, but not {lacking[0].feature.label}"
    rest, rest_error = rest_of_pattern(case.tests, best)
    if rest + 2 * rest_error < REST_ASTRAY and not (certain or main or best.band):
        return "possible", f"{best.feature.label} is seen, but the rest only at {rest:.1f} times its usual strength"
    return _alone(case, best)


def _seen_together(case: Case) -> tuple[Verdict, str]:
    """Decide on a species that no feature shows by itself, among the unlisted lines of another as a rule."""
    sigma, tests = together(case.tests)
    whole = case.drop.significance if case.drop else 0.0
    if sigma < POSSIBLE_SIGMA or whole < PRESENT_SIGMA or len(tests) < FEWEST_TOGETHER:
        return "not seen", ""
    names = " and ".join(test.feature.label for test in tests[:2])
    return "possible", f"{names} and others are seen together, though none of them by itself"


def _phosphor(case: Case) -> tuple[Verdict, str]:
    """Decide on bands that have no place of their own to a tenth of a line width."""
    if case.drop is None or case.drop.significance < PRESENT_SIGMA:
        return "cannot tell", "light where the phosphor of a fluorescent lamp has bands, too faint to tell"
    return "possible", "wide bands stand where the phosphor of a fluorescent lamp has them"


def _best(clean: list[FeatureTest]) -> FeatureTest:
    """Return the most significant feature; of a band, whose tops hold the same pixels, the brightest top."""
    most = max(clean, key=lambda test: test.sigma)
    if not most.band:
        return most
    same = [
        test for test in clean
        if test.sigma > SAME_EVIDENCE * most.sigma and test.share >= min(most.share, LONE_SHARE)
        and abs(test.feature.wavelength_nm - most.feature.wavelength_nm) < SEQUENCE_NM
    ]  # fmt: skip
    return max(same, key=lambda test: test.typical_part)


def _alone(case: Case, best: FeatureTest) -> tuple[Verdict, str]:
    """Return verdict and reason where one feature alone stands out."""
    if best.typical_part < TYPICAL_PART:
        return "possible", f"only {best.feature.label} is seen, which should not be its strongest"
    if best.sigma < LONE_SIGMA or (best.share < LONE_SHARE and best.sigma < LONE_SURE_SIGMA):
        return "possible", f"only {best.feature.label} is seen, at {best.sigma:.1f} standard deviations"
    if not best.well_centred:
        return "possible", f"only {best.feature.label} is seen, {abs(best.off_centre_nm):.2g} nm off its place"
    if case.pixels_per_line < SAMPLED and best.sigma < UNSAMPLED_SIGMA:
        return "possible", f"only {best.feature.label} is seen, and so few pixels to a line hardly tell its place"
    if case.fwhm_nm > COARSE_NM:
        wide = f"lines {case.fwhm_nm:.0f} nm wide hide its neighbours"
        return "possible", f"only {best.feature.label} is seen, and {wide}"
    return "present", f"{best.feature.label} stands out by itself, the only one free of other light here"


def beside_companions(cases: list[Case], verdicts: list[SpeciesEvidence]) -> list[SpeciesEvidence]:
    """Return the verdicts as those on companions allow.

    Parameters
    ----------
    cases, verdicts : list of Case and of SpeciesEvidence
        One per species, in the same order.

    Returns
    -------
    list of SpeciesEvidence
        An ion is `present` only where its neutral is seen or cannot be told, where helium lights it, or where its
        own pattern is unmistakable. A species known by a few heads only cannot be told absent where its neutral
        glows, and a molecule that a glow breaks up is not seen without its atoms.
    """
    words = {one.name: one.verdict for one in verdicts}
    held = []
    for case, one in zip(cases, verdicts, strict=True):
        neutrals = {name: words[name] for name in NEUTRALS.get(one.name, ()) if name in words}
        alone = bool(neutrals) and all(word == "not seen" for word in neutrals.values())
        alone = alone and not (one.name in LIT_BY_HELIUM and words.get("He I") == "present")
        if one.verdict == "present" and alone and not _unmistakable(case):
            reason = f"its light is seen, but no {' and '.join(neutrals)}, which it comes from"
            one = replace(one, verdict="possible", reason=reason)
        if one.verdict in ("present", "possible") and words.get(PARTS.get(one.name, "")) == "not seen":
            reason = f"what fits it comes without {PARTS[one.name]}, which such a glow always shows"
            one = replace(one, verdict="cannot tell", reason=reason, features=())
        if one.verdict == "not seen" and case.positions_uncertain and "present" in neutrals.values():
            reason = f"its bands are only roughly known and may lie under those of {' and '.join(neutrals)}"
            one = replace(one, verdict="cannot tell", reason=reason)
        held.append(one)
    return held


def _unmistakable(case: Case) -> bool:
    clean = [test for test in case.tests if test.feature.clean]
    return case.chance < UNMISTAKABLE and places(clean) >= 2 and coherence(case.tests) >= VERY_COHERENT


def _strongest(tests: list[FeatureTest]) -> tuple[str, bool]:
    """Return the names of the two strongest features, and whether that is one name: two tops of a band may share it."""
    names = list(dict.fromkeys(test.feature.label for test in sorted(tests, key=lambda t: -t.sigma)[:2]))
    return " and ".join(names), len(names) == 1


def _why_not_clean(case: Case, murky: list[FeatureTest]) -> str:
    """Return why no feature of a species counts as its own."""
    if murky:
        return f"{_strongest(murky)[0]} may be what no table lists of another species"
    top = max(case.tests, key=lambda test: test.sigma)
    if top.doubt:
        return top.doubt
    if not top.centred and top.share >= OWN_SHARE:
        return f"the light near {top.feature.label} stands {abs(top.off_centre_nm):.2g} nm off its place"
    rivals = _rivals(case)
    return f"its light lies under that of {rivals}" if rivals else "no line or band of it stands out by itself"


def entangled(reach: Reach) -> bool:
    """Return True if other light makes a species much harder to measure than it would be alone."""
    return reach.standard_error > ENTANGLED * reach.alone_error


def _unseen(case: Case) -> tuple[Verdict, str]:
    """Decide between not seen and cannot tell for a species the fit does not want."""
    reach = case.reach
    if reach is None:
        return "cannot tell", OUT_OF_RANGE
    limit = CURRIE * reach.standard_error
    if limit > FAINT_SHARE * case.total_counts:
        if entangled(reach):
            return "cannot tell", f"at this resolution it cannot be told from {_rivals(case) or 'other light'}"
        return "cannot tell", "too little light or too much noise: even a strong share would go unseen"
    if case.unexplained_anywhere > MOSTLY_UNEXPLAINED:
        part = in_percent(case.unexplained_anywhere)
        return "cannot tell", f"{part} of the light fits nothing listed: the wavelength axis may be far off"
    hiding = max(case.unexplained, case.left)
    if max(reach.counts, 0.0) + ONE_SIDED_95 * reach.standard_error < hiding * case.total_counts:
        part = in_percent(hiding)
        return "cannot tell", f"{part} of the light fits nothing listed, stands where it would and could hide it"
    if case.total_counts > 0:
        most = (max(reach.counts, 0.0) + ONE_SIDED_95 * reach.standard_error) / case.total_counts
        if reach.counts > ONE_SIDED_95 * reach.standard_error and most > LITTLE_SHARE:
            part = in_percent(reach.counts / case.total_counts)
            return "cannot tell", f"the fit gives it {part} of the line light, but others explain that nearly as well"
        return "not seen", f"less than {in_percent(most)} of the line light (95 % limit)"
    return "not seen", "no light of it"


def _rivals(case: Case) -> str:
    names = [name for test in case.tests for name in test.feature.overlaps if name not in case.unseen]
    return ", ".join(list(dict.fromkeys(names))[:3])


def _evidence(case: Case, verdict: Verdict, reason: str) -> SpeciesEvidence:
    nan = float("nan")
    told = case.reach is not None and (not case.blocked or verdict in ("present", "possible"))
    counts = case.reach.counts if case.reach and told else nan
    error = case.reach.standard_error if case.reach and told else nan
    return SpeciesEvidence(
        name=case.name,
        verdict=verdict,
        significance=case.drop.significance if case.drop and told else 0.0,
        share=case.share if told else nan,
        counts=counts,
        standard_error=error,
        upper_limit=counts + ONE_SIDED_95 * error,
        detection_limit=CURRIE * error,
        features=_listed(case.tests) if verdict in ("present", "possible") else (),
        reason=reason,
        chance=case.chance if told else 1.0,
    )


def _listed(tests: list[FeatureTest]) -> tuple[Feature, ...]:
    """Return the features to report: those that carry fitted light, strongest first."""
    return tuple(test.feature for test in tests if test.expected_sigma > 0)[:MOST_FEATURES]
