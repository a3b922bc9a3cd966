"""Find oscillator strengths that were given to the wrong line.

In lists matched by wavelength alone a strong observed line can carry the gf of a weak, highly excited one
beside it. Within one species and one intensity list, log(intensity · λ / gA) falls nearly straight with the
upper energy; a line far off that trend, to either side, has the wrong gf, and it is withheld.
"""

from __future__ import annotations

import math
from collections import defaultdict

import numpy as np
from atoms_reading import Line

LEAST_LINES = 20
LEAST_DEVIATION_DEX = 1.5
LEAST_DEVIATION_SCATTERS = 4.0


def withhold_mispaired(lines: list[Line]) -> int:
    """Remove rate and levels of mispaired rows of one species, in place; return how many."""
    by_list: dict[str, list[Line]] = defaultdict(list)
    for k in lines:
        if "gf-list" in k.source and k.ga > 0 and k.intensity > 0 and math.isnan(k.g_up):
            by_list[k.source.split(" + ")[0]].append(k)
    mispaired = [row for rows in by_list.values() if len(rows) >= LEAST_LINES for row in far_off(rows)]
    for row in mispaired:
        row.a = row.ga = row.e_low = row.e_up = row.g_low = row.g_up = math.nan
        row.source = row.source.replace("gf-list", "gf withheld")
    return len(mispaired)


def far_off(rows: list[Line]) -> list[Line]:
    """Return the rows far off the trend of their list."""
    excess = excess_dex(
        np.array([k.intensity for k in rows]),
        np.array([k.ga / k.air for k in rows]),
        np.array([k.e_up for k in rows]),
    )
    scatter = 1.4826 * float(np.median(np.abs(excess - np.median(excess))))
    limit = max(LEAST_DEVIATION_DEX, LEAST_DEVIATION_SCATTERS * scatter)
    return [row for row, value in zip(rows, excess, strict=True) if abs(value) > limit]


def excess_dex(intensity: np.ndarray, rate: np.ndarray, energy: np.ndarray) -> np.ndarray:
    """Return log10 of intensity over the robust trend with energy, dex, shape (m,).

    Least absolute deviations by iteratively reweighted least squares.
    """
    y = np.log10(intensity / rate)
    design = np.column_stack([np.ones_like(energy), -energy / 1e4])
    weight = np.ones_like(y)
    residual = y
    for _ in range(60):
        solution = np.linalg.lstsq(design * weight[:, None], y * weight, rcond=None)[0]
        residual = y - design @ solution
        weight = 1 / np.sqrt(np.abs(residual) + 0.05)
    return residual
