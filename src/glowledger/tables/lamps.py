"""Lines of calibration lamps: which a lamp surely shows, which it may show."""

from __future__ import annotations

import difflib
from dataclasses import dataclass, fields
from functools import cache

import numpy as np
from numpy.typing import NDArray

from glowledger.errors import TableError
from glowledger.tables.folder import read_table


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LampLines:
    """Lines of a lamp; all arrays of shape (m,), ordered by wavelength.

    Attributes
    ----------
    species : ndarray of str
        Emitter; for phosphor bands the ions of the phosphor.
    wavelength_nm : ndarray
        nm in standard air.
    strength : ndarray
        Rough counts relative to the strongest line of the element in that lamp, as a silicon
        spectrometer of 1 to 2 nm sees them; good to a factor of some three.
    role : ndarray of str
        'anchor': well seen and certain; 'secondary': may be seen; 'band': a phosphor band.
    approximate : ndarray of bool
        True for phosphor bands: good for finding out the lamp, never for the wavelength solution.
    blend : ndarray of str
        Neighbours of the same lamp that a coarse spectrometer does not separate; '' if none.
    source : ndarray of str
        Keys explained in ``line_tables/FORMAT.md``.
    """

    species: NDArray[np.str_]
    wavelength_nm: NDArray[np.float64]
    strength: NDArray[np.float64]
    role: NDArray[np.str_]
    approximate: NDArray[np.bool_]
    blend: NDArray[np.str_]
    source: NDArray[np.str_]

    def __post_init__(self) -> None:
        shape = np.shape(self.wavelength_nm)
        for item in fields(self):
            array = np.asarray(getattr(self, item.name))
            if array.shape != shape:
                raise ValueError(f"{item.name} has shape {array.shape}, wavelength_nm has {shape}")
            array.flags.writeable = False
            object.__setattr__(self, item.name, array)

    def __len__(self) -> int:
        return len(self.wavelength_nm)

    def __getitem__(self, rows: slice | NDArray[np.intp] | NDArray[np.bool_]) -> LampLines:
        """Return the chosen rows."""
        return LampLines(**{item.name: getattr(self, item.name)[rows] for item in fields(self)})


@cache
def _table() -> tuple[NDArray[np.str_], LampLines]:
    _, columns = read_table("lamp_lines.csv")
    try:
        role = np.array(columns["role"])
        lines = LampLines(
            species=np.array(columns["species"]),
            wavelength_nm=np.array(columns["wavelength_nm"], dtype=np.float64),
            strength=np.array(columns["strength"], dtype=np.float64),
            role=role,
            approximate=role == "band",
            blend=np.array(columns["blend"]),
            source=np.array(columns["source"]),
        )
    except (KeyError, ValueError) as error:
        raise TableError(f"lamp_lines.csv is damaged ({error}).", mend="Install glowledger again.") from error
    return np.array(columns["lamp"]), lines


def lamp_names() -> tuple[str, ...]:
    """Return the names `lamp_lines` takes, in alphabetical order."""
    return tuple(str(name) for name in np.unique(_table()[0]))


def lamp_lines(lamp: str) -> LampLines:
    """Return the lines of a lamp or of several elements in one lamp.

    Parameters
    ----------
    lamp : str
        A name of `lamp_names`, or several with commas: ``hg,ar``, ``hg,cd,ar``, ``he,ne,ar``. Case and
        blanks are forgiven. The strength of each part is relative to its own strongest line.

    Returns
    -------
    LampLines
        Ordered by wavelength, each line once (with its larger strength).

    Raises
    ------
    TableError
        If a part is not a known lamp; the mend names the nearest ones.
    """
    lamps, lines = _table()
    known = lamp_names()
    parts = [part.strip().casefold() for part in lamp.split(",") if part.strip()]
    for part in parts or [lamp]:
        if part not in known:
            near = difflib.get_close_matches(part, known, n=3, cutoff=0.5)
            mend = f"Did you mean {' or '.join(map(repr, near))}? " if near else ""
            raise TableError(
                f"no lamp is called '{part}'.",
                mend=f"{mend}Known lamps: {', '.join(known)}; several with commas, e.g. hg,ar.",
            )
    chosen = lines[np.isin(lamps, parts)]
    by_strength = np.argsort(-chosen.strength, kind="stable")
    names = [f"{s} {w:.4f}" for s, w in zip(chosen.species, chosen.wavelength_nm, strict=True)]
    _, first = np.unique(np.array(names)[by_strength], return_index=True)
    once = chosen[by_strength[first]]
    return once[np.argsort(once.wavelength_nm, kind="stable")]
