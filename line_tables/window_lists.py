"""Window tables: checked copies of the hand-made facts, which are too few to need more."""

from __future__ import annotations

import csv
from itertools import pairwise
from pathlib import Path


def read(file: Path) -> list[dict[str, str]]:
    with file.open(encoding="utf-8", newline="") as text:
        return list(csv.DictReader(text))


def build_windows(folder: Path) -> list[dict[str, str]]:
    """Return internal transmittances: wavelengths rise within a material, values lie in [0, 1]."""
    rows = read(folder / "window_nodes.csv")
    for row, following in pairwise(rows):
        same = row["material"] == following["material"]
        if same and float(row["wavelength_nm"]) >= float(following["wavelength_nm"]):
            raise ValueError(f"wavelengths do not rise at {row}")
    for row in rows:
        if not (0 <= float(row["internal_transmittance"]) <= 1 and float(row["standard_error"]) > 0):
            raise ValueError(f"no transmittance with error: {row}")
    return rows


def build_indices(folder: Path) -> list[dict[str, str]]:
    """Return the coefficients of the refractive indices."""
    return read(folder / "window_indices.csv")
