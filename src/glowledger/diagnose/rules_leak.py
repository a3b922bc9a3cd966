"""Rules for what comes in from outside or off the walls: air, nitrogen, water, room light."""

from __future__ import annotations

from glowledger.diagnose.settling import LEAK_TESTS, WATER_TESTS
from glowledger.diagnose.sightings import Confidence, Finding, Sightings

NITROGEN = ("N2", "N2+")
OXYGEN = ("O I", "O2+", "NO")
CARBON = ("CO", "CO+", "CO2+", "CH", "C2", "CN", "C I")
SILICON = ("Si I", "SiO", "SiH")

OTHER_WINDOW = "look through a fused-silica window or port: ordinary glass and acrylic stop OH at 309 nm"
LEAK_ALSO = (
    "a virtual leak: air trapped behind a screw or in a blind hole (falls over hours to days)",
    "nitrogen left from venting or purging, or gas ballast of the pump",
    "nitrogen in the bottle or in the gas line",
)
LAMP_ALSO = ("mercury in the chamber: a broken gauge or lamp, an old mercury pump (toxic)",)
LAMP_TESTS = ("switch the room lights off", "record a dark with the plasma off and the room as it is")


def air_leak(seen: Sightings) -> Finding | None:
    """Nitrogen where none is fed; 'cannot tell' where it is fed."""
    if seen.feeds("N"):
        return _leak_under_nitrogen(seen)
    nitrogen = seen.present(NITROGEN)
    helpers = seen.present(("NO", "CN", "NH", "N I"))
    if not nitrogen:
        return None
    oxygen = () if seen.feeds("O") else seen.present(("O I", "NO"))
    argon = () if seen.feeds("Ar") else seen.present(("Ar I",))
    signs = len(nitrogen) + bool(helpers) + bool(oxygen) + bool(argon)
    confidence: Confidence = "high" if signs >= 2 and any(map(seen.strong, nitrogen)) else "medium"
    # N2+ takes 18.8 eV where N2 takes 11.0: without N2 it is doubtful, but for helium, which makes it itself
    lone_ion = nitrogen == ("N2+",) and seen.verdict("N2") == "not seen"
    if lone_ion and (seen.feeds("C") or seen.hinted(SILICON)):  # bands of CO+, CO2+ and a line of Si lie near 391 nm
        return None
    ion_alone = lone_ion and not seen.present(("He I",))
    if not seen.stated or ion_alone:
        confidence = "low"
    fed = f"the feed ({seen.feed}) holds none" if seen.stated else "the main gas is another"
    text = f"Air leak or nitrogen from elsewhere: nitrogen glows although {fed}."
    if oxygen or argon:
        text = f"Air leak likely: nitrogen glows with {' and '.join((*oxygen, *argon))} although {fed}."
    if not seen.stated:
        text += " If nitrogen or air is fed on purpose, say so with --feed."
    return Finding(
        kind="air leak",
        text=text,
        confidence=confidence,
        evidence=seen.evidence((*nitrogen, *helpers, *oxygen, *argon)),
        confirm_by=LEAK_TESTS,
        could_also_be=(
            *LEAK_ALSO,
            *(("light of another species near 391 nm: N2 itself is not seen",) if ion_alone else ()),
        ),
    )


def _leak_under_nitrogen(seen: Sightings) -> Finding | None:
    """With nitrogen in the feed its light says nothing of a leak; foreign oxygen may."""
    nitrogen = seen.present(NITROGEN)
    if not nitrogen:
        return None
    oxygen = () if seen.feeds("O") else seen.present(OXYGEN)
    if oxygen:
        dry = not seen.hinted(("OH", "H I"))
        return Finding(
            kind="air leak",
            text=f"Oxygen ({', '.join(oxygen)}) glows although {seen.only_fed}: an air leak"
            + ("." if dry else " or water; hydrogen or OH is seen with it, which speaks for water.")
            + f" The nitrogen light cannot tell, because nitrogen {'is' if seen.stated else 'may be'} fed.",
            confidence="medium" if dry and "NO" in oxygen and seen.stated else "low",
            evidence=seen.evidence((*oxygen, *nitrogen)),
            confirm_by=LEAK_TESTS,
            could_also_be=("water from the walls", "oxygen in the bottle or in the gas line"),
        )
    return Finding(
        kind="air leak",
        text=f"Cannot tell an air leak from the nitrogen that is fed ({seen.feed})."
        if seen.stated
        else "Cannot tell an air leak from a nitrogen or air feed: the feed is not stated (--feed).",
        confidence="cannot tell",
        evidence=seen.evidence(nitrogen),
        confirm_by=("run argon or oxygen instead and look for nitrogen", *LEAK_TESTS[1:]),
    )


def water(seen: Sightings) -> Finding | None:
    """OH, H and O without carbon: water; hydrogen alone is a weaker sign of it."""
    if seen.feeds("H"):
        return _water_under_hydrogen(seen)
    hydroxyl, hydrogen = seen.present(("OH",)), seen.present(("H I",))
    if not hydroxyl and not hydrogen:
        return None
    if seen.present(CARBON):  # the organic rules speak of it, and name water as the other cause
        return None
    oxygen = () if seen.feeds("O") else seen.present(("O I",))
    both = bool(hydroxyl) and bool(hydrogen)
    confidence: Confidence = "low"
    if both or (hydroxyl and oxygen):
        confidence = "high" if seen.strong("OH") else "medium"
    elif hydroxyl or (hydrogen and oxygen):
        confidence = "medium"
    carbon = seen.hinted(CARBON)
    if carbon:
        confidence = "low"
    text = "Water: OH and hydrogen glow" if both else f"Water is likely: {(hydroxyl or hydrogen)[0]} glows"
    text += ", with no sign of carbon." if not carbon else f"; {carbon[0]} is possible, so it may be residue."
    if not hydroxyl:
        why = "OH at 309 nm cannot be told here" if seen.blocked(("OH",)) else "OH itself is not seen"
        what = "Hydrogen and oxygen glow" if oxygen else "Hydrogen glows"
        unfed = seen.unless_fed("neither is fed" if oxygen else "none is fed")
        text = f"{what} although {unfed}; water from the walls is the commonest cause, but {why}."
    humid = seen.present(NITROGEN) and not seen.feeds("N")
    return Finding(
        kind="water",
        text=text + (" With the nitrogen it may be damp air." if humid else ""),
        confidence=confidence,
        evidence=seen.evidence((*hydroxyl, *hydrogen, *oxygen)),
        confirm_by=(*WATER_TESTS, *(() if hydroxyl else (OTHER_WINDOW,))),
        could_also_be=(
            "damp air through a leak" if humid else "hydrogen leaving hot metal",
            "a thin organic film whose carbon lines are still below what can be seen",
            *(() if hydroxyl else ("hydrogen in the bottle",)),
        ),
    )


def _water_under_hydrogen(seen: Sightings) -> Finding | None:
    """With hydrogen fed only OH or O where no oxygen is fed says something."""
    if seen.feeds("O") or not seen.present(("OH", "O I")):
        return None
    signs = seen.present(("OH", "O I"))
    return Finding(
        kind="water",
        text=f"Oxygen ({', '.join(signs)}) glows although {seen.only_fed}: water from the walls, "
        "oxide being reduced, or a leak.",
        confidence="medium" if "OH" in signs and not seen.present(NITROGEN) else "low",
        evidence=seen.evidence(signs),
        confirm_by=WATER_TESTS,
        could_also_be=("oxide on metal being reduced by hydrogen", "an air leak (look for nitrogen)"),
    )


def oxygen(seen: Sightings) -> Finding | None:
    """Oxygen alone, where none is fed and nothing else says where it comes from."""
    if seen.feed is None or seen.feeds("O") or not seen.present(("O I",)):
        return None
    if seen.present((*NITROGEN, "OH", "H I", *CARBON)):  # the rules on leak, water and residue speak of it
        return None
    return Finding(
        kind="oxygen",
        text=f"Oxygen glows although {seen.unless_fed('none is fed')}; with neither nitrogen, hydrogen nor carbon seen "
        "it may be water or air below what can be told of them, or oxide coming off a surface.",
        confidence="low",
        evidence=seen.evidence(("O I",)),
        confirm_by=(*LEAK_TESTS[:2], WATER_TESTS[1]),
        could_also_be=("oxide sputtered from a surface", "oxygen in the bottle or in the gas line"),
    )


def room_light(seen: Sightings) -> Finding | None:
    """Mercury is far more often a lamp in the room than a gas in the chamber."""
    if not seen.present(("Hg I",)):
        return None
    phosphor = bool(seen.hinted(("phosphor",)))
    bands = " and bands of its phosphor" if phosphor else ""
    likely = "" if phosphor else ", most likely"
    return Finding(
        kind="room light",
        text=f"Mercury lines{bands} are seen: light of a fluorescent lamp reaches the fibre{likely}.",
        confidence="high" if phosphor and seen.strong("Hg I") else "medium" if seen.strong("Hg I") else "low",
        evidence=seen.evidence(("Hg I", "phosphor") if phosphor else ("Hg I",)),
        confirm_by=LAMP_TESTS,
        could_also_be=LAMP_ALSO,
    )
