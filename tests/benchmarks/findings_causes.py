"""What `bench_findings` simulates: feeds, what comes with them, and what should be concluded.

The conclusions are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Cause:
    """A feed, what comes with it, and what should be concluded.

    `base` are shares of the feed's own light, `signs` the species a cause shows (brought to the wanted signal
    to noise), `telling` those of them of which one must be seen to tell the cause (all, if left out), `expected` the
    finding that must be made, `allowed` others that are not wrong.
    """

    name: str
    feed: str
    base: dict[str, float]
    signs: tuple[str, ...] = ()
    expected: str | None = None
    allowed: tuple[str, ...] = ()
    telling: tuple[str, ...] = ()


AR, O2 = {"Ar I": 1.0}, {"O I": 1.0, "O2+": 0.1}
AIR = {"N2": 1.0, "N2+": 0.2, "O I": 0.03}
CAUSES = (
    Cause("clean argon", "Ar", AR),
    Cause("clean argon with ions", "Ar", {"Ar I": 1.0, "Ar II": 0.1}),
    Cause("clean oxygen", "O2", O2),
    Cause("clean helium", "He", {"He I": 1.0}),
    Cause("clean neon", "Ne", {"Ne I": 1.0}),
    Cause("clean hydrogen", "H2", {"H I": 0.6, "H2": 0.4}),
    Cause("nitrogen fed", "N2", {"N2": 1.0, "N2+": 0.2, "N I": 0.01}, (), "air leak"),
    Cause("argon and oxygen", "Ar:0.9,O2:0.1", {"Ar I": 1.0, "O I": 0.2}),
    Cause("air leak in argon", "Ar", AR, ("N2", "N2+"), "air leak"),
    Cause("air leak in oxygen", "O2", O2, ("N2", "N2+", "NO"), "air leak", telling=("N2", "N2+")),
    Cause("air leak in helium", "He", {"He I": 1.0}, ("N2", "N2+", "O I"), "air leak", ("oxygen",),
          telling=("N2", "N2+")),
    Cause("water in argon", "Ar", AR, ("OH", "H I", "O I"), "water", ("oxygen",), telling=("OH", "H I")),
    Cause("water in oxygen", "O2", O2, ("OH", "H I"), "water"),
    Cause("oil in argon", "Ar", AR, ("CH", "C2", "H I"), "hydrocarbon oil", ("water",), telling=("CH", "C2")),
    Cause("residue in argon, oxygen", "Ar:0.9,O2:0.1", {"Ar I": 1.0, "O I": 0.2}, ("CO", "OH", "H I"),
          "organic residue", ("hydrocarbon oil", "polymer etched", "water"), telling=("CO",)),
    Cause("residue in air", "air", AIR, ("CN", "CO", "H I"), "organic residue",
          ("air leak", "hydrocarbon oil", "polymer etched", "water"), telling=("CN", "CO")),
    Cause("stainless in argon", "Ar", AR, ("Cr I", "Fe I", "Ni I"), "sputtered metal"),
    Cause("copper in argon", "Ar", AR, ("Cu I",), "sputtered metal"),
    Cause("aluminium in argon", "Ar", AR, ("Al I",), "sputtered metal"),
    Cause("fingerprint in oxygen", "O2", O2, ("Na I", "K I"), "sodium", ("alkali or calcium",),
          telling=("Na I",)),
    Cause("silicone in argon", "Ar", AR, ("Si I", "CH", "H I"), "silicone", ("hydrocarbon oil", "water"),
          telling=("Si I",)),
    Cause("fluorine in argon", "Ar", AR, ("F I",), "fluorinated oil or polymer"),
    Cause("room light in oxygen", "O2", O2, ("Hg I",), "room light"),
    Cause("helium instead of argon", "Ar", {"He I": 1.0}, (), "wrong gas"),
    Cause("air instead of argon", "Ar", AIR, (), "wrong gas", ("air leak",)),
    Cause("argon instead of oxygen", "O2", AR, (), "wrong gas", ("foreign gas",)),
    Cause("clean carbon dioxide", "CO2", {"CO": 1.0, "CO+": 0.1, "CO2+": 0.2, "O I": 0.3}),
    Cause("air fed", "air", AIR, (), "air leak"),
    Cause("damp air leak in argon", "Ar", AR, ("N2", "N2+", "OH", "H I"), "air leak", ("water",),
          telling=("N2", "N2+")),
    Cause("brass in argon", "Ar", AR, ("Cu I", "Zn I"), "sputtered metal"),
    Cause("titanium in argon", "Ar", AR, ("Ti I",), "sputtered metal"),
    Cause("tungsten in helium", "He", {"He I": 1.0}, ("W I",), "sputtered metal"),
    Cause("glass in argon", "Ar", AR, ("Na I",), "sodium"),
    Cause("oil in hydrogen", "H2", {"H I": 0.6, "H2": 0.4}, ("CH", "C2"), "hydrocarbon oil"),
    Cause("oil in nitrogen", "N2", {"N2": 1.0, "N2+": 0.2, "N I": 0.01}, ("CN", "CH"), "hydrocarbon oil",
          ("organic residue", "air leak"), telling=("CH",)),
    Cause("polymer in oxygen", "O2", {"O I": 1.0, "O2+": 0.1, "CO": 1.0, "OH": 0.2, "H I": 0.3}, (),
          "polymer etched", ("organic residue", "hydrocarbon oil", "water")),
    Cause("fluorinated oil in oxygen", "O2", O2, ("F I", "CO"), "fluorinated oil or polymer",
          ("organic residue",), telling=("F I",)),
    Cause("silicone in helium", "He", {"He I": 1.0}, ("SiO", "SiH", "Si I"), "silicone"),
    Cause("helium beside oxygen", "O2", O2, ("He I",), "foreign gas"),
    Cause("argon beside neon", "Ne", {"Ne I": 1.0}, ("Ar I",), "foreign gas"),
)  # fmt: skip
