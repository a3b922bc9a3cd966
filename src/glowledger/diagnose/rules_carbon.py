"""Rules for what is on the walls or comes from the pump: oil, silicone, fluorinated fluid, residue."""

from __future__ import annotations

from glowledger.diagnose.rules_leak import SILICON
from glowledger.diagnose.settling import OIL_TESTS
from glowledger.diagnose.sightings import Confidence, Finding, Sightings

RAW = ("CH", "C2")  # carbon that still carries hydrogen, or clusters: not yet burnt
BURNT = ("CO", "CO+", "CO2+")
HEAVY_SHARE = 0.30  # products brighter than this part of all light: more than a film

OIL_ALSO = (
    "residue on the part itself (solvent, fingerprint, polymer)",
    "an O-ring or cable in the glow",
    "carbon of a graphite electrode",
)
SILICONE_ALSO = ("sputtered glass, quartz or a silicon wafer", "CO2+ at 288.3 and 289.6 nm")
FLUORINE_ALSO = ("fluorides left by an earlier fluorine process",)
RESIDUE_ALSO = (
    "oil coming from the pump (does not fall)",
    "carbon dioxide or monoxide in the feed gas",
    "carbon of steel or graphite parts",
)

SILICONE_TESTS = (
    "look for glassy film on the window (ultraviolet lost for good)",
    "look for silicone grease, sealant or diffusion-pump fluid",
    "shield glass from the glow and watch whether silicon goes",
)
FLUORINE_TESTS = (
    "look for PTFE or FKM parts in the glow, once the chamber is pumped out and aired",
    "close the valve to the pump for a moment: fluid of the pump falls",
)


def hydrocarbon_oil(seen: Sightings) -> Finding | None:
    """CH or C2 where no carbon is fed."""
    if seen.feeds("C"):
        return None
    raw = seen.present(RAW)
    if not raw:
        return None
    hydrogen = () if seen.feeds("H") else seen.present(("H I",))
    others = seen.present((*BURNT, "CN"))
    confidence: Confidence = "low"
    if len(raw) == 2 or (hydrogen and others):
        confidence = "high" if any(map(seen.strong, raw)) else "medium"
    elif hydrogen or others or seen.strong(raw[0]):
        confidence = "medium"
    carbon_only = raw == ("C2",) and not hydrogen and not seen.hinted(("CH",))
    text = f"Hydrocarbon: {' and '.join(raw)} glow{'s' if len(raw) == 1 else ''} although "
    text += f"{seen.unless_fed('no carbon is fed')}. Pump oil, grease, or a raw organic film."
    if carbon_only:
        text = "Carbon (C2) glows without hydrogen: graphite or soot rather than oil."
    return Finding(
        kind="hydrocarbon oil",
        text=text,
        confidence="low" if carbon_only else confidence,
        evidence=seen.evidence((*raw, *hydrogen, *others)),
        confirm_by=OIL_TESTS,
        could_also_be=OIL_ALSO,
    )


def organic_residue(seen: Sightings) -> Finding | None:
    """Burnt carbon (CO), with OH and H: organic matter is coming off."""
    if seen.feeds("C"):
        return None
    burnt, cyanogen = seen.present(BURNT), seen.present(("CN",))
    if not burnt and not cyanogen:
        return None
    ion_alone = bool(burnt) and "CO" not in burnt and seen.verdict("CO") == "not seen"  # 16.5 eV and more above CO
    if ion_alone and not cyanogen and not seen.present(RAW):
        return None
    with_hydrogen = () if seen.feeds("H") else seen.present(("OH", "H I"))
    carbon = (*burnt, *cyanogen, *seen.present(RAW))
    surest = any(map(seen.strong, (*burnt, *cyanogen)))
    confidence: Confidence = "medium" if surest or len(carbon) > 1 else "low"
    if burnt and with_hydrogen and surest:
        confidence = "high"
    if seen.feeds("O"):
        text = f"Organic matter is being burnt off: {', '.join((*carbon, *with_hydrogen))} glow."
    elif burnt:
        named, walls = ", ".join(burnt), "gas from the walls, or organic matter with water or a leak."
        text = f"Carbon oxides ({named}) glow although no oxygen is fed: {walls}"
        if not seen.stated:
            text = f"Carbon oxides ({named}) glow: if oxygen or air is fed (say so with --feed), organic matter that "
            text += f"is being burnt off; else {walls}"
        confidence = "medium" if confidence == "high" else confidence
    else:
        text = "Carbon with nitrogen (CN) glows: organic matter, oil or graphite in a plasma with nitrogen."
        if not seen.feeds("N") and not seen.hinted(("N2", "N2+")):  # where would its nitrogen come from?
            text = "CN seems to glow, but no nitrogen does: rather lines of another species near 388 nm."
            confidence = "low"
    return Finding(
        kind="organic residue",
        text=text,
        confidence=confidence,
        evidence=seen.evidence((*carbon, *with_hydrogen)),
        confirm_by=(
            "follow it in time: residue falls to a floor (see the track command)",
            "compare with a blank run of the empty, clean chamber",
            OIL_TESTS[0],
        ),
        could_also_be=(
            *RESIDUE_ALSO,
            *(("water, for the OH and hydrogen",) if with_hydrogen else ()),
        ),
    )


def polymer(seen: Sightings) -> Finding | None:
    """So much burnt carbon that it is more than a film."""
    products = seen.present((*BURNT, "OH", "H I"))
    carbon = seen.present(BURNT)
    if seen.feeds("C") or seen.feeds("H") or not seen.feeds("O") or not carbon:
        return None
    if seen.share(products) < HEAVY_SHARE or not any(map(seen.strong, carbon)):
        return None
    return Finding(
        kind="polymer etched",
        text=f"Products of burning make {100 * seen.share(products):.0f} % of the light: more than a film is "
        "burning. Polymer in the glow (the part, an O-ring, tape, a cable) is being etched.",
        confidence="low",
        evidence=seen.evidence(products),
        confirm_by=(
            "look for polymer in the glow",
            "weigh the part before and after",
            "see whether the signal stays flat: a bulk polymer does not run out",
        ),
        could_also_be=("a thick film in its first minutes", "a lot of oil"),
    )


def silicone(seen: Sightings) -> Finding | None:
    """Silicon with carbon or hydrogen; silicon alone may be sputtered glass."""
    silicon = seen.present(SILICON)
    if not silicon or seen.feeds("Si"):
        return None
    partners = seen.foreign(("CH", "C2", "CO", "CN", "H I", "OH"))
    carbon = seen.foreign(("CH", "C2", "CO", "CN"))
    organic = bool(carbon) or "SiH" in silicon
    sure = any(map(seen.strong, silicon)) or len(silicon) > 1
    text = "Silicon glows: glass or quartz being sputtered, or silicone whose carbon is not seen."
    if organic:
        beside = "carbon" if carbon else "hydrogen (SiH)"
        text = f"Silicone (pump fluid, grease or sealant): silicon glows together with {beside}."
    return Finding(
        kind="silicone",
        text=text,
        confidence="medium" if organic and sure else "low",
        evidence=seen.evidence((*silicon, *partners)),
        confirm_by=SILICONE_TESTS,
        could_also_be=SILICONE_ALSO,
    )


def fluorinated(seen: Sightings) -> Finding | None:
    """Fluorine where none is fed."""
    if not seen.present(("F I",)) or seen.feeds("F"):
        return None
    partners = (*seen.foreign(("CO", "C2", "CO+")), *seen.hinted(("CF2",)))
    dry = not seen.present(("H I",))
    confidence: Confidence = "medium" if seen.strong("F I") and (partners or dry) else "low"
    return Finding(
        kind="fluorinated oil or polymer",
        text=f"Fluorine glows although {seen.unless_fed('none is fed')}: perfluorinated pump fluid, or fluoropolymer "
        "(PTFE, FKM seal) in the glow. Its products are toxic (HF, COF2).",
        confidence=confidence,
        evidence=seen.evidence(("F I", *partners)),
        confirm_by=FLUORINE_TESTS,
        could_also_be=FLUORINE_ALSO,
    )
