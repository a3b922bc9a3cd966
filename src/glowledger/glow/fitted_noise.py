"""The noise levels of one spectrum, from what a fit leaves of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.noise_levels import NoiseLevels, fitted_levels
from glowledger.glow.scene import Scene
from glowledger.glow.shared_noise import shared_pixels

NOISY = 0.25  # of the random variance: smaller template errors leave the noise as it is
WRONG = 0.25  # of a template, to which it may err where noise is asked whether pixels share it


def noise_of_fit(
    scene: Scene,
    model: NDArray[np.float64],
    errors: NDArray[np.float64],
    known: NDArray[np.float64],
    last: NoiseLevels,
    parameters: float,
    enough: float,
) -> tuple[NoiseLevels, float]:
    """Re-estimate the noise levels; return them and the reduced χ² by pixel."""
    used = scene.used
    residual = (scene.data - model)[used]
    shape, known = errors[:, used], (known + scene.stated_variance)[used]
    freedom = max(1.0 - parameters / used.sum(), 0.2)
    levels = fitted_levels(
        residual, model[used], shape, known, scene.first, last,
        freedom=freedom, gain_known=scene.gain_known, least_mismatch=scene.least_mismatch,
        enough=enough,
        mismatch_known=bool(scene.many_lines.any()),  # lines in no table would pass for errors of those listed
    )  # fmt: skip
    variance = levels.pixel_variance(model[used], shape) + known
    chi2 = float(np.mean(residual**2 / variance)) / freedom
    return replace(levels, shared=_shared(scene, model, errors, levels)), chi2


def _shared(
    scene: Scene, model: NDArray[np.float64], errors: NDArray[np.float64], levels: NoiseLevels
) -> float:
    """Return the factor of `shared_pixels`, from where noise is more than the errors of templates."""
    random = levels.random_variance(model)
    wrong = replace(levels, mismatch=max(levels.mismatch, WRONG))  # bands too cold misfit over many pixels alike
    patterned = scene.pixels_per_line * (wrong.template_variance(errors) + scene.many_lines)
    noisy = scene.used & (patterned < NOISY * random)
    residual = (scene.data - model) / np.sqrt(random + scene.stated_variance)
    return shared_pixels(residual, noisy, scene.pixels_per_line)
