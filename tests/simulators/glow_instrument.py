"""A cheap spectrometer: dispersion, line-spread, response, window, ghosts, dark, noise, errors of the axis.

Shares no code with the product; the line-spread is a slit box seen through a Gaussian blur with an
exponential tail on one side and weak Lorentz wings, and is no pseudo-Voigt.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from glow_emission import GRID_NM, STEP_NM
from scipy import fft

WINDOWS = {  # 50 % point and width of the edge, nm; rough, common practice, no source
    "none": (150.0, 3.0),
    "fused silica": (175.0, 4.0),
    "uv acrylic": (278.0, 5.0),
    "borosilicate": (308.0, 7.0),
    "soda lime": (325.0, 7.0),
    "acrylic": (382.0, 5.0),
}


@dataclass(frozen=True)
class Instrument:
    """All that stands between the glow and the file.

    Wavelength: `range_nm` at the first and last pixel; `bend` is the quadratic and cubic departure from a
    straight line at its largest, nm. `fwhm_nm` at both ends. `axis_error_nm`: shift, stretch at the ends,
    quadratic at the ends. Electrons = photons · response; counts = gain · electrons + dark.
    """

    pixels: int = 2048
    range_nm: tuple[float, float] = (250.0, 900.0)
    bend: tuple[float, float] = (12.0, 2.0)
    fwhm_nm: tuple[float, float] = (1.2, 1.4)
    slit_share: float = 0.75
    tail: float = 0.12
    wing: float = 0.03
    best_nm: float = 580.0
    breadth: float = 0.42
    ripple: float = 0.03
    ripple_nm: float = 14.0
    window: str = "fused silica"
    second_order: float = 0.004
    stray: float = 1e-3
    dark_counts: float = 900.0
    dark_pattern: float = 12.0
    hot_pixels: int = 4
    read_noise_e: float = 30.0
    counts_per_e: float = 0.8
    full_scale: float = 65535.0
    averages: int = 1
    dark_subtracted: bool = True
    axis_error_nm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    response_known: bool = False
    broadening: str = "slit"  # or "skewed"

    def true_nm(self, pixel: np.ndarray, shift_nm: float = 0.0) -> np.ndarray:
        """Wavelength at a (fractional) pixel."""
        x = 2 * np.asarray(pixel, float) / (self.pixels - 1) - 1
        low, high = self.range_nm
        line = (low + high) / 2 + x * (high - low) / 2
        cubic = self.bend[1] * 2.598 * (x - x**3)
        return line + self.bend[0] * (1 - x**2) + cubic + shift_nm

    def believed_nm(self) -> np.ndarray:
        """The axis as the user has it."""
        x = np.linspace(-1, 1, self.pixels)
        shift, stretch, bow = self.axis_error_nm
        return self.true_nm(np.arange(self.pixels)) + shift + stretch * x + bow * (1.5 * x**2 - 0.5)

    def response(self, nm: np.ndarray) -> np.ndarray:
        """Electrons per photon: grating and chip, fibre in the ultraviolet, silicon edge, window, ripple."""
        nm = np.asarray(nm, float)
        body = np.exp(-0.5 * ((np.log(nm) - np.log(self.best_nm)) / self.breadth) ** 2)
        fibre = 1 / (1 + np.exp(-(nm - 215) / 9))
        silicon = 1 / (1 + np.exp((nm - 1010) / 28))
        edge, width = WINDOWS[self.window]
        window = 0.92 / (1 + np.exp(-(nm - edge) / width))
        return 0.25 * body * fibre * silicon * window * self._etalon(nm)

    def _etalon(self, nm: np.ndarray) -> np.ndarray:
        phase = 2 * np.pi * 700.0**2 / (self.ripple_nm * nm)
        return 1 + self.ripple * np.cos(phase) / (1 + np.exp(-(nm - 650) / 60))


def line_spread(instrument: Instrument, fwhm_nm: float) -> np.ndarray:
    """Kernel on the fine grid, odd length, sum 1, centred on its core's centre of gravity."""
    if instrument.broadening == "skewed":
        return _skewed(instrument.tail, instrument.wing, round(fwhm_nm, 4))
    return _kernel(instrument.slit_share, instrument.tail, instrument.wing, round(fwhm_nm, 4))


@cache
def _kernel(slit_share: float, tail: float, wing: float, fwhm_nm: float) -> np.ndarray:
    half = int(12 * fwhm_nm / STEP_NM) + 1
    x = np.arange(-half, half + 1) * STEP_NM
    scale = fwhm_nm
    for _ in range(6):  # the shape is fixed, its scale is found so that the FWHM is as asked
        y = _shape(x, scale, slit_share, tail, wing)
        scale *= fwhm_nm / _fwhm(x, y)
    core = np.abs(x - x[np.argmax(y)]) < fwhm_nm
    centre = np.sum(x[core] * y[core]) / y[core].sum()
    y = np.interp(x + centre, x, y, left=0, right=0)
    return y / y.sum()


@cache
def _skewed(tail: float, wing: float, fwhm_nm: float) -> np.ndarray:
    """Line-spread of a misaligned camera: Lorentz and Gauss multiplied, not summed, with unlike halves, and a ghost.

    Coma makes one half wider; a reflection in the cover glass repeats the line 1.5 widths away. No slit.
    """
    half = int(12 * fwhm_nm / STEP_NM) + 1
    x = np.arange(-half, half + 1) * STEP_NM
    scale, skew = fwhm_nm, 0.15 + tail
    for _ in range(6):
        width = np.where(x < 0, 1 - skew, 1 + skew) * scale
        y = (0.15 + np.exp(-2.2 * (x / width) ** 2)) / (1 + (1.1 * x / width) ** 2) ** 1.5
        y += 0.3 * wing * np.exp(-((x - 1.5 * scale) ** 2) / (0.2 * scale**2))
        scale *= fwhm_nm / _fwhm(x, y)
    core = np.abs(x - x[np.argmax(y)]) < fwhm_nm
    y = np.interp(x + np.sum(x[core] * y[core]) / y[core].sum(), x, y, left=0, right=0)
    return y / y.sum()


def _shape(x: np.ndarray, scale: float, slit_share: float, tail: float, wing: float) -> np.ndarray:
    fine = len(x)
    box = np.clip((slit_share * scale / 2 - np.abs(x)) / STEP_NM + 0.5, 0, 1)
    gauss = np.exp(-0.5 * (x / (0.28 * scale)) ** 2)
    y = np.convolve(box, gauss, mode="same")
    trail = np.where(x >= 0, np.exp(-x / (0.45 * scale)), 0)
    y = y / y.sum() * (1 - tail) + tail * np.convolve(y / y.sum(), trail / trail.sum(), mode="same")
    lorentz = 1 / (1 + (x / (0.6 * scale)) ** 2)
    y = (1 - wing) * y + wing * lorentz / lorentz.sum()
    return y[:fine]


def _fwhm(x: np.ndarray, y: np.ndarray) -> float:
    top = int(np.argmax(y))
    level = y[top] / 2
    left = np.interp(level, y[: top + 1], x[: top + 1])
    right = np.interp(-level, -y[top:], x[top:])
    return float(right - left)


def detect(instrument: Instrument, photons: np.ndarray, shift_nm: float = 0.0) -> np.ndarray:
    """Expected electrons per pixel of spectra on the fine grid, shape (n, grid) -> (n, pixels)."""
    photons = np.atleast_2d(photons)
    first = photons * instrument.response(GRID_NM)
    low = instrument.true_nm(np.array([-0.5]), shift_nm)[0] - 25
    high = instrument.true_nm(np.array([instrument.pixels - 0.5]), shift_nm)[0] + 25
    span = slice(
        max(int((low - GRID_NM[0]) / STEP_NM), 0), min(int((high - GRID_NM[0]) / STEP_NM), len(GRID_NM))
    )
    light = first[:, span]
    if instrument.second_order > 0:
        light = light + _ghost(instrument, photons, span)
    nm = GRID_NM[span]
    spread = _blur(instrument, light, nm)
    edges = instrument.true_nm(np.arange(instrument.pixels + 1) - 0.5, shift_nm)
    sums = np.concatenate([np.zeros((len(spread), 1)), np.cumsum(spread, axis=1)], axis=1)
    places = (edges - (nm[0] - STEP_NM / 2)) / STEP_NM
    whole = np.clip(places.astype(int), 0, len(nm) - 1)
    part = places - whole
    at = sums[:, whole] * (1 - part) + sums[:, whole + 1] * part
    out = np.diff(at, axis=1)
    return np.maximum(out, 0) + stray_light(instrument, photons)


def stray_light(instrument: Instrument, photons: np.ndarray) -> np.ndarray:
    """Light scattered inside, spread over all pixels: (n, grid) -> (n, pixels)."""
    haze = np.linspace(1.2, 0.8, instrument.pixels) / instrument.pixels
    light = photons @ instrument.response(GRID_NM)
    return instrument.stray * np.atleast_1d(light)[:, None] * haze


def _ghost(instrument: Instrument, photons: np.ndarray, span: slice) -> np.ndarray:
    """Second order: a fraction of the light at λ lands at 2λ (chip response taken at λ)."""
    strength = photons * instrument.response(GRID_NM) * instrument.second_order
    out = np.zeros_like(photons)
    place = (2 * GRID_NM - GRID_NM[0]) / STEP_NM
    low = place.astype(int)
    ok = low < len(GRID_NM) - 1
    out[:, low[ok]] += 0.5 * strength[:, ok]
    out[:, low[ok] + 1] += 0.5 * strength[:, ok]
    return out[:, span]


def _blur(instrument: Instrument, light: np.ndarray, nm: np.ndarray) -> np.ndarray:
    narrow, wide = (line_spread(instrument, w) for w in instrument.fwhm_nm)
    size = fft.next_fast_len(light.shape[1] + max(len(narrow), len(wide)), real=True)
    spectrum = fft.rfft(light, size)
    out = []
    for kernel in (narrow, wide):
        half = len(kernel) // 2
        full = fft.irfft(spectrum * fft.rfft(kernel, size), size)
        out.append(full[:, half : half + light.shape[1]])
    low, high = instrument.range_nm
    mix = np.clip((nm - low) / (high - low), 0, 1)
    return out[0] * (1 - mix) + out[1] * mix


def record(
    instrument: Instrument, electrons: np.ndarray, rng: np.random.RandomState, scans: int | None = None
) -> np.ndarray:
    """Counts as the software writes them: shot and read noise, dark pattern, gain, rounding, ceiling."""
    p = electrons.shape[1]
    dice = np.random.RandomState(p + instrument.hot_pixels)  # the chip's own pattern stays with the chip
    pattern = instrument.dark_counts + instrument.dark_pattern * dice.standard_normal(p)
    hot = dice.randint(0, p, instrument.hot_pixels)
    pattern[hot] += 40 * instrument.dark_pattern * dice.random_sample(len(hot))
    raw = _scan(instrument, electrons, pattern, rng, scans or instrument.averages)
    if not instrument.dark_subtracted:
        return raw
    dark = _scan(instrument, np.zeros((1, p)), pattern, rng, 20)
    return np.where(raw >= instrument.full_scale, np.nan, raw - dark)


def _scan(
    instrument: Instrument, electrons: np.ndarray, pattern: np.ndarray, rng: np.random.RandomState, scans: int
) -> np.ndarray:
    shot = rng.poisson(np.maximum(electrons, 0) * scans) / scans
    read = instrument.read_noise_e * rng.standard_normal(electrons.shape) / np.sqrt(scans)
    counts = (shot + read) * instrument.counts_per_e + pattern
    rounded = np.round(counts * scans) / scans
    return np.clip(rounded, 0, instrument.full_scale)


def random_instrument(rng: np.random.RandomState, **fixed: object) -> Instrument:
    """Draw a spectrometer of the kind people own; keyword arguments pin fields."""
    kind = rng.randint(0, 4)
    pixels = (512, 1024, 2048, 3648)[kind]
    low = rng.choice([180.0, 200.0, 250.0, 300.0, 340.0])
    high = rng.choice([850.0, 900.0, 1000.0])
    per_pixel = (high - low) / pixels
    fwhm = float(np.clip(np.exp(rng.uniform(np.log(0.5), np.log(3.0))), 1.6 * per_pixel, 3.0))
    size = np.exp(rng.uniform(np.log(0.02), np.log(0.3)))
    error = size * rng.uniform(-1, 1, 3) * (1, 0.7, 0.5)
    drawn = Instrument(
        pixels=pixels,
        range_nm=(low, high),
        bend=(rng.uniform(-0.02, 0.02) * (high - low), rng.uniform(-0.004, 0.004) * (high - low)),
        fwhm_nm=(fwhm * rng.uniform(0.9, 1.1), fwhm * rng.uniform(0.95, 1.25)),
        slit_share=rng.uniform(0.3, 1.0),
        tail=rng.uniform(0.0, 0.2),
        wing=rng.uniform(0.005, 0.06),
        best_nm=rng.uniform(480, 680),
        breadth=rng.uniform(0.35, 0.55),
        ripple=rng.uniform(0.0, 0.06),
        ripple_nm=rng.uniform(8, 25),
        window=str(rng.choice(["fused silica", "fused silica", "uv acrylic", "borosilicate", "acrylic"])),
        second_order=float(rng.choice([0.0, 0.002, 0.01])),
        stray=np.exp(rng.uniform(np.log(3e-4), np.log(3e-3))),
        dark_pattern=rng.uniform(3, 20),
        read_noise_e=rng.uniform(10, 60),
        counts_per_e=float(rng.choice([0.2, 0.5, 1.0])),
        averages=int(rng.choice([1, 4, 10])),
        axis_error_nm=tuple(error),
    )
    return replace(drawn, **fixed)
