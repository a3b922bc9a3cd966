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

LADDER_K = np.array([200.0, 300, 400, 520, 680, 880, 1150, 1500, 2000, 2700, 3600])


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
    misfit = np.array([_misfit(scene, solution, species, columns, t) for t in LADDER_K])
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
    sd = float(1.0 / np.sqrt(max(a, 1e-6)))
    kelvin = float(np.exp(centre))
    interval = (float(np.exp(centre - sd)), float(np.exp(centre + sd)))
    return Temperature(name=name, kelvin=kelvin, interval_k=interval, reason=f"shape of the {species.name} bands")


def _misfit(
    scene: Scene, solution: Solution, species: ListedSpecies, columns: NDArray[np.intp], t_rot_k: float
) -> float:
    """Return χ² with the species' bands at another temperature and all lit columns refitted."""
    labels = [scene.emitters[i].label for i in columns]
    hot = {e.label: e for e in band_emitters(species, t_rot_k)}
    emitters = [hot[label] for label in labels if label in hot]
    low, high = float(scene.axis_nm[0]), float(scene.axis_nm[-1])
    grid = emission_grid([e.wavelength_nm for e in emitters], [e.rate for e in emitters], scene.line_spread, low, high)
    adjustment = solution.adjustment
    edges = scene.edges_nm + scene.shift_basis @ adjustment.shift_nm
    response = scene.expected * np.exp(scene.hats @ adjustment.log_response)
    bands = grid.spread(adjustment.shape).on_pixels(edges) * response[:, None]
    others = np.setdiff1d(np.flatnonzero(solution.x > 0), columns)
    root = np.where(scene.used, 1.0 / np.sqrt(solution.variance), 0.0)
    a = np.concatenate([solution.columns[:, others], bands], axis=1) * root[:, None]
    f = solution.free * root[:, None]
    y = scene.data * root
    # free columns keep the priors they had: their Gram holds them
    cross = a.T @ f
    eliminated = np.linalg.solve(solution.free_normal, np.concatenate([cross.T, (f.T @ y)[:, None]], axis=1))
    gram = a.T @ a - cross @ eliminated[:, :-1]
    rhs = a.T @ y - cross @ eliminated[:, -1]
    x = solve_nonnegative(gram, rhs, np.ones(rhs.size, dtype=bool))
    return float(x @ gram @ x - 2 * rhs @ x)


def _untold(name: str, why: str) -> Temperature:
    nan = float("nan")
    return Temperature(name=name, kelvin=nan, interval_k=(nan, nan), reason=f"cannot tell: {why}")
