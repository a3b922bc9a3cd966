"""Scenarios with known truth: what is in the chamber, what must not be claimed.

A scenario gives for each draw a mixture of photons per species. Whatever is not in the mixture is absent
by construction; `unsure` names what is physically so entangled that neither verdict is held against it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

# photons per exposure that give well exposed spectra on the instruments of random_instrument
BRIGHT = 2.0e7

Range = tuple[float, float]


@dataclass(frozen=True)
class Scenario:
    """A kind of glow: shares of the total light as (low, high), drawn evenly in the logarithm."""

    name: str
    shares: dict[str, Range]
    unsure: frozenset[str] = frozenset()
    background: Range = (0.02, 0.3)

    def draw(self, rng: np.random.RandomState, photons: float = BRIGHT) -> dict[str, float]:
        """Return a mixture in photons."""
        raw = {k: float(np.exp(rng.uniform(np.log(lo), np.log(hi)))) for k, (lo, hi) in self.shares.items()}
        total = sum(raw.values())
        return {k: photons * v / total for k, v in raw.items()}


def _s(name: str, unsure: str = "", **shares: Range) -> Scenario:
    tidy = {k.replace("_", " ").replace("plus", "+"): v for k, v in shares.items()}
    return Scenario(name, tidy, frozenset(unsure.split(",")) - {""})


PURE = [
    _s("argon", Ar_I=(1, 1), unsure="Ar II"),
    _s("argon, hot cathode", Ar_I=(1, 1), Ar_II=(0.05, 0.4)),
    _s("neon", Ne_I=(1, 1), unsure="Ne II"),
    _s("helium", He_I=(1, 1), unsure="He II"),
    _s("krypton", Kr_I=(1, 1), unsure="Kr II"),
    _s("xenon", Xe_I=(1, 1), unsure="Xe II"),
    _s("nitrogen", N2=(1, 1), N2plus=(0.02, 0.4), N_I=(1e-3, 2e-2)),
    _s("oxygen", O_I=(1, 1), O2plus=(0.01, 0.3)),
    _s("hydrogen", H_I=(0.3, 1), H2=(0.3, 1), unsure="D I"),
    _s("mercury and argon", Hg_I=(0.3, 1), Ar_I=(0.2, 1)),
]
MIXED = [
    _s("argon and oxygen", Ar_I=(0.5, 1), O_I=(0.05, 0.5), unsure="Ar II,O2+"),
    _s(
        "air",
        N2=(1, 1),
        N2plus=(0.05, 0.4),
        O_I=(0.01, 0.1),
        N_I=(1e-3, 1e-2),
        H_I=(1e-3, 1e-2),
        NO=(1e-3, 2e-2),
    ),
    _s("argon and hydrogen", Ar_I=(1, 1), H_I=(0.02, 0.3), H2=(0.005, 0.1), unsure="Ar II,D I"),
    _s("argon and nitrogen", Ar_I=(1, 1), N2=(0.05, 0.5), N2plus=(0.005, 0.05), unsure="Ar II,N I"),
    _s(
        "argon and water",
        Ar_I=(1, 1),
        OH=(0.01, 0.2),
        H_I=(0.01, 0.1),
        O_I=(0.01, 0.1),
        unsure="Ar II,D I,H2",
    ),
    _s(
        "carbon dioxide",
        CO=(1, 1),
        COplus=(0.05, 0.3),
        O_I=(0.1, 0.5),
        CO2plus=(0.05, 0.4),
        C_I=(1e-3, 1e-2),
        unsure="C2,O2+",
    ),
    _s(
        "cleaning in argon and oxygen",
        Ar_I=(1, 1),
        O_I=(0.1, 0.4),
        CO=(0.02, 0.2),
        OH=(0.01, 0.1),
        H_I=(0.01, 0.08),
        CH=(1e-3, 1e-2),
        unsure="Ar II,D I,CO+,C2,C I",
    ),
    _s(
        "oil in argon",
        Ar_I=(1, 1),
        H_I=(0.02, 0.1),
        CH=(0.01, 0.1),
        C2=(0.01, 0.1),
        unsure="Ar II,D I,H2,C I",
    ),
    _s(
        "air cleaning",
        N2=(1, 1),
        N2plus=(0.05, 0.3),
        CN=(0.02, 0.3),
        CO=(0.01, 0.1),
        OH=(0.01, 0.1),
        H_I=(0.005, 0.05),
        O_I=(0.01, 0.1),
        unsure="NO,NH,N I,D I,CO+",
    ),
    _s(
        "stainless sputter",
        Ar_I=(1, 1),
        Cr_I=(0.01, 0.1),
        Fe_I=(0.01, 0.1),
        Ni_I=(0.005, 0.05),
        unsure="Ar II,Mn I",
    ),
]
TRACES = ["N2", "N2+", "OH", "CO", "CN", "CH", "C2", "NH", "NO", "CO+", "O2+", "O I", "H I", "N I", "C I"]
METALS = [
    "Na I",
    "K I",
    "Cu I",
    "Al I",
    "Cr I",
    "Fe I",
    "Ni I",
    "Ti I",
    "Mg I",
    "Ca I",
    "Zn I",
    "Si I",
    "W I",
]


def trace(base: str, name: str, photons: float) -> Callable[[np.random.RandomState], dict[str, float]]:
    """A base glow with one trace species of given photons: for detection curves."""
    scenario = next(s for s in (*PURE, *MIXED) if s.name == base)

    def draw(rng: np.random.RandomState) -> dict[str, float]:
        return {**scenario.draw(rng), name: photons}

    return draw


def scenario(name: str) -> Scenario:
    """Return a scenario by name."""
    return next(s for s in (*PURE, *MIXED) if s.name == name)
