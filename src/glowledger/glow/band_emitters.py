"""Emitters of molecules: one per upper vibrational level of each band system."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.bands import BandLines, photon_rates, upper_level_lines
from glowledger.glow.emitters import Emitter
from glowledger.glow.phosphor import PHOSPHORS, phosphor_emitters
from glowledger.tables.molecules import BandSystem, band_heads, system
from glowledger.tables.species import ListedSpecies

EV_PER_CM = 1.2398419843320026e-4  # hc, exact constants of the SI
HEAD_BIN_NM = 0.25  # where a band is brightest at the resolution of a cheap spectrometer
FAINTEST_BAND = 0.02  # of its upper level's photons: fainter bands are not named
MARK_T_ROT_K = 500.0
ROUGH_BEFORE_NM, ROUGH_AFTER_NM = 20.0, 40.0  # vibrational sequences beyond the known heads: an assumption
HEAD_GROUP_NM = 2.0  # closer heads of one system are parts of one band
STRONG_LINE = 3.0  # times a plain line, where a list tells no more (from memory, uncertain)
LINES_WEIGHT = 0.5  # of the lowest level of the species' bands: an assumption
# Lowest level of a second system over that of the first, where it is far fainter: common practice, no source; that of
# CH from memory of glows and flames, where 389 nm has about a tenth of the light of 431 nm
FAINTER_SYSTEMS = {"NO B-X": 0.05, "CH B-X": 0.1}
HEAD_TAIL_NM, HEAD_STEPS = 1.5, 12  # length of a band known by its head alone: an assumption


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
        Where the tables hold only heads, groups of heads, each with a tail of assumed length.
    """
    found: list[Emitter] = []
    for name in species.systems:
        if name in PHOSPHORS:
            found.extend(phosphor_emitters(species.name, name))
            continue
        bands = system(name)
        if bands.heads_only:
            found.extend(_head_emitters(species, name))
            continue
        if not bands.upper_levels():
            continue
        upper, _ = bands.states()
        lowest, usual = bands.upper_levels()[0], FAINTER_SYSTEMS.get(name, 1.0)
        for v in bands.upper_levels():
            rise_ev = (upper.vibrational_term(v) - upper.vibrational_term(lowest)) * EV_PER_CM
            found.append(_emitter(species, bands, v, t_rot_k, usual * float(np.exp(-rise_ev / species.excitation_ev))))
    return tuple(sorted(found, key=lambda e: -e.weight)[: species.levels])


def rough_positions(species: ListedSpecies) -> bool:
    """Return True if the tables hold only heads of all the species' systems."""
    return species.molecular and all(name in PHOSPHORS or system(name).heads_only for name in species.systems)


@cache
def is_line_list(system_name: str) -> bool:
    """Return True if a system is a list of single lines whose upper levels are not sorted out."""
    table = band_heads()
    kinds = [kind for name, kind in zip(table.system, table.degradation, strict=True) if name == system_name]
    return any("line" in kind for kind in kinds)


def rough_ranges(species: ListedSpecies) -> tuple[tuple[float, float], ...]:
    """Return the ranges, nm, in which a species known by a few heads may have bands that are not listed."""
    table = band_heads()
    found = []
    for name in species.systems:
        heads = table.wavelength_nm[np.array([one == name for one in table.system])]
        if heads.size:
            found.append((float(heads.min()) - ROUGH_BEFORE_NM, float(heads.max()) + ROUGH_AFTER_NM))
    return tuple(found)


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


def _head_emitters(species: ListedSpecies, name: str) -> list[Emitter]:
    """Return one emitter per group of heads of a system without constants."""
    table = band_heads()
    rows = [i for i, system_name in enumerate(table.system) if system_name == name]
    rows.sort(key=lambda i: table.wavelength_nm[i])
    groups: list[list[int]] = []
    if is_line_list(name):
        return [_line_emitter(species, name, rows)]
    for row in rows:
        near = groups and table.wavelength_nm[row] - table.wavelength_nm[groups[-1][-1]] < HEAD_GROUP_NM
        if near:
            groups[-1].append(row)
        else:
            groups.append([row])
    found = []
    for group in groups:
        heads = table.wavelength_nm[group]
        tails = [_tail(table.degradation[i]) for i in group]
        nm = np.concatenate([head + away for head, (away, _) in zip(heads, tails, strict=True)])
        order = np.argsort(nm, kind="stable")
        found.append(
            Emitter(
                species=species.name,
                label=f"{name} {heads[0]:.1f}",
                wavelength_nm=nm[order],
                rate=np.concatenate([fall for _, fall in tails])[order] / len(group),
                weight=1.0,
                anchor_nm=heads,
                anchor_rate=np.full(len(group), 1.0 / len(group)),
                anchor_label=tuple(f"{name} {value:.1f}" for value in heads),
                branching_error=0.5,
                summed=True,
            )
        )
    return found


def _line_emitter(species: ListedSpecies, name: str, rows: list[int]) -> Emitter:
    """Return one emitter for all prominent lines of a region whose upper levels are not sorted out."""
    table = band_heads()
    nm = table.wavelength_nm[rows]
    strength = np.array([STRONG_LINE if table.degradation[i].startswith("strong") else 1.0 for i in rows])
    return Emitter(
        species=species.name,
        label=f"{name} nm",
        wavelength_nm=nm,
        rate=strength / strength.sum(),
        weight=LINES_WEIGHT,
        anchor_nm=nm,
        anchor_rate=strength / strength.sum(),
        anchor_label=tuple(f"{species.name} {value:.1f}" for value in nm),
        branching_error=0.5,
        summed=True,
    )


def _tail(degradation: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how light falls off from a head: nm away and share; to both sides where the side is not known."""
    away = (np.arange(HEAD_STEPS) + 0.5) * 5 * HEAD_TAIL_NM / HEAD_STEPS
    fall = np.exp(-away / HEAD_TAIL_NM) / np.exp(-away / HEAD_TAIL_NM).sum()
    if degradation == "unknown":
        return np.concatenate([-away[::-1], away]), np.concatenate([fall[::-1], fall]) / 2
    return (-away if degradation == "violet" else away), fall


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
