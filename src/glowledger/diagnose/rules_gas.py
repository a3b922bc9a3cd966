"""Rules for the gas itself: is it the one that was said, and how clean is its light."""

from __future__ import annotations

from glowledger.diagnose.feed import CARRIERS, GASES, elements_of, feed_from_light
from glowledger.diagnose.sightings import Confidence, Finding, Sightings
from glowledger.rounding import plus_minus

NOBLE = {"Ar I": "argon", "He I": "helium", "Ne I": "neon", "Kr I": "krypton", "Xe I": "xenon"}
GAS_TESTS = ("pump to base pressure, refill, and look again",)
GAS_ALSO = ("a leaking gas valve", "the wrong bottle on the line")
FED_LEAST = 0.05  # of the light: what a gas that is fed gives at the least (common practice, no source)
ALONE = 0.5  # another gas must make this part of the light that is seen before the bottle is blamed


def wrong_gas(seen: Sightings) -> Finding | None:
    """The stated gas does not glow, and another does."""
    if seen.feed is None or not seen.stated:
        return None
    missing = [gas for gas in seen.feed.gases if gas in CARRIERS and _absent(seen, CARRIERS[gas])]
    bright = feed_from_light(tuple(seen.species.values()))
    if bright is None or not missing:
        return None
    others = [gas for gas in bright.gases if not _covered(seen, gas)]
    carriers = tuple(n for gas in others for n in CARRIERS.get(gas, ()))
    theirs = frozenset().union(*(GASES[gas] for gas in others))
    glowing = seen.share(seen.hinted(seen.species))  # what noise gives to those not seen is no light
    if not others or seen.share(n for n in seen.present(seen.species) if elements_of(n) <= theirs) < ALONE * glowing:
        return None
    confidence: Confidence = "high" if len(missing) == len(seen.feed.gases) else "medium"
    return Finding(
        kind="wrong gas",
        text=f"The gas is not what was said: {', '.join(missing)} does not glow, {', '.join(others)} does.",
        confidence=confidence,
        evidence=seen.evidence((*carriers, *(n for gas in missing for n in CARRIERS[gas]))),
        confirm_by=(
            "check bottle, valves and gas lines; purge the line and look again",
            "record the bottle's gas alone after pumping to base pressure",
        ),
        could_also_be=(
            "a leak so large that air has replaced the gas",
            "a closed valve: the glow runs in residual gas",
        ),
    )


def _absent(seen: Sightings, carriers: tuple[str, ...]) -> bool:
    """Return True if none of a gas's carriers is seen, and at least one was looked for in vain.

    One that faint or unexplained light may hide counts as looked for where its limit is a small part of the light: a
    gas that is fed gives more.
    """
    verdicts = [seen.verdict(name) for name in carriers]
    total = sum(one.counts for one in seen.species.values() if one.share > 0)
    hidden = [name for name in carriers if seen.verdict(name) == "cannot tell"]
    faint = any(seen.species[name].upper_limit < FED_LEAST * total for name in hidden)
    return all(v in ("not seen", "cannot tell", None) for v in verdicts) and ("not seen" in verdicts or faint)


def _covered(seen: Sightings, gas: str) -> bool:
    """Return True if the stated feed can make the light of a gas."""
    return seen.feed is not None and all(seen.feed.belongs(n) for n in CARRIERS.get(gas, (gas,)))


def foreign_noble_gas(seen: Sightings) -> tuple[Finding, ...]:
    """A noble gas that was not fed; argon beside nitrogen is air and left to the leak rule."""
    if not seen.stated:
        return ()
    found = []
    for name, plain in NOBLE.items():
        if not seen.foreign((name,)) or (name == "Ar I" and seen.present(("N2", "N2+"))):
            continue
        why = {
            "He I": "a helium leak test near by, or helium of an earlier run",
            "Ar I": "argon of an earlier run, or the bottle",
        }.get(name, "the bottle, or gas of an earlier run")
        found.append(
            Finding(
                kind="foreign gas",
                text=f"{plain.capitalize()} glows although it is not in the feed: {why}.",
                confidence="medium" if seen.strong(name) else "low",
                evidence=seen.evidence((name,)),
                confirm_by=GAS_TESTS,
                could_also_be=GAS_ALSO,
            )
        )
    return tuple(found)


def purity(seen: Sightings) -> Finding | None:
    """How much of the light does not belong to the stated feed."""
    if seen.feed is None or not seen.stated:
        return None
    own = [n for n in seen.species if seen.feed.belongs(n) and seen.verdict(n) == "present"]
    if not own:
        return None
    foreign = seen.foreign(seen.species)
    unsure = [n for n in seen.species if seen.verdict(n) == "possible" and not seen.feed.belongs(n)]
    blocked = seen.blocked(("N2", "OH", "H I", "CO", "O I"))
    blocked = tuple(n for n in blocked if not seen.feed.belongs(n) and n in seen.species)
    if not foreign:
        text = f"Nothing certain glows that does not belong to the feed ({seen.feed})."
        if unsure:
            text += f" Possible: {', '.join(unsure[:6])}."
    else:
        part, error = _light_of(seen, foreign)
        text = (
            f"{plus_minus(100 * part, 100 * error, '%')} of the light does not belong to the feed ({seen.feed}): "
            f"{', '.join(foreign)}. Light is no composition: species differ in brightness by orders of "
            "magnitude, so follow its trend, not its size."
        )
    if blocked:
        text += f" Cannot tell: {', '.join(blocked)}."
    return Finding(
        kind="purity",
        text=text,
        confidence="medium" if not unsure and not blocked else "low",
        evidence=seen.evidence((*own, *foreign)),
        confirm_by=("compare with the same gas from another bottle", "a residual gas analyser"),
        could_also_be=("outgassing and leaks of the chamber rather than the bottle",),
    )


def _light_of(seen: Sightings, names: tuple[str, ...]) -> tuple[float, float]:
    """Return the part of the light of some species and its standard error (errors taken as independent)."""
    part = seen.share(names)
    total = sum(s.counts for s in seen.species.values() if s.share > 0)
    if total <= 0:
        return part, float("nan")
    variance = sum(seen.species[n].standard_error ** 2 for n in names)
    return part, variance**0.5 / total
