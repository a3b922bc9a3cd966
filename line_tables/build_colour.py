"""Build the tables of colour.

- cie_1931_2deg.csv: the CIE 1931 2-degree standard observer at 1 nm. Needs the general-purpose package
  colour-science (BSD-3-Clause), which carries the values as published by the CIE (CIE 015:2018 and
  ISO/CIE 11664-1, through the Colour & Vision Research Laboratory's list). Wavelengths are in standard
  air, as the CIE defines them.
- glow_recipes.csv: which emitters make the visible light of a gas, in the positive column and in the
  negative glow, and in what typical proportion.

    python line_tables/build_colour.py
"""

from __future__ import annotations

import os
from pathlib import Path

FOLDER = Path(__file__).parent
SOURCE = "CIE 015:2018"

# What the parts below were chosen to give: hues as published, from memory of E. Nasser, Fundamentals of Gaseous
# Ionization (1971), or of the tables of tube colours in laboratory handbooks. Where the two differ both are named. A
# part that a look at a tube suggested stays only because it gives a published hue (tests/diagnose/test_gas_colours.py).
NASSER, HANDBOOKS = "Nasser 1971 from memory", "laboratory handbooks from memory"
HUES = {
    ("air", "positive column"): f"reddish: {NASSER}",
    ("air", "negative glow"): f"blue: {NASSER}",
    ("N2", "positive column"): f"red to pink: {NASSER}",
    ("N2", "negative glow"): f"blue: {NASSER}",
    ("O2", "positive column"): f"pale yellow: {NASSER}",
    ("O2", "negative glow"): f"yellowish white: {NASSER}",
    ("H2", "positive column"): f"pink: {NASSER}; pink to magenta: {HANDBOOKS}",
    ("H2", "negative glow"): f"pale blue: {NASSER}; not reached",
    ("Ar", "positive column"): f"violet to pale lavender: {HANDBOOKS}; dark red: {NASSER}",
    ("Ar", "negative glow"): f"dark blue: {NASSER}",
    ("He", "positive column"): f"white to orange: {HANDBOOKS}; violet-red: {NASSER}",
    ("Ne", "positive column"): f"red-orange: {HANDBOOKS}; red: {NASSER}",
    ("Ne", "negative glow"): f"orange: {NASSER}",
    ("CO2", "positive column"): f"whitish: {NASSER}; blue-white to pink: {HANDBOOKS}",
    ("CO2", "negative glow"): f"blue: {NASSER}",
    ("Hg", "positive column"): f"light blue: {HANDBOOKS}; green: {NASSER}",
    ("Kr", "positive column"): f"off-white: {HANDBOOKS}; more colourful here",
    ("Xe", "positive column"): f"grey or blue-grey: {HANDBOOKS}; more colourful here",
    ("H2O", "positive column"): f"as hydrogen but dimmer: {HANDBOOKS}",
    ("Na", "positive column"): f"bright orange-yellow: {HANDBOOKS}",
}

# gas, region, emitter (species, band system, or 'continuum'), part of the radiant power in 380-780 nm,
# ln standard deviation of that part, kT of its upper levels in eV, why. Proportions are typical of tubes
# of 0.1 to 5 Torr (common practice, no source) unless a row says otherwise; hence the wide deviations.
PRACTICE = "common practice; no source"
RECIPES = (
    ("He", "positive column", "He I", 1.0, 0.0, 0.5, PRACTICE),
    ("He", "negative glow", "He I", 0.95, 0.1, 0.8, PRACTICE),
    ("He", "negative glow", "He II", 0.05, 0.7, 1.0, PRACTICE),
    ("Ne", "positive column", "Ne I", 1.0, 0.0, 0.4, PRACTICE),
    ("Ne", "negative glow", "Ne I", 1.0, 0.1, 0.5, PRACTICE),
    ("Ar", "positive column", "Ar I", 0.995, 0.1, 0.5, PRACTICE),
    ("Ar", "positive column", "Ar II", 0.005, 1.0, 0.8, PRACTICE),
    ("Ar", "negative glow", "Ar I", 0.92, 0.1, 0.5, PRACTICE),
    ("Ar", "negative glow", "Ar II", 0.08, 0.8, 0.8, "blue by ion lines: Nasser 1971 from memory"),
    ("Kr", "positive column", "Kr I", 1.0, 0.0, 0.5, PRACTICE),
    ("Kr", "negative glow", "Kr I", 0.85, 0.2, 0.5, PRACTICE),
    ("Kr", "negative glow", "Kr II", 0.15, 0.8, 0.8, PRACTICE),
    ("Xe", "positive column", "Xe I", 1.0, 0.0, 0.45, PRACTICE),
    ("Xe", "negative glow", "Xe I", 0.75, 0.2, 0.45, PRACTICE),
    ("Xe", "negative glow", "Xe II", 0.25, 0.8, 0.8, PRACTICE),
    ("Hg", "positive column", "Hg I", 1.0, 0.0, 0.5, PRACTICE),
    ("Hg", "negative glow", "Hg I", 1.0, 0.0, 0.7, PRACTICE),
    ("H2", "positive column", "H I", 0.65, 0.4, 0.8, PRACTICE),
    ("H2", "positive column", "H2 d-a", 0.15, 0.5, 0.4, PRACTICE),
    ("H2", "positive column", "continuum", 0.20, 0.6, 0.0, "many-line spectrum; unresolved; " + PRACTICE),
    ("H2", "negative glow", "H I", 0.45, 0.4, 1.0, PRACTICE),
    ("H2", "negative glow", "H2 d-a", 0.15, 0.5, 0.4, PRACTICE),
    ("H2", "negative glow", "continuum", 0.40, 0.5, 0.0, "many-line spectrum; unresolved; " + PRACTICE),
    ("N2", "positive column", "N2 B-A", 0.80, 0.3, 0.7, PRACTICE),
    ("N2", "positive column", "N2 C-B", 0.18, 0.4, 0.3, PRACTICE),
    ("N2", "positive column", "N2+ B-X", 0.02, 0.8, 0.3, PRACTICE),
    ("N2", "negative glow", "N2+ B-X", 0.65, 0.3, 0.3, PRACTICE),
    ("N2", "negative glow", "N2 C-B", 0.25, 0.4, 0.3, PRACTICE),
    ("N2", "negative glow", "N2 B-A", 0.10, 0.5, 0.7, PRACTICE),
    ("air", "positive column", "N2 B-A", 0.77, 0.3, 0.7, PRACTICE),
    ("air", "positive column", "N2 C-B", 0.18, 0.4, 0.3, PRACTICE),
    ("air", "positive column", "N2+ B-X", 0.03, 0.8, 0.3, PRACTICE),
    ("air", "positive column", "O I", 0.02, 0.7, 0.5, PRACTICE),
    ("air", "negative glow", "N2+ B-X", 0.65, 0.3, 0.3, PRACTICE),
    ("air", "negative glow", "N2 C-B", 0.25, 0.4, 0.3, PRACTICE),
    ("air", "negative glow", "N2 B-A", 0.08, 0.5, 0.7, PRACTICE),
    ("air", "negative glow", "O I", 0.02, 0.7, 0.5, PRACTICE),
    ("O2", "positive column", "O I", 0.55, 0.4, 0.5, PRACTICE),
    ("O2", "positive column", "O2+ b-a", 0.20, 0.6, 0.4, PRACTICE),
    ("O2", "positive column", "continuum", 0.25, 0.6, 0.0, PRACTICE),
    ("O2", "negative glow", "O2+ b-a", 0.50, 0.3, 0.4, "first negative bands: Nasser 1971 from memory"),
    ("O2", "negative glow", "O I", 0.20, 0.5, 0.5, PRACTICE),
    ("O2", "negative glow", "O II", 0.15, 0.7, 1.0, PRACTICE),
    ("O2", "negative glow", "continuum", 0.15, 0.6, 0.0, PRACTICE),
    ("CO2", "positive column", "CO B-A", 0.75, 0.2, 0.2, PRACTICE),
    ("CO2", "positive column", "O I", 0.05, 0.6, 0.5, PRACTICE),
    (
        "CO2",
        "positive column",
        "continuum",
        0.20,
        0.6,
        0.0,
        "CO2 flame bands and weak CO triplets; " + PRACTICE,
    ),
    ("CO2", "negative glow", "CO B-A", 0.45, 0.3, 0.2, PRACTICE),
    ("CO2", "negative glow", "CO+ A-X", 0.40, 0.4, 0.4, PRACTICE),
    ("CO2", "negative glow", "continuum", 0.15, 0.6, 0.0, PRACTICE),
    ("H2O", "positive column", "H I", 0.75, 0.3, 0.8, PRACTICE),
    ("H2O", "positive column", "H2 d-a", 0.08, 0.6, 0.4, PRACTICE),
    ("H2O", "positive column", "O I", 0.05, 0.6, 0.5, PRACTICE),
    ("H2O", "positive column", "continuum", 0.12, 0.6, 0.0, PRACTICE),
    ("H2O", "negative glow", "H I", 0.60, 0.3, 1.0, PRACTICE),
    ("H2O", "negative glow", "O I", 0.05, 0.6, 0.5, PRACTICE),
    ("H2O", "negative glow", "continuum", 0.35, 0.5, 0.0, PRACTICE),
    ("Na", "positive column", "Na I", 1.0, 0.0, 0.4, PRACTICE),
)


def rows() -> list[str]:
    import colour

    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    lines = []
    for nm, (x, y, z) in zip(observer.wavelengths, observer.values, strict=True):
        lines.append(f"{nm:.0f},{x:.12g},{y:.12g},{z:.12g},{SOURCE}")
    return lines


def observer_text() -> str:
    import colour

    head = [
        "# format: glowledger/observer/1",
        "# holds: CIE 1931 2-degree standard colorimetric observer every nm of 360-830 nm in standard air",
        "# source: CIE 015:2018 and ISO/CIE 11664-1:2019; values read through the general-purpose package "
        f"colour-science {colour.__version__} (BSD-3-Clause)",
        "# built_by: build_colour.py",
        "wavelength_nm,x_bar,y_bar,z_bar,source",
    ]
    return "\n".join([*head, *rows()]) + "\n"


def recipes_text() -> str:
    head = [
        "# format: glowledger/glow recipes/1",
        "# holds: emitters of the visible light of a gas with their part of the radiant power in 380-780 nm",
        "# built_by: build_colour.py",
        "gas,region,emitter,power,ln_sd,excitation_ev,source",
    ]
    lines = []
    for *recipe, why in RECIPES:
        hue = HUES.get((recipe[0], recipe[1]))
        lines.append(",".join(map(str, [*recipe, why if hue is None else f"{why}; hue {hue}"])))
    return "\n".join([*head, *lines]) + "\n"


def main() -> None:
    for name, text in (("cie_1931_2deg.csv", observer_text()), ("glow_recipes.csv", recipes_text())):
        part = FOLDER / f"{name}.part"
        part.write_text(text, encoding="utf-8")
        os.replace(part, FOLDER / name)
        print(f"{name}: {text.count(chr(10))} lines")


if __name__ == "__main__":
    main()
