"""Tables that other installed packages add: species, their lines and their bands.

A package adds them through the entry point group ``glowledger.species``. The entry point names a folder, or a
function without arguments that returns one; the folder holds any of the files in `ADDABLE`, written as
``line_tables/FORMAT.md`` describes. Added rows stand behind ours and never replace one.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path

from glowledger.errors import TableError

GROUP = "glowledger.species"
# table -> the column whose names an added table must not share with ours
ADDABLE = {
    "species.csv": "name",
    "atomic_lines.csv": "species",
    "band_strengths.csv": "system",
    "band_heads.csv": "system",
    "molecules.json": "systems",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class AddedTables:
    """Tables of another package.

    Attributes
    ----------
    package : str
        Its name and version, for messages and answers.
    folder : Path
        Where its tables lie.
    """

    package: str
    folder: Path

    def mend(self) -> str:
        """Return what the user can do about a fault in these tables."""
        return f"They come from the installed package {self.package}: update it, or uninstall it."


@cache
def added_tables() -> tuple[AddedTables, ...]:
    """Return the tables that installed packages add, in the order of the packages' names.

    Raises
    ------
    TableError
        If a package names a folder that does not exist, or its entry point cannot be loaded.
    """
    points = entry_points(group=GROUP)
    return tuple(_loaded(point) for point in sorted(points, key=lambda p: (package_of(p), p.name)))


def package_of(point: EntryPoint) -> str:
    """Return name and version of the package that declares an entry point."""
    return "(unnamed)" if point.dist is None else f"{point.dist.name} {point.dist.version}"


def _loaded(point: EntryPoint) -> AddedTables:
    package = package_of(point)
    try:
        named = point.load()
        folder = Path(str(named() if callable(named) else named))
    except Exception as error:  # whatever another package's code raises
        raise TableError(
            f"the package {package} adds species as '{point.value}', which cannot be loaded "
            f"({type(error).__name__}: {error}).",
            mend="Update it, or uninstall it.",
        ) from error
    if not any((folder / name).is_file() for name in ADDABLE):
        raise TableError(
            f"the package {package} adds species, but none of {', '.join(ADDABLE)} is there.",
            mend="Update it, or uninstall it.",
            file=folder,
        )
    return AddedTables(package=package, folder=folder)


def added_packages() -> dict[str, object]:
    """Return ``{"added_tables": [package and version, ...]}`` for an answer; empty where nothing was added."""
    names = sorted({one.package for one in added_tables()})
    return {"added_tables": names} if names else {}
