"""The gas that is fed: what the user says, or what the light suggests, and which species belong to it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from difflib import get_close_matches

from glowledger.errors import TableError
from glowledger.glow.results import SpeciesEvidence

# gas -> the elements it brings into the discharge; air brings argon too (0.93 %)
GASES: dict[str, frozenset[str]] = {
    "Ar": frozenset({"Ar"}),
    "He": frozenset({"He"}),
    "Ne": frozenset({"Ne"}),
    "Kr": frozenset({"Kr"}),
    "Xe": frozenset({"Xe"}),
    "N2": frozenset({"N"}),
    "O2": frozenset({"O"}),
    "O3": frozenset({"O"}),
    "H2": frozenset({"H"}),
    "D2": frozenset({"H"}),
    "air": frozenset({"N", "O", "Ar"}),
    "H2O": frozenset({"H", "O"}),
    "CO2": frozenset({"C", "O"}),
    "CO": frozenset({"C", "O"}),
    "NH3": frozenset({"N", "H"}),
    "N2O": frozenset({"N", "O"}),
    "NO": frozenset({"N", "O"}),
    "CH4": frozenset({"C", "H"}),
    "C2H2": frozenset({"C", "H"}),
    "CF4": frozenset({"C", "F"}),
    "C2F6": frozenset({"C", "F"}),
    "CHF3": frozenset({"C", "H", "F"}),
    "SF6": frozenset({"S", "F"}),
    "NF3": frozenset({"N", "F"}),
    "Cl2": frozenset({"Cl"}),
    "SiH4": frozenset({"Si", "H"}),
}
_NAMES = {
    "argon": "Ar", "helium": "He", "neon": "Ne", "krypton": "Kr", "xenon": "Xe", "nitrogen": "N2",
    "oxygen": "O2", "hydrogen": "H2", "deuterium": "D2", "water": "H2O", "steam": "H2O", "methane": "CH4",
    "ammonia": "NH3", "acetylene": "C2H2", "co₂": "CO2", "o₂": "O2", "n₂": "N2", "h₂": "H2", "h₂o": "H2O",
}  # fmt: skip
# The species that carries a gas's light, and must be seen if the gas is there.
CARRIERS: dict[str, tuple[str, ...]] = {
    "Ar": ("Ar I",), "He": ("He I",), "Ne": ("Ne I",), "Kr": ("Kr I",), "Xe": ("Xe I",),
    "N2": ("N2",), "air": ("N2",), "O2": ("O I", "O2+"), "H2": ("H I", "H2"), "D2": ("H I", "H2"),
    "H2O": ("H I", "OH"), "CO2": ("CO", "CO+", "O I"), "CO": ("CO", "CO+"), "NH3": ("NH", "H I", "N2"),
}  # fmt: skip
SUM_TOLERANCE = 0.005
MAIN_SHARE = 0.25  # of the fitted light: a gas that bright is taken as fed when the user does not say


@dataclass(frozen=True, slots=True, kw_only=True)
class Feed:
    """The process gas.

    Attributes
    ----------
    parts : tuple of (str, float)
        Gas and mole fraction; NaN where not given.
    stated : bool
        True if the user said so; False if the light suggested it.
    """

    parts: tuple[tuple[str, float], ...]
    stated: bool = True

    @property
    def gases(self) -> tuple[str, ...]:
        """Return the gases without their fractions."""
        return tuple(gas for gas, _ in self.parts)

    @property
    def elements(self) -> frozenset[str]:
        """Return every chemical element that is fed."""
        return frozenset().union(*(GASES[gas] for gas in self.gases))

    def belongs(self, species: str) -> bool:
        """Return True if every element of a species is fed, so that the feed alone can make it."""
        return elements_of(species) <= self.elements

    def __str__(self) -> str:
        return ", ".join(gas if fraction != fraction else f"{gas} {fraction:.3g}" for gas, fraction in self.parts)


def elements_of(species: str) -> frozenset[str]:
    """Return the chemical elements of a species in standard notation: 'N2+', 'Ar I', 'CO'."""
    return frozenset(re.findall(r"[A-Z][a-z]?", species.split()[0]))


def parse_feed(text: str) -> Feed:
    """Read a feed gas as a user writes it.

    Parameters
    ----------
    text : str
        ``O2``, ``air``, ``Ar:0.95,O2:0.05``, ``argon:95%,oxygen:5%``, ``N2,H2``.

    Returns
    -------
    Feed

    Raises
    ------
    TableError
        If a gas is not known, a fraction is no number of 0 to 1, or the fractions add up to more than 1.
    """
    parts = [part.strip() for part in re.split(r"[,;+]", text) if part.strip()]
    if not parts:
        raise TableError("the feed gas is empty.", mend="Write it as O2, air, or Ar:0.95,O2:0.05.")
    read = tuple(_part(part) for part in parts)
    gases = [gas for gas, _ in read]
    twice = [gas for gas in gases if gases.count(gas) > 1]
    if twice:
        raise TableError(f"{twice[0]} stands twice in the feed '{text}'.", mend="Give each gas once.")
    fractions = [fraction for _, fraction in read]
    known = [fraction for fraction in fractions if fraction == fraction]
    total = sum(known)
    if total > 1 + SUM_TOLERANCE or (len(known) == len(fractions) and total < 1 - SUM_TOLERANCE):
        raise TableError(
            f"the fractions of the feed '{text}' add up to {total:.4g}, not 1.",
            mend="Give mole fractions, e.g. Ar:0.95,O2:0.05, or leave them all out.",
        )
    if len(known) == len(fractions) - 1 and len(fractions) > 1:  # the one left out is the rest
        read = tuple((gas, f if f == f else max(1 - total, 0.0)) for gas, f in read)
    return Feed(parts=read)


def _part(part: str) -> tuple[str, float]:
    """Read one gas with or without its fraction."""
    name, colon, amount = (piece.strip() for piece in part.replace("=", ":").partition(":"))
    gas = gas_named(name)
    if not colon:
        return gas, float("nan")
    percent = amount.endswith("%")
    try:
        fraction = float(amount.rstrip("%")) / (100 if percent else 1)
    except ValueError:
        fraction = float("nan")
    if not 0 < fraction <= 1:
        raise TableError(
            f"'{amount}' is no mole fraction of {gas}.",
            mend="Write a number above 0 and up to 1, or a percentage, e.g. Ar:0.95 or Ar:95%.",
        )
    return gas, fraction


def gas_named(name: str) -> str:
    """Return the gas a user means by ``argon``, ``ar`` or ``H₂O``.

    Raises
    ------
    TableError
        If it is not known; the nearest are named.
    """
    folded = {gas.casefold(): gas for gas in GASES} | _NAMES
    found = folded.get(name.casefold())
    if found is None:
        near = [folded[n] for n in get_close_matches(name.casefold(), folded, n=3, cutoff=0.6)]
        mend = f"Did you mean {' or '.join(dict.fromkeys(near))}? " if near else ""
        raise TableError(f"'{name}' is no gas known here.", mend=f"{mend}Known are {', '.join(GASES)}.")
    return found


def feed_from_light(species: tuple[SpeciesEvidence, ...]) -> Feed | None:
    """Guess the feed from the brightest gases; None if no gas is certain.

    Parameters
    ----------
    species : tuple of SpeciesEvidence
        Of a fit.

    Returns
    -------
    Feed or None
        `stated` is False. Light is no composition: a gas that is easy to excite looks more than it is.
    """
    light: dict[str, float] = {}
    for gas, carriers in (
        ("Ar", ("Ar I", "Ar II")), ("He", ("He I", "He II")), ("Ne", ("Ne I",)), ("Kr", ("Kr I",)),
        ("Xe", ("Xe I",)), ("N2", ("N2", "N2+", "N I")), ("O2", ("O I", "O2+", "O II")),
        ("H2", ("H I", "H2")), ("CO2", ("CO", "CO+", "CO2+")),
    ):  # fmt: skip
        light[gas] = sum(s.share for s in species if s.name in carriers and s.verdict == "present")
    brightest = max(light, key=lambda gas: light[gas])
    if light[brightest] <= 0:
        return None
    fed = [gas for gas, share in light.items() if gas == brightest or share >= MAIN_SHARE]
    return Feed(parts=tuple((gas, float("nan")) for gas in fed), stated=False)
