"""Computed band origins and heads: where a branch turns back and its lines pile up."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.bands import K_CM, BandLines, band_lines
from glowledger.tables.air import air_from_vacuum
from glowledger.tables.molecules import system

HEAD_T_ROT_K = 1000.0  # heads lie at higher J than the peak at room temperature
WINDOW_NM = 0.15  # to either side of a head: the light that counts as in it
BRIGHT = 0.4  # of the light in the brightest head that another needs to be taken as the head


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ComputedHeads:
    """Heads of one band; arrays of shape (h,), ordered by wavelength.

    Attributes
    ----------
    branch : tuple of str
        Branch that turns, e.g. ``P1``.
    wavelength_nm : ndarray
        nm in air, where it turns (or where it starts, if it only ever runs one way).
    turns : ndarray of bool
        False if the branch has no turning point and `wavelength_nm` is its first line.
    share : ndarray
        Part of the band's photons at `HEAD_T_ROT_K` in this branch.
    brightness : ndarray
        Part of the band's photons within `WINDOW_NM` of the head, all branches.
    degradation : tuple of str
        ``violet`` if the branch fades to shorter wavelengths, else ``red``.
    """

    branch: tuple[str, ...]
    wavelength_nm: NDArray[np.float64]
    turns: NDArray[np.bool_]
    share: NDArray[np.float64]
    brightness: NDArray[np.float64]
    degradation: tuple[str, ...]


def origin_nm(name: str, v_upper: int, v_lower: int) -> float:
    """Return the wavelength of Te' + G'(v') - Te'' - G''(v''), nm in air: no line, but a mark."""
    upper, lower = system(name).states()
    wavenumber = upper.vibrational_term(v_upper) - lower.vibrational_term(v_lower)
    return float(air_from_vacuum(1e7 / wavenumber))


def heads(name: str, v_upper: int, v_lower: int) -> ComputedHeads:
    """Return where the branches of a band turn back.

    Parameters
    ----------
    name : str
        Band system.
    v_upper, v_lower : int
        The band.

    Returns
    -------
    ComputedHeads
    """
    lines = band_lines(name, v_upper, v_lower)
    rates = lines.strength * np.exp(-lines.upper_term_cm / (K_CM * HEAD_T_ROT_K))
    rates /= rates.sum()
    found = []
    for branch in np.unique(lines.branch):
        here = lines.branch == branch
        turning = _turning_point(lines, here)
        if turning is not None:
            found.append((str(branch), *turning, float(rates[here].sum())))
    found.sort(key=lambda head: head[1])
    at = np.array([head[1] for head in found])
    near = np.abs(lines.wavelength_nm[None, :] - at[:, None]) < WINDOW_NM
    return ComputedHeads(
        branch=tuple(head[0] for head in found),
        wavelength_nm=at,
        turns=np.array([head[2] for head in found], dtype=bool),
        degradation=tuple(head[3] for head in found),
        share=np.array([head[4] for head in found]),
        brightness=near @ rates,
    )


def _turning_point(lines: BandLines, here: NDArray[np.bool_]) -> tuple[float, bool, str] | None:
    """Return wavelength, whether the branch turns there, and the side to which it fades."""
    j, first = np.unique(lines.j_upper[here], return_index=True)
    if j.size < 4:
        return None
    nm = lines.wavelength_nm[here][first]
    steps = np.diff(nm)
    turn = np.flatnonzero(np.sign(steps[:-1]) != np.sign(steps[1:]))
    at = int(turn[0]) + 1 if turn.size else 0
    fades = "violet" if nm[-1] < nm[at] else "red"
    return float(nm[at]), bool(turn.size), fades


def head_nm(name: str, v_upper: int, v_lower: int) -> float:
    """Return the wavelength of the head of a band, nm in air.

    Parameters
    ----------
    name : str
        Band system.
    v_upper, v_lower : int
        The band.

    Returns
    -------
    float
        Of the heads with at least `BRIGHT` times the light of the brightest, the one farthest out on the
        sharp side of the band: where the steep edge lies. The peak seen at low resolution lies inside by
        about half a line width. Bands with several heads (OH, NO, CO b-a, comet tail) have more in `heads`.
    """
    found = heads(name, v_upper, v_lower)
    bright = found.brightness >= BRIGHT * found.brightness.max()
    red = np.array([side == "red" for side in found.degradation])
    to_red = found.share[bright & red].sum() > found.share[bright & ~red].sum()
    candidates = found.wavelength_nm[bright & (red == to_red)]
    return float(candidates.min() if to_red else candidates.max())
