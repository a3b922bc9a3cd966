"""Light of the room: the bands of the phosphor in fluorescent lamps, as emitters."""

from __future__ import annotations

from functools import cache

import numpy as np

from glowledger.glow.emitters import Emitter
from glowledger.tables.lamps import lamp_lines

PHOSPHOR = "phosphor"  # as a system of bands
LAMP = "cfl"
BAND_FWHM_NM, STEPS, SIGMAS = 2.5, 15, 2.5  # of a band: those of Eu3+ and Tb3+ are 1.5 to 5 nm wide (from memory)
BAND_ERROR = 0.5  # relative, of the light of a band at a place: its shape goes by the make


@cache
def phosphor_emitters(species: str) -> tuple[Emitter, ...]:
    """Return one emitter for each band of the phosphor, in the strengths that the lamp list gives them.

    Parameters
    ----------
    species : str
        Name of the emitters.

    Returns
    -------
    tuple of Emitter
        Each a Gaussian band, as these have no structure that a cheap spectrometer would see.
    """
    lines = lamp_lines(LAMP)
    away = np.linspace(-SIGMAS, SIGMAS, STEPS)
    fall = np.exp(-0.5 * away**2)
    away_nm = away * BAND_FWHM_NM / (2 * np.sqrt(2 * np.log(2)))
    return tuple(
        Emitter(
            species=species, label=f"{PHOSPHOR} {nm:.1f}", wavelength_nm=nm + away_nm, rate=fall / fall.sum(),
            weight=strength, anchor_nm=np.array([nm]), anchor_rate=np.ones(1), anchor_label=(f"{PHOSPHOR} {nm:.1f}",),
            branching_error=BAND_ERROR, summed=True,
        )
        for nm, strength in zip(
            lines.wavelength_nm[lines.approximate].tolist(), lines.strength[lines.approximate].tolist(), strict=True
        )
    )  # fmt: skip
