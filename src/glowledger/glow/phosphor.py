"""Light of the room: the bands of the phosphor in fluorescent lamps, as emitters."""

from __future__ import annotations

import numpy as np

from glowledger.glow.emitters import Emitter
from glowledger.tables.lamps import lamp_lines

PHOSPHOR = "phosphor"  # as a system of bands: Eu3+ and Tb3+, from the lamp list
BLUE = "blue phosphor"  # Eu2+ in BaMgAl10O17: one wide band (from memory), apart from the others in a first fit
PHOSPHORS = (PHOSPHOR, BLUE)
LAMP = "cfl"
BAND_FWHM_NM, STEPS, SIGMAS = 2.5, 15, 2.5  # bands of Eu3+ and Tb3+ are 1.5 to 5 nm wide (from memory)
BLUE_NM, BLUE_FWHM_NM, BLUE_STEPS = 450.0, 52.0, 61
BAND_ERROR = 0.5  # relative, of the light of a band at a place: its shape goes by the make


def phosphor_emitters(species: str, system: str) -> tuple[Emitter, ...]:
    """Return one emitter for each band of the phosphor, in the strengths that the lamp list gives them.

    Parameters
    ----------
    species : str
        Name of the emitters.
    system : str
        `PHOSPHOR` or `BLUE`.

    Returns
    -------
    tuple of Emitter
        Each a Gaussian band, as these have no structure that a cheap spectrometer would see.
    """
    if system == BLUE:
        return (_band(species, system, BLUE_NM, BLUE_FWHM_NM, BLUE_STEPS, 1.0),)
    lines = lamp_lines(LAMP)
    lines = lines[lines.approximate]
    bands = zip(lines.wavelength_nm.tolist(), lines.strength.tolist(), strict=True)
    return tuple(_band(species, system, nm, BAND_FWHM_NM, STEPS, strength) for nm, strength in bands)


def _band(species: str, system: str, nm: float, fwhm_nm: float, steps: int, strength: float) -> Emitter:
    away = np.linspace(-SIGMAS, SIGMAS, steps)
    fall = np.exp(-0.5 * away**2)
    return Emitter(
        species=species, label=f"{system} {nm:.1f}", rate=fall / fall.sum(), weight=strength,
        wavelength_nm=nm + away * fwhm_nm / (2 * np.sqrt(2 * np.log(2))),
        anchor_nm=np.array([nm]), anchor_rate=np.ones(1), anchor_label=(f"{system} {nm:.1f}",),
        branching_error=BAND_ERROR, summed=True,
    )  # fmt: skip
