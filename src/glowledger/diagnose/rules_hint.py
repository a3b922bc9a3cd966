"""Rules for signs that are each only possible: weighed together, they may still speak for a cause."""

from __future__ import annotations

from dataclasses import dataclass

from glowledger.diagnose.rules_carbon import (
    FLUORINE_ALSO,
    FLUORINE_TESTS,
    OIL_ALSO,
    RESIDUE_ALSO,
    SILICONE_ALSO,
    SILICONE_TESTS,
)
from glowledger.diagnose.rules_gas import GAS_ALSO, GAS_TESTS, NOBLE
from glowledger.diagnose.rules_leak import LAMP_ALSO, LAMP_TESTS, LEAK_ALSO, SILICON
from glowledger.diagnose.rules_solid import ALLOYS, SALT_ALSO, SALT_TESTS, SPUTTER_ALSO, SPUTTER_TESTS
from glowledger.diagnose.settling import LEAK_TESTS, OIL_TESTS, WATER_TESTS
from glowledger.diagnose.sightings import STRONG_SIGMA, Confidence, Finding, Sightings
from glowledger.diagnose.weighing import LIKELY, PRIOR, RARE, SURE, ln_odds, weight

LONGER = "expose longer, or average more frames, until the signs are certain or gone"
FINER = "look with a finer spectrometer or narrower slit: at this resolution other light lies in the same places"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Cause:
    """What may show in `signs`, with `company` beside them, unless an element of it is fed.

    `company` counts only where `only_fed` is fed, if that names an element; `needs` must be among the signs.
    `imitators` have light beside that of the species they stand with, nearer than a cheap spectrometer resolves: it
    counts for nothing where one of them may glow or is made by the feed, and all that is seen of it lies within the
    range. A sign in `only_with` takes more energy than the species it stands with, or is made by them: without any of
    these it counts for nothing either. Where any of `not_beside` may glow, the signs are another cause's.
    """

    kind: str
    what: str
    signs: tuple[str, ...]
    unless_fed: str
    confirm_by: tuple[str, ...]
    also: tuple[str, ...]
    company: tuple[str, ...] = ()
    only_fed: str = ""
    needs: str = ""
    imitators: tuple[tuple[str, tuple[str, ...], tuple[float, float]], ...] = ()
    only_with: tuple[tuple[str, tuple[str, ...]], ...] = ()
    not_beside: tuple[str, ...] = ()
    prior: float = PRIOR


ANYWHERE = (0.0, 1e4)
UNDER_BANDS = (
    ("Cr I", ("N2", "N2+"), ANYWHERE),  # Cr 357.9 and 427.5 nm, N2 357.7 and N2+ 427.8 nm
    ("Mg I", ("C2",), ANYWHERE),  # Mg 516.7 to 518.4 nm under the head of C2 at 516.5 nm
    # Al 308.2 and 309.3 nm amid OH, which comes with hydrogen: 396.15 must be seen as well
    ("Al I", ("OH", "H I"), (306.0, 311.0)),
)

_CAUSES = (
    _Cause(kind="air leak", what="an air leak", signs=("N2", "N2+"), company=("NO", "N I"), unless_fed="N",
           imitators=(("N2+", (*SILICON, "CO+", "CO2+"), ANYWHERE),), only_with=(("N2+", ("N2", "He I")),),
           confirm_by=LEAK_TESTS, also=LEAK_ALSO),
    _Cause(kind="hydrocarbon oil", what="oil or raw hydrocarbon", signs=("CH", "C2"), company=("H I", "CN"),
           unless_fed="C", confirm_by=OIL_TESTS, also=OIL_ALSO),
    _Cause(kind="organic residue", what="organic residue", signs=("CO", "CN"), company=("OH", "H I"),
           unless_fed="C", only_fed="O", confirm_by=OIL_TESTS, also=RESIDUE_ALSO),
    _Cause(kind="sodium", what="salt of a fingerprint, or glass", signs=("Na I", "K I"), needs="Na I",
           imitators=(("Na I", ("He I",), ANYWHERE),), unless_fed="Na", confirm_by=SALT_TESTS, also=SALT_ALSO),
    _Cause(kind="silicone", what="silicone, or sputtered glass", signs=SILICON, company=("CH", "C2"),
           unless_fed="Si", confirm_by=SILICONE_TESTS, also=SILICONE_ALSO),
    _Cause(kind="fluorinated oil or polymer", what="fluorinated oil or polymer", signs=("F I", "CF2"), unless_fed="F",
           confirm_by=FLUORINE_TESTS, also=FLUORINE_ALSO),
    *(_Cause(kind="sputtered metal", what=f"sputtered {metal}", signs=signs, unless_fed=signs[0].split()[0],
             imitators=UNDER_BANDS, confirm_by=SPUTTER_TESTS, also=SPUTTER_ALSO, prior=prior)
      for metal, signs, _, prior in ALLOYS),
    _Cause(kind="room light", what="light of a fluorescent lamp", signs=("Hg I",), unless_fed="Hg",
           confirm_by=LAMP_TESTS, also=LAMP_ALSO),
    *(_Cause(kind="foreign gas", what=gas, signs=(sign,), unless_fed=sign.split()[0], confirm_by=GAS_TESTS,
             also=GAS_ALSO, not_beside=("N2", "N2+") if sign == "Ar I" else ())  # argon beside nitrogen is air
      for sign, gas in NOBLE.items()),
    _Cause(kind="water", what="water", signs=("OH", "H I"), unless_fed="H", confirm_by=WATER_TESTS,
           also=("hydrogen leaving hot metal, for the hydrogen",)),
)  # fmt: skip
ORGANIC = frozenset({"hydrocarbon oil", "organic residue"})  # these have OH and hydrogen as well
MOST_NAMED = 4
LONE_ODDS = 1.1  # ln: three to one, where one sign that is only possible is all there is; `bench_findings.py`
RARE_CHANCE = 1e-2  # what few chambers hold is not claimed on what unlisted light shows so often


def hinted_together(seen: Sightings, already: frozenset[str]) -> tuple[Finding, ...]:
    """Find causes whose signs are only possible one by one.

    Parameters
    ----------
    seen : Sightings
        The verdicts.
    already : frozenset of str
        Kinds found by the other rules; they are not found again.

    Returns
    -------
    tuple of Finding
        ``low`` where the cause is likelier than not, ``medium`` where two signs leave 20 to 1 for it.
    """
    found: list[Finding] = []
    for cause in _CAUSES:
        kinds = already | {f.kind for f in found}
        if cause.kind in already or seen.feeds(cause.unless_fed) or (cause.kind == "water" and kinds & ORGANIC):
            continue
        if cause.kind == "foreign gas" and not seen.stated:
            continue
        if seen.hinted(cause.not_beside):
            continue
        made = _weighed(cause, seen)
        if made is not None:
            found.append(made)
    return tuple(found)


def _weighed(cause: _Cause, seen: Sightings) -> Finding | None:
    """Weigh one cause; None where it is not likelier than not."""
    imitated = {name for name, others, where in cause.imitators if _imitated(seen, name, others, where)}
    imitated |= {name for name, others in cause.only_with if not seen.hinted(others)}
    if cause.prior <= RARE:
        imitated |= {n for n in seen.hinted(cause.signs) if seen.verdict(n) == "possible" and _by_chance(seen, n)}
    signs = tuple(n for n in seen.hinted(cause.signs) if n not in imitated)
    if not signs:
        return None
    company = cause.company if not cause.only_fed or seen.feeds(cause.only_fed) else ()
    company = tuple(n for n in company if seen.feed is None or not seen.feed.belongs(n))
    odds = ln_odds(seen, [n for n in cause.signs if n not in imitated], company, cause.prior)
    if cause.needs and cause.needs not in signs:
        return None
    beside = seen.hinted(company)
    # a hunt for a leak that is not there costs more than a longer exposure
    least = LONE_ODDS if len(signs) == 1 and not beside and cause.prior > RARE else 0.0
    if len(signs) == len(seen.present(signs)) or odds <= least:  # what is certain is the other rules' business
        return None
    sure = sum(weight(seen, n) >= SURE and seen.species[n].significance >= STRONG_SIGMA for n in signs)
    confidence: Confidence = "medium" if odds > LIKELY and sure >= 2 and not seen.crowded and seen.stated else "low"
    names = (*signs, *beside)
    belong = ", not certain one by one, belong together" if len(names) > 1 else " is likely there, but not certain"
    return Finding(
        kind=cause.kind,
        text=f"Possibly {cause.what}: {' and '.join(names)}{belong} ({seen.species[signs[0]].reason.rstrip('.')}).",
        confidence=confidence,
        evidence=seen.evidence(names),
        confirm_by=(LONGER, FINER, *cause.confirm_by),
        could_also_be=(_in_the_same_places(seen, signs), *cause.also),
    )


def _imitated(seen: Sightings, name: str, others: tuple[str, ...], where: tuple[float, float]) -> bool:
    """Return True if light of others may pass for all that is seen of a species by itself."""
    if not seen.hinted(others) and not any(seen.feed is not None and seen.feed.belongs(other) for other in others):
        return False
    found = seen.species.get(name)
    own = () if found is None else tuple(f.wavelength_nm for f in found.features if f.clean)
    return all(where[0] < nm < where[1] for nm in own)


def _by_chance(seen: Sightings, name: str) -> bool:
    """Return True if unlisted light would look like a species in one of a hundred spectra."""
    return seen.species[name].chance > RARE_CHANCE


def _in_the_same_places(seen: Sightings, signs: tuple[str, ...]) -> str:
    """Say whose light lies where that of the signs does."""
    others = [name for sign in signs for feature in seen.species[sign].features for name in feature.overlaps]
    named = [name for name in dict.fromkeys(others) if name not in signs][:MOST_NAMED]
    return f"light of {' or '.join(named)} in the same places" if named else "lines that no table here lists"
