"""Light of a fluorescent lamp in the room, for judging the identification; imports nothing of the product.

Three phosphors, blue, green and red, as wide bands of smooth shape, and mercury behind glass: centres, widths and
strengths from memory, with what differs from make to make drawn at random.
"""

from __future__ import annotations

import numpy as np
from glow_emission import GRID_NM

# centre nm, FWHM nm, height: BaMgAl10O17:Eu2+, a phosphate or aluminate of Tb3+, Y2O3:Eu3+
BANDS = (
    (450, 52, 0.9), (487.5, 5, 0.12), (491.5, 8, 0.1), (541.8, 2.4, 0.42), (544.8, 3.5, 0.35), (548.5, 4, 0.12),
    (584, 4, 0.07), (587.2, 2.2, 0.09), (590.5, 4, 0.05), (593.2, 2, 0.07), (599.3, 2, 0.06), (611.3, 1.9, 1.0),
    (614.5, 3, 0.08), (622, 5, 0.06), (630.5, 2.6, 0.11), (650.2, 2.2, 0.04), (662.4, 2.3, 0.04), (687.2, 2.5, 0.04),
    (693.4, 2.5, 0.03), (707.5, 3, 0.1), (712, 3, 0.07),
)  # fmt: skip
MERCURY = ((365.02, 0.04), (404.66, 0.25), (435.83, 0.75), (546.07, 0.7), (576.96, 0.12), (579.07, 0.13))
ARGON = ((763.51, 0.03), (811.53, 0.04), (696.54, 0.015))  # while the lamp is cold
MERCURY_SHARE = 0.28
OFF_NM, WIDER, STRONGER = 0.25, 0.1, 0.25  # what makes differ by


def fluorescent_lamp(rng: np.random.RandomState) -> np.ndarray:
    """Photons on the fine grid, sum 1."""
    phosphor, lines = np.zeros_like(GRID_NM), np.zeros_like(GRID_NM)
    for centre, fwhm, height in BANDS:
        away = (GRID_NM - centre - rng.normal(0, OFF_NM)) / (fwhm * np.exp(rng.normal(0, WIDER)))
        phosphor += height * np.exp(rng.normal(0, STRONGER)) * np.exp(-4 * np.log(2) * away**2)
    cold = rng.uniform(0, 1)
    for nm, strength in (*MERCURY, *((nm, cold * much) for nm, much in ARGON)):
        lines[np.argmin(np.abs(GRID_NM - nm))] += strength * np.exp(rng.normal(0, 0.2))
    return (1 - MERCURY_SHARE) * phosphor / phosphor.sum() + MERCURY_SHARE * lines / lines.sum()
