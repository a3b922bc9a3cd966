"""The colour in which each gas glows, computed from its lines and bands, with the spread it may have."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from glowledger.diagnose.observer import VISIBLE_NM, chromaticity, observer_at
from glowledger.errors import TableError
from glowledger.glow.band_emitters import band_emitters
from glowledger.glow.emitters import Emitter, atomic_emitters
from glowledger.tables import atoms
from glowledger.tables.folder import read_table
from glowledger.tables.species import ListedSpecies

DRAWS = 300
T_ROT_K = 500.0  # a band's colour hardly depends on it
LEVEL_LOG_SD = 0.5  # how far levels stray from gA exp(-E/kT), in ln
EXCITATION_LOG_SD = 0.25  # spread of kT between tubes, in ln
FORBIDDEN_GA = 1e4  # s^-1: slower lines are quenched or lost to the walls in a small chamber
CONTINUUM = "continuum"
TOGETHER = "both regions"
MIXED = ((0.1, 0.37), (0.37, 0.63), (0.63, 0.9))  # part of X + Y + Z that the first region has in a mixed view
PLAIN = {
    "He": "helium", "Ne": "neon", "Ar": "argon", "Kr": "krypton", "Xe": "xenon", "Hg": "mercury vapour",
    "H2": "hydrogen", "N2": "nitrogen", "air": "air", "O2": "oxygen", "CO2": "carbon dioxide",
    "H2O": "water vapour", "Na": "sodium vapour",
}  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class GasColour:
    """The colour of one gas in one region of the discharge.

    Attributes
    ----------
    gas, region : str
        ``N2``, ``positive column``.
    xyz : ndarray of shape (3,)
        Of the typical recipe, Y = 1.
    draws : ndarray of shape (d, 3)
        XYZ with Y = 1 of tubes as they may be: levels, shares and excitation vary.
    """

    gas: str
    region: str
    xyz: NDArray[np.float64]
    draws: NDArray[np.float64]

    @property
    def xy(self) -> NDArray[np.float64]:
        """Return the typical chromaticity, shape (2,)."""
        return chromaticity(self.xyz)


@dataclass(frozen=True, slots=True, eq=False)
class _Light:
    """An emitter's visible light: XYZ and radiant power of each upper level, with its energy above the "
    "lowest."""

    xyz: NDArray[np.float64]
    power: NDArray[np.float64]
    rise_ev: NDArray[np.float64]


@cache
def gas_colours() -> tuple[GasColour, ...]:
    """Return the colours of all gases of the recipe table.

    Returns
    -------
    tuple of GasColour

    Raises
    ------
    TableError
        If a table is missing or a recipe names an unknown emitter.

    Notes
    -----
    Radiant power of a line goes as (gA / λ) exp(-E / kT), bands by their branching: optically thin, levels
    free within `LEVEL_LOG_SD`. That is a model of the usual tube, not of yours; hence the draws.
    """
    _, columns = read_table("glow_recipes.csv")
    keys = list(dict.fromkeys(zip(columns["gas"], columns["region"], strict=True)))
    rows = list(zip(*(columns[name] for name in ("gas", "region", "emitter")), strict=True))
    numbers = np.array([columns[name] for name in ("power", "ln_sd", "excitation_ev")], dtype=float).T
    generator = np.random.default_rng(1931)
    colours = []
    for gas, region in keys:
        here = [i for i, row in enumerate(rows) if row[:2] == (gas, region)]
        typical = sum(numbers[i, 0] * _mixed(_light(rows[i][2], numbers[i, 2]), None)[0] for i in here)
        drawn = sum(
            numbers[i, 0]
            * np.exp(numbers[i, 1] * generator.standard_normal(DRAWS))[:, None]
            * _mixed(_light(rows[i][2], numbers[i, 2]), generator, numbers[i, 2])
            for i in here
        )
        typical, drawn = np.asarray(typical), np.asarray(drawn)
        colours.append(GasColour(gas=gas, region=region, xyz=typical / typical[1], draws=drawn / drawn[:, 1:2]))
    return tuple(colours)


@cache
def mixed_views() -> tuple[GasColour, ...]:
    """Return the colours of gases seen with both regions in view, which no recipe holds.

    Small chambers show column and cathode glow side by side or one through the other: air is then violet-pink,
    between its rosy column and its violet-blue cathode glow (common practice, no source). Chromaticities of mixtures
    lie on the line between their parts, by X + Y + Z; three stretches of it, each as likely.
    """
    by_gas: dict[str, list[GasColour]] = {}
    for one in gas_colours():
        by_gas.setdefault(one.gas, []).append(one)
    generator = np.random.default_rng(1976)
    found = []
    for gas, (first, *others) in by_gas.items():
        for other, (low, high) in itertools.product(others, MIXED):
            part = generator.uniform(low, high, (DRAWS, 1))
            drawn = part * _by_sum(first.draws) + (1 - part) * _by_sum(other.draws)
            middle = 0.5 * (low + high)
            typical = middle * _by_sum(first.xyz) + (1 - middle) * _by_sum(other.xyz)
            made = GasColour(gas=gas, region=TOGETHER, xyz=typical / typical[1], draws=drawn / drawn[:, 1:2])
            found.append(made)
    return tuple(found)


def _by_sum(xyz: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(xyz / xyz.sum(axis=-1, keepdims=True))


def _mixed(light: _Light, generator: np.random.Generator | None, excitation_ev: float = 0.0) -> NDArray[np.float64]:
    """Return XYZ per unit of visible power, typical (1, 3) or drawn (DRAWS, 3)."""
    if generator is None:
        weight = np.ones((1, light.power.size))
    else:
        tilt = np.exp(EXCITATION_LOG_SD * generator.standard_normal((DRAWS, 1)))
        beta = (1 - 1 / tilt) / excitation_ev if excitation_ev > 0 else np.zeros((DRAWS, 1))
        scatter = LEVEL_LOG_SD * generator.standard_normal((DRAWS, light.power.size))
        weight = np.exp(scatter + beta * light.rise_ev)
    return (weight @ light.xyz) / (weight @ light.power)[:, None]


@cache
def _light(name: str, excitation_ev: float) -> _Light:
    """Return the visible light of an emitter of the recipes."""
    if name == CONTINUUM:
        nm = np.arange(VISIBLE_NM[0], VISIBLE_NM[1] + 1)
        return _Light(observer_at(nm).sum(axis=0)[None, :], np.array([float(nm.size)]), np.zeros(1))
    emitters = emitters_of(name, excitation_ev)
    if name in atoms.species_names():
        return _atomic_light(name, emitters)
    return _summed([(e.wavelength_nm, e.rate * e.weight, -excitation_ev * float(np.log(e.weight))) for e in emitters])


def emitters_of(name: str, excitation_ev: float) -> list[Emitter]:
    """Return the emitters of an atom (``Ar I``) or of one system of a molecule (``N2 C-B``), with typical populations.

    Raises
    ------
    TableError
        If the bands have no strengths.
    """
    if name in atoms.species_names():
        return list(atomic_emitters(_listed(name, (), excitation_ev)))
    emitters = list(band_emitters(_listed(name.rpartition(" ")[0], (name,), excitation_ev), T_ROT_K))
    if not emitters:
        raise TableError(f"no band strengths of {name} for its light.", mend="Install glowledger again.")
    return emitters


def _atomic_light(name: str, emitters: list[Emitter]) -> _Light:
    """Return an atom's light per upper level; forbidden lines are left out."""
    slow = atoms.load().select(name)
    slow = slow[slow.ga_ki < FORBIDDEN_GA]
    levels = []
    for emitter in emitters:
        rate = np.where(np.isin(emitter.wavelength_nm, slow.wavelength_nm), 0.0, emitter.rate)
        words = emitter.label.split()
        energy = float(words[-2]) if words[-1] == "eV" else np.nan
        levels.append((emitter.wavelength_nm, rate * emitter.weight, energy))
    return _summed(levels)


def _listed(name: str, systems: tuple[str, ...], excitation_ev: float) -> ListedSpecies:
    return ListedSpecies(name=name, role="feed", systems=systems, levels=99, excitation_ev=excitation_ev, plain=name)


def _summed(levels: list[tuple[NDArray[np.float64], NDArray[np.float64], float]]) -> _Light:
    """Sum the lines of each level to XYZ and visible power; levels without visible light are dropped."""
    xyz, power, energy = [], [], []
    for nm, photons, ev in levels:
        seen = (nm >= VISIBLE_NM[0]) & (nm <= VISIBLE_NM[1])
        watts = photons[seen] / nm[seen]
        if watts.sum() > 0:
            xyz.append(watts @ observer_at(nm[seen]))
            power.append(watts.sum())
            energy.append(ev)
    rise = np.array(energy)
    middle = np.nanmedian(rise) if np.isfinite(rise).any() else 0.0
    rise = np.where(np.isfinite(rise), rise, middle)
    total = float(np.sum(power))
    return _Light(np.array(xyz) / total, np.array(power) / total, rise - rise.min())
