"""Which cautions belong to which situation; they defer to local codes and licensed practice."""

from __future__ import annotations

from dataclasses import dataclass

from glowledger.bench.model import Window
from glowledger.diagnose.feed import Feed
from glowledger.diagnose.sightings import Finding

# Windows that let light below 315 nm out, by the start or part of their name.
PASSES_UV = ("silica", "quartz", "sapphire", "fluoride", "uv-transmitting", "uv transmitting", "borosilicate")
DEFER = (
    "Local codes, the makers' manuals and people licensed for the work come first; this program protects "
    "nobody and must not be used as an interlock."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """One hazard of the situation at hand.

    Attributes
    ----------
    about : str
        Short name.
    text : str
        What can hurt and the usual practice, in one or two plain sentences.
    """

    about: str
    text: str


HIGH_VOLTAGE = Caution(
    about="high voltage",
    text="The glow runs on hundreds to thousands of volts, and capacitors keep them after switching off. "
    "Mount the fibre on earthed metal or with a non-conducting ferrule, interlock the covers, discharge "
    "before touching. Above some 5 kV a vacuum gap can give off X-rays as well: have it surveyed.",
)
ULTRAVIOLET = Caution(
    about="ultraviolet",
    text="This window lets short-wave ultraviolet out, which burns eyes and skin within minutes near the "
    "port. Cover it with glass or acrylic whenever you are not measuring.",
)
ULTRAVIOLET_UNKNOWN = Caution(
    about="ultraviolet",
    text="If the window is fused silica or sapphire, short-wave ultraviolet comes out of it: cover it with "
    "glass or acrylic whenever you are not measuring.",
)
OZONE = Caution(
    about="ozone",
    text="Oxygen in a plasma makes ozone, and air makes nitrogen oxides besides; occupational limits of ozone are near "
    "0.1 ppm. Vent the pump's exhaust outdoors. Keep liquid-nitrogen traps out of the line: ozone condenses in them "
    "and can explode.",
)
OXYGEN_AND_OIL = Caution(
    about="oxygen and pump oil",
    text="More than about 25 % oxygen in a mineral-oil pump can explode: use inert (PFPE) fluid and "
    "oxygen-clean parts, and follow the pump's manual.",
)
HOT_OIL = Caution(
    about="hot pump fluid",
    text="Hot diffusion-pump fluid with air or oxygen can explode: never admit either over hot fluid, and "
    "let it cool before venting.",
)
FLUORINE = Caution(
    about="fluorine chemistry",
    text="Fluorine compounds in a plasma make hydrogen fluoride and carbonyl fluoride, toxic at parts per "
    "million; perfluorinated fluid and PTFE do so too when they get into the glow. Scrub or vent the "
    "exhaust, and air the chamber before opening.",
)
HYDROGEN = Caution(
    about="hydrogen",
    text="Hydrogen burns in air from 4 to 75 %: dilute and vent the exhaust, and keep ignition sources away.",
)
FLAMMABLE = Caution(
    about="flammable gas",
    text="This gas burns or explodes with air (silane without any spark): dilute and vent the exhaust, keep air out of "
    "the pump line and ignition sources away.",
)
POISONOUS = Caution(
    about="poisonous gas",
    text="This gas is poisonous: gas cabinet, gas detector and a scrubbed exhaust are the usual practice, and people "
    "trained for it.",
)
CARBON_MONOXIDE = Caution(
    about="carbon monoxide",
    text="Burning organic matter or carbon dioxide in a plasma makes carbon monoxide: vent the exhaust outdoors.",
)
MERCURY = Caution(
    about="mercury",
    text="If mercury is in the chamber and not a lamp in the room: it is toxic. Do not heat or open; ask for "
    "trained help.",
)
IMPLOSION = Caution(
    about="implosion",
    text="A 100 mm window under vacuum carries 0.8 kN. Guard it, and do not use scratched or crazed acrylic.",
)


def cautions(
    feed: Feed | None = None, window: Window | None = None, found: tuple[Finding, ...] = ()
) -> tuple[Caution, ...]:
    """Choose the cautions for a feed, a window and what was found.

    Parameters
    ----------
    feed : Feed, optional
        The process gas.
    window : Window, optional
        The viewport.
    found : tuple of Finding
        Of `findings`.

    Returns
    -------
    tuple of Caution
        The ones that apply; high voltage always. Show `DEFER` with them.
    """
    elements = frozenset() if feed is None else feed.elements
    gases = () if feed is None else feed.gases
    kinds = {finding.kind for finding in found}
    chosen = [HIGH_VOLTAGE]
    material = "unknown" if window is None else window.material.casefold()
    if any(name in material for name in PASSES_UV):
        chosen.append(ULTRAVIOLET)
    elif material == "unknown":
        chosen.append(ULTRAVIOLET_UNKNOWN)
    if "acrylic" in material:
        chosen.append(IMPLOSION)
    if {"O2", "air", "O3"} & set(gases):
        chosen += [OZONE]
    if {"O2", "O3", "N2O"} & set(gases):
        chosen += [OXYGEN_AND_OIL, HOT_OIL]
    elif "air" in gases or "air leak" in kinds or "hydrocarbon oil" in kinds:
        chosen.append(HOT_OIL)
    if "F" in elements or "fluorinated oil or polymer" in kinds:
        chosen.append(FLUORINE)
    if "H2" in gases or "D2" in gases:
        chosen.append(HYDROGEN)
    if {"CH4", "C2H2", "NH3", "SiH4", "CO"} & set(gases):
        chosen.append(FLAMMABLE)
    if {"Cl2", "NH3", "NF3", "SiH4", "CO", "O3"} & set(gases):
        chosen.append(POISONOUS)
    if {"CO2", "CO"} & set(gases) or {"organic residue", "polymer etched"} & kinds:
        chosen.append(CARBON_MONOXIDE)
    if "room light" in kinds:
        chosen.append(MERCURY)
    return tuple(chosen)


# Gas against material; common practice, no source.
_MATERIALS: tuple[tuple[str, str], ...] = (
    ("O", "Oxygen plasma attacks silver, copper (blackens), carbon, and most polymers."),
    ("H", "Hydrogen plasma embrittles titanium, niobium, tantalum and hard steels, and reduces oxides."),
    ("N", "Nitrogen plasma nitrides hot steel, titanium and aluminium."),
    ("F", "Fluorine plasma attacks glass, quartz, silicon, titanium, tungsten and molybdenum."),
    ("Cl", "Chlorine plasma attacks aluminium, steel and most metals."),
    ("Ar", "Argon cleans by sputtering: it roughens soft metals and puts electrode metal on the part."),
)


def material_hints(feed: Feed | None) -> tuple[str, ...]:
    """Return what the feed is known to do to materials (common practice, no source)."""
    if feed is None:
        return ()
    fed = feed.elements - ({"Ar"} if "Ar" not in feed.gases else set())  # the trace of argon in air sputters little
    return tuple(text for element, text in _MATERIALS if element in fed)
