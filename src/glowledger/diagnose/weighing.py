"""What uncertain signs are worth: the odds of a cause from the verdicts on all of its species."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from math import e, exp, inf, log

from glowledger.diagnose.sightings import STRONG_SIGMA, Sightings
from glowledger.glow.band_emitters import rough_positions
from glowledger.glow.results import SpeciesEvidence
from glowledger.tables.species import listed_species

# ln of how much more often a verdict is given where a species glows than where it does not, rounded down;
# `bench_findings.py` prints the table that settled them ("what a verdict is worth"). NOT_SEEN is less than measured,
# because real shares vary more than the benchmark's.
PRESENT_STRONG, PRESENT, NOT_SEEN = 6.5, 5.5, -0.5
POSSIBLE_AT_ZERO, POSSIBLE_PER_SIGMA, POSSIBLE_MOST = -0.6, 0.4, 5.0
OF_ITS_OWN = 0.1  # chance below which a species shows itself
NOTHING_OF_ITS_OWN, HIDDEN_MOST = 0.5, 3.2  # part of it that is left without, and the most
# Few strong lines, well apart and all in the tables.
HARD_TO_MISTAKE = frozenset({"F I", "Si I", "Na I", "Hg I", "Zn I", "OH", "H I"})
HARD_LEAST = 4.7
ROUGHLY_KNOWN_MOST = 2.0
IN_CROWD = 0.2  # part of it, per feature of its own, that is left amid the untabled lines of H2
PRIOR = -3.4  # 1 to 30 against any cause named: about as many are looked for
RARE = -4.9  # for what few chambers hold; common practice, no source
COMPANY = 0.5  # part of the weight of species that other causes bring as well
MOST_COMPANY = 2.0
LIKELY = 3.0  # 20 to 1
SURE = 3.2  # ln: a sign that is worth so much is nearly certain by itself


def weight(seen: Sightings, name: str) -> float:
    """Return what the verdict on one species adds to the ln odds of a cause that it is a sign of."""
    verdict = seen.verdict(name)
    if verdict == "present":
        value = PRESENT_STRONG if seen.strong(name) else PRESENT
    elif verdict == "possible":
        value = _possible(seen.species[name])
    else:
        return NOT_SEEN if verdict == "not seen" else 0.0
    return value * (min(IN_CROWD * (1 + seen.clean(name)), 1.0) if seen.crowded else 1.0)


def _possible(found: SpeciesEvidence) -> float:
    """Return what a species that the fit asks for is worth, by what it shows of its own or how surely it is asked."""
    asked = max(POSSIBLE_AT_ZERO + POSSIBLE_PER_SIGMA * found.significance, 0.0)
    if found.chance > OF_ITS_OWN:
        value = min(NOTHING_OF_ITS_OWN * asked, HIDDEN_MOST)
    else:
        value = min(max(asked, most_worth(found.chance)), POSSIBLE_MOST)
    if found.name in HARD_TO_MISTAKE and found.significance >= STRONG_SIGMA:
        value = max(value, HARD_LEAST)
    return min(value, ROUGHLY_KNOWN_MOST) if _roughly_known(found.name) else value


def most_worth(chance: float) -> float:
    """Return the most that a chance (p value) can add to ln odds, -ln(-e p ln p), at least 0.

    Sellke, Bayarri & Berger, Am. Stat. 55, 62 (2001): no reasonable alternative gives more.
    """
    if chance >= exp(-1.0):
        return 0.0
    return inf if chance <= 0 else -log(-e * chance * log(chance))


@cache
def _roughly_known(name: str) -> bool:
    """Return True for a molecule whose bands the tables know by heads from memory alone."""
    return any(one.name == name and rough_positions(one) for one in listed_species())


def ln_odds(seen: Sightings, signs: Iterable[str], company: Iterable[str] = (), prior: float = PRIOR) -> float:
    """Return the ln odds of a cause.

    Parameters
    ----------
    seen : Sightings
        The verdicts.
    signs : iterable of str
        Species of which the cause shows at least one; those not seen count against it once in all, because
        their share in the light varies, and not at all beside one that is nearly certain.
    company : iterable of str
        Species that often come with it, and with other causes too.
    prior : float
        ln odds of the cause before any light is seen.

    Returns
    -------
    float
        Verdicts are taken as independent given the cause (naive Bayes).
    """
    each = {name: weight(seen, name) for name in signs if name in seen.species}
    found = sum(w for w in each.values() if w > 0)
    if not any(w >= SURE for w in each.values()):
        found += min((w for w in each.values() if w < 0), default=0.0)
    beside = sum(max(weight(seen, name), 0.0) for name in company if name in seen.species)
    return prior + found + min(COMPANY * beside, MOST_COMPANY)
