"""Table of the emissivity of tungsten: a checked copy of the hand-made facts, which are too few to need more."""

from __future__ import annotations

from pathlib import Path

from window_lists import read


def build_tungsten(folder: Path) -> list[dict[str, str]]:
    """Return emissivities: a full grid of temperatures and wavelengths, values within (0, 1)."""
    rows = read(folder / "tungsten_emissivity.csv")
    places = [(float(row["temperature_k"]), float(row["wavelength_nm"])) for row in rows]
    if places != sorted({(t, nm) for t, _ in places for _, nm in places}):
        raise ValueError("temperatures and wavelengths make no full grid in rising order")
    for row in rows:
        if not (0 < float(row["emissivity"]) < 1 and float(row["standard_error"]) > 0):
            raise ValueError(f"no emissivity with error: {row}")
    return rows
