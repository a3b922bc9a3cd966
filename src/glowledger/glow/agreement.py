"""Do the features of a species agree with each other? Those that should show, those that come together."""

from __future__ import annotations

import numpy as np

from glowledger.glow.features import FeatureTest
from glowledger.glow.shape_match import MISSHAPEN

SHOULD_SHOW = 4.0  # a feature whose fitted light would have this significance ought to be seen
SEQUENCE_NM = 8.0
MOSTLY_OWN = 0.5
WEIGHTY_SIGMA = 10.0
AGREEING = (0.4, 2.5)  # found over fitted
ONE_ASTRAY = 5.0
HIDING = 2.0  # times the light of a feature that others have where it may go unseen (an assumption)
SIGNIFICANT = 3.0  # standard deviations
PLAIN_SIGMA, PLAIN_SHARE, MAIN_LINE = 100.0, 0.8, 0.5  # a main line is there, whatever its shape


def places(clean: list[FeatureTest]) -> int:
    """Return how many independent places clean features make.

    Bands of one sequence stand so close that one foreign line can pass for several: they make one place. So do two
    parts of one line or band: what stands beside its top is its wing or its tail.
    """
    by_name: dict[str, FeatureTest] = {}
    for test in clean:
        by_name.setdefault(test.feature.label, test)
    return len(_one_of_each_place(list(by_name.values())))


def _one_of_each_place(tests: list[FeatureTest]) -> list[FeatureTest]:
    """Return the first feature of each independent place."""
    kept: list[FeatureTest] = []
    for test in tests:
        apart = SEQUENCE_NM if test.band else 0.0
        if all(abs(test.feature.wavelength_nm - other.feature.wavelength_nm) > apart for other in kept):
            kept.append(test)
    return kept


def together(tests: list[FeatureTest]) -> tuple[float, list[FeatureTest]]:
    """Return how significant the features of a pattern are together, and which they are, strongest first.

    One of each place, where most of the light is the species' own; each counts by what it should show (weights by
    expected significance: Lipták 1958, from memory), so that a place where nothing is found speaks against the rest.
    """
    showing = [test for test in tests if test.expected_sigma > 0 and test.share >= MOSTLY_OWN]
    own = _one_of_each_place(sorted(showing, key=lambda test: -test.expected_sigma))
    expected = np.array([test.expected_sigma for test in own])
    found = np.array([test.sigma if test.centred else 0.0 for test in own])
    if not own:
        return 0.0, []
    return float(expected @ found / np.sqrt(expected @ expected)), own


def coherence(tests: list[FeatureTest]) -> float:
    """Return the part of a species' features that are as strong as fitted and stand where they should.

    Only features that ought to be significant and are mostly the species' own count, by significance up to
    a limit, so that one bright line does not decide alone.
    """
    total = agreeing = 0.0
    for test in tests:
        if test.expected_sigma > SHOULD_SHOW and test.share >= MOSTLY_OWN:
            weight = min(test.expected_sigma, WEIGHTY_SIGMA)
            total += weight
            least, most = (part * test.expected_sigma for part in AGREEING)
            as_fitted = least < test.standing_sigma < most
            # of a bright one others may take a part where it is dropped: enough that they cannot take it all
            told = test.sigma > min(least, WEIGHTY_SIGMA)
            agreeing += weight if test.centred and as_fitted and told else 0.0
    return agreeing / total if total > 0 else 1.0


def misshapen_main(tests: list[FeatureTest], best: FeatureTest) -> FeatureTest | None:
    """Return a main line that is plainly there, all but its shape, beside the best of the others.

    One that drove the detector to where it no longer counts in proportion is flat and wide, below the ceiling too where
    scans were averaged or scaled. It is not a line that is missing, nor is the best one then too strong beside it.
    """
    for test in tests:
        plain = test.sigma > PLAIN_SIGMA and test.share > PLAIN_SHARE and test.typical_part > MAIN_LINE
        misshapen = test.doubt == MISSHAPEN.format(test.feature.label)
        if plain and misshapen and test.well_centred and test is not best and not test.band:
            return test
    return None


def gone(tests: list[FeatureTest], best: FeatureTest) -> FeatureTest | None:
    """Return a band from the same upper level as the best one that ought to show as clearly and does not.

    Between levels populations are free, within one the branching is fixed: no CN 388.3 nm without its 421.6 nm.
    """
    if not best.band:
        return None
    for test in tests:
        told = test.expected_sigma > SHOULD_SHOW and test.share >= MOSTLY_OWN
        if told and test is not best and _level(test) == _level(best) and _is_gone(test):
            return test
    return None


def _is_gone(test: FeatureTest) -> bool:
    return test.sigma < AGREEING[0] * test.expected_sigma and test.sigma < test.expected_sigma - SIGNIFICANT


def _level(test: FeatureTest) -> str:
    """Return system and upper level of a band: ``CN B-X (0`` of ``CN B-X (0,1)``."""
    return test.feature.label.split(",")[0]


def missing(tests: list[FeatureTest], best: FeatureTest) -> list[FeatureTest]:
    """Return the features that should be seen beside the best one, with nothing hiding them, and are not.

    Populations are free: one missing feature may be a factor `ONE_ASTRAY` weaker than typical, several must
    not all be.
    """
    scale = best.sigma / max(best.typical_part * best.typical_sigma, 1e-12)
    absent = []
    for test in tests:
        if test is best or _hidden(test, best) or test.sigma > SIGNIFICANT:
            continue
        expected = max(test.expected_sigma, scale * test.typical_part * test.typical_sigma)
        absent.append((expected, test))
    absent.sort(key=lambda pair: -pair[0])
    if absent and absent[0][0] > ONE_ASTRAY * SHOULD_SHOW:
        return [absent[0][1]]
    if len(absent) > 1 and absent[1][0] > SHOULD_SHOW:
        return [absent[0][1], absent[1][1]]
    return []


def _hidden(test: FeatureTest, best: FeatureTest) -> bool:
    """Return whether others shine so brightly at a feature that it may be part of what was taken for theirs.

    They would have to keep half of it at least: how bright they are there their other lines tell that well.
    """
    typical_counts = best.feature.counts * test.typical_part / max(best.typical_part, 1e-12)
    return test.beside > HIDING * max(typical_counts, test.feature.counts)


def rest_of_pattern(tests: list[FeatureTest], best: FeatureTest) -> tuple[float, float]:
    """Return the other features' light over the typical one, on the scale of the best, and its standard error."""
    scale = best.sigma / max(best.typical_part * best.typical_sigma, 1e-12)
    others = [test for test in tests if test is not best and not _hidden(test, best)]
    expected = np.array([scale * test.typical_part * test.typical_sigma for test in others])
    found = np.array([test.sigma for test in others])
    information = float(expected @ expected)
    if information == 0:
        return 1.0, float("inf")
    return float(expected @ found) / information, 1.0 / float(np.sqrt(information))
