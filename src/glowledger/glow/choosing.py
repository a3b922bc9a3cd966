"""Which emitters a fit holds: every species by its typical pattern, freed to levels once it is seen."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.band_emitters import band_emitters, is_line_list
from glowledger.glow.emitters import Emitter, atomic_emitters, lines_of, summed
from glowledger.tables.species import ListedSpecies

Told = Callable[[tuple[Emitter, ...]], NDArray[np.bool_]]

OTHERS = ""  # key of the rotational temperature of molecules that are not named
FIRST_T_ROT_K = 500.0  # a glow's molecules before anything is known: common practice, no source
BRIGHT_LEVELS = 100
TILTED_EV = 3.0  # beyond, levels are no hotter than there: doubly excited ones lie far above all others
STEP_LOG_T = 0.1  # of the logarithm of the temperature of bands that do not tell their own
CACHED = 192  # results kept: those of all species, molecules at some temperatures
CACHED_BANDS = 64  # for the molecules themselves, of up to a hundred thousand lines each
CLEAR_FACTOR = 4  # times the levels of the table
MANY_LINES = 4096
MERGED_NM = 0.01  # lines of a typical pattern closer than this become one at their mean: a thirtieth of a line width
TERM_EV = 0.03  # apart at most: levels of one term
TERM_PART = 0.1  # of the brightest level of the species: what is no faint rest
# Helium fills the high levels of N2+ B (charge transfer, Penning ionisation: common practice, no source). In most other
# glows these are faint, and would take the tails of the bands beside them, which tell the temperature
FEWER_WITHOUT = {"N2+": ("He I", 3)}
IN_RANGE = 2e-3  # of an emitter's photons must fall in range, or it is left out


def chosen_emitters(
    species: tuple[ListedSpecies, ...],
    freed: frozenset[str],
    t_rot_k: dict[str, float],
    low_nm: float,
    high_nm: float,
    bright: frozenset[str] = frozenset(),
    clear: frozenset[str] = frozenset(),
    tilt: Mapping[str, float] | None = None,
    told: Told | None = None,
    vibrating: frozenset[str] = frozenset(),
) -> tuple[Emitter, ...]:
    """Return the emitters for a fit.

    Parameters
    ----------
    species : tuple of ListedSpecies
        What to look for.
    freed : frozenset of str
        Species whose levels are fitted one by one; the others have one emitter in typical proportions,
        molecules one per band system.
    t_rot_k : dict of str to float
        Rotational temperature by species; where not named that of `OTHERS`, or else `FIRST_T_ROT_K`.
    low_nm, high_nm : float
        Range of the spectrum.
    bright : frozenset of str
        Species that give much of the light: their faint levels matter too, so more are freed.
    clear : frozenset of str
        Atoms seen clearly: more of their levels show, and many-lined metals have many.
    tilt : mapping of str to float, optional
        By how much 1 / kT of an atom's levels is less than the typical, 1 / eV.
    told : callable, optional
        Which levels of an atom the spectrum could tell, shape (m,); others are not freed.
    vibrating : frozenset of str
        Molecules of `FEWER_WITHOUT` whose high levels are bright all the same.

    Returns
    -------
    tuple of Emitter
        Those with light in range, by species.
    """
    chosen: list[Emitter] = []
    for one in species:
        like_others = _step(t_rot_k[OTHERS]) if one.molecular and OTHERS in t_rot_k else FIRST_T_ROT_K
        temperature = float(t_rot_k.get(one.name, like_others))
        shares, here = _shares_in_range(one, temperature, low_nm, high_nm, (tilt or {}).get(one.name, 0.0))
        maker, fewer = FEWER_WITHOUT.get(one.name, ("", 0))
        if bright and maker and maker not in bright and one.name not in vibrating:
            shares, here = shares[:fewer], here[:fewer]
        if not here:
            continue
        if one.name in freed:
            levels = one.levels * (CLEAR_FACTOR if one.name in clear and not one.molecular else 1)
            free, rest = _split(here, shares, BRIGHT_LEVELS if one.name in bright else levels)
            if told is not None and not one.molecular and free:
                seen = told(tuple(free))
                rest = [*(e for e, own in zip(free, seen, strict=True) if not own), *rest]
                free = [e for e, own in zip(free, seen, strict=True) if own]
            chosen.extend(free)
            if rest:
                chosen.append(_summed(tuple(rest), f"{one.name} fainter levels"))
        elif one.molecular:
            for system in one.systems:
                group = [e for e in here if e.label.startswith(f"{system} ")]
                if group and not is_line_list(system):  # too vague to look for a species by
                    chosen.append(_summed(tuple(group), f"{system} typical"))
        else:
            chosen.append(_summed(here, f"{one.name} typical"))
    return tuple(chosen)


def _step(kelvin: float) -> float:
    """Return the nearest temperature on a ladder much finer than molecules of one glow differ by: bands are kept."""
    return float(np.exp(np.round(np.log(kelvin) / STEP_LOG_T) * STEP_LOG_T))


def _all_emitters(species: ListedSpecies, t_rot_k: float, tilt: float) -> tuple[Emitter, ...]:
    return _bands(species, t_rot_k) if species.molecular else _levels(species, tilt)


@lru_cache(maxsize=CACHED)
def _levels(species: ListedSpecies, tilt: float) -> tuple[Emitter, ...]:
    """Return the levels of an atom with the typical weights of another excitation."""
    if tilt == 0.0:
        return atomic_emitters(species)
    levels = _levels(species, 0.0)
    about = max(levels, key=lambda e: e.weight).energy_ev if levels else 0.0
    return tuple(
        replace(e, weight=e.weight * float(np.exp(tilt * np.clip(e.energy_ev - about, -TILTED_EV, TILTED_EV))))
        if np.isfinite(e.energy_ev) else e
        for e in levels
    )  # fmt: skip


@lru_cache(maxsize=CACHED_BANDS)
def _bands(species: ListedSpecies, t_rot_k: float) -> tuple[Emitter, ...]:
    return band_emitters(species, t_rot_k)


@lru_cache(maxsize=CACHED)
def _summed(emitters: tuple[Emitter, ...], label: str) -> Emitter:
    """As `summed`; of hundreds of thousands of lines, those that no spectrometer here could part become one."""
    many = sum(e.wavelength_nm.size for e in emitters) >= MANY_LINES
    return summed(emitters, label, MERGED_NM if many else 0.0)


@lru_cache(maxsize=CACHED)
def _shares_in_range(
    species: ListedSpecies, t_rot_k: float, low_nm: float, high_nm: float, tilt: float
) -> tuple[NDArray[np.float64], tuple[Emitter, ...]]:
    """Return the emitters with light in range, and which part of each's photons that is."""
    every = _all_emitters(species, t_rot_k, tilt)
    if not every:
        return np.zeros(0), ()
    if species.molecular:  # few, with many lines each
        share = np.array([_part_within(e, low_nm, high_nm) for e in every])
    else:
        nm, rate, owner = lines_of(every)
        share = np.bincount(owner, np.where((nm >= low_nm) & (nm <= high_nm), rate, 0.0), len(every))
    here = np.flatnonzero(share > IN_RANGE)
    return share[here], tuple(every[i] for i in here)


def _part_within(emitter: Emitter, low_nm: float, high_nm: float) -> float:
    """Return which part of an emitter's photons has a wavelength in a range."""
    nm = emitter.wavelength_nm
    first, last = nm.searchsorted(low_nm), nm.searchsorted(high_nm, side="right")
    return float(emitter.rate[first:last].sum())


def _split(
    emitters: tuple[Emitter, ...], shares: NDArray[np.float64], levels: int
) -> tuple[list[Emitter], list[Emitter]]:
    """Return the levels with most typical light in range, those that belong to them, and the rest.

    Levels of one term lie close together and are filled alike: were bright ones summed with the faint rest, their
    light, which one and the same line of the spectrum holds, would stand for all that is faint.
    """
    light = np.array([e.weight for e in emitters]) * shares
    order = np.argsort(-light, kind="stable")
    energy = np.array([e.energy_ev for e in emitters])
    taken = order[:levels]
    beside = np.any(np.abs(energy[:, None] - energy[taken]) < TERM_EV, axis=1)  # never bands, whose energy is NaN
    alike = beside & (light > TERM_PART * light.max(initial=0.0))
    alike[taken] = True
    return [emitters[i] for i in order if alike[i]], [emitters[i] for i in order if not alike[i]]
