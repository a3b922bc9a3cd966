"""The light that a gas usually sends out, species by species, for who thinks in gases and not in emitters."""

from __future__ import annotations

import numpy as np

from glowledger.diagnose.feed import gas_named
from glowledger.diagnose.gas_colours import CONTINUUM, emitters_of
from glowledger.diagnose.observer import VISIBLE_NM
from glowledger.errors import TableError
from glowledger.tables.folder import read_table
from glowledger.tables.species import ListedSpecies, find_species, listed_species

ULTRAVIOLET = ("H2O", "CO2")  # OH and CO2+ of these are left out by the recipes, which are of colours


def gases_with_light() -> tuple[str, ...]:
    """Return the gases whose usual light is known, as in ``glow_recipes.csv``."""
    _, columns = read_table("glow_recipes.csv")
    return tuple(gas for gas in dict.fromkeys(columns["gas"]) if gas not in ULTRAVIOLET)


def light_of_gas(name: str) -> dict[str, float]:
    """Return the photons that the column of a usual tube of a gas sends out, by species.

    Parameters
    ----------
    name : str
        ``air``, ``argon``, ``O2``.

    Returns
    -------
    dict of str to float
        Parts of all photons of its lines and bands, in the order of the recipe; they add up to 1.

    Raises
    ------
    TableError
        If the gas is not known, or its usual light is not.

    Notes
    -----
    The recipes give parts of the radiant power between 380 and 780 nm. An emitter sends out all its photons for
    those, so each is multiplied by photons at all wavelengths over visible power: Σ r / Σ r/λ, r rates times
    populations at the recipe's kT. Common practice, no source: a usual tube, not yours.
    """
    gas = gas_named(name)
    _, columns = read_table("glow_recipes.csv")
    rows = list(zip(*(columns[key] for key in ("gas", "region", "emitter", "power", "excitation_ev")), strict=True))
    regions = [region for one, region, *_ in rows if one == gas]
    if gas not in gases_with_light():
        raise TableError(
            f"the usual light of {gas} is not known.",
            mend=f"Name its species instead, e.g. 'Ar I:1'; known are {', '.join(gases_with_light())}.",
        )
    photons: dict[str, float] = {}
    for one, region, emitter, power, kt in rows:
        if one == gas and region == regions[0] and emitter != CONTINUUM:
            species = emitter if emitter.split()[-1] in ("I", "II") else emitter.rpartition(" ")[0]
            photons[species] = photons.get(species, 0.0) + float(power) * _photons_per_power(emitter, float(kt))
    total = sum(photons.values())
    return {species: number / total for species, number in photons.items()}


def _photons_per_power(emitter: str, excitation_ev: float) -> float:
    """Return all photons of an emitter over its power in the visible, in units that all emitters share."""
    everything = power = 0.0
    for one in emitters_of(emitter, excitation_ev):
        rate = one.rate * one.weight
        seen = (one.wavelength_nm >= VISIBLE_NM[0]) & (one.wavelength_nm <= VISIBLE_NM[1])
        everything += float(np.sum(rate))
        power += float(np.sum(rate[seen] / one.wavelength_nm[seen]))
    return everything / power


def mixture_of(
    light: tuple[tuple[str, float], ...],
) -> tuple[list[tuple[ListedSpecies, float]], dict[str, dict[str, float]]]:
    """Return the species of a mixture of species and gases.

    Parameters
    ----------
    light : tuple of (str, float)
        Names, as ``CO`` or ``air``, and photons.

    Returns
    -------
    mixture : list of (ListedSpecies, float)
        Photons by species; what is named, and comes with a gas too, is added up.
    gases : dict
        What each gas was taken for: see `light_of_gas`.

    Raises
    ------
    TableError
        If a name is neither, means several species, or stands twice.
    """
    twice = next((name for i, (name, _) in enumerate(light) if name in [one for one, _ in light[:i]]), None)
    if twice:
        raise TableError(f"{twice} stands twice in the mixture.", mend="Give each once.")
    photons: dict[str, float] = {}
    gases: dict[str, dict[str, float]] = {}
    for name, share in light:
        parts = _as_gas(name)
        if parts:
            gases[name] = parts
        for species, part in (parts or {_one_species(name): 1.0}).items():
            photons[species] = photons.get(species, 0.0) + share * part
    return [(find_species((name,))[0], number) for name, number in photons.items()], gases


def _as_gas(name: str) -> dict[str, float]:
    """Return the light of what is meant as a gas; nothing for a species, which goes first, and for what is neither."""
    if name.lower() in (one.name.lower() for one in listed_species()):
        return {}
    try:
        gas = gas_named(name)
    except TableError:
        return {}
    return light_of_gas(gas) if gas in gases_with_light() else {}


def _one_species(name: str) -> str:
    found = [one.name for one in find_species((name,))]
    if len(found) > 1:
        raise TableError(f"'{name}' stands for {' and '.join(found)}.", mend="Say which, each with its share.")
    return found[0]
