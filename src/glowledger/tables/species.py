"""The species that identification looks for, from ``line_tables/species.csv``."""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache

from glowledger.errors import TableError
from glowledger.tables.folder import read_table, tables_folder


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
        ``Ar I`` means that ion stage; ``Ar`` means every listed stage of it; case does not matter.

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
        wanted = name.strip().lower()
        found = [s for s in everything if s.name.lower() == wanted]
        found = found or [s for s in everything if s.name.lower().split()[0] == wanted]
        if not found:
            known = [s.name for s in everything]
            near = get_close_matches(name.strip(), known, n=3, cutoff=0.4) or known[:6]
            raise TableError(
                f"the species '{name}' is not in the list.", mend=f"Did you mean {' or '.join(near)}?"
            )
        chosen.extend(s for s in found if s not in chosen)
    return tuple(chosen)
