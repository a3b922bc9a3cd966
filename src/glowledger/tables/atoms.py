"""Lines of atoms and ions: load the bundled table and choose from it."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from dataclasses import dataclass, fields
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from glowledger.errors import TableError
from glowledger.tables.columns import Columns
from glowledger.tables.folder import read_table

HC_EV_CM = 1.2398419843320026e-4  # eV per cm^-1, exact constants of the SI (CODATA 2018)

# NIST ASD grades: estimated accuracy of A, as listed in the ASD help, taken as relative standard errors, on
# the wide side. Ours: 'n' evaluated but without a grade, 'u' from lists of oscillator strengths, 'm' memory.
A_RELATIVE_ERROR = {
    "AAA": 0.003, "AA": 0.01, "A+": 0.02, "A": 0.03, "B+": 0.07, "B": 0.10, "C+": 0.18, "C": 0.25,
    "D+": 0.40, "D": 0.50, "E": 1.0, "n": 0.20, "u": 0.50, "m": 0.25,
}  # fmt: skip
WAVELENGTH_ERROR_NM = {"a": 0.001, "b": 0.003, "c": 0.01, "d": 0.05}

# An element of one or two letters, then its stage; capital I right after the element is the stage.
_NAME = re.compile(
    r"(?P<element>[A-Z][a-z]?|[a-z]{1,2}|[A-Z]{2}(?= ))(?P<gap>[ _]*)(?P<stage>I{1,3}|i{1,3}|\++)?"
)
ELEMENTS = (
    "aluminium Al, aluminum Al, argon Ar, barium Ba, boron B, cadmium Cd, calcium Ca, carbon C, chlorine Cl, "
    "chromium Cr, cobalt Co, copper Cu, fluorine F, gold Au, helium He, hydrogen H, indium In, iron Fe, "
    "krypton Kr, lead Pb, lithium Li, magnesium Mg, manganese Mn, mercury Hg, molybdenum Mo, neon Ne, "
    "nickel Ni, nitrogen N, oxygen O, phosphorus P, potassium K, silicon Si, silver Ag, sodium Na, "
    "strontium Sr, sulfur S, sulphur S, tantalum Ta, tin Sn, titanium Ti, tungsten W, vanadium V, xenon Xe, "
    "zinc Zn, zirconium Zr"
)
_ELEMENTS = {name: symbol for name, symbol in (pair.split(" ") for pair in ELEMENTS.split(", "))}

_TEXT = ("species", "upper_label", "lower_label", "wavelength_class", "a_class", "source")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class AtomicLines(Columns):
    """Lines of atoms and ions; all arrays of shape (m,), ordered by species, then wavelength.

    Attributes
    ----------
    species : ndarray of str
        Spectroscopic notation: 'Ar I' neutral, 'Ar II' once ionised.
    wavelength_nm, vacuum_nm : ndarray
        nm in standard air, and in vacuum.
    a_ki : ndarray
        Transition rate, s^-1; NaN where unknown, or where only g_upper A is known.
    ga_ki : ndarray
        g_upper A, s^-1; NaN where unknown. Photons from one population go as `ga_ki` (all rows of one
        `upper_level` that have a rate have this one), so use it for branching.
    g_lower, g_upper : ndarray
        Statistical weights; NaN where unknown.
    e_lower_cm, e_upper_cm : ndarray
        Level energies above the ground state of the species, cm^-1; NaN where unknown.
    relative_intensity : ndarray
        As listed by NIST; comparable only within one species and source, and not glow brightness.
    upper_level : ndarray of int
        Number of the upper population: rows of equal number share it (one level, or sublevels of one
        term within 10 cm^-1, taken as populated by weight). A row without levels has its own number.
    upper_label, lower_label : ndarray of str
        Configuration and term in NIST notation, '' where unknown.
    wavelength_class, a_class : ndarray of str
        Keys of `WAVELENGTH_ERROR_NM` and `A_RELATIVE_ERROR`; `a_class` is '' where no rate is known.
    source : ndarray of str
        Keys explained in ``line_tables/FORMAT.md``.
    """

    species: NDArray[np.str_]
    wavelength_nm: NDArray[np.float64]
    vacuum_nm: NDArray[np.float64]
    a_ki: NDArray[np.float64]
    ga_ki: NDArray[np.float64]
    g_lower: NDArray[np.float64]
    g_upper: NDArray[np.float64]
    e_lower_cm: NDArray[np.float64]
    e_upper_cm: NDArray[np.float64]
    relative_intensity: NDArray[np.float64]
    upper_level: NDArray[np.int64]
    upper_label: NDArray[np.str_]
    lower_label: NDArray[np.str_]
    wavelength_class: NDArray[np.str_]
    a_class: NDArray[np.str_]
    source: NDArray[np.str_]

    def select(
        self, species: Iterable[str] | str | None = None, range_nm: tuple[float, float] | None = None
    ) -> AtomicLines:
        """Return the lines of some species within a range.

        Parameters
        ----------
        species : str or iterable of str, optional
            'Ar I' for one stage, 'Ar' for all stages of the element; all species if left out.
        range_nm : (float, float), optional
            Lowest and highest wavelength, nm in air, both included.

        Returns
        -------
        AtomicLines
            Possibly empty.

        Raises
        ------
        TableError
            If a species is not in the table; the mend names the nearest ones.
        """
        keep = np.ones(len(self), dtype=bool)
        if species is not None:
            wanted = [species] if isinstance(species, str) else list(species)
            keep = np.isin(self.species, [name for one in wanted for name in resolve_species(one)])
        if range_nm is not None:
            keep &= (self.wavelength_nm >= range_nm[0]) & (self.wavelength_nm <= range_nm[1])
        return self[keep]

    def upper_ev(self) -> NDArray[np.float64]:
        """Return the upper energies in eV, shape (m,); NaN where unknown."""
        return self.e_upper_cm * HC_EV_CM

    def a_relative_error(self) -> NDArray[np.float64]:
        """Return the relative standard error of the rates, shape (m,); NaN where no rate is known."""
        return _looked_up(self.a_class, A_RELATIVE_ERROR)

    def wavelength_error_nm(self) -> NDArray[np.float64]:
        """Return the standard error of the wavelengths, nm, shape (m,)."""
        return _looked_up(self.wavelength_class, WAVELENGTH_ERROR_NM)


def _looked_up(classes: NDArray[np.str_], values: dict[str, float]) -> NDArray[np.float64]:
    names, inverse = np.unique(classes, return_inverse=True)
    return np.array([values.get(str(name), np.nan) for name in names])[inverse]


@cache
def load() -> AtomicLines:
    """Return the table of atomic lines, bundled and added by installed packages (read once).

    Returns
    -------
    AtomicLines

    Raises
    ------
    TableError
        If the table is missing or damaged.
    """
    _, columns = read_table("atomic_lines.csv")
    arrays: dict[str, Any] = {}
    try:
        for item in fields(AtomicLines):
            cells = columns[item.name]
            if item.name in _TEXT:
                arrays[item.name] = np.array(cells)
            elif item.name == "upper_level":
                arrays[item.name] = np.array(cells, dtype=np.int64)
            else:
                arrays[item.name] = np.array([float(cell) if cell else np.nan for cell in cells])
    except (KeyError, ValueError) as error:
        raise TableError(
            f"atomic_lines.csv is damaged ({error}).", mend="Install glowledger again."
        ) from error
    lines = AtomicLines(**arrays)
    return lines[np.lexsort((lines.wavelength_nm, lines.species))]


@cache
def species_names() -> tuple[str, ...]:
    """Return the species in the table, in alphabetical order."""
    return tuple(str(name) for name in np.unique(load().species))


def resolve_species(name: str) -> tuple[str, ...]:
    """Return the species a user means: 'Ar I' itself, or all stages for 'Ar'.

    Parameters
    ----------
    name : str
        'Ar I', 'ArI', 'ar i', 'Ar', 'argon', 'Ar+' (as 'Ar II'). Capitals tell 'NI' (N I) from 'Ni', and 'CO'
        (a molecule, not in this table) from 'Co'.

    Returns
    -------
    tuple of str
        Names as in `species_names`.

    Raises
    ------
    TableError
        If there is none; the mend names the nearest ones.
    """
    known = species_names()
    first, _, rest = name.strip().partition(" ")
    match = _NAME.fullmatch(f"{_ELEMENTS.get(first.casefold(), first)} {rest}".strip())
    if match:
        element, stage = match["element"], match["stage"] or ""
        if element.islower() or " " in match["gap"]:
            element = element.capitalize()
        stage = "I" * (1 + len(stage)) if stage.startswith("+") else stage.upper()
        wanted = f"{element} {stage}".rstrip()
        found = tuple(k for k in known if wanted in (k, k.split()[0]))
        if found:
            return found
    candidates = {one.casefold(): one for one in known}
    near = difflib.get_close_matches(name.casefold().strip(), candidates, n=3, cutoff=0.5)
    if re.fullmatch(r"(?=.*[A-Z0-9].*[A-Z0-9])[A-Za-z0-9+]{2,4}", name.strip()):  # CO, N2, OH, CO2+
        mend = "Atoms are named like 'Ar I'; the bands of molecules are another table: --kind bands."
    elif near:
        mend = f"Did you mean {' or '.join(repr(candidates[one]) for one in near)}?"
    else:
        mend = f"Known are {', '.join(known)}."
    raise TableError(f"no lines of a species '{name}' in the table.", mend=mend)
