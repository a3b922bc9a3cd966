"""Lines of calibration lamps: which a lamp surely shows, which it may show."""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from glowledger.errors import TableError
from glowledger.tables.columns import Columns
from glowledger.tables.folder import read_table

BLEND_NM = 1.0
FULL_NAMES = {
    "argon": "ar", "cadmium": "cd", "compact fluorescent": "cfl", "energy saving": "cfl", "fluorescent": "cfl",
    "h": "h2", "hydrogen": "h2", "helium": "he", "mercury": "hg", "hgar": "hg-ar", "krypton": "kr", "sodium": "na",
    "neon": "ne", "xenon": "xe", "zinc": "zn",
}  # fmt: skip
# by the mass of the electron over that of the nucleus (CODATA 2018: 1/1836.153, 1/3670.483) each line of deuterium lies
# 2.72e-4 of its wavelength below that of hydrogen: 0.18 nm at 656.28 nm
DEUTERIUM = ("d", "d2", "deuterium")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LampLines(Columns):
    """Lines of a lamp; all arrays of shape (m,), ordered by wavelength.

    Attributes
    ----------
    species : ndarray of str
        Emitter; for phosphor bands the ions of the phosphor.
    wavelength_nm : ndarray
        nm in standard air.
    strength : ndarray
        Rough counts relative to the strongest line of the element in that lamp, as a silicon spectrometer
        sees them; good to a factor of some three for anchors and ten for secondary lines.
    role : ndarray of str
        'anchor': well seen and certain; 'secondary': may be seen; 'band': a phosphor band.
    approximate : ndarray of bool
        True for phosphor bands: good for finding out the lamp, never for the wavelength solution.
    error_nm : ndarray
        Standard error of the wavelength, nm, with unresolved fine structure; 0.5 for phosphor bands.
    blend : ndarray of str
        Lines of the same lamp within 1 nm that have a tenth of its strength or more, nearest first, joined
        by '; ', e.g. ``Ar I 772.421``; '' if none.
    source : ndarray of str
        Keys explained in ``line_tables/FORMAT.md``.
    """

    species: NDArray[np.str_]
    wavelength_nm: NDArray[np.float64]
    strength: NDArray[np.float64]
    role: NDArray[np.str_]
    approximate: NDArray[np.bool_]
    error_nm: NDArray[np.float64]
    blend: NDArray[np.str_]
    source: NDArray[np.str_]


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
            error_nm=np.array(columns["error_nm"], dtype=np.float64),
            blend=np.full(len(role), ""),
            source=np.array(columns["source"]),
        )
    except (KeyError, ValueError) as error:
        raise TableError(f"lamp_lines.csv is damaged ({error}).", mend="Install glowledger again.") from error
    return np.array(columns["lamp"]), lines


def lamp_names() -> tuple[str, ...]:
    """Return the names `lamp_lines` takes, in alphabetical order."""
    return tuple(str(name) for name in np.unique(_table()[0]))


def lamp_lines(lamp: str, *, secondary: bool = False) -> LampLines:
    """Return the lines of a lamp or of several elements in one lamp.

    Parameters
    ----------
    lamp : str
        A name of `lamp_names`, or several with commas: ``hg,ar``, ``hg,cd,ar``, ``he,ne,ar``. Case and
        blanks are forgiven, and so are 'neon', 'mercury-argon' and the like. The strength of each part is
        relative to its own strongest line.
    secondary : bool
        Whether to add the lines that may be seen; they help instruments better than 1 nm.

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
    chosen = lines[np.isin(lamps, lamp_parts(lamp)) & (secondary | (lines.role != "secondary"))]
    order = np.lexsort((-chosen.strength, chosen.species, chosen.wavelength_nm))
    chosen = chosen[order]
    same = (np.diff(chosen.wavelength_nm) == 0) & (chosen.species[1:] == chosen.species[:-1])
    once = chosen[np.concatenate([[True], ~same])]
    return replace(once, blend=_blends(once))


def lamp_parts(lamp: str) -> tuple[str, ...]:
    """Return the names of `lamp_names` that a user means by ``neon``, ``hg,ar``, ``mercury-argon`` or ``hg + cd``.

    Raises
    ------
    TableError
        If a part is not a known lamp.
    """
    named = [part for part in lamp.split(",") if part.strip()] or [lamp]
    found: list[str] = []
    for part in named:
        pieces = [_plain_name(piece) for piece in re.split(r"[-+/&\s]+", _plain_name(part)) if piece]
        together = _plain_name(part) not in lamp_names() and len(pieces) > 1 and set(pieces) <= set(lamp_names())
        if together and set(pieces) == {"hg", "ar"}:  # the usual lamp of that name
            pieces = ["hg-ar"]
        found += pieces if together else [_known_name(part)]
    return tuple(dict.fromkeys(found))


def _plain_name(part: str) -> str:
    name = " ".join(re.sub(r"\b(lamps?|tubes?|bulbs?|lights?)\b", " ", part.casefold()).split())
    name = FULL_NAMES.get(name.replace("-", " "), name)
    return FULL_NAMES.get(name, name)


def _known_name(part: str) -> str:
    known = lamp_names()
    name = _plain_name(part)
    if name in known:
        return name
    if name in DEUTERIUM:
        raise TableError(
            "a deuterium lamp has too few lines to tell wavelengths.",
            mend="Most of its light is spread over the spectrum, and under the name of hydrogen its lines would put "
            "the scale off by 0.18 nm at 656 nm: use a lamp of many lines (neon, argon, mercury-argon, compact "
            "fluorescent).",
        )
    near = difflib.get_close_matches(name, [*known, *FULL_NAMES], n=3, cutoff=0.5)
    mend = f"Did you mean {' or '.join(map(repr, near))}? " if near else ""
    raise TableError(
        f"no lamp is called '{part.strip()}'.",
        mend=f"{mend}Known lamps: {', '.join(known)}; several with commas, e.g. hg,ar.",
    )


def _blends(lines: LampLines) -> NDArray[np.str_]:
    """Return the neighbours of each line as text; lists are short, so plain loops."""
    texts = []
    for nm, strength in zip(lines.wavelength_nm, lines.strength, strict=True):
        distance = np.abs(lines.wavelength_nm - nm)
        near = np.flatnonzero((distance < BLEND_NM) & (distance > 0) & (lines.strength >= 0.1 * strength))
        near = near[np.argsort(distance[near])]
        texts.append("; ".join(f"{lines.species[i]} {lines.wavelength_nm[i]:.3f}" for i in near))
    return np.array(texts, dtype=np.str_)
