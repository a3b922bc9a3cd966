"""Clean the facts on atomic lines: one row per line, levels grouped, every row classed."""

from __future__ import annotations

import csv
import math
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from glowledger.tables.air import vacuum_from_air

ROMAN = {1: "I", 2: "II", 3: "III"}
FORBIDDEN_BELOW = 1.0  # s^-1: no glow below atmospheric pressure shows such a line
SAME_TRANSITION_CM = 0.06
MOST_SPREAD_NM = 0.06  # rows of one transition from different compilations never lie further apart
SAME_LINE_NM = 0.005  # a row without levels this close to another of its species repeats it
ONE_POPULATION_CM = 0.3  # levels closer than this are one population, whatever their labels
ONE_TERM_CM = 10.0  # 0.05 kT at 300 K: sublevels of one term are taken as populated by weight


@dataclass
class Line:
    """One line while it is being cleaned; NaN where unknown."""

    species: str
    air: float
    decimals: int
    intensity: float
    a: float
    grade: str
    ga: float
    e_low: float
    e_up: float
    g_low: float
    g_up: float
    lower: str
    upper: str
    source: str
    group: int = -1
    notes: list[str] = field(default_factory=list)

    @property
    def vacuum(self) -> float:
        return float(vacuum_from_air(self.air))

    @property
    def has_levels(self) -> bool:
        return math.isfinite(self.e_up)

    @property
    def ritz_residual(self) -> float:
        """Table wavelength minus the one from the levels, nm; inf without levels."""
        if not self.has_levels:
            return math.inf
        return self.vacuum - 1e7 / (self.e_up - self.e_low)


def number(text: str) -> float:
    return float(text) if text else math.nan


def label(text: str) -> str:
    """Return a level's configuration and term as NIST writes it, without empty J and commas."""
    text = " ".join(text.split())
    if text.endswith("J="):
        text = text.removesuffix("J=").strip()
    return text.replace("J=0,1,2,3", "").replace("J=0,1,2", "").replace("J=1,2,3", "").strip()


def read_facts(folder: Path) -> list[Line]:
    lines = []
    with (folder / "atomic_lines.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            g_low, g_up = number(row["g_lower"]), number(row["g_upper"])
            lower, upper = label(row["lower"]), label(row["upper"])
            if row["element"] == "Zn" and "L" in row["upper"]:
                js = lower.split()  # a shifted export: 'J_lower J_upper' stands in the label of the lower
                if len(js) == 2:
                    g_low, g_up = 2 * float(js[0]) + 1, 2 * float(js[1]) + 1
                lower = upper = ""
            lines.append(
                Line(
                    species=f"{row['element']} {ROMAN[int(row['ion'])]}",
                    air=float(row["wavelength_air_nm"]),
                    decimals=len(row["wavelength_air_nm"].partition(".")[2]),
                    intensity=number(row["relative_intensity"]) or math.nan,
                    a=number(row["A_ki"]),
                    grade=row["accuracy"],
                    ga=number(row["gk_A_ki"]),
                    e_low=number(row["E_lower_cm"]),
                    e_up=number(row["E_upper_cm"]),
                    g_low=g_low,
                    g_up=g_up,
                    lower=lower,
                    upper=upper,
                    source=row["source"],
                )
            )
    return lines


def fill_strengths(line: Line) -> None:
    """Complete the trio A, g, gA where two are known."""
    if math.isnan(line.a) and line.ga > 0 and line.g_up > 0:
        line.a = line.ga / line.g_up
    if math.isnan(line.ga) and line.a > 0 and line.g_up > 0:
        line.ga = line.a * line.g_up


def better(line: Line) -> tuple[bool, bool, float]:
    """Sort key: has a rate, has labels, small distance from the Ritz wavelength."""
    return (not line.ga > 0, not line.upper, abs(line.ritz_residual))


def merge(kept: Line, other: Line) -> None:
    if math.isnan(kept.intensity):
        kept.intensity = other.intensity


def drop_repeats(lines: list[Line]) -> tuple[list[Line], int]:
    """Keep one row per transition, and drop rows without levels that repeat another row."""
    kept: list[Line] = []
    dropped = 0
    for line in sorted(lines, key=better):
        twin = next((k for k in kept if repeats(line, k)), None)
        if twin is None:
            kept.append(line)
        else:
            merge(twin, line)
            dropped += 1
    return sorted(kept, key=lambda k: k.air), dropped


def repeats(line: Line, kept: Line) -> bool:
    """Say whether two rows of one species are one line."""
    distance = abs(line.air - kept.air)
    if distance > MOST_SPREAD_NM:
        return False
    if line.has_levels and kept.has_levels:
        gaps = abs(line.e_up - kept.e_up), abs(line.e_low - kept.e_low)
        return max(gaps) < SAME_TRANSITION_CM and same_level_names(line, kept)
    rounding = 0.5 * 10.0 ** -min(line.decimals, kept.decimals)
    return distance < max(SAME_LINE_NM, 1.01 * rounding)


def same_level_names(line: Line, kept: Line) -> bool:
    """False if weights or terms, where both rows state them, differ."""
    pairs = [(line.g_up, kept.g_up), (line.g_low, kept.g_low)]
    if any(a != b for a, b in pairs if a > 0 and b > 0):
        return False
    names = [(term(line.upper), term(kept.upper)), (term(line.lower), term(kept.lower))]
    return all(a == b for a, b in names if a and b)


def drop_hydrogen_means(lines: list[Line]) -> list[Line]:
    """Drop the n-mean rows of H I and He II whose fine-structure components are all present."""
    means = [k for k in lines if k.species in ("H I", "He II") and k.g_up > 0 and k.upper.isdigit()]
    keep = list(lines)
    for mean in means:
        parts = [k for k in lines if k.species == mean.species and k is not mean and not k.upper.isdigit()
                 and abs(k.air - mean.air) < 0.1 and abs(k.e_up - mean.e_up) < 1.0]
        if parts and abs(sum(k.ga for k in parts) / mean.ga - 1) < 0.01:
            keep.remove(mean)
            strongest = max(parts, key=lambda k: k.ga)
            merge(strongest, mean)
    return keep


def group_levels(lines: list[Line], first: int) -> int:
    """Give each line the number of its upper population (see FORMAT.md); return the next free number."""
    order = sorted((k for k in lines if k.has_levels), key=lambda k: k.e_up)
    number_ = first
    previous: Line | None = None
    for line in order:
        if previous is not None:
            gap = line.e_up - previous.e_up
            one_term = bool(line.upper) and term(line.upper) == term(previous.upper) and gap < ONE_TERM_CM
            number_ += not (gap < ONE_POPULATION_CM or one_term)
        line.group = number_
        previous = line
    number_ += bool(order)
    for line in lines:
        if not line.has_levels:
            line.group = number_
            number_ += 1
    return number_


def term(upper: str) -> str:
    return upper.split(" J=")[0]


def wavelength_class(line: Line) -> str:
    """Return a to d: standard uncertainty up to 0.001, 0.003, 0.01, 0.05 nm."""
    spread = abs(line.ritz_residual) if line.has_levels else 0.5 * 10.0**-line.decimals
    for name, limit in (("a", 0.001), ("b", 0.003), ("c", 0.01)):
        if spread <= limit and not (name == "a" and not line.has_levels):
            return name
    return "d"


def a_class(line: Line) -> str:
    if not line.ga > 0 and not line.a > 0:
        return ""
    return line.grade or ("m" if "memory" in line.source else "u")


def text(value: float, digits: int = 6) -> str:
    return "" if not math.isfinite(value) else f"{value:.{digits}g}"


def as_row(line: Line) -> dict[str, str]:
    return {
        "species": line.species,
        "wavelength_nm": f"{line.air:.5f}",
        "vacuum_nm": f"{line.vacuum:.5f}",
        "a_ki": text(line.a, 5),
        "ga_ki": text(line.ga, 5),
        "g_lower": text(line.g_low),
        "g_upper": text(line.g_up),
        "e_lower_cm": text(line.e_low, 10),
        "e_upper_cm": text(line.e_up, 10),
        "relative_intensity": text(line.intensity),
        "wavelength_class": wavelength_class(line),
        "a_class": a_class(line),
        "upper_level": str(line.group),
        "lower_label": line.lower,
        "upper_label": line.upper,
        "source": line.source,
    }


def clean_atoms(folder: Path) -> tuple[list[dict[str, str]], list[str]]:
    """Return the rows of the table and what was done, as sentences."""
    by_species: dict[str, list[Line]] = defaultdict(list)
    for line in read_facts(folder):
        by_species[line.species].append(line)
    log, rows, first = [], [], 0
    for species in sorted(by_species):
        lines = by_species[species]
        start = len(lines)
        for line in lines:
            fill_strengths(line)
        lines = [k for k in lines if not k.a < FORBIDDEN_BELOW]
        forbidden = start - len(lines)
        lines, repeated = drop_repeats(lines)
        lines = drop_hydrogen_means(lines)
        first = group_levels(lines, first)
        rows += [as_row(k) for k in lines]
        rates = sum(k.ga > 0 or k.a > 0 for k in lines)
        log.append(f"{species}: {start} facts, {forbidden} forbidden, {repeated} repeats dropped, "
                   f"{len(lines)} rows, {rates} with a rate")
    assert np.all(np.diff([int(r["upper_level"]) for r in rows[:1]]) >= 0)
    return rows, log
