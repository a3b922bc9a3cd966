"""What the species together say about chamber and gas: rules over the verdicts of a fit."""

from __future__ import annotations

from dataclasses import replace

from glowledger.diagnose import rules_carbon, rules_gas, rules_hint, rules_leak, rules_solid
from glowledger.diagnose.feed import Feed, feed_from_light
from glowledger.diagnose.settling import for_feed
from glowledger.diagnose.sightings import Finding, Sightings
from glowledger.glow.results import Fit, SpeciesEvidence

_ORDER = {"high": 0, "medium": 1, "low": 2, "cannot tell": 3}
BRING_OXYGEN = ("air leak", "water", "organic residue")  # where one of these is found, oxygen is no riddle
SAFE_IN_HYDROGEN = ("wrong gas", "air leak", "water")
_RULES = (
    rules_gas.wrong_gas,
    rules_leak.air_leak,
    rules_leak.water,
    rules_carbon.hydrocarbon_oil,
    rules_carbon.organic_residue,
    rules_carbon.polymer,
    rules_carbon.silicone,
    rules_carbon.fluorinated,
    rules_solid.salts,
    rules_leak.oxygen,
    rules_leak.room_light,
)


def findings(fit: Fit, feed: Feed | None = None) -> tuple[Finding, ...]:
    """Draw conclusions from the species of a fit.

    Parameters
    ----------
    fit : Fit
        The forward fit; what the window or range blocks stands in its verdicts as 'cannot tell'.
    feed : Feed, optional
        The gas as stated by the user (`parse_feed`). Left out, the brightest gases are taken for it, and no
        finding that depends on it is more than 'low' or 'medium'.

    Returns
    -------
    tuple of Finding
        Surest first; `purity`, if the feed is stated, last.
    """
    return findings_of(fit.species, feed)


def findings_of(species: tuple[SpeciesEvidence, ...], feed: Feed | None = None) -> tuple[Finding, ...]:
    """Draw conclusions from verdicts alone; see `findings`."""
    seen = Sightings(species={s.name: s for s in species}, feed=feed or feed_from_light(species))
    found = [finding for rule in _RULES if (finding := rule(seen)) is not None]
    found += rules_solid.sputtered_metal(seen)
    found += rules_gas.foreign_noble_gas(seen)
    found += rules_hint.hinted_together(seen, frozenset(f.kind for f in found))
    if any(f.kind in BRING_OXYGEN for f in found):
        found = [f for f in found if f.kind != "oxygen"]
    if any(f.kind == "wrong gas" for f in found):  # what glows instead is no leak into the stated gas
        found = [f for f in found if f.kind not in ("foreign gas", "air leak") or _not_the_other(f, seen)]
    if seen.crowded:
        found = [replace(f, confidence="low") if f.confidence in ("high", "medium") and
                 f.kind not in SAFE_IN_HYDROGEN else f for f in found]  # fmt: skip
    found = [replace(f, confirm_by=for_feed(f.confirm_by, seen)) for f in found]
    found.sort(key=lambda f: _ORDER[f.confidence])
    pure = rules_gas.purity(seen)
    return (*found, *(() if pure is None else (pure,)))


def _not_the_other(finding: Finding, seen: Sightings) -> bool:
    """Keep a leak beside a wrong gas only where nitrogen is not that gas."""
    other = feed_from_light(tuple(seen.species.values()))
    return finding.kind == "air leak" and other is not None and "N2" not in other.gases
