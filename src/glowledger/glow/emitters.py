"""Emitters: lines that share one upper population, with their branching.

A low-pressure glow is not in local thermodynamic equilibrium, so each upper level is an emitter of its
own. `weight` holds only a typical share within the species (gA exp(-E/kT), the optically thin form), used
to tie levels loosely and to sum faint ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from glowledger.tables import atoms
from glowledger.tables.species import ListedSpecies

LINE_RANGE_NM = (150.0, 1300.0)
UNRATED = 0.3  # lines without a rate are the fainter ones of a species: listed intensity counts for less
FAINTEST = 1e-5  # of the species' strongest level: fainter levels are left out


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Emitter:
    """Lines that share one upper population.

    Attributes
    ----------
    species : str
        Standard notation.
    label : str
        ``Ar I 13.48 eV``, ``N2 C-B v'=0``.
    wavelength_nm : ndarray of shape (k,)
        nm in air, increasing.
    rate : ndarray of shape (k,)
        Photons in each line per photon of the emitter; sums to 1 over the table.
    weight : float
        Typical photons of this emitter within its species; only ratios matter.
    anchor_nm : ndarray of shape (a,)
        Where its recognisable features stand: lines, or band heads.
    anchor_rate : ndarray of shape (a,)
        Photons in each feature per photon of the emitter.
    anchor_label : tuple of str, length a
        ``Ar I 750.39``, ``N2 C-B (0,0)``.
    branching_error : float
        Typical relative standard error of `rate`.
    summed : bool
        Several levels in typical proportions, or a band of assumed shape: `rate` is a rough guess.
    energy_ev : float
        Of the upper level of an atom or ion; NaN for bands, sums and lines without a level.
    """

    species: str
    label: str
    wavelength_nm: NDArray[np.float64]
    rate: NDArray[np.float64]
    weight: float
    anchor_nm: NDArray[np.float64]
    anchor_rate: NDArray[np.float64]
    anchor_label: tuple[str, ...]
    branching_error: float
    summed: bool = False
    energy_ev: float = float("nan")

    def __post_init__(self) -> None:
        if np.any(self.wavelength_nm[1:] < self.wavelength_nm[:-1]):
            raise ValueError(f"the lines of {self.label} are not in order of wavelength")


def atomic_emitters(species: ListedSpecies) -> tuple[Emitter, ...]:
    """Return one emitter per upper level of an atom or ion, heaviest first.

    Parameters
    ----------
    species : ListedSpecies
        Its `excitation_ev` sets the typical weights.

    Returns
    -------
    tuple of Emitter
        Lines without a transition rate are emitters of their own, weighted by listed intensity on the
        scale of the lines that have both.

    Raises
    ------
    TableError
        If the species is not in the line table.
    """
    lines = atoms.load().select(species.name, LINE_RANGE_NM)
    energy_ev = lines.upper_ev()
    typical = lines.ga_ki * np.exp(-energy_ev / species.excitation_ev)
    known = np.isfinite(typical) & (typical > 0)
    strength = np.where(known, typical, _from_intensity(lines.relative_intensity, typical, known))
    usable = np.isfinite(strength) & (strength > 0)
    # a line without a rate stands alone even where its level is known: its branching is not
    level = np.where(known, lines.upper_level, -1 - np.arange(len(lines)))
    error = lines.a_relative_error()
    emitters = [
        _atomic_emitter(lines, strength, error, np.flatnonzero(usable & (level == number)))
        for number in np.unique(level[usable])
    ]
    heaviest = max((e.weight for e in emitters), default=0.0)
    kept = [e for e in emitters if e.weight > FAINTEST * heaviest]
    return tuple(sorted(kept, key=lambda e: -e.weight))


def _from_intensity(
    intensity: NDArray[np.float64], typical: NDArray[np.float64], known: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Put listed intensities on the scale of the typical strengths, where a species has both."""
    both = known & (intensity > 0)
    if not both.any():
        return intensity
    ratio = np.log(typical[both] / intensity[both])
    # few pairs say little, and the strongest line says most; many pairs: the middle one
    scale = np.exp(np.median(ratio)) if both.sum() > 4 else typical[both].max() / intensity[both].max()
    return intensity * scale * UNRATED


def _atomic_emitter(
    lines: atoms.AtomicLines, strength: NDArray[np.float64], error: NDArray[np.float64], rows: NDArray[np.intp]
) -> Emitter:
    rows = rows[np.argsort(lines.wavelength_nm[rows], kind="stable")]
    nm = lines.wavelength_nm[rows]
    total = float(strength[rows].sum())
    rate = strength[rows] / total
    name = str(lines.species[rows[0]])
    energy = lines.e_upper_cm[rows[0]] * atoms.HC_EV_CM
    return Emitter(
        species=name,
        label=f"{name} {energy:.2f} eV" if np.isfinite(energy) else f"{name} {nm[0]:.2f}",
        wavelength_nm=nm,
        rate=rate,
        weight=total,
        anchor_nm=nm,
        anchor_rate=rate,
        anchor_label=tuple(f"{name} {value:.2f}" for value in nm),
        branching_error=float(np.sum(rate * np.nan_to_num(error[rows], nan=0.5))),
        energy_ev=float(energy),
    )


@lru_cache(maxsize=192)
def lines_of(
    emitters: tuple[Emitter, ...]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.intp]]:
    """Return place, rate and owner of all lines of emitters."""
    owner = np.repeat(np.arange(len(emitters)), [e.wavelength_nm.size for e in emitters])
    return np.concatenate([e.wavelength_nm for e in emitters]), np.concatenate([e.rate for e in emitters]), owner


def summed(emitters: list[Emitter] | tuple[Emitter, ...], label: str, within_nm: float = 0.0) -> Emitter:
    """Return several emitters of one species as one, in their typical proportions.

    Parameters
    ----------
    emitters : sequence of Emitter
        At least one.
    label : str
        Name of the sum.
    within_nm : float
        Lines closer than this become one at their mean.

    Returns
    -------
    Emitter
    """
    total = sum(e.weight for e in emitters)
    parts = [e.weight / total for e in emitters]
    nm = np.concatenate([e.wavelength_nm for e in emitters])
    rate = np.concatenate([e.rate * part for e, part in zip(emitters, parts, strict=True)])
    nm, rate = _merged(nm, rate, within_nm) if within_nm > 0 else _in_order(nm, rate)
    return Emitter(
        species=emitters[0].species,
        label=label,
        wavelength_nm=nm,
        rate=rate,
        weight=total,
        anchor_nm=np.concatenate([e.anchor_nm for e in emitters]),
        anchor_rate=np.concatenate([e.anchor_rate * part for e, part in zip(emitters, parts, strict=True)]),
        anchor_label=tuple(text for e in emitters for text in e.anchor_label),
        branching_error=0.5,
        summed=len(emitters) > 1,
    )


def _in_order(
    nm: NDArray[np.float64], rate: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    order = np.argsort(nm, kind="stable")
    return nm[order], rate[order]


def _merged(
    nm: NDArray[np.float64], rate: NDArray[np.float64], within_nm: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return lines in order, those within one of equal steps as one at their mean."""
    number = (nm / within_nm).astype(np.intp)
    number -= number.min()
    light = np.bincount(number, rate).astype(np.float64, copy=False)
    lit = np.flatnonzero(light > 0)
    return np.bincount(number, rate * nm)[lit] / light[lit], light[lit]
