"""Lamp lists: the lines a lamp surely shows ('anchor'), then those it may show ('secondary').

Anchors and their strengths are common practice. Secondary lines are further lines of the same element from
the table of atomic lines; their strengths are estimated from the anchors of that element by one of two fits,

    log(strength / response) = a + log(gA) - E_upper / kT      where the rate is known,
    log(strength / response) = b + log(listed intensity)       where only an intensity is known, or a rate at which
                                                               no line would ever have been seen,

and are good to a factor of some three to ten. Only lines between known levels are taken. What an anchor
shows together with lines closer than `UNRESOLVED_NM` is shared among them by the estimate.
"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

HC_EV_CM = 1.2398419843320026e-4
UNRESOLVED_NM = 0.5  # the practice strengths are those of a spectrometer of 1 to 2 nm
SAME_LINE_NM = 0.02  # fine structure closer than this is one line to any spectrometer meant here
WEAKEST = 0.002  # of the strongest line of the element
MOST_SECONDARY = 80
# gA, /s, and strength by a listed intensity: a line seen so bright has no such rate (Xe I 482.97 nm: 18 /s)
LEAST_SEEN, SURELY_SEEN = 1e3, 0.01
STRONGEST_SECONDARY = 0.5  # an estimate above this would be an anchor if it were true
RANGE_NM = (250.0, 1100.0)
# Relative photon response of a silicon spectrometer with a grating blazed in the visible
# (common practice, no source).
RESPONSE_NM = (200.0, 250.0, 300.0, 350.0, 400.0, 500.0, 600.0, 700.0, 800.0, 900.0, 1000.0, 1060.0, 1100.0)
RESPONSE = (0.1, 0.2, 0.3, 0.45, 0.6, 0.9, 1.0, 0.9, 0.7, 0.4, 0.15, 0.04, 0.01)
# Lamps that hold two elements take the secondary lines of these, scaled by the anchors they share.
PARTS = {"cfl": ("hg", "ar"), "hg-ar": ("hg", "ar")}
CFL_GLASS_NM = 310.0  # common practice: the tube passes little below


@dataclass
class LampLine:
    """One row of the lamp table while it is made."""

    lamp: str
    species: str
    nm: float
    error_nm: float
    strength: float
    role: str
    note: str
    source: str


@dataclass
class Candidate:
    """One line of the atomic table, unresolved fine structure summed."""

    nm: float
    error_nm: float
    ga: float
    upper_ev: float
    intensity: float
    estimate: float = math.nan


def response(nm: float) -> float:
    return float(np.interp(nm, RESPONSE_NM, RESPONSE))


def cell(row: dict[str, str], name: str) -> float:
    return float(row[name]) if row[name] else math.nan


def candidates_of(species: str, atoms: list[dict[str, str]]) -> list[Candidate]:
    """Return the lines of a species, with components closer than `SAME_LINE_NM` as one."""
    rows = [r for r in atoms if r["species"] == species and r["e_upper_cm"]]
    rows = [r for r in rows if RANGE_NM[0] <= float(r["wavelength_nm"]) <= RANGE_NM[1]]
    groups: list[list[dict[str, str]]] = []
    for row in rows:
        if groups and float(row["wavelength_nm"]) - float(groups[-1][-1]["wavelength_nm"]) < SAME_LINE_NM:
            groups[-1].append(row)
        else:
            groups.append([row])
    return [summed(group) for group in groups]


def summed(rows: list[dict[str, str]]) -> Candidate:
    nm = np.array([float(r["wavelength_nm"]) for r in rows])
    ga = np.nan_to_num(np.array([cell(r, "ga_ki") for r in rows]))
    strongest = rows[int(np.argmax(ga))]
    weight = ga / ga.sum() if ga.sum() > 0 else np.full(len(rows), 1 / len(rows))
    centre = float(weight @ nm)
    spread = 0.5 * math.sqrt(float(weight @ (nm - centre) ** 2))
    error = {"a": 0.001, "b": 0.003, "c": 0.01, "d": 0.05}[strongest["wavelength_class"]]
    intensities = [cell(r, "relative_intensity") for r in rows if r["relative_intensity"]]
    return Candidate(
        nm=centre,
        error_nm=math.hypot(error, spread),
        ga=float(ga.sum()) or math.nan,
        upper_ev=cell(strongest, "e_upper_cm") * HC_EV_CM,
        intensity=max(intensities, default=math.nan),
    )


def estimate_strengths(candidates: list[Candidate], anchors: list[LampLine]) -> None:
    """Fill `estimate` from the anchors of the element, in place; NaN where nothing is known."""
    pairs = [(min(candidates, key=lambda c: abs(c.nm - a.nm)), a) for a in anchors]
    with_rate = [(c, a) for c, a in pairs if c.ga > 0]
    with_intensity = [(c, a) for c, a in pairs if c.intensity > 0]
    rate_fit, intensity_fit = fit_rate(with_rate), fit_intensity(with_intensity)
    for c in candidates:
        logs = []
        if rate_fit and c.ga > 0:
            logs.append(rate_fit[0] + math.log10(c.ga) - rate_fit[1] * c.upper_ev)
        if intensity_fit is not None and c.intensity > 0:
            logs.append(intensity_fit + math.log10(c.intensity))
        if logs:
            wrong_rate = c.ga < LEAST_SEEN and logs[-1] > math.log10(SURELY_SEEN)
            c.estimate = response(c.nm) * 10 ** logs[-1 if wrong_rate else 0]


def fit_rate(pairs: list[tuple[Candidate, LampLine]]) -> tuple[float, float] | None:
    """Return a and the fall per eV (between that of kT = 0.4 and of 3 eV)."""
    if not pairs:
        return None
    y = np.array([math.log10(a.strength / response(a.nm) / c.ga) for c, a in pairs])
    energy = np.array([c.upper_ev for c, _ in pairs])
    slopes = np.array([math.log10(math.e) / kt for kt in (0.4, 3.0)])
    fall = -np.polyfit(energy, y, 1)[0] if len(pairs) > 3 and np.ptp(energy) > 0.3 else slopes.mean()
    fall = float(np.clip(fall, slopes[1], slopes[0]))
    return float(np.median(y + fall * energy)), fall


def fit_intensity(pairs: list[tuple[Candidate, LampLine]]) -> float | None:
    """Return b."""
    logs = [math.log10(a.strength / response(a.nm) / c.intensity) for c, a in pairs]
    return float(np.median(logs)) if logs else None


def with_secondary(anchors: list[LampLine], atoms: list[dict[str, str]]) -> list[LampLine]:
    """Return the anchors of one element with their strengths shared out, and its secondary lines."""
    species, lamp = anchors[0].species, anchors[0].lamp
    candidates = candidates_of(species, atoms)
    estimate_strengths(candidates, anchors)
    lines, used = [], set()
    for anchor in anchors:
        own = min(range(len(candidates)), key=lambda i: abs(candidates[i].nm - anchor.nm))
        if abs(candidates[own].nm - anchor.nm) > SAME_LINE_NM:
            raise ValueError(f"{anchor} is not in the table of lines")
        others = [a.nm for a in anchors if a is not anchor]
        group = [
            i
            for i, c in enumerate(candidates)
            if abs(c.nm - anchor.nm) < UNRESOLVED_NM
            and i not in used
            and c.estimate > 0
            and all(abs(c.nm - nm) > abs(c.nm - anchor.nm) for nm in others)
        ]
        total = sum(candidates[i].estimate for i in group)
        used.add(own)
        for i in group:
            c = candidates[i]
            share = anchor.strength * c.estimate / total
            role = "anchor" if i == own else "secondary"
            if i == own or share >= WEAKEST:
                used.add(i)
                lines.append(
                    replace(
                        anchor,
                        nm=c.nm,
                        error_nm=c.error_nm,
                        strength=share,
                        role=role,
                        note=anchor.note if i == own else "",
                        source=anchor.source,
                    )
                )
        if own not in group:
            c = candidates[own]
            lines.append(replace(anchor, nm=c.nm, error_nm=c.error_nm))
    rest = [c for i, c in enumerate(candidates) if i not in used and c.estimate >= WEAKEST]
    rest = sorted(rest, key=lambda c: -c.estimate)[:MOST_SECONDARY]
    lines += [
        LampLine(
            lamp,
            species,
            c.nm,
            c.error_nm,
            min(c.estimate, STRONGEST_SECONDARY),
            "secondary",
            "",
            "asd + estimate",
        )
        for c in rest
    ]
    return lines


def read_anchors(folder: Path) -> list[LampLine]:
    lines = []
    with (folder / "lamp_lines.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            band = row["approximate"] == "1"
            note = "; ".join(t.replace(",", ";") for t in (row["blend"], row["note"]) if t)
            lines.append(
                LampLine(
                    lamp=row["lamp"],
                    species=row["species"],
                    nm=float(row["wavelength_air_nm"]),
                    error_nm=0.5 if band else 0.003,
                    strength=float(row["relative_strength"]),
                    role="band" if band else "anchor",
                    note=note,
                    source=row["source"],
                )
            )
    return lines


def scaled_parts(lamp: str, own: list[LampLine], whole: dict[str, list[LampLine]]) -> list[LampLine]:
    """Return a mixed lamp: its own anchors, and the other lines of its elements at a common scale."""
    lines = [k for k in own if k.role == "band"]
    for part in PARTS[lamp]:
        full = whole[part]
        mine = [k for k in own if k.species == full[0].species]
        matches = [(k, min(full, key=lambda f: abs(f.nm - k.nm))) for k in mine]
        scale = float(np.median([k.strength / f.strength for k, f in matches]))
        kept = {f.nm for _, f in matches}
        for k, f in matches:
            lines.append(replace(k, nm=f.nm, error_nm=f.error_nm))
        for f in full:
            strength = f.strength * scale
            glass = lamp == "cfl" and f.nm < CFL_GLASS_NM
            if f.nm not in kept and strength >= WEAKEST and not glass:
                lines.append(
                    replace(
                        f, lamp=lamp, strength=strength, role="secondary", note="", source="asd + estimate"
                    )
                )
    return lines


def build_lamps(folder: Path, atoms: list[dict[str, str]]) -> list[dict[str, str]]:
    """Return the rows of the lamp table."""
    by_lamp: dict[str, list[LampLine]] = {}
    for anchor in read_anchors(folder):
        by_lamp.setdefault(anchor.lamp, []).append(anchor)
    whole = {lamp: with_secondary(lines, atoms) for lamp, lines in by_lamp.items() if lamp not in PARTS}
    whole |= {lamp: scaled_parts(lamp, by_lamp[lamp], whole) for lamp in PARTS}
    return [as_row(k) for lamp in sorted(whole) for k in sorted(whole[lamp], key=lambda k: k.nm)]


def as_row(line: LampLine) -> dict[str, str]:
    return {
        "lamp": line.lamp,
        "species": line.species,
        "wavelength_nm": f"{line.nm:.4f}",
        "error_nm": f"{line.error_nm:.2g}",
        "strength": f"{line.strength:.3g}",
        "role": line.role,
        "note": line.note,
        "source": line.source,
    }
