"""Loads the simulator's own tables: lines, bands, molecular states. Shares no code with the product."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from glow_rotation import RECIPE, BandLines, State, air_from_vacuum_cm, head_nm

HERE = Path(__file__).parent


def _rows(name: str) -> list[dict[str, str]]:
    with (HERE / name).open(encoding="utf-8") as handle:
        return list(csv.DictReader(line for line in handle if not line.startswith("#")))


def _number(text: str) -> float:
    return float(text) if text else float("nan")


@dataclass(frozen=True)
class Atom:
    """Lines of one atom or ion; level numbers group lines that share an upper level."""

    nm: np.ndarray
    rate: np.ndarray
    degeneracy: np.ndarray
    upper_cm: np.ndarray
    relative: np.ndarray
    level: np.ndarray
    term: np.ndarray


@cache
def atoms() -> dict[str, Atom]:
    """All atoms and ions of the line table."""
    grouped: dict[str, list[dict[str, str]]] = {}
    for row in _rows("glow_lines.csv"):
        grouped.setdefault(row["species"], []).append(row)
    out = {}
    for name, rows in grouped.items():
        columns = ("wavelength_air_nm", "A_per_s", "g_upper", "E_upper_cm", "relative_intensity")
        nm, rate, g, energy, rel = (np.array([_number(r[c]) for r in rows]) for c in columns)
        out[name] = Atom(nm, rate, g, energy, rel, _chain(energy, 0.6), _chain(energy, 25.0))
    return out


def _chain(energy: np.ndarray, gap: float) -> np.ndarray:
    """Number groups of energies whose neighbours are closer than the gap; NaN stands alone."""
    order = np.argsort(energy)
    steps = np.diff(energy[order], prepend=energy[order][0])
    number = np.cumsum(~(steps <= gap))
    out = np.empty(len(energy), int)
    out[order] = number
    return out


@cache
def states() -> dict[str, State]:
    """Molecular states by name."""
    out = {}
    for r in _rows("glow_states.csv"):
        f = {k: float(v) for k, v in r.items() if k not in ("state", "label")}
        out[r["state"]] = State(
            r["state"],
            int(f["two_S_plus_1"]),
            int(f["Lambda"]),
            f["Te"],
            (f["we"], f["wexe"], f["weye"], f["weze"]),
            (f["Be"], f["alpha_e"], f["gamma_e"]),
            f["De"],
            f["A_so"],
            f["gamma_sr"],
            (f["spin_weight_even_N"], f["spin_weight_odd_N"]),
        )
    return out


@dataclass(frozen=True)
class Band:
    """One band with the share of its upper level that leaves through it, heads anchored to published ones."""

    species: str
    system: str
    v_upper: int
    v_lower: int
    share: float
    nm: np.ndarray
    upper_cm: np.ndarray
    strength: np.ndarray


@cache
def bands(whole: bool = False) -> tuple[Band, ...]:
    """All bands, N2 C-B beyond v''=6 if `whole`.

    Where a published head exists the band is moved onto it; its system moves by the mean.
    """
    raw = []
    for r in [*_rows("glow_bands.csv"), *(_rows("glow_more_bands.csv") if whole else [])]:
        up, low, build = RECIPE[r["system"]]
        vu, vl = int(r["v_upper"]), int(r["v_lower"])
        a, b = states()[up], states()[low]
        lines: BandLines = build(a, b, vu, vl)
        origin = a.vib(vu) - b.vib(vl)
        nu = origin + lines.offset_cm
        ok = nu > 9000
        if not ok.any():
            continue
        nm = air_from_vacuum_cm(nu[ok])
        rate = _number(r["A_per_s"])
        if np.isnan(rate):
            rate = float(r["franck_condon"]) * origin**3
        weight = lines.strength[ok] * np.exp(-lines.upper_cm[ok] / (0.695 * 500))
        head = _number(r["head_air_nm"])
        move = head - head_nm(nm, weight, head) if head == head else np.nan
        raw.append(
            (r["species"], r["system"], vu, vl, rate, nm, lines.upper_cm[ok], lines.strength[ok], move)
        )
    return tuple(_anchored(raw))


def _anchored(raw: list[tuple]) -> list[Band]:
    moves: dict[str, list[float]] = {}
    totals: dict[tuple[str, int], float] = {}
    for _, system, vu, _, rate, *_, move in raw:
        totals[system, vu] = totals.get((system, vu), 0.0) + rate
        if move == move:
            moves.setdefault(system, []).append(move)
    out = []
    for species, system, vu, vl, rate, nm, upper, strength, move in raw:
        shift = move if move == move else float(np.mean(moves.get(system, [0.0])))
        out.append(Band(species, system, vu, vl, rate / totals[system, vu], nm + shift, upper, strength))
    return out
