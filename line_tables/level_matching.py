"""Give rows from lists of oscillator strengths their levels.

Those rows come with a rounded excitation energy of the lower level and no weights. Where that energy is one
known level, the lower level is known exactly, the upper one from the wavelength, and its weight from known
levels or from the selection rule for J. Where it is not, the row keeps its approximate energies and stands
alone.
"""

from __future__ import annotations

import csv
import math
from collections import defaultdict
from collections.abc import Iterable
from pathlib import Path

from atoms_reading import Line, fill_strengths

# The lists give excitation energies in steps of 0.001 eV, some of them on a scale that lies 0.075 % low: with
# the second factor all 26 energies of Fe I and 30 of Ti I that lie near a known level agree with it within
# the rounding, without it 4 and 9 do; in Mg I, Ca I and Si I both scales occur.
ENERGY_FACTORS = (1.0, 1.00075)
ROUNDING_CM = 4.1
WAVELENGTH_TOLERANCE_NM = 0.0025
# In these spectra fine structure is far wider than that tolerance. Elsewhere (Na 4d, Mg 3d) the sublevels of
# one term coincide, and what one row says of J must not be said of its neighbours.
WIDE_FINE_STRUCTURE = {"Ti", "V", "Cr", "Mn", "Fe", "Co", "Ni", "Zr", "Mo", "Ta", "W"}


def needs_levels(line: Line) -> bool:
    return "gf-list" in line.source and line.ga > 0 and math.isnan(line.g_up)


class KnownLevels:
    """Energies and weights of the levels of one species."""

    def __init__(self, lines: Iterable[Line], low_levels: list[tuple[float, float]]) -> None:
        """Collect the levels of rows with weights and those listed."""
        found: dict[float, tuple[float, str]] = {e: (g, "") for e, g in low_levels}
        for line in lines:
            if line.g_up > 0 and line.g_low > 0:
                found.setdefault(line.e_low, (line.g_low, line.lower))
                found.setdefault(line.e_up, (line.g_up, line.upper))
        self.listed = {e for e, _ in low_levels}
        self.levels: list[tuple[float, float, str]] = []
        for energy in sorted(found):
            g, name = found[energy]
            if not (self.levels and energy - self.levels[-1][0] < 0.1 and g == self.levels[-1][1]):
                self.levels.append((energy, g, name))

    def near(self, energy: float, tolerance: float) -> list[tuple[float, float, str]]:
        """Return the levels within a tolerance of an energy, cm^-1."""
        return [level for level in self.levels if abs(level[0] - energy) <= tolerance]

    def lowers_of(self, quoted: float) -> list[tuple[float, float, str]]:
        """Return the levels that a quoted energy may mean."""
        if quoted == 0.0:
            return self.near(0.0, 0.001)
        found = {c for f in ENERGY_FACTORS for c in self.near(quoted * f, ROUNDING_CM) if c[0] > 0}
        return sorted(found)


def read_low_levels(folder: Path) -> dict[str, list[tuple[float, float]]]:
    levels: dict[str, list[tuple[float, float]]] = defaultdict(list)
    with (folder / "low_levels.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            levels[row["species"]].append((float(row["energy_cm"]), float(row["g"])))
    return levels


def allowed(g_low: float) -> set[float]:
    """Weights of upper levels that electric dipole lines from a lower level of weight g_low reach."""
    return {g for g in (g_low - 2, g_low, g_low + 2) if g > 0 and not g == g_low == 1}


def match_levels(lines: list[Line], low_levels: list[tuple[float, float]]) -> int:
    """Complete the rows that need levels, in place; return how many got an exact lower level."""
    known = KnownLevels(lines, low_levels)
    matched: list[Line] = []
    unclear: list[tuple[Line, list[tuple[float, float, str]]]] = []
    for line in lines:
        if needs_levels(line):
            lowers = known.lowers_of(line.e_low)
            line.from_photon = True
            if len(lowers) == 1:
                set_lower(line, lowers[0])
                matched.append(line)
            else:
                line.approximate = True
                unclear.append((line, lowers))
    uppers = [(k.e_up, allowed(k.g_low)) for k in matched] + [(e, {g}) for e, g, _ in known.levels]
    for line, lowers in unclear:
        fitting = [c for c in lowers if reaches(line, c, uppers)]
        if len(fitting) == 1:  # the others would end on a level that no other row knows
            set_lower(line, fitting[0])
            matched.append(line)
    for cluster in clusters(matched):
        if cluster[0].species.split()[0] in WIDE_FINE_STRUCTURE:
            complete(cluster, known)
        else:
            complete_simple(cluster, known)
    return len(matched)


def set_lower(line: Line, lower: tuple[float, float, str]) -> None:
    line.e_low, line.g_low, line.lower = lower
    line.e_up = line.e_low + 1e7 / line.vacuum
    line.approximate = False


def reaches(line: Line, lower: tuple[float, float, str], uppers: list[tuple[float, set[float]]]) -> bool:
    energy, possible = lower[0] + 1e7 / line.vacuum, allowed(lower[1])
    return any(abs(e - energy) <= tolerance_cm(line) and g & possible for e, g in uppers)


def tolerance_cm(line: Line) -> float:
    return WAVELENGTH_TOLERANCE_NM * 1e7 / line.vacuum**2


def clusters(lines: list[Line]) -> list[list[Line]]:
    """Group rows whose upper energies agree within the tolerance of their wavelengths."""
    groups: list[list[Line]] = []
    for line in sorted(lines, key=lambda k: k.e_up):
        if groups and line.e_up - groups[-1][-1].e_up <= max(map(tolerance_cm, (line, groups[-1][-1]))):
            groups[-1].append(line)
        else:
            groups.append([line])
    return groups


def complete(cluster: list[Line], known: KnownLevels) -> None:
    """Set energy, weight and label of the upper level that a cluster of rows shares."""
    possible = set.intersection(*(allowed(line.g_low) for line in cluster))
    if not possible:  # a chance coincidence of two levels: each row for itself
        if len(cluster) > 1:
            for line in cluster:
                complete([line], known)
        return
    best = min(cluster, key=tolerance_cm)
    found = [c for c in known.near(best.e_up, tolerance_cm(best)) if c[1] in possible]
    if len(found) == 1:
        energy, g_up, name = found[0]
    elif found:
        return
    else:
        energy = math.fsum(k.e_up for k in cluster) / len(cluster)
        g_up, name = (possible.pop() if len(possible) == 1 else math.nan), ""
    for line in cluster:
        line.e_up, line.g_up, line.upper = energy, g_up, name
        fill_strengths(line)


def complete_simple(cluster: list[Line], known: KnownLevels) -> None:
    """As `complete`, where sublevels may coincide: only what is certain for each row by itself."""
    energy = math.fsum(k.e_up for k in cluster) / len(cluster)
    for line in cluster:
        possible = allowed(line.g_low)
        near = known.near(energy, tolerance_cm(line))
        found = [c for c in near if c[0] in known.listed and c[1] in possible]
        line.e_up, line.g_up, line.upper = energy, math.nan, ""
        if len(found) == 1:
            line.e_up, line.g_up, line.upper = found[0]
        elif len(possible) == 1:
            line.g_up = min(possible)
        fill_strengths(line)
