"""Peaks with the lines they were taken for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Identified:
    """Peaks with the lines they were taken for; arrays of shape (k,).

    Attributes
    ----------
    peak, shot : ndarray of intp
        Index into the peaks of a shot, and which shot.
    u : ndarray
        Where the line falls on the axis mapped to -1..1.
    wavelength_nm, error_nm : ndarray
        Published wavelength (of the brightest line in a blend); standard error of its place, nm.
    width_nm : ndarray
        Line width there.
    brightness : ndarray
        ln(counts over listed strength); NaN for flat tops and phosphor bands.
    species : tuple of str
        Standard notation.
    anchor, vague, single, bright, sharp : ndarray of bool
        May carry the solution; may at least support it, within its error; no other listed line within the peak;
        surely shown by the lamp; of lines, not of a phosphor band.
    """

    peak: NDArray[np.intp]
    shot: NDArray[np.intp]
    u: Floats
    wavelength_nm: Floats
    error_nm: Floats
    width_nm: Floats
    brightness: Floats
    species: tuple[str, ...]
    anchor: NDArray[np.bool_]
    vague: NDArray[np.bool_]
    single: NDArray[np.bool_]
    bright: NDArray[np.bool_]
    sharp: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.peak)


class Placed(NamedTuple):
    """One row of `Identified`."""

    peak: int
    u: float
    wavelength_nm: float
    error_nm: float
    width_nm: float
    brightness: float
    species: str
    anchor: bool
    vague: bool
    single: bool
    bright: bool
    sharp: bool


TYPES = {
    "peak": np.intp, "u": float, "wavelength_nm": float, "error_nm": float, "width_nm": float, "brightness": float,
    "anchor": bool, "vague": bool, "single": bool, "bright": bool, "sharp": bool,
}  # fmt: skip


def as_identified(rows: list[Placed], shot: int = 0) -> Identified:
    """Return rows as columns."""
    arrays = {name: np.array([getattr(row, name) for row in rows], dtype=kind) for name, kind in TYPES.items()}
    return Identified(shot=np.full(len(rows), shot, dtype=np.intp), species=tuple(r.species for r in rows), **arrays)


def joined(parts: list[Identified]) -> Identified:
    """Return the lines of several spectra as one, ordered by place; `shot` counts the spectra."""
    order = np.argsort(np.concatenate([p.u for p in parts]), kind="stable")
    species = [name for p in parts for name in p.species]
    arrays = {name: np.concatenate([getattr(p, name) for p in parts])[order] for name in TYPES}
    shot = np.concatenate([np.full(len(p), k, dtype=np.intp) for k, p in enumerate(parts)])[order]
    return Identified(shot=shot, species=tuple(species[i] for i in order), **arrays)
