"""Build cie_1931_2deg.csv: the CIE 1931 2-degree standard observer at 1 nm.

Run by hand; needs the general-purpose package colour-science (BSD-3-Clause), which carries the
values as published by the CIE (CIE 015:2018 and ISO/CIE 11664-1, through the Colour & Vision
Research Laboratory's list). Wavelengths are in standard air, as the CIE defines them.

    python line_tables/build_colour.py
"""

from __future__ import annotations

import os
from pathlib import Path

TABLE = Path(__file__).with_name("cie_1931_2deg.csv")
SOURCE = "CIE 015:2018"


def rows() -> list[str]:
    import colour

    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    lines = []
    for nm, (x, y, z) in zip(observer.wavelengths, observer.values, strict=True):
        lines.append(f"{nm:.0f},{x:.12g},{y:.12g},{z:.12g},{SOURCE}")
    return lines


def text() -> str:
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


def main() -> None:
    part = TABLE.with_suffix(".part")
    part.write_text(text(), encoding="utf-8")
    os.replace(part, TABLE)
    print(f"{TABLE.name}: {len(rows())} rows")


if __name__ == "__main__":
    main()
