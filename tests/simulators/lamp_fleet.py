"""A fleet of invented spectrometers looking at lamps; shares no code with the calibration.

Positions are published ones (the project's tables of facts); strengths, widths, bends, dirt are drawn at random.
Everything the calibration has to find out is kept in `Case` as the truth.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from glowledger.tables import atoms
from glowledger.tables.lamps import lamp_lines

LAMPS = (
    "cfl", "ne", "hg", "hg-ar", "ar", "he", "kr", "xe", "h2", "hg,ne,ar", "he,ne,ar", "hg,cd,ar", "kr,xe",
)  # fmt: skip
FOREIGN = ("O I", "N I", "H I", "Na I", "Fe I", "Cu I")


@dataclass(frozen=True, kw_only=True)
class Case:
    """One simulated lamp spectrum and the truth about it."""

    seed: int
    lamp: str
    pixel: np.ndarray
    counts: np.ndarray
    wavelength_nm: np.ndarray  # truth at each pixel
    fwhm_nm: np.ndarray  # truth at each pixel
    line_nm: np.ndarray  # lines of the lamp that are in the spectrum
    line_counts: np.ndarray
    noise: float
    own_light: np.ndarray  # of the lamp's sharp lines, free of noise, counts at each pixel
    band_light: np.ndarray  # of its phosphor bands
    strange_light: np.ndarray  # of lines that are not the lamp's, second orders among them
    noise_at: np.ndarray  # standard deviation at each pixel: read-out and light

    @property
    def visible(self) -> int:
        """Lines at least ten times above the noise, in range, counted once per line width."""
        lo, hi = np.sort(self.wavelength_nm[[0, -1]])
        width = float(np.median(self.fwhm_nm))
        per_px = abs(float(np.median(np.diff(self.wavelength_nm))))
        height = self.line_counts * per_px / (1.06 * width)
        good = (self.line_nm > lo) & (self.line_nm < hi) & (height > 10 * self.noise)
        count, last = 0, -1e9
        for nm in np.sort(self.line_nm[good]):
            if nm - last > 1.2 * width:
                count, last = count + 1, nm
        return count


def voigt_cumulative(x: np.ndarray, fwhm: float, lorentz: float) -> np.ndarray:
    """Integral of a Gaussian plus a share of Lorentzian of the same FWHM, from minus infinity to x."""
    sigma = fwhm / 2.3548200450309493
    gauss = np.array([0.5 * math.erfc(-v / (sigma * math.sqrt(2))) for v in x])
    lorentzian = 0.5 + np.arctan(2.0 * x / fwhm) / np.pi
    return (1.0 - lorentz) * gauss + lorentz * lorentzian


def line_light(
    pixels: int, centre: float, fwhm_px: float, lorentz: float, skew: float
) -> tuple[slice, np.ndarray]:
    """Share of a line's light in each pixel near `centre`; `skew` makes the right flank wider.

    `centre` is the middle of the half maximum, not the top: the place of a lopsided line by common practice.
    """
    reach = (25 if lorentz > 0 else 5) * fwhm_px + 3
    lo, hi = max(int(centre - reach), 0), min(int(centre + reach) + 1, pixels)
    if hi - lo < 2:
        return slice(0, 0), np.zeros(0)
    edges = np.arange(lo, hi + 1) - 0.5 - centre + 0.5 * skew * fwhm_px
    side = np.where(edges > 0, 1.0 + skew, 1.0 - skew)
    return slice(lo, hi), np.diff(side * (voigt_cumulative(edges / side, fwhm_px, lorentz) - 0.5))


def silicon(nm: np.ndarray, cut_nm: float) -> np.ndarray:
    """Response of a silicon detector behind glass, relative to its maximum (rough shape; common practice)."""
    rise = 1.0 / (1.0 + np.exp(-(nm - cut_nm) / 12.0))
    red = np.where(nm > 600.0, np.exp(-(((nm - 600.0) / 330.0) ** 2)), 1.0)
    blue = 0.35 + 0.65 * np.clip((nm - 350.0) / 200.0, 0.0, 1.0)
    return rise * red * blue + 0.003


def draw_axis(rng: np.random.Generator, pixels: int) -> np.ndarray:
    """A wavelength axis: any start and end, quadratic up to 4 % and cubic up to 1 % of the span, either way round."""
    x = np.linspace(-1.0, 1.0, pixels)
    while True:
        start, end = rng.uniform(170, 500), rng.uniform(600, 1150)
        span = end - start
        quadratic, cubic = rng.uniform(-0.04, 0.04), rng.uniform(-0.01, 0.01)
        nm = start + span * (x + 1) / 2 + quadratic * span * (1 - x**2) + cubic * span * (x - x**3) / 0.3849
        if np.all(np.diff(nm) > 0):
            return nm[::-1].copy() if rng.random() < 0.3 else nm


def draw_lines(rng: np.random.Generator, lamp: str) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Positions and photon strengths of sharp lines, and of phosphor bands (last two)."""
    table = lamp_lines(lamp, secondary=True)
    faint = table.role == "secondary"  # strengths known to a factor of ten, against two or three of the others
    strength = table.strength * np.exp(rng.normal(0.0, 1.0, len(table)) * np.where(faint, 1.2, 0.6))
    for name in np.unique(table.species):  # each element of a mixed lamp burns as it likes
        if "," in lamp:
            strength[table.species == name] *= np.exp(rng.normal(0.0, 0.8))
    sharp = ~table.approximate & (rng.random(len(table)) > np.where(faint, 0.4, 0.1))
    return (
        table.wavelength_nm[sharp],
        strength[sharp],
        table.wavelength_nm[table.approximate] + rng.normal(0.0, 0.25, int(table.approximate.sum())),
        strength[table.approximate],
    )


def foreign_lines(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """A few lines that are not of the lamp: air, sodium, metal."""
    table = atoms.load()
    rows = np.flatnonzero(np.isin(table.species, FOREIGN) & (table.relative_intensity > 50))
    count = int(rng.integers(0, 6))
    chosen = rng.choice(rows, size=count, replace=False)
    return table.wavelength_nm[chosen], 10 ** rng.uniform(-2.0, -0.6, count)


def make_case(seed: int, lamp: str | None = None) -> Case:
    """Draw one instrument and one lamp spectrum.

    Parameters
    ----------
    seed : int
        Of the random numbers; the same seed gives the same case.
    lamp : str, optional
        The lamp; by turns if left out.
    """
    rng = np.random.default_rng([20260, seed])
    lamp = lamp or LAMPS[seed % len(LAMPS)]
    pixels = int(np.exp(rng.uniform(np.log(300), np.log(4001))))
    nm = draw_axis(rng, pixels)
    slope = np.abs(np.gradient(nm))
    low, high = (0.5, 6.0) if rng.random() < 0.9 else (6.0, 15.0)
    width = max(float(np.exp(rng.uniform(np.log(low), np.log(high)))), 1.5 * float(np.median(slope)))
    fwhm = width * (1.0 + rng.uniform(-0.2, 0.2) * np.linspace(-1, 1, pixels))
    lorentz = float(rng.choice([0.0, rng.uniform(0.0, 0.25)]))
    skew = float(rng.choice([0.0, rng.uniform(-0.08, 0.08)]))
    line_nm, strength, band_nm, band_strength = draw_lines(rng, lamp)
    extra_nm, extra = foreign_lines(rng)
    cut = float(rng.choice([180.0, 320.0, 360.0]))
    every_nm = np.concatenate([line_nm, extra_nm])
    every = np.concatenate([strength, extra * float(np.max(strength))]) * silicon(every_nm, cut)
    if rng.random() < 0.3:  # no order-sorting filter: second order of everything below 550 nm
        second = every_nm < 550.0
        every_nm = np.concatenate([every_nm, 2.0 * every_nm[second]])
        every = np.concatenate([every, rng.uniform(0.01, 0.06) * every[second]])
    own = np.arange(len(every)) < len(line_nm)
    lines, strange = (spread_lines(nm, slope, fwhm, every_nm[of], every[of], lorentz, skew) for of in (own, ~own))
    bands = np.zeros(pixels)
    for where, much in zip(band_nm, band_strength * silicon(band_nm, cut), strict=True):
        broad = math.hypot(width, rng.uniform(2.0, 4.0))
        bands += spread_lines(
            nm, slope, np.full(pixels, broad), np.array([where]), np.array([1.5 * much]), 0.0, 0.0
        )
    return expose(rng, seed, lamp, nm, fwhm, [lines, bands, strange], (line_nm, strength * silicon(line_nm, cut)))


def spread_lines(
    nm: np.ndarray,
    slope: np.ndarray,
    fwhm: np.ndarray,
    at: np.ndarray,
    much: np.ndarray,
    lorentz: float,
    skew: float,
) -> np.ndarray:
    """Light of many lines on the pixels; in unit of a line's strength."""
    out = np.zeros(len(nm))
    rising = nm if nm[-1] > nm[0] else nm[::-1]
    index = np.arange(len(nm), dtype=float) if nm[-1] > nm[0] else np.arange(len(nm), dtype=float)[::-1]
    for where, height in zip(at, much, strict=True):
        if not rising[0] < where < rising[-1]:
            continue
        centre = float(np.interp(where, rising, index))
        i = round(centre)
        span, light = line_light(len(nm), centre, float(fwhm[i] / slope[i]), lorentz, skew)
        out[span] += height * light
    return out


def expose(
    rng: np.random.Generator,
    seed: int,
    lamp: str,
    nm: np.ndarray,
    fwhm: np.ndarray,
    light: list[np.ndarray],
    lines: tuple[np.ndarray, np.ndarray],
) -> Case:
    """Expose, digitise, and add what cheap detectors add: offset, haze, noise, clipping, hot pixels.

    `light` is that of the lamp's sharp lines, of its phosphor bands, of strangers.
    """
    pixels, signal = len(nm), light[0] + light[1] + light[2]
    full, gain, read = 65535.0, rng.uniform(0.3, 2.0), rng.uniform(8.0, 40.0)
    factor = full * float(rng.choice([0.1, 0.8, 0.8, 1.5, 3.0])) / max(float(np.max(signal)), 1e-9)
    x = np.linspace(-1, 1, pixels)
    haze = rng.uniform(0.0, 600.0) * np.exp(-((x - rng.uniform(-1, 1)) ** 2) / rng.uniform(0.1, 1.0))
    mean = factor * signal + haze
    counts = (
        gain * rng.poisson(np.maximum(mean, 0.0) / gain)
        + rng.normal(0.0, read, pixels)
        + rng.uniform(300, 1500)
    )
    for _ in range(int(rng.integers(0, 5))):
        counts[rng.integers(0, pixels)] += 10 ** rng.uniform(2.3, 4.5)
    counts = np.clip(np.rint(counts), 0, full)
    return Case(
        seed=seed, lamp=lamp, pixel=np.arange(pixels, dtype=float), counts=counts, wavelength_nm=nm, fwhm_nm=fwhm,
        line_nm=lines[0], line_counts=lines[1] * factor, noise=read, own_light=light[0] * factor,
        band_light=light[1] * factor, strange_light=light[2] * factor,
        noise_at=np.sqrt(read**2 + gain * np.maximum(mean, 0.0)),
    )  # fmt: skip


def largest_error(case: Case, solved_nm: np.ndarray, first_pixel: float, last_pixel: float) -> float:
    """Largest error of a solution between two pixels, in units of a fifth of the local line width (right: < 1)."""
    lo, hi = sorted((first_pixel, last_pixel))
    inside = (case.pixel >= np.floor(lo)) & (case.pixel <= np.ceil(hi))
    return float(np.max(np.abs(solved_nm - case.wavelength_nm)[inside] / (0.2 * case.fwhm_nm[inside])))
