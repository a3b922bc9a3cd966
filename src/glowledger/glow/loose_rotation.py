"""Rotational temperatures that may be a little wrong: a free column for each molecule that tells its own.

Width of lines and temperature of bands look much alike where nothing but bands shines. Found in turns, each keeps the
error that it had from the other; free in the same fit they settle together, and what else glows there does not take the
light that a band has at another temperature.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.band_emitters import band_emitters
from glowledger.glow.emitters import Emitter
from glowledger.glow.loose_bands import LEVEL_MARK
from glowledger.glow.loose_templates import LooseTemplates
from glowledger.glow.templates import EmissionGrid, placed
from glowledger.glow.width_scale import WidthScale
from glowledger.tables.species import ListedSpecies

COLDEST_K, HOTTEST_K = 150.0, 3900.0
STEPS = 13  # a quarter in T each
MOST_WARMING = 0.4  # of ln T: farther the slope says nothing
WANDER = 0.2  # of ln T, one standard deviation: how far a temperature drawn with may be from that of the bands


def temperature_ladder() -> NDArray[np.float64]:
    """Return the logarithms of the temperatures at which bands are drawn to find their own."""
    return np.log(np.geomspace(COLDEST_K, HOTTEST_K, STEPS))


@lru_cache(maxsize=256)
def bands_at(species: ListedSpecies, labels: tuple[str, ...], log_t: float, scale: WidthScale) -> EmissionGrid:
    """Place the bands at a temperature: the same for all spectra of one spectrometer."""
    hot = {e.label: e for e in band_emitters(species, float(np.exp(log_t)))}
    emitters = [hot[label] for label in labels]
    return placed([e.wavelength_nm for e in emitters], [e.rate for e in emitters], scale)


def loose_rotation(
    emitters: tuple[Emitter, ...], listed: tuple[ListedSpecies, ...], kelvin: dict[str, float], scale: WidthScale
) -> LooseTemplates | None:
    """Return how the bands of some molecules change with the logarithm of their temperature; None if there are none.

    Parameters
    ----------
    emitters : tuple of m Emitter
        Of a scene.
    listed : tuple of ListedSpecies
        All species.
    kelvin : dict
        By species, at which temperature those that tell theirs are drawn, K.
    scale : WidthScale
        Of the scene's grid.
    """
    rows, changes, quantity = [], [], []
    for species in listed:
        mine = [k for k, e in enumerate(emitters) if e.species == species.name and LEVEL_MARK in e.label]
        if species.name in kelvin and mine:
            labels = tuple(emitters[k].label for k in mine)
            rows.extend(mine)
            changes.append(_slope(species, labels, float(np.log(kelvin[species.name])), scale))
            quantity.extend([len(changes) - 1] * len(mine))
    if not rows:
        return None
    return LooseTemplates(
        emitter=np.array(rows, dtype=np.intp), share=np.ones(len(rows)),
        grid=EmissionGrid(scale, np.concatenate(changes)), quantity=np.array(quantity, dtype=np.intp),
        error=np.full(len(changes), WANDER), found=np.zeros(len(changes)),
        limits=(-MOST_WARMING, MOST_WARMING),
    )  # fmt: skip


def _slope(
    species: ListedSpecies, labels: tuple[str, ...], log_t: float, scale: WidthScale
) -> NDArray[np.float64]:
    """Return the change of each emitter's lines with ln T, from those at three rungs of the ladder around it.

    Derivative of the parabola through three points, Abramowitz & Stegun 25.3.4, from memory.
    """
    ladder = temperature_ladder()
    step = float(ladder[1] - ladder[0])
    middle = int(np.clip(np.argmin(np.abs(ladder - log_t)), 1, ladder.size - 2))
    at = (log_t - float(ladder[middle])) / step
    rungs = ladder[middle - 1 : middle + 2].tolist()
    below, here, above = (bands_at(species, labels, rung, scale).density for rung in rungs)
    return np.asarray(((at - 0.5) * below - 2 * at * here + (at + 0.5) * above) / step)
