"""What uncertain signs are worth: the odds of a cause from the verdicts on all of its species."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache

from glowledger.diagnose.sightings import Sightings
from glowledger.glow.band_emitters import rough_positions
from glowledger.tables.species import listed_species

# ln of how much more often a verdict is given where a species glows than where it does not, by significance
# of the whole species; a sure 'possible' has a feature of its own. `bench_findings.py` prints the table that settled
# them ("what a verdict is worth"). NOT_SEEN is less than measured: real shares vary more than the benchmark's.
SURE_POSSIBLE_SIGMA, FAIR_POSSIBLE_SIGMA = 10.0, 5.0
PRESENT, SURE_POSSIBLE, FAIR_POSSIBLE, FAINT_POSSIBLE, NOT_SEEN = 5.5, 4.0, 2.0, 1.2, -0.5
IN_CROWD = 0.2  # part of it, per feature of its own, that is left amid the untabled lines of H2
PRIOR = -3.4  # 1 to 30 against any cause named: about as many are looked for
RARE = -4.5  # for what few chambers hold; common practice, no source
COMPANY = 0.5  # part of the weight of species that other causes bring as well
MOST_COMPANY = 2.0
LIKELY = 3.0  # 20 to 1


def weight(seen: Sightings, name: str) -> float:
    """Return what the verdict on one species adds to the ln odds of a cause that it is a sign of."""
    verdict = seen.verdict(name)
    if verdict == "present":
        value = PRESENT
    elif verdict == "possible":
        sigma = seen.species[name].significance
        value = FAINT_POSSIBLE if sigma < FAIR_POSSIBLE_SIGMA else FAIR_POSSIBLE
        if sigma >= SURE_POSSIBLE_SIGMA and seen.clean(name) and not _roughly_known(name):
            value = SURE_POSSIBLE
    else:
        return NOT_SEEN if verdict == "not seen" else 0.0
    return value * (min(IN_CROWD * (1 + seen.clean(name)), 1.0) if seen.crowded else 1.0)


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
        their share in the light varies.
    company : iterable of str
        Species that often come with it, and with other causes too.
    prior : float
        ln odds of the cause before any light is seen.

    Returns
    -------
    float
        Verdicts are taken as independent given the cause (naive Bayes).
    """
    each = [weight(seen, name) for name in signs if name in seen.species]
    found = sum(w for w in each if w > 0) + min((w for w in each if w < 0), default=0.0)
    beside = sum(max(weight(seen, name), 0.0) for name in company if name in seen.species)
    return prior + found + min(COMPANY * beside, MOST_COMPANY)
