"""The species that identification looks for, from ``line_tables/species.csv``."""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache

from glowledger.errors import TableError
from glowledger.tables.folder import read_table, tables_folder

FORMS = frozenset({"atoms", "ions", "molecules", "radical"})
SPELLINGS = {"aluminum": "aluminium", "sulfur": "sulphur"}
# What does not glow as itself, or is more than one gas (`guide theory-plasma`); common practice, no source
SHOWS_AS = {
    "air": "N2, N2+ and O I", "water": "OH and H I", "water vapour": "OH and H I", "steam": "OH and H I",
    "h2o": "OH and H I", "co2": "CO, CO2+ and O I", "carbon dioxide": "CO, CO2+ and O I", "o2": "O I and O2+",
    "oil": "CH, C2, CN and H I", "pump oil": "CH, C2, CN and H I", "hydrocarbon": "CH, C2 and H I",
    "methane": "CH, C2 and H I", "ch4": "CH, C2 and H I", "ammonia": "NH and H I", "nh3": "NH and H I",
    "silicone": "SiO, Si I and CH", "salt": "Na I and Cl I", "cf4": "CF2 and F I", "sf6": "F I and S I",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedSpecies:
    """One row of the species list.

    Attributes
    ----------
    name : str
        Standard notation: ``N2``, ``Ar I``, ``OH``.
    role : str
        ``feed``, ``contaminant``, ``metal`` or ``lamp``.
    systems : tuple of str
        Molecular systems; empty for atoms.
    levels : int
        Upper levels that are fitted freely once the species is seen.
    excitation_ev : float
        kT of the typical populations that tie its levels weakly, eV.
    plain : str
        Its name in plain words.
    """

    name: str
    role: str
    systems: tuple[str, ...]
    levels: int
    excitation_ev: float
    plain: str

    @property
    def molecular(self) -> bool:
        """True if the species emits bands."""
        return bool(self.systems)


@cache
def listed_species() -> tuple[ListedSpecies, ...]:
    """Return every listed species, in the order of a report.

    Raises
    ------
    TableError
        If the list is missing or a row is damaged.
    """
    _, columns = read_table("species.csv")
    rows = [dict(zip(columns, cells, strict=True)) for cells in zip(*columns.values(), strict=True)]
    try:
        return tuple(_species(row) for row in rows)
    except (KeyError, ValueError) as error:
        raise TableError(
            f"a row of the species list is damaged ({error}).",
            mend="Install glowledger again.",
            file=tables_folder() / "species.csv",
        ) from error


def _species(row: dict[str, str]) -> ListedSpecies:
    systems = tuple(name.strip() for name in row["systems"].split(";") if name.strip())
    return ListedSpecies(
        name=row["name"],
        role=row["role"],
        systems=systems,
        levels=int(row["levels"]),
        excitation_ev=float(row["excitation_ev"]),
        plain=row["plain"],
    )


def find_species(names: tuple[str, ...] | None = None) -> tuple[ListedSpecies, ...]:
    """Return the named species, or all.

    Parameters
    ----------
    names : tuple of str, optional
        ``Ar I`` means that ion stage; ``Ar`` or ``argon`` means every listed stage of it; a molecule may be named in
        plain words too (``carbon monoxide``). Case does not matter.

    Returns
    -------
    tuple of ListedSpecies

    Raises
    ------
    TableError
        If a name is not listed; the nearest names are suggested.
    """
    everything = listed_species()
    if names is None:
        return everything
    chosen: list[ListedSpecies] = []
    for name in names:
        found = _notated(name, everything) or _in_plain_words(name, everything)
        if not found:
            raise TableError(f"the species '{name}' is not in the list.", mend=_instead(name, everything))
        chosen.extend(s for s in found if s not in chosen)
    return tuple(chosen)


def main_species(name: str) -> str:
    """Return the one species that stands for what a user names: ``Ar I`` for 'argon' or 'Ar', ``N2`` for 'nitrogen'.

    Raises
    ------
    TableError
        If nothing is listed under that name.
    """
    return find_species((name,))[0].name


def _notated(name: str, everything: tuple[ListedSpecies, ...]) -> list[ListedSpecies]:
    """Return the species of a formula, or all stages of an element."""
    wanted = " ".join(name.split()).lower()
    found = [s for s in everything if s.name.lower() == wanted]
    return found or [s for s in everything if s.name.lower().split()[0] == wanted]


def _in_plain_words(name: str, everything: tuple[ListedSpecies, ...]) -> list[ListedSpecies]:
    """Return what is called so: 'nitrogen' is its molecules, atoms and ions."""
    wanted = " ".join(name.split()).lower()
    wanted = SPELLINGS.get(wanted, wanted)
    found = []
    for one in everything:
        called = one.plain.partition(" (")[0].lower()
        rest = called.removeprefix(wanted) if called.startswith(f"{wanted} ") or called == wanted else None
        if rest is not None and set(rest.split()) <= FORMS:
            found.append(one)
    return found


def _instead(name: str, everything: tuple[ListedSpecies, ...]) -> str:
    """Say what to write instead of a name that is not listed."""
    wanted = " ".join(name.split()).lower()
    if wanted in SHOWS_AS:
        return f"The light of {wanted} is that of {SHOWS_AS[wanted]}: name these."
    near = get_close_matches(name.strip(), [s.name for s in everything], n=3, cutoff=0.5)
    words = {s.plain.split()[0].lower(): s.name for s in reversed(everything)}
    near += [words[word] for word in get_close_matches(wanted.split()[0] if wanted else "", words, n=1, cutoff=0.75)]
    hint = f"Did you mean {' or '.join(dict.fromkeys(near))}? " if near else ""
    return f"{hint}Species are named as in 'Ar I', 'N2', 'OH', or in plain words; 'glowledger tables' lists lines."
