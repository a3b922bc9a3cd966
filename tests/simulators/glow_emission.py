"""What a glow sends out: photons per fine wavelength step, before any spectrometer.

Level populations are random, not Boltzmann; every line and band carries its own error of strength, so
that no template is exactly right. Shares no code with the product.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from itertools import product
from math import exp, factorial

import numpy as np
from glow_facts import HERE, Atom, atoms, bands, states
from glow_rotation import RECIPE
from scipy.special import eval_genlaguerre

STEP_NM = 0.02
GRID_NM = np.arange(178.0, 1120.0, STEP_NM)
K_CM = 0.6950348  # Boltzmann's constant in cm-1/K (CODATA 2018)
EV_CM = 8065.544

# species: (system, mean share of its photons, spread of the logarithm)
SYSTEMS = {
    "N2": (("N2 second positive", 0.75, 0.3), ("N2 first positive", 0.25, 0.6)),
    "N2+": (("N2+ first negative", 1.0, 0.0),),
    "OH": (("OH A-X", 1.0, 0.0),),
    "NH": (("NH A-X", 1.0, 0.0),),
    "CH": (("CH A-X", 0.93, 0.0), ("CH B-X", 0.07, 0.4)),
    "CN": (("CN violet", 1.0, 0.0),),
    "C2": (("C2 Swan", 1.0, 0.0),),
    "CO": (("CO Angstrom", 0.6, 0.2), ("CO third positive", 0.4, 0.5)),
    "CO+": (("CO+ comet tail", 1.0, 0.0),),
    "NO": (("NO gamma", 0.9, 0.1), ("NO beta", 0.1, 0.5)),
    "O2+": (("O2+ first negative", 1.0, 0.0),),
    "AlO": (("AlO B-X", 1.0, 0.0),),
    "SiO": (("SiO A-X", 1.0, 0.0),),
    "SiH": (("SiH A-X", 1.0, 0.0),),
}
# vibrational temperatures of the upper state in a glow, K: common practice, no source
T_VIB = {
    "N2 second positive": 3500.0,
    "N2 first positive": 6000.0,
    "N2+ first negative": 2200.0,
    "OH A-X": 2000.0,
    "CO Angstrom": 1000.0,
    "CO third positive": 800.0,
    "CN violet": 4500.0,
    "C2 Swan": 4500.0,
    "CO+ comet tail": 4000.0,
    "O2+ first negative": 3000.0,
}
# CO2+ A-X: origins of its two sub-bands, stretch of A and X, cm-1, displacement of the stretch (Huang-Rhys factor);
# B-X: heads, nm. From memory of Herzberg's Electronic Spectra of Polyatomic Molecules, rough
CO2_ION_CM, CO2_STRETCH_CM, CO2_DISPLACED = (28532.0, 28468.0), (1126.0, 1244.0), 1.47
CO2_ION_B_NM = (288.3, 289.6)
RYDBERG_CM = 109737.3
# ionisation limits, cm-1: NIST ASD, from memory
LIMIT_CM = {
    "H I": 109678.8,
    "He I": 198310.7,
    "Ne I": 173929.8,
    "Ar I": 127109.8,
    "Kr I": 112914.4,
    "Xe I": 97833.8,
    "O I": 109837.0,
    "N I": 117225.7,
    "C I": 90820.4,
    "Na I": 41449.5,
    "K I": 35009.8,
    "Al I": 48278.5,
    "Hg I": 84184.1,
}
METASTABLE_CM = {"Ar I": (93143.76, 94553.67), "Ne I": (134041.84, 134818.64), "He I": (159855.97, 166277.44)}


@dataclass(frozen=True)
class Nature:
    """How this glow differs from a tidy one: spreads of logarithms and temperatures.

    `level` is the spread between upper levels, `line` of one line about its A, `band` of one band about
    its share; `excitation_ev` steers how fast high levels thin out; `hot_share` of OH is born hot (3500 K,
    from water broken up by the electrons), so that it has no one temperature; `whole` progressions reach beyond
    v''=6, as nature's do (samples were made without).
    """

    t_rot: dict[str, float] = field(default_factory=dict)
    t_rot_default: float = 500.0
    level: float = 0.4
    line: float = 0.06
    band: float = 0.10
    excitation_ev: float = 0.45
    absorbed: float = 0.3
    hot_share: float = 0.0
    whole: bool = False


def _deposit(nm: np.ndarray, photons: np.ndarray) -> np.ndarray:
    place = (nm - GRID_NM[0]) / STEP_NM
    ok = (place >= 0) & (place < len(GRID_NM) - 1) & (photons > 0)
    low = place[ok].astype(int)
    share = place[ok] - low
    size = len(GRID_NM)
    out = np.bincount(low, photons[ok] * (1 - share), minlength=size)
    return out + np.bincount(low + 1, photons[ok] * share, minlength=size)


def _reach(name: str, g: np.ndarray, upper_cm: np.ndarray, floor: float) -> np.ndarray:
    """How readily electrons reach a level, without the energy factor.

    Rydberg levels are filled as n*^-3 (oscillator strengths of a series fall so), and statistical weights
    count less than fully, since few electrons come in by way of other levels (corona picture).
    """
    if name not in LIMIT_CM:
        return np.sqrt(g)
    n_eff = np.sqrt(RYDBERG_CM / np.maximum(LIMIT_CM[name] - upper_cm, 300.0))
    first = np.sqrt(RYDBERG_CM / max(LIMIT_CM[name] - floor, 300.0))
    weight = np.ones_like(g) if name == "H I" else np.sqrt(g)  # H: whole shells, whatever their size
    return weight * np.minimum(first / n_eff, 1.0) ** 3


def atom_photons(name: str, rng: np.random.RandomState, nature: Nature) -> tuple[np.ndarray, np.ndarray]:
    """Wavelengths and photons of one atom's lines (sum 1)."""
    a: Atom = atoms()[name]
    if np.isnan(a.upper_cm).all():
        weight = a.relative * np.exp(0.3 * rng.standard_normal(len(a.nm)))
        return a.nm, weight / weight.sum()
    total = np.bincount(a.level, a.rate)[a.level]
    g = np.where(np.isnan(a.degeneracy), 3.0, a.degeneracy)
    floor = a.upper_cm[a.rate > 1e5].min()
    rise = np.maximum(a.upper_cm - floor, 0) / (EV_CM * nature.excitation_ev)
    level = _reach(name, g, a.upper_cm, floor) * np.exp(-rise) * total / (total + 1e6)
    level *= np.exp(nature.level * rng.standard_normal(a.term.max() + 1))[a.term]
    photons = level * a.rate / total * np.exp(nature.line * rng.standard_normal(len(a.nm)))
    lower = a.upper_cm - 1e7 / (a.nm * 1.00028)
    trapped = lower < 100
    for metastable in METASTABLE_CM.get(name, ()):
        trapped |= np.abs(lower - metastable) < 40
    photons *= np.where(trapped, 1 - nature.absorbed * rng.random_sample(len(a.nm)), 1.0)
    return a.nm, photons / photons.sum()


@dataclass(frozen=True)
class _Flat:
    nm: np.ndarray
    upper_cm: np.ndarray
    strength: np.ndarray
    band: np.ndarray
    v_upper: np.ndarray
    share: np.ndarray
    g_upper: np.ndarray


@cache
def _flat(system: str, whole: bool = False) -> _Flat:
    mine = [b for b in bands(whole) if b.system == system]
    up = states()[RECIPE[system][0]]
    number = np.concatenate([np.full(len(b.nm), i) for i, b in enumerate(mine)])
    join = lambda what: np.concatenate([getattr(b, what) for b in mine])  # noqa: E731
    v = np.array([b.v_upper for b in mine])
    g = np.array([up.vib(k) - up.vib(0) for k in v])
    return _Flat(
        join("nm"), join("upper_cm"), join("strength"), number, v, np.array([b.share for b in mine]), g
    )


def system_photons(
    system: str, rng: np.random.RandomState, nature: Nature, t_rot: float
) -> tuple[np.ndarray, np.ndarray]:
    """Wavelengths and photons of one band system's lines (sum 1)."""
    f = _flat(system, nature.whole)
    lines = f.strength * np.exp(-f.upper_cm / (K_CM * t_rot))
    lines = lines / np.bincount(f.band, lines)[f.band]
    if system == "OH A-X" and nature.hot_share > 0:
        hot = f.strength * np.exp(-f.upper_cm / (K_CM * 3500.0))
        lines = (1 - nature.hot_share) * lines + nature.hot_share * hot / np.bincount(f.band, hot)[f.band]
    t_vib = T_VIB.get(system, 2500.0) * exp(0.2 * rng.standard_normal())
    levels = np.exp(0.2 * rng.standard_normal(f.v_upper.max() + 1))
    photons = np.exp(-f.g_upper / (K_CM * t_vib)) * levels[f.v_upper] * f.share
    photons = photons * np.exp(nature.band * rng.standard_normal(len(photons)))
    out = lines * photons[f.band]
    inside = (f.nm > GRID_NM[0]) & (f.nm < 1050)
    return f.nm, out / out[inside].sum()


@cache
def _hydrogen_table() -> np.ndarray:
    rows = (HERE / "glow_hydrogen.csv").read_text(encoding="utf-8").splitlines()[2:]
    return np.array([[float(x) for x in row.split(",")] for row in rows])


@cache
def _many_lines() -> tuple[np.ndarray, np.ndarray]:
    """The many-line spectrum of H2 as invented weak lines: their density and spread are right, places not."""
    dice = np.random.RandomState(1928)
    nm = 420 + 440 * dice.beta(1.6, 1.8, 900)
    return nm, np.exp(1.2 * dice.standard_normal(900))


def hydrogen_molecule(rng: np.random.RandomState, nature: Nature, t_rot: float) -> np.ndarray:
    """H2: Fulcher Q lines, many weak lines no table knows, and the ultraviolet continuum; sum 1."""
    v, n, nm, weight = _hydrogen_table().T
    lines = weight * (2 * n + 1) * np.exp(-30.4 * n * (n + 1) / (K_CM * t_rot))
    lines *= np.exp(-0.35 * v) * np.exp(nature.band * rng.standard_normal(4))[v.astype(int)]
    many_nm, many = _many_lines()
    many = many * np.exp(0.15 * rng.standard_normal(len(many)))
    hump = np.exp(-0.5 * ((np.log(GRID_NM) - np.log(235)) / 0.22) ** 2)
    parts = rng.uniform(0.7, 1.4, 3) * (0.18, 0.45, 0.37)
    out = parts[0] * _deposit(nm, lines / lines.sum()) + parts[1] * _deposit(many_nm, many / many.sum())
    return (out + parts[2] * hump / hump.sum()) / parts.sum()


def carbon_dioxide_ion(rng: np.random.RandomState) -> np.ndarray:
    """CO2+: red-degraded heads with tails, shared as between displaced oscillators; a picture, no lines."""
    out = np.zeros_like(GRID_NM)
    kelvin = rng.uniform(2000.0, 5000.0)
    for v, w in product(range(5), range(9)):
        overlap = CO2_DISPLACED ** abs(v - w) * factorial(min(v, w)) / factorial(max(v, w))
        overlap *= eval_genlaguerre(min(v, w), abs(v - w), CO2_DISPLACED) ** 2
        born = exp(-1.4388 * CO2_STRETCH_CM[0] * v / kelvin)
        for origin in CO2_ION_CM:
            wavenumber = origin + v * CO2_STRETCH_CM[0] - w * CO2_STRETCH_CM[1]
            head, strength = 1e7 / wavenumber / 1.000283, (wavenumber / 28500.0) ** 3
            tail = rng.uniform(0.4, 0.9) * (head / 350.0) ** 2
            away = np.maximum(GRID_NM - head, 0)
            bright = born * overlap * strength * exp(0.15 * rng.standard_normal()) / tail
            out += bright * np.where(head <= GRID_NM, np.exp(-away / tail), 0)
    doublet = np.zeros_like(GRID_NM)
    for head in CO2_ION_B_NM:
        doublet += exp(0.1 * rng.standard_normal()) * np.exp(-np.abs(GRID_NM - head) / 0.35)
    part = rng.uniform(0.25, 0.55)
    return (1 - part) * out / out.sum() + part * doublet / doublet.sum()


def species_photons(
    name: str, rng: np.random.RandomState, nature: Nature
) -> tuple[np.ndarray, dict[str, float]]:
    """Photons per grid step of one species (sum 1 over 178-1050 nm) and its rotational temperatures."""
    if name == "H2":
        t = nature.t_rot.get("H2", nature.t_rot_default)
        return hydrogen_molecule(rng, nature, t), {}
    if name == "CO2+":
        return carbon_dioxide_ion(rng), {}
    if name not in SYSTEMS:
        nm, photons = atom_photons(name, rng, nature)
        return _deposit(nm, photons), {}
    out = np.zeros_like(GRID_NM)
    temperatures = {}
    weights = [share * exp(spread * rng.standard_normal()) for _, share, spread in SYSTEMS[name]]
    for (system, _, _), weight in zip(SYSTEMS[name], weights, strict=True):
        t = nature.t_rot.get(system, nature.t_rot.get(name, nature.t_rot_default))
        if system != "OH A-X" or nature.hot_share == 0:
            temperatures[system] = t
        nm, photons = system_photons(system, rng, nature, t)
        out += weight / sum(weights) * _deposit(nm, photons)
    return out, temperatures


def known_species() -> tuple[str, ...]:
    """Every name that `species_photons` takes."""
    return (*sorted(atoms()), *SYSTEMS, "H2", "CO2+")
