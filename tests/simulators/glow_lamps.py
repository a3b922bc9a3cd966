"""Lamps on the fine grid: compact fluorescent and neon indicator; shares no code with the product."""

from __future__ import annotations

import csv

import numpy as np
from glow_emission import GRID_NM, STEP_NM
from glow_facts import HERE


def lamp_photons(lamp: str) -> np.ndarray:
    """Photons per grid step of a lamp ('cfl' or 'neon'), relative; phosphor lines as rounded humps."""
    out = np.zeros_like(GRID_NM)
    with (HERE / "glow_lamps.csv").open(encoding="utf-8") as handle:
        rows = [r for r in csv.DictReader(x for x in handle if not x.startswith("#")) if r["lamp"] == lamp]
    for row in rows:
        nm, fwhm, photons = (float(row[k]) for k in ("wavelength_air_nm", "fwhm_nm", "photons"))
        if fwhm == 0:
            place = (nm - GRID_NM[0]) / STEP_NM
            low = int(place)
            out[low] += photons * (low + 1 - place)
            out[low + 1] += photons * (place - low)
        else:
            hump = np.cosh(np.clip(1.7627 * (GRID_NM - nm) / fwhm, -200, 200)) ** -2.0
            out += photons * hump / hump.sum()
    if not rows:
        raise ValueError(f"no lamp {lamp!r}")
    return out
