"""Rules for metals and salts: electrode, chamber, glass, fingers."""

from __future__ import annotations

from glowledger.diagnose.sightings import Confidence, Finding, Sightings
from glowledger.diagnose.weighing import PRIOR, RARE, ln_odds

# What the metals point to together, whence they come, and how likely that is beforehand. Common practice, no source.
ALLOYS: tuple[tuple[str, tuple[str, ...], str, float], ...] = (
    ("stainless steel", ("Fe I", "Cr I", "Ni I", "Mn I"), "the chamber wall, a holder or the electrode", PRIOR),
    ("brass", ("Cu I", "Zn I"), "fittings or the electrode", PRIOR),
    ("aluminium", ("Al I", "AlO", "Mg I"), "the electrode, chamber or the part", PRIOR),
    ("titanium", ("Ti I",), "the electrode or the part", PRIOR),
    ("tungsten", ("W I",), "a filament or the electrode", RARE),
    ("molybdenum", ("Mo I",), "the electrode or a holder", RARE),
    ("silver", ("Ag I",), "plating or solder", RARE),
    ("cadmium", ("Cd I",), "plating or solder (toxic)", RARE),
)
SPUTTER_TESTS = (
    "lower the voltage: sputtering falls faster than the gas lines",
    "look for a metallic film on the window or near the cathode",
)

SPUTTER_ALSO = (
    "metal flashes of an arc (brief, see the track command)",
    "metal evaporated from a hot filament",
)
SALT_ALSO = ("street or room light of sodium lamps", "flux or salt left from cleaning in water")
SALT_TESTS = (
    "wait: a fingerprint's flashes die out in minutes, glass goes on",
    "move the glow away from glass, or look through another window, and watch",
)


def sputtered_metal(seen: Sightings) -> tuple[Finding, ...]:
    """One finding per material whose metals glow."""
    found = []
    for material, metals, where, prior in ALLOYS:
        present = seen.present(metals)
        if not present or ln_odds(seen, metals, prior=prior) <= 0:
            continue
        confidence: Confidence = "medium" if seen.strong(present[0]) else "low"
        if len(present) > 1:
            confidence = "high" if any(map(seen.strong, present)) else "medium"
        what = material if len(present) > 1 or len(metals) == 1 else _element(present[0])
        found.append(
            Finding(
                kind="sputtered metal",
                text=f"{what[0].upper()}{what[1:]} is in the glow ({', '.join(present)}): sputtered from {where}.",
                confidence=confidence,
                evidence=seen.evidence(present),
                confirm_by=SPUTTER_TESTS,
                could_also_be=SPUTTER_ALSO,
            )
        )
    return tuple(found)


def _element(species: str) -> str:
    names = {"Fe": "iron", "Cr": "chromium", "Ni": "nickel", "Mn": "manganese", "Cu": "copper", "Zn": "zinc",
             "Al": "aluminium", "AlO": "aluminium oxide", "Mg": "magnesium"}  # fmt: skip
    return names.get(species.split()[0], species)


def salts(seen: Sightings) -> Finding | None:
    """Sodium and its kin: glass, or a finger."""
    present = seen.present(("Na I", "K I", "Li I", "Ca I", "Ca II"))
    if not present:
        return None
    sodium = "Na I" in seen.hinted(("Na I",))  # beside another salt a possible sodium is likely
    present = tuple(n for n in ("Na I", *present) if n != "Na I" or sodium)
    present = tuple(dict.fromkeys(present))
    finger = sodium and "K I" in present
    beside_helium = sodium and bool(seen.hinted(("He I",)))  # He 587.56, 1.4 nm beside Na 589.0
    source = (
        "salt of a fingerprint, most likely (sodium with potassium)"
        if finger
        else "glass being attacked, or salt of a fingerprint"
    )
    return Finding(
        kind="sodium" if sodium else "alkali or calcium",
        text=f"{', '.join(present)} in the glow: {source}.",
        confidence="medium" if finger or (sodium and seen.strong("Na I") and not beside_helium) else "low",
        evidence=seen.evidence(present),
        confirm_by=SALT_TESTS,
        could_also_be=(
            *(("helium 587.6 nm, 1.4 nm beside it",) if beside_helium else ()),
            *SALT_ALSO,
        ),
    )
