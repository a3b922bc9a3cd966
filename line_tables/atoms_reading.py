"""Read the facts on atomic lines as they were collected."""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from pathlib import Path

from glowledger.tables.air import vacuum_from_air

ROMAN = {1: "I", 2: "II", 3: "III"}


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
    approximate: bool = False  # level energies good to some 5 cm^-1 only
    ritz: bool = False  # wavelength replaced by that of the levels
    from_photon: bool = False  # upper energy is lower energy plus photon: no check on the wavelength

    @property
    def vacuum(self) -> float:
        """Vacuum wavelength, nm."""
        return float(vacuum_from_air(self.air))

    @property
    def has_levels(self) -> bool:
        """Whether the energies are known."""
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
