"""Cleaning runs as spectra, on spectrometers drawn at random, with known ends; imports nothing of the product.

``draw_run(seed)`` gives the frames that a file would hold and what is true of them. The physics of the light is that
of `glow_emission`, the recording that of `glow_instrument`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from glow_emission import Nature, species_photons
from glow_instrument import Instrument, detect, random_instrument, record
from glow_simulator import continuum

# feed: its species with their range of light; what may come off the part
FEEDS = {
    "Ar+O2": ({"Ar I": (1, 1), "O I": (0.1, 0.4)}, ("CO", "OH", "H I", "CH")),
    "O2": ({"O I": (1, 1), "O2+": (0.02, 0.2)}, ("CO", "OH", "H I", "CO+")),
    "Ar": ({"Ar I": (1, 1)}, ("H I", "CH", "C2", "OH", "CO")),
    "air": ({"N2": (1, 1), "N2+": (0.05, 0.3), "O I": (0.01, 0.1)}, ("CN", "CO", "OH", "H I")),
    "He+O2": ({"He I": (1, 1), "O I": (0.1, 0.4)}, ("CO", "OH", "H I")),
    "N2+H2": ({"N2": (1, 1), "N2+": (0.05, 0.3), "H I": (0.02, 0.1), "NH": (0.02, 0.1)}, ("CN", "CO")),
}
LIGHT = 2.0e7  # photons per frame at the start
CADENCE_S = 5.0
LEFT = 0.05  # of the starting excess: the end
ENDLESS = 0.2  # of the runs do not end


@dataclass(frozen=True)
class Product:
    """What comes off: share of the light, floor and the two decays of its excess."""

    light: float
    floor: float
    first: float
    times_s: tuple[float, float]

    def excess(self, t: np.ndarray) -> np.ndarray:
        """1 at the start."""
        return self.first * np.exp(-t / self.times_s[0]) + (1 - self.first) * np.exp(-t / self.times_s[1])

    def end_s(self) -> float:
        """Time at which the excess has fallen to LEFT, by bisection."""
        low, high = 0.0, 1e6
        for _ in range(80):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if self.excess(np.array(middle)) > LEFT else (low, middle)
        return low


@dataclass(frozen=True)
class DrawnRun:
    """Frames as recorded, and the truth; `amount` holds photons per species and frame."""

    feed: str
    instrument: Instrument
    time_s: np.ndarray
    counts: np.ndarray
    noise_free: np.ndarray
    products: dict[str, Product]
    amount: dict[str, np.ndarray]
    drift_nm: np.ndarray

    @property
    def ends(self) -> bool:
        return all(p.end_s() < self.time_s[-1] for p in self.products.values())


def _log_uniform(rng: np.random.RandomState, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _product(rng: np.random.RandomState, length_s: float, endless: bool) -> Product:
    slow = length_s * rng.uniform(0.04, 0.14)
    two = rng.rand() < 0.5
    times, first = ((slow * rng.uniform(0.15, 0.4), slow), rng.uniform(0.2, 0.7)) if two else ((slow, slow), 1.0)
    if endless:
        times, first = (length_s * rng.uniform(0.7, 2.0),) * 2, 1.0
    return Product(_log_uniform(rng, 0.02, 0.2), rng.uniform(0.02, 0.25), first, times)


def _amounts(
    rng: np.random.RandomState, feed: str, t: np.ndarray
) -> tuple[dict[str, np.ndarray], dict[str, Product]]:
    base, may = FEEDS[feed]
    steps = 0.002 * rng.standard_normal(t.size).cumsum() + 0.01 * rng.standard_normal(t.size)
    light = (1 - rng.uniform(0, 0.15) * t / t[-1]) * np.exp(steps)
    amount = {name: _log_uniform(rng, *share) * light for name, share in base.items()}
    endless = rng.rand() < ENDLESS
    products = {}
    for k, name in enumerate(rng.permutation(may)[: rng.randint(1, len(may) + 1)]):
        one = products[str(name)] = _product(rng, t[-1], bool(endless) and k == 0)
        share = one.light * (one.floor + (1 - one.floor) * one.excess(t))
        amount[str(name)] = amount.get(str(name), 0.0) + share * light
    return amount, products


def draw_run(seed: int, frames: int = 240, **fixed: object) -> DrawnRun:
    """Draw one run; keyword arguments pin fields of the spectrometer."""
    rng = np.random.RandomState(seed)
    feed = list(FEEDS)[rng.randint(len(FEEDS))]
    instrument = random_instrument(rng, **fixed)
    heat, hot = _log_uniform(rng, 300, 1200), float(rng.uniform(0.35, 0.8))
    nature = Nature(t_rot_default=heat, excitation_ev=hot)
    t = np.arange(frames) * CADENCE_S
    amount, products = _amounts(rng, feed, t)
    scale = LIGHT / sum(a[0] for a in amount.values())
    amount = {name: a * scale for name, a in amount.items()}
    units = {name: species_photons(name, rng, nature)[0] for name in (*amount, "Na I")}
    smooth = continuum(rng) * _log_uniform(rng, 0.02, 0.3)
    width = float(np.mean(instrument.fwhm_nm))
    drift = rng.uniform(-0.3, 0.3) * width * (1 - np.exp(-t / (t[-1] * rng.uniform(0.1, 0.5))))
    flashes = [(rng.randint(frames // 2), rng.randint(1, 4)) for _ in range(rng.randint(0, 5))]
    rows = []
    for k in range(frames):
        photons = sum(a[k] * units[name] for name, a in amount.items())
        photons = photons + photons.sum() * smooth
        for start, length in flashes:
            if start <= k < start + length:
                photons = photons + 0.05 * LIGHT * np.exp(-0.5 * (k - start)) * units["Na I"]
        rows.append(detect(instrument, photons[None], float(drift[k]))[0])
    electrons = np.array(rows)
    counts = record(instrument, electrons, rng)
    return DrawnRun(
        feed, instrument, t, counts, electrons * instrument.counts_per_e, products, amount, drift
    )
