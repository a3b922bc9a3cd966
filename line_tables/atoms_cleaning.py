"""Clean the facts on atomic lines: one row per line, levels grouped, every row classed."""

from __future__ import annotations

import csv
import math
from collections import defaultdict
from pathlib import Path

from atoms_reading import Line, fill_strengths, read_facts
from gf_pairing import withhold_mispaired
from level_matching import match_levels, read_low_levels, tolerance_cm

from glowledger.tables.air import air_from_vacuum

FORBIDDEN_BELOW = 1.0  # s^-1: no glow below atmospheric pressure shows such a line
SAME_TRANSITION_CM = 0.06
HYDROGENIC = ("H I", "He II")  # sublevels of one n are one population: collisions and fields mix them
MOST_RESIDUAL_NM = 0.005  # a wavelength further off its levels was read or rounded wrongly
MOST_SPREAD_NM = 0.06  # rows of one transition from different compilations never lie further apart
MOST_RATE_RATIO = 3.0  # of one transition in two compilations
SAME_RATE = 0.01
SAME_LINE_NM = 0.005  # a row without levels this close to another of its species repeats it
ONE_POPULATION_CM = 0.3  # levels closer than this are one population, whatever their labels
ONE_TERM_CM = 10.0  # 0.05 kT at 300 K: sublevels of one term are taken as populated by weight


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
        if distance < SAME_LINE_NM and line.from_photon and abs(line.ga / kept.ga - 1) < SAME_RATE:
            return True  # one gf given to two rows
        gaps = abs(line.e_up - kept.e_up), abs(line.e_low - kept.e_low)
        tolerance = max(SAME_TRANSITION_CM, *(tolerance_cm(k) for k in (line, kept) if k.from_photon), 0.0)
        return max(gaps) < tolerance and same_level_names(line, kept)
    rounding = 0.5 * 10.0 ** -min(line.decimals, kept.decimals)
    return distance < max(SAME_LINE_NM, 1.01 * rounding)


def same_level_names(line: Line, kept: Line) -> bool:
    """False if weights, terms or rates, where both rows state them, differ."""
    pairs = [(line.g_up, kept.g_up), (line.g_low, kept.g_low)]
    if any(a != b for a, b in pairs if a > 0 and b > 0):
        return False
    if max(line.ga, kept.ga) > MOST_RATE_RATIO * min(line.ga, kept.ga):
        return False
    names = [(term(line.upper), term(kept.upper)), (term(line.lower), term(kept.lower))]
    return all(a == b for a, b in names if a and b)


def drop_hydrogen_means(lines: list[Line]) -> list[Line]:
    """Keep either the mean row of a hydrogenic line or its fine structure, the latter if it is complete."""
    means = [k for k in lines if k.species in HYDROGENIC and k.g_up > 0 and k.upper.isdigit()]
    dropped: list[int] = []
    for mean in means:
        parts = [
            k
            for k in lines
            if not k.upper.isdigit() and abs(k.air - mean.air) < 0.1 and shell(k.upper) == mean.upper
        ]
        if parts and abs(sum(k.ga for k in parts) / mean.ga - 1) < 0.01:
            dropped.append(id(mean))
            merge(max(parts, key=lambda k: k.ga), mean)
        else:
            dropped += [id(k) for k in parts]
    return [k for k in lines if id(k) not in dropped]


def group_levels(lines: list[Line], first: int) -> int:
    """Give each line the number of its upper population (see FORMAT.md); return the next free number."""
    shared = sorted((k for k in lines if k.has_levels and not k.approximate), key=lambda k: k.e_up)
    free = first
    for line, previous in zip(shared, [None, *shared], strict=False):
        if previous is not None and not one_population(line, previous):
            free += 1
        line.group = free
    free += bool(shared)
    for line in lines:
        if line.group < 0:
            line.group = free
            free += 1
    return free


def one_population(line: Line, previous: Line) -> bool:
    gap = line.e_up - previous.e_up
    if line.species in HYDROGENIC:
        return shell(line.upper) == shell(previous.upper)
    if line.upper and previous.upper and term(line.upper) == term(previous.upper):
        return gap < ONE_TERM_CM
    return gap < ONE_POPULATION_CM and (line.g_up == previous.g_up or not (line.upper and previous.upper))


def term(upper: str) -> str:
    return upper.split(" J=")[0]


def shell(upper: str) -> str:
    """Return the principal quantum number of a hydrogenic level, '3' of '3d 2D J=5/2'."""
    return upper[: len(upper) - len(upper.lstrip("0123456789"))]


def use_ritz(line: Line) -> bool:
    """Replace a wavelength that is far off the one of its levels, in place; say whether."""
    if line.from_photon or not MOST_RESIDUAL_NM < abs(line.ritz_residual) < math.inf:
        return False
    line.air = float(air_from_vacuum(1e7 / (line.e_up - line.e_low)))
    line.decimals, line.ritz = 5, True
    return True


def wavelength_class(line: Line) -> str:
    """Return a to d: standard uncertainty up to 0.001, 0.003, 0.01, 0.05 nm."""
    if line.has_levels and not line.from_photon:
        spread = abs(line.ritz_residual)
        limits = {"a": 0.001, "b": 0.003, "c": 0.01}
    else:  # by the digits given: the last one is taken as good to some three units
        spread = 3.0 * 10.0**-line.decimals
        limits = {"b": 0.003, "c": 0.03}
    if line.ritz:
        return "c"
    if line.upper.isdigit():  # mean over the sublevels of one n: the weights shift it by up to 0.003 nm
        del limits["a"]
    return next((name for name, limit in limits.items() if spread <= 1.001 * limit), "d")


def a_class(line: Line) -> str:
    if not line.ga > 0 and not line.a > 0:
        return ""
    if line.grade:
        return line.grade
    if line.source == "memory":
        return "m"
    return "u" if line.source.endswith("gf-list") else "n"


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
    add_lines(by_species, folder)
    low_levels = read_low_levels(folder)
    log: list[str] = []
    rows: list[dict[str, str]] = []
    free = 0
    for species in sorted(by_species):
        lines, sentence = clean_species(by_species[species], low_levels.get(species, []))
        log.append(f"{species}: {sentence}")
        free = group_levels(lines, free)
        rows += [as_row(k) for k in lines]
    return rows, log


def clean_species(lines: list[Line], low_levels: list[tuple[float, float]]) -> tuple[list[Line], str]:
    """Return the lines to keep of one species and what was done."""
    facts = len(lines)
    for line in lines:
        fill_strengths(line)
    lines = [k for k in lines if not k.a < FORBIDDEN_BELOW]
    forbidden = facts - len(lines)
    ritz = sum(use_ritz(k) for k in lines)
    withheld = withhold_mispaired(lines)
    matched = match_levels(lines, low_levels)
    lines, repeated = drop_repeats(lines)
    lines = drop_hydrogen_means(lines)
    rates = sum(k.ga > 0 or k.a > 0 for k in lines)
    sentence = (
        f"{facts} facts, {forbidden} forbidden, {ritz} wavelengths from levels, {withheld} gf withheld, "
        f"{matched} gf with exact lower level, "
        f"{repeated} repeats, {len(lines)} rows, {rates} with a rate"
    )
    return lines, sentence


def add_lines(by_species: dict[str, list[Line]], folder: Path) -> None:
    """Complete or correct rows from `added_lines.csv` (well-known lines, from memory)."""
    with (folder / "added_lines.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            lines = by_species[row["species"]]
            line = min(lines, key=lambda k: abs(k.air - float(row["wavelength_nm"])))
            if abs(line.air - float(row["wavelength_nm"])) > SAME_LINE_NM:
                raise ValueError(f"no line for {row}")
            if row["a_ki"]:
                line.a, line.ga, line.grade = float(row["a_ki"]), math.nan, "m"
            line.e_low, line.g_low, line.g_up = (float(row[k]) for k in ("e_lower_cm", "g_lower", "g_upper"))
            line.e_up = line.e_low + 1e7 / line.vacuum
            line.lower, line.upper, line.from_photon = row["lower"], row["upper"], True
            line.source = f"{line.source.removesuffix(' + gf-list')} + {row['source']}"
