"""Which emitters a fit holds: every species by its typical pattern, freed to levels once it is seen."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.band_emitters import band_emitters, is_line_list
from glowledger.glow.emitters import Emitter, atomic_emitters, summed
from glowledger.tables.species import ListedSpecies

OTHERS = ""  # key of the rotational temperature of molecules that are not named
FIRST_T_ROT_K = 500.0  # a glow's molecules before anything is known: common practice, no source
BRIGHT_LEVELS = 100
CLEAR_FACTOR = 4  # times the levels of the table
IN_RANGE = 2e-3  # of an emitter's photons must fall in range, or it is left out


def chosen_emitters(
    species: tuple[ListedSpecies, ...],
    freed: frozenset[str],
    t_rot_k: dict[str, float],
    low_nm: float,
    high_nm: float,
    bright: frozenset[str] = frozenset(),
    clear: frozenset[str] = frozenset(),
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

    Returns
    -------
    tuple of Emitter
        Those with light in range, by species.
    """
    chosen: list[Emitter] = []
    for one in species:
        temperature = float(t_rot_k.get(one.name, t_rot_k.get(OTHERS, FIRST_T_ROT_K)))
        here = [e for e in _all_emitters(one, temperature) if _share_in_range(e, low_nm, high_nm) > IN_RANGE]
        if not here:
            continue
        if one.name in freed:
            levels = one.levels * (CLEAR_FACTOR if one.name in clear and not one.molecular else 1)
            free, rest = _split(here, BRIGHT_LEVELS if one.name in bright else levels, low_nm, high_nm)
            chosen.extend(free)
            if rest:
                chosen.append(_summed(tuple(rest), f"{one.name} fainter levels"))
        elif one.molecular:
            for system in one.systems:
                group = [e for e in here if e.label.startswith(f"{system} ")]
                if group and not is_line_list(system):  # too vague to look for a species by
                    chosen.append(_summed(tuple(group), f"{system} typical"))
        else:
            chosen.append(_summed(tuple(here), f"{one.name} typical"))
    return tuple(chosen)


@lru_cache(maxsize=512)
def _all_emitters(species: ListedSpecies, t_rot_k: float) -> tuple[Emitter, ...]:
    return band_emitters(species, t_rot_k) if species.molecular else atomic_emitters(species)


_summed = lru_cache(maxsize=512)(summed)


@lru_cache(maxsize=32768)
def _share_in_range(emitter: Emitter, low_nm: float, high_nm: float) -> float:
    inside = (emitter.wavelength_nm >= low_nm) & (emitter.wavelength_nm <= high_nm)
    return float(emitter.rate[inside].sum())


def _split(
    emitters: list[Emitter], levels: int, low_nm: float, high_nm: float
) -> tuple[list[Emitter], list[Emitter]]:
    """Return the levels with most typical light in range, and the rest."""
    light: NDArray[np.float64] = np.array([e.weight * _share_in_range(e, low_nm, high_nm) for e in emitters])
    order = np.argsort(-light, kind="stable")
    return [emitters[i] for i in order[:levels]], [emitters[i] for i in order[levels:]]
