"""The variance that would hold without a species: template errors come from the light of the others alone."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.fitting import Solution
from glowledger.glow.instrument import expected_variance
from glowledger.glow.scene import Scene
from glowledger.glow.species_light import lit_columns, species_doubt, species_light

MISFIT_CAP = 25.0  # one outlier does not make a region
MISFIT_REACH_NM, MISFIT_WIDTHS = 25.0, 12.0


def variance_without(scene: Scene, solution: Solution, columns: NDArray[np.intp]) -> NDArray[np.float64]:
    """Return the variance, counts², shape (p,), if a species were not there.

    Parameters
    ----------
    scene, solution : Scene, Solution
        The fit.
    columns : ndarray of int
        Columns of the species; none for the variance with all of them.
    """
    known = _variances(scene, solution).get(columns.tobytes())
    return _without(scene, solution, [columns])[0] if known is None else known


@lru_cache(maxsize=2)
def _variances(scene: Scene, solution: Solution) -> dict[bytes, NDArray[np.float64]]:
    """Return the variances without each of the species with light, by the bytes of their columns."""
    lit = lit_columns(scene, solution)
    return {columns.tobytes(): one for columns, one in zip(lit, _without(scene, solution, lit), strict=True)}


def _without(scene: Scene, solution: Solution, groups: list[NDArray[np.intp]]) -> NDArray[np.float64]:
    """Return the variances without groups of columns, shape (s, p): many at once take little more than one."""
    light, own = np.empty((len(groups), scene.data.size)), np.empty((3, len(groups), scene.data.size))
    for k, columns in enumerate(groups):
        light[k], own[:, k] = species_light(scene, solution, columns), species_doubt(scene, solution, columns)
    doubt = np.maximum(solution.doubt[:, None] - own, 0.0)
    lines = solution.lines - light
    variance = expected_variance(scene, solution.levels, solution.model, lines, doubt, solution.bent)
    return np.asarray(variance * (solution.outliers * local_misfit(scene, solution)))


@lru_cache(maxsize=2)
def local_misfit(scene: Scene, solution: Solution) -> NDArray[np.float64]:
    """Return by how much residuals exceed the noise model around each pixel, at least 1, shape (p,).

    Where something unlisted glows (the many lines of H2, say) residuals stay large over a whole region, and
    any line found there is the less certain: the Birge ratio (Birge, Phys. Rev. 40, 207 (1932), from
    memory), taken locally.
    """
    used, variance = scene.used, solution.pixel_variance(scene)
    squares = np.where(used, np.minimum((scene.data - solution.model) ** 2 / variance, MISFIT_CAP), 0.0)
    reach = max(MISFIT_REACH_NM, MISFIT_WIDTHS * float(scene.line_spread.fwhm(float(np.median(scene.axis_nm)))))
    half = min(max(5, round(reach / scene.pixel_nm)), (squares.size - 1) // 2)
    kernel = np.ones(2 * half + 1)
    count = np.convolve(used.astype(float), kernel, mode="same")
    mean = np.convolve(squares, kernel, mode="same") / np.maximum(count, 1.0)
    return np.asarray(np.maximum(mean, 1.0))
