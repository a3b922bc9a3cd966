"""Simulated glow spectra with known truth, for judging the identification; imports nothing of the product.

``simulate({"Ar I": 1e7, "N2": 2e5}, Instrument(), seed)`` gives what a file would hold and what is true.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from glow_emission import GRID_NM, Nature, species_photons
from glow_instrument import Instrument, detect, record, stray_light


@dataclass(frozen=True)
class Truth:
    """What the file does not say.

    `expected` holds the noise-free counts of each species per pixel, `background` the rest without dark,
    `noise_sd` the standard deviation of a pixel from shot and read noise alone.
    """

    mixture: dict[str, float]
    expected: dict[str, np.ndarray]
    background: np.ndarray
    noise_sd: np.ndarray
    true_nm: np.ndarray
    t_rot: dict[str, float] = field(default_factory=dict)
    saturated: np.ndarray | None = None

    def share(self, name: str) -> float:
        """Share of a species in all expected emission counts."""
        total = sum(float(x.sum()) for x in self.expected.values())
        return float(self.expected[name].sum()) / total if total else 0.0

    def matched_snr(self, name: str) -> float:
        """Signal to noise of a detector that knows everything but whether the species is there."""
        return float(np.sqrt(np.sum((self.expected[name] / self.noise_sd) ** 2)))


def continuum(rng: np.random.RandomState, kind: str | None = None) -> np.ndarray:
    """A smooth background on the fine grid, sum 1, of one of several shapes."""
    kind = kind or str(rng.choice(["flat", "slope", "hump", "hot wall", "afterglow"]))
    x = (GRID_NM - 600) / 400
    shapes = {
        "flat": np.ones_like(x),
        "slope": np.exp(rng.uniform(-1.2, 1.2) * x),
        "hump": 0.3 + np.exp(-0.5 * ((GRID_NM - rng.uniform(350, 700)) / rng.uniform(80, 200)) ** 2),
        "hot wall": (600 / GRID_NM) ** 4 / np.expm1(1.4388e7 / (GRID_NM * 2200)),
        "afterglow": np.where(GRID_NM > 395, np.exp(-0.5 * (np.log(GRID_NM / 600) / 0.22) ** 2), 0.02),
    }
    return shapes[kind] / shapes[kind].sum()


def simulate(
    mixture: Mapping[str, float],
    instrument: Instrument,
    seed: int | np.random.RandomState,
    *,
    nature: Nature | None = None,
    background_share: float = 0.1,
    background_kind: str | None = None,
    whole: bool = False,
) -> tuple[np.ndarray, np.ndarray, Truth]:
    """Record one spectrum; weights are photons per exposure in 178-1050 nm reaching the spectrometer."""
    rng = seed if isinstance(seed, np.random.RandomState) else np.random.RandomState(seed)
    if nature is None:
        heat = float(np.exp(rng.uniform(np.log(300), np.log(1500))))
        hot = float(rng.choice([0.0, 0.1]))
        nature = Nature(t_rot_default=heat, excitation_ev=float(rng.uniform(0.35, 0.8)), hot_share=hot)
        nature = replace(nature, whole=whole)
    names = list(mixture)
    photons = np.zeros((len(names) + 1, len(GRID_NM)))
    t_rot: dict[str, float] = {}
    for row, name in enumerate(names):
        unit, temperatures = species_photons(name, rng, nature)
        photons[row] = unit * mixture[name]
        t_rot.update(temperatures)
    photons[-1] = continuum(rng, background_kind) * background_share * sum(mixture.values())
    haze = stray_light(instrument, photons)
    electrons = detect(instrument, photons) - haze
    electrons[-1] += haze.sum(axis=0)  # scattered light belongs to nobody
    total = electrons.sum(axis=0, keepdims=True)
    counts = record(instrument, total, rng)[0]
    gain = instrument.counts_per_e
    read = instrument.read_noise_e**2
    dark_noise = read / 20 if instrument.dark_subtracted else 0.0
    sd = gain * np.sqrt((total[0] + read) / instrument.averages + dark_noise)
    truth = Truth(
        mixture=dict(mixture),
        expected={name: electrons[i] * gain for i, name in enumerate(names)},
        background=electrons[-1] * gain,
        noise_sd=sd,
        true_nm=instrument.true_nm(np.arange(instrument.pixels)),
        t_rot=t_rot,
        saturated=~np.isfinite(counts) | (counts >= instrument.full_scale),
    )
    return counts, instrument.believed_nm(), truth
