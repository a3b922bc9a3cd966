"""Lamp lists: the lines a lamp surely shows, then those it may show."""

from __future__ import annotations

import csv
from pathlib import Path


def build_lamps(folder: Path, atoms: list[dict[str, str]]) -> list[dict[str, str]]:
    """Return the rows of the lamp table."""
    rows = []
    with (folder / "lamp_lines.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            rows.append(
                {
                    "lamp": row["lamp"],
                    "species": row["species"],
                    "wavelength_nm": f"{float(row['wavelength_air_nm']):.4f}",
                    "strength": row["relative_strength"],
                    "role": "band" if row["approximate"] == "1" else "anchor",
                    "blend": row["blend"],
                    "note": row["note"].replace(",", ";"),
                    "source": row["source"],
                }
            )
    return rows
