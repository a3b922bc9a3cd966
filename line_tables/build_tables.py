"""Build the bundled tables of atomic lines, lamps, windows and tungsten from a folder of facts.

    python line_tables/build_tables.py line_tables/facts [--out FOLDER]

Same facts, same bytes: nothing depends on date, machine or network. The format is described in FORMAT.md.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from atoms_cleaning import clean_atoms
from lamp_lists import build_lamps
from tungsten_list import build_tungsten
from window_lists import build_indices, build_windows

HERE = Path(__file__).resolve().parent


def write_table(file: Path, preamble: dict[str, str], rows: list[dict[str, str]]) -> None:
    """Write preamble, header and rows; a cell may hold no comma, so that reading needs no quotes."""
    header = list(rows[0])
    lines = [f"# {key}: {value}" for key, value in preamble.items()]
    lines.append(",".join(header))
    for row in rows:
        cells = [row[name] for name in header]
        if any("," in cell or "\n" in cell for cell in cells):
            raise ValueError(f"comma or line break in {cells}")
        lines.append(",".join(cells))
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")


ATOMS_PREAMBLE = {
    "format": "glowledger line table/1",
    "holds": "lines of atoms and ions from 199 to 1100 nm; columns and classes in FORMAT.md",
    "cite": "A. Kramida; Yu. Ralchenko; J. Reader and NIST ASD Team; NIST Atomic Spectra Database; "
    "National Institute of Standards and Technology; doi 10.18434/T4W30F",
    "air": "Ciddor 1996 standard air; also below 200 nm",
}
LAMPS_PREAMBLE = {
    "format": "glowledger line table/1",
    "holds": "lines of calibration lamps with roles; columns in FORMAT.md",
    "cite": ATOMS_PREAMBLE["cite"],
    "air": ATOMS_PREAMBLE["air"],
}
WINDOWS_PREAMBLE = {
    "format": "glowledger line table/1",
    "holds": "internal transmittance of window materials over wavelength (air) at reference_mm",
}
INDICES_PREAMBLE = {
    "format": "glowledger line table/1",
    "holds": "refractive indices: sellmeier n2 = 1 + sum c1..c3 x2/(x2 - c4..c6 squared); "
    "cauchy n = c1 + c2/x2; x in um",
}
TUNGSTEN_PREAMBLE = {
    "format": "glowledger line table/1",
    "holds": "spectral emissivity of clean tungsten over true temperature (K) and wavelength (nm)",
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("facts", type=Path, help="folder of facts: line_tables/facts")
    parser.add_argument("--out", type=Path, default=HERE, help="folder to write to (this one)")
    options = parser.parse_args()
    atoms, log = clean_atoms(options.facts)
    lamps = build_lamps(options.facts, atoms)
    write_table(options.out / "atomic_lines.csv", ATOMS_PREAMBLE, atoms)
    write_table(options.out / "lamp_lines.csv", LAMPS_PREAMBLE, lamps)
    write_table(options.out / "windows.csv", WINDOWS_PREAMBLE, build_windows(options.facts))
    write_table(options.out / "window_indices.csv", INDICES_PREAMBLE, build_indices(options.facts))
    write_table(options.out / "tungsten_emissivity.csv", TUNGSTEN_PREAMBLE, build_tungsten(options.facts))
    for line in log:
        print(line, file=sys.stderr)


if __name__ == "__main__":
    main()
