"""Emitters of molecules: one per upper vibrational level of each band system."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.bands import BandLines, photon_rates, upper_level_lines
from glowledger.glow.emitters import Emitter
from glowledger.tables.molecules import BandSystem, system
from glowledger.tables.species import ListedSpecies

EV_PER_CM = 1.2398419843320026e-4  # hc, exact constants of the SI
HEAD_BIN_NM = 0.25  # where a band is brightest at the resolution of a cheap spectrometer
FAINTEST_BAND = 0.02  # of its upper level's photons: fainter bands are not named
MARK_T_ROT_K = 500.0


def band_emitters(species: ListedSpecies, t_rot_k: float) -> tuple[Emitter, ...]:
    """Return the emitters of a molecule at a rotational temperature, heaviest first.

    Parameters
    ----------
    species : ListedSpecies
        Its `systems`, and how many upper levels in all.
    t_rot_k : float
        Rotational temperature, K.

    Returns
    -------
    tuple of Emitter
        Systems of which the tables hold only heads are left out.
    """
    found: list[Emitter] = []
    for name in species.systems:
        bands = system(name)
        if bands.heads_only or not bands.upper_levels():
            continue
        upper, _ = bands.states()
        lowest = bands.upper_levels()[0]
        for v in bands.upper_levels():
            rise_ev = (upper.vibrational_term(v) - upper.vibrational_term(lowest)) * EV_PER_CM
            found.append(_emitter(species, bands, v, t_rot_k, float(np.exp(-rise_ev / species.excitation_ev))))
    return tuple(sorted(found, key=lambda e: -e.weight)[: species.levels])


def _emitter(species: ListedSpecies, bands: BandSystem, v: int, t_rot_k: float, weight: float) -> Emitter:
    lines = upper_level_lines(bands.name, v)
    nm, share, labels = _marks(bands.name, v)
    return Emitter(
        species=species.name,
        label=f"{bands.name} v'={v}",
        wavelength_nm=lines.wavelength_nm,
        rate=photon_rates(lines, t_rot_k),
        weight=weight,
        anchor_nm=nm,
        anchor_rate=share,
        anchor_label=labels,
        branching_error=bands.branching_uncertainty,
    )


@cache
def _marks(name: str, v: int) -> tuple[NDArray[np.float64], NDArray[np.float64], tuple[str, ...]]:
    """Return where each band from a level is brightest, its share of the photons, and its label."""
    lines = upper_level_lines(name, v)
    rate = photon_rates(lines, MARK_T_ROT_K)
    nm, share, labels = [], [], []
    for v_lower in np.unique(lines.v_lower):
        here = lines.v_lower == v_lower
        part = float(rate[here].sum())
        if part >= FAINTEST_BAND:
            nm.append(_brightest(lines, rate, here))
            share.append(part)
            labels.append(f"{name} ({v},{v_lower})")
    return np.array(nm), np.array(share), tuple(labels)


def _brightest(lines: BandLines, rate: NDArray[np.float64], here: NDArray[np.bool_]) -> float:
    wavelength = lines.wavelength_nm[here]
    index = ((wavelength - wavelength.min()) / HEAD_BIN_NM).astype(int)
    light = np.convolve(np.bincount(index, rate[here]), [0.5, 1.0, 0.5], mode="same")
    return float(wavelength.min() + (light.argmax() + 0.5) * HEAD_BIN_NM)
