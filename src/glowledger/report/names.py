"""Plain names of what glows, beside the notation of the trade."""

from __future__ import annotations

ELEMENTS = {
    "Ag": "silver", "Al": "aluminium", "Ar": "argon", "B": "boron", "Ba": "barium", "Be": "beryllium",
    "C": "carbon", "Ca": "calcium", "Cd": "cadmium", "Cl": "chlorine", "Co": "cobalt", "Cr": "chromium",
    "Cu": "copper", "F": "fluorine", "Fe": "iron", "H": "hydrogen", "He": "helium", "Hg": "mercury",
    "K": "potassium", "Kr": "krypton", "Li": "lithium", "Mg": "magnesium", "Mn": "manganese",
    "Mo": "molybdenum", "N": "nitrogen", "Na": "sodium", "Ne": "neon", "Ni": "nickel", "O": "oxygen",
    "P": "phosphorus", "Pb": "lead", "S": "sulphur", "Si": "silicon", "Sn": "tin", "Ta": "tantalum",
    "Ti": "titanium", "V": "vanadium", "W": "tungsten", "Xe": "xenon", "Zn": "zinc",
}  # fmt: skip

DIATOMIC = {"H", "N", "O", "F", "Cl"}  # their atoms are not the gas itself

MOLECULES = {
    "AlO": "aluminium oxide", "C2": "C2 radicals", "CF2": "CF2 radicals", "CH": "CH radicals",
    "CN": "CN radicals", "CO": "carbon monoxide", "CO+": "ionised carbon monoxide",
    "CO2+": "ionised carbon dioxide", "H2": "hydrogen gas", "N2": "nitrogen gas",
    "N2+": "ionised nitrogen gas", "NH": "NH radicals", "NO": "nitric oxide", "O2+": "ionised oxygen gas", "OH": "OH radicals",
    "SiO": "silicon monoxide",
}  # fmt: skip

STAGES = {"I": "", "II": "ionised ", "III": "doubly ionised "}


def plain_name(species: str) -> str:
    """Return the plain name of a species with its notation, e.g. ``oxygen atoms (O I)``.

    A name not known here is returned as it is.
    """
    if species in MOLECULES:
        name = MOLECULES[species]
        return name if name.startswith(f"{species} ") else f"{name} ({species})"
    symbol, _, stage = species.partition(" ")
    if symbol not in ELEMENTS or stage not in STAGES:
        return species
    atoms = " atoms" if symbol in DIATOMIC and stage == "I" else ""
    return f"{STAGES[stage]}{ELEMENTS[symbol]}{atoms} ({species})"
