"""A second fleet, drawn differently: gratings by the grating equation, other strengths, strangers anywhere.

The first fleet (`lamp_fleet`) draws polynomials and the lamps' own tables. A calibration that was tuned on it, or on
its habits, shows here. Three kinds of lamp: only its well known lines; its table with faint lines; the relative
intensities of NIST's tables to a power, which hardly resemble what a silicon spectrometer sees.
"""

from __future__ import annotations

import numpy as np
from lamp_fleet import LAMPS, Case, expose, silicon, spread_lines

from glowledger.tables import atoms
from glowledger.tables.lamps import lamp_lines

ELEMENTS = {"cfl": ("Hg", "Ar"), "hg-ar": ("Hg", "Ar"), "h2": ("H",)}


def grating_axis(rng: np.random.Generator, pixels: int) -> np.ndarray:
    """Wavelengths by the grating equation: flat detector behind a lens, sin of the angle of diffraction."""
    while True:
        start, end = rng.uniform(180, 420), rng.uniform(680, 1100)
        middle, half = rng.uniform(-0.6, 0.6), rng.uniform(0.05, 0.25)
        tilt = rng.uniform(-0.3, 0.3)  # of the detector
        x = np.linspace(-1.0, 1.0, pixels)
        angle = middle + np.arctan(np.tan(half) * x / (1.0 + tilt * np.tan(half) * x))
        sine = np.sin(angle)
        nm = start + (end - start) * (sine - sine[0]) / (sine[-1] - sine[0])
        if np.all(np.diff(nm) > 0):
            return nm[::-1].copy() if rng.random() < 0.3 else nm


def lamp_light(rng: np.random.Generator, lamp: str) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Positions and strengths of sharp lines, and of phosphor bands (last two)."""
    kind = rng.choice(["known", "faint", "nist"], p=[0.5, 0.3, 0.2])
    table = lamp_lines(lamp, secondary=bool(kind == "faint"))
    band_nm, band = table.wavelength_nm[table.approximate], table.strength[table.approximate]
    band = band * np.exp(rng.normal(0.0, 0.4, len(band)))
    if kind != "nist":
        sharp = ~table.approximate & (rng.random(len(table)) > 0.08)
        strength = table.strength[sharp] * np.exp(rng.normal(0.0, 0.5, int(sharp.sum())))
        return table.wavelength_nm[sharp], strength, band_nm, band
    lines = atoms.load()
    power = rng.uniform(0.5, 1.0)
    elements = ELEMENTS.get(lamp, tuple(part.capitalize() for part in lamp.split(",")))
    nm, strength = [], []
    for name in elements:
        own = (lines.species == f"{name} I") & (lines.relative_intensity > 0)
        value = (lines.relative_intensity[own] / np.max(lines.relative_intensity[own])) ** power
        kept = value > 0.003
        nm.append(lines.wavelength_nm[own][kept])
        strength.append(value[kept] * np.exp(rng.normal(0.0, 0.5)))
    return np.concatenate(nm), np.concatenate(strength), band_nm, band


def make_case(seed: int, lamp: str | None = None) -> Case:
    """Draw one instrument and one lamp spectrum; the same seed gives the same case."""
    rng = np.random.default_rng([773, seed])
    lamp = lamp or LAMPS[seed % len(LAMPS)]
    pixels = int(rng.choice([300, 512, 1024, 2048, 2048, 3648, 3648, 4000]))
    nm = grating_axis(rng, pixels)
    slope = np.abs(np.gradient(nm))
    width = max(float(rng.uniform(0.7, 3.0)), 2.0 * float(np.median(slope)))
    fwhm = width * (1.0 + rng.uniform(0.0, 0.25) * np.linspace(-1, 1, pixels) ** 2)
    line_nm, strength, band_nm, band = lamp_light(rng, lamp)
    extra_nm = rng.uniform(nm.min(), nm.max(), int(rng.integers(0, 5)))
    extra = rng.uniform(0.02, 0.3, len(extra_nm)) * float(np.max(strength))
    cut = float(rng.choice([180.0, 330.0, 380.0]))
    strength, lorentz = strength * silicon(line_nm, cut), float(rng.uniform(0.0, 0.2))
    own = spread_lines(nm, slope, fwhm, line_nm, strength, lorentz, 0.0)
    strange, bands = spread_lines(nm, slope, fwhm, extra_nm, extra, lorentz, 0.0), np.zeros(pixels)
    for where, much in zip(band_nm + rng.normal(0.0, 0.3, len(band_nm)), band, strict=True):
        broad = np.full(pixels, np.hypot(width, 3.0))
        bands += spread_lines(nm, slope, broad, np.array([where]), np.array([1.5 * much]), 0.0, 0.0)
    return expose(rng, seed, lamp, nm, fwhm, [own, bands, strange], (line_nm, strength))
