"""The answer to a user, from a fit and its verdicts."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.fitting import Solution
from glowledger.glow.results import Fit, SpeciesEvidence, Temperature
from glowledger.glow.scene import Scene
from glowledger.glow.whole_pixels import drawn


def answer(
    whole: Scene,
    scene: Scene,
    solution: Solution,
    evidence: tuple[SpeciesEvidence, ...],
    temperatures: tuple[Temperature, ...],
    warnings: tuple[str, ...],
) -> Fit:
    """Return the answer for all pixels of a spectrum.

    Parameters
    ----------
    whole : Scene
        The spectrum, no pixels summed.
    scene, solution : Scene, Solution
        The fit, pixels summed or not.
    evidence : tuple of SpeciesEvidence
        The verdicts.
    temperatures : tuple of Temperature
        What the bands told.
    warnings : tuple of str
        What a user must know.
    """
    m = len(scene.emitters)
    middle = scene.axis_nm.size // 2
    off = (whole.shift_basis[:-1] + whole.shift_basis[1:]) @ solution.adjustment.shift_nm / 2
    counts = scene.used.astype(float) @ solution.templates
    picture = drawn(whole, scene, solution)
    return Fit(
        axis_nm=whole.axis_nm + off,
        data=np.where(whole.used | (whole.data != 0), whole.data, np.nan),
        model=picture.model,
        background=picture.background,
        standard_deviation=picture.standard_deviation,
        used=_used(whole, scene),
        species_model={
            e.name: picture.light.get(e.name, np.zeros(whole.data.size))
            for e in evidence
            if e.verdict in ("present", "possible")
        },
        emitter_labels=tuple(e.label for e in scene.emitters),
        amplitude=solution.x[:m] * counts,
        covariance=solution.normal.covariance(solution.x)[:m, :m] * counts[:, None] * counts[None, :],
        species=evidence,
        shift_nm=solution.shift_at(scene, middle),
        shift_se_nm=solution.shift_error_at(scene, middle),
        fwhm_nm=solution.fwhm_at(scene, middle),
        chi2_reduced=solution.chi2_reduced,
        mismatch=solution.levels.template_error,
        temperatures=temperatures,
        warnings=warnings,
    )


def _used(whole: Scene, scene: Scene) -> NDArray[np.bool_]:
    """Return the pixels that entered the fit, shape (p,): a sum with a missing pixel does not count."""
    used = np.zeros(whole.data.size, dtype=bool)
    each = np.repeat(scene.used, scene.summed_pixels // whole.summed_pixels)
    used[: each.size] = each
    return used
