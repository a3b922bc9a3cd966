"""Rules for signs that are each only possible, but belong together: a finding of low confidence."""

from __future__ import annotations

from dataclasses import dataclass

from glowledger.diagnose.rules_carbon import OIL_TESTS
from glowledger.diagnose.rules_leak import LEAK_TESTS, WATER_TESTS
from glowledger.diagnose.rules_solid import SPUTTER_TESTS
from glowledger.diagnose.sightings import Finding, Sightings

LONGER = "expose longer, or average more frames, until the signs are certain or gone"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Together:
    """Signs of one cause: two of `signs`, or one of them with a present one of `company`.

    `company` counts only where `only_fed` is fed, if that names an element.
    """

    kind: str
    what: str
    signs: tuple[str, ...]
    company: tuple[str, ...]
    unless_fed: str
    confirm_by: tuple[str, ...]
    only_fed: str = ""


_CAUSES = (
    _Together(kind="air leak", what="an air leak", signs=("N2", "N2+"), company=("NO",), unless_fed="N",
              confirm_by=LEAK_TESTS),
    _Together(kind="hydrocarbon oil", what="oil or raw hydrocarbon", signs=("CH", "C2"), company=(),
              unless_fed="C", confirm_by=OIL_TESTS),
    _Together(kind="organic residue", what="organic residue", signs=("CO", "CN"), company=("OH", "H I"),
              unless_fed="C", only_fed="O", confirm_by=OIL_TESTS),
    _Together(kind="sodium", what="salt of a fingerprint", signs=("Na I", "K I"), company=(), unless_fed="Na",
              confirm_by=("wait: a fingerprint's flashes die out in minutes",)),
    _Together(kind="sputtered metal", what="sputtered stainless steel", signs=("Cr I", "Fe I", "Ni I"),
              company=(), unless_fed="Fe", confirm_by=SPUTTER_TESTS),
    _Together(kind="sputtered metal", what="sputtered brass", signs=("Cu I", "Zn I"), company=(),
              unless_fed="Cu", confirm_by=SPUTTER_TESTS),
    _Together(kind="water", what="water", signs=("OH", "H I"), company=(), unless_fed="H",
              confirm_by=WATER_TESTS),
)  # fmt: skip
ORGANIC = frozenset({"hydrocarbon oil", "organic residue"})  # these have OH and hydrogen as well


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
        Of low confidence.
    """
    found: list[Finding] = []
    for cause in _CAUSES:
        kinds = already | {f.kind for f in found}
        signs, company = seen.hinted(cause.signs), seen.foreign(cause.company)
        if cause.only_fed and not seen.feeds(cause.only_fed):
            company = ()
        uncertain = len(signs) > len(seen.present(signs))
        if cause.kind in already or seen.feeds(cause.unless_fed) or (cause.kind == "water" and kinds & ORGANIC):
            continue
        if not uncertain or len(signs) + bool(company) < 2:
            continue
        names = (*signs, *company)
        found.append(
            Finding(
                kind=cause.kind,
                text=f"Possibly {cause.what}: {' and '.join(names)}, not all certain, belong together.",
                confidence="low",
                evidence=seen.evidence(names),
                confirm_by=(LONGER, *cause.confirm_by),
                could_also_be=("light of other species in the same places",),
            )
        )
    return tuple(found)
