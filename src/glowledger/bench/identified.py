"""Peaks with the lines they were taken for."""

from __future__ import annotations

from dataclasses import dataclass

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
    species : tuple of str
        Standard notation.
    anchor, single, bright : ndarray of bool
        May carry the solution; no other listed line within the peak; surely shown by the lamp.
    """

    peak: NDArray[np.intp]
    shot: NDArray[np.intp]
    u: Floats
    wavelength_nm: Floats
    error_nm: Floats
    width_nm: Floats
    species: tuple[str, ...]
    anchor: NDArray[np.bool_]
    single: NDArray[np.bool_]
    bright: NDArray[np.bool_]
