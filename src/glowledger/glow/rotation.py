"""Rotational temperatures by profile likelihood, band by band of one species, all else refitted."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.band_emitters import band_emitters
from glowledger.glow.fitting import Solution
from glowledger.glow.nonnegative import solve_nonnegative
from glowledger.glow.results import Temperature
from glowledger.glow.scene import Scene
from glowledger.glow.templates import emission_grid
from glowledger.tables.species import ListedSpecies

SHAPE_ERROR = 0.12  # of T: line-spread, branching and overlaps; typical of 1 nm work (common practice, no source)
# molecules of one or two bands, often over others, have no second system to settle width and response by:
# scatter in tests/benchmarks/bench_identification.py
LESS_TOLD_ERROR = 0.22
WELL_TOLD = ("N2", "N2+")
LADDER_K = np.geomspace(200.0, 3600.0, 9)


def profile_temperature(
    scene: Scene, solution: Solution, species: ListedSpecies, columns: NDArray[np.intp]
) -> Temperature:
    """Fit one rotational temperature to all bands of a species.

    Parameters
    ----------
    scene, solution : Scene, Solution
        A fit with the species' levels freed.
    species : ListedSpecies
        A molecule.
    columns : ndarray of int
        Its emitter columns.

    Returns
    -------
    Temperature
        NaN with a reason where the bands do not tell, e.g. where a limit of the ladder fits best.
    """
    misfit = _misfits(scene, solution, species, columns)
    name = f"T_rot {species.name}"
    best = int(misfit.argmin())
    if misfit.max() - misfit[best] < 4.0:
        return _untold(name, "the bands look alike at every temperature at this resolution and noise")
    if best in (0, LADDER_K.size - 1):
        side = "colder than" if best == 0 else "hotter than"
        return _untold(name, f"the bands look {side} any temperature tried")
    log_t = np.log(LADDER_K[best - 1 : best + 2])
    a, b, _ = np.polyfit(log_t, misfit[best - 1 : best + 2], 2)
    centre = float(np.clip(-b / (2 * a), log_t[0], log_t[2])) if a > 0 else float(log_t[1])
    sd = float(np.hypot(1.0 / np.sqrt(max(a, 1e-6)), SHAPE_ERROR if species.name in WELL_TOLD else LESS_TOLD_ERROR))
    kelvin = float(np.exp(centre))
    interval = (float(np.exp(centre - sd)), float(np.exp(centre + sd)))
    return Temperature(name=name, kelvin=kelvin, interval_k=interval, reason=f"shape of the {species.name} bands")


def _misfits(
    scene: Scene, solution: Solution, species: ListedSpecies, columns: NDArray[np.intp]
) -> NDArray[np.float64]:
    """Return χ² with the species' bands at each temperature and all lit columns refitted."""
    labels = [scene.emitters[i].label for i in columns]
    low, high = float(scene.axis_nm[0]), float(scene.axis_nm[-1])
    adjustment = solution.adjustment
    edges = scene.edges_nm + scene.shift_basis @ adjustment.shift_nm
    response = scene.expected * np.exp(scene.hats @ adjustment.log_response)
    others = np.setdiff1d(np.flatnonzero(solution.x > 0), columns)
    root = np.where(scene.used, 1.0 / np.sqrt(solution.variance), 0.0)[:, None]
    fixed, free, y = solution.columns[:, others] * root, solution.free * root, scene.data * root[:, 0]
    gram_fixed, rhs_fixed, cross_fixed = fixed.T @ fixed, fixed.T @ y, fixed.T @ free
    free_rhs = free.T @ y
    found, lit = np.zeros(LADDER_K.size), np.zeros(0, dtype=bool)
    for k, t_rot_k in enumerate(LADDER_K):
        hot = {e.label: e for e in band_emitters(species, float(t_rot_k))}
        emitters = [hot[label] for label in labels if label in hot]
        grid = emission_grid(
            [e.wavelength_nm for e in emitters], [e.rate for e in emitters], scene.line_spread, low, high
        )
        bands = grid.on_pixels(adjustment.shape, edges) * response[:, None] * root
        mixed = fixed.T @ bands
        gram = np.block([[gram_fixed, mixed], [mixed.T, bands.T @ bands]])
        rhs = np.concatenate([rhs_fixed, bands.T @ y])
        cross = np.concatenate([cross_fixed, bands.T @ free])
        # free columns keep the priors they had: their Gram holds them
        eliminated = np.linalg.solve(
            solution.normal.free, np.concatenate([cross.T, free_rhs[:, None]], axis=1)
        )
        gram, rhs = gram - cross @ eliminated[:, :-1], rhs - cross @ eliminated[:, -1]
        x = solve_nonnegative(gram, rhs, lit if lit.size == rhs.size else np.ones(rhs.size, dtype=bool))
        lit = x > 0
        found[k] = float(x @ gram @ x - 2 * rhs @ x)
    return found


def _untold(name: str, why: str) -> Temperature:
    nan = float("nan")
    return Temperature(name=name, kelvin=nan, interval_k=(nan, nan), reason=f"cannot tell: {why}")
