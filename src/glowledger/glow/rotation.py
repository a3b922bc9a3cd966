"""Rotational temperatures by profile likelihood, all bands of one species, all else refitted."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.band_emitters import band_emitters
from glowledger.glow.emitters import Emitter
from glowledger.glow.fitting import Solution
from glowledger.glow.instrument import FLANK, free_columns
from glowledger.glow.nonnegative import solve_nonnegative
from glowledger.glow.results import Temperature
from glowledger.glow.scene import Scene
from glowledger.glow.templates import emission_grid
from glowledger.tables.species import ListedSpecies

COLDEST_K, HOTTEST_K = 150.0, 3900.0
FIRST_STEPS = 13  # a quarter in T each; the interval is then found between finer ones
BAND_MISMATCH = 0.02  # of the light in a pixel: what line-spread and neighbours leave wrong inside a band
SHAPE_ERROR = 0.07  # of T: line-spread and overlaps; scatter in tests/benchmarks/bench_identification.py
LEAST_TOLD = 4.0  # χ² between best and worst temperature
WIDEST_ERROR = 0.45  # of the logarithm of T: wider says nothing of use
WIDTH_AT_BANDS = 0.1  # relative: how far lines at the bands may be wider than elsewhere (common practice, no source)
OWN_PART = 0.1  # of the brightest pixel of the bands: there the misfit is judged


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

    Notes
    -----
    The interval is where χ² rises by its reduced value in the bands (the Birge ratio, Birge, Phys. Rev. 40, 207
    (1932), from memory) times the pixels in a line, over which misfit is alike, with `SHAPE_ERROR` added.
    """
    name = f"T_rot {species.name}"
    profile = _Profile(scene, solution, species, columns)
    ladder = np.log(np.geomspace(COLDEST_K, HOTTEST_K, FIRST_STEPS))
    step = float(ladder[1] - ladder[0])
    tried = {float(log_t): profile.misfit(log_t) for log_t in ladder}
    best = min(tried, key=lambda log_t: tried[log_t].chi2)
    scale = tried[best].birge * scene.pixels_per_line
    if max(one.chi2 for one in tried.values()) - tried[best].chi2 < LEAST_TOLD * scale:
        return _untold(name, "the bands look alike at every temperature at this resolution and noise")
    if best in (min(tried), max(tried)):
        side = "colder than" if best == min(tried) else "hotter than"
        return _untold(name, f"the bands look {side} any temperature tried")
    for log_t in (best - step / 2, best + step / 2):
        tried[log_t] = profile.misfit(log_t)
    logs = sorted(tried)
    best = min(tried, key=lambda log_t: tried[log_t].chi2)
    place = logs.index(best)
    near = np.array(logs[place - 1 : place + 2])
    a, b, _ = np.polyfit(near - best, [tried[float(log_t)].chi2 for log_t in near], 2)
    centre = best + float(np.clip(-b / (2 * a), near[0] - best, near[-1] - best)) if a > 0 else best
    scale = tried[best].birge * scene.pixels_per_line
    sd = float(np.hypot(np.sqrt(scale / max(a, 1e-6)), SHAPE_ERROR))
    if sd > WIDEST_ERROR:
        return _untold(name, "the bands look much alike over a wide range of temperatures")
    interval = (float(np.exp(centre - sd)), float(np.exp(centre + sd)))
    return Temperature(
        name=name, kelvin=float(np.exp(centre)), interval_k=interval, reason=f"shape of the {species.name} bands"
    )


@dataclass(frozen=True, slots=True)
class _Misfit:
    """χ² of the best fit at one temperature, up to a constant, and its reduced value in the bands, at least 1."""

    chi2: float
    birge: float


class _Profile:
    """The fit with the bands of one species at any temperature and all else free.

    Also the derivative columns of the instrument, the response above all, have the bands at that temperature:
    those of another would paint the bands' shape at the other one, and pull every answer towards it. Lines may be
    wider or narrower at the bands than elsewhere: where nothing but bands shines, only their shape tells.
    """

    def __init__(
        self, scene: Scene, solution: Solution, species: ListedSpecies, columns: NDArray[np.intp]
    ) -> None:
        m = len(scene.emitters)
        self.scene, self.adjustment, self.species = scene, solution.adjustment, species
        self.labels = [scene.emitters[i].label for i in columns]
        self.amounts = solution.x[columns]
        without = np.where(np.isin(np.arange(m), columns), 0.0, solution.x[:m])
        self.free, precision, pull = free_columns(scene, self.adjustment, without)
        size = pull.size
        self.precision, self.pull = np.zeros((size + 1, size + 1)), np.append(pull, 0.0)
        self.precision[:size, :size], self.precision[size, size] = precision, WIDTH_AT_BANDS**-2
        weight = np.where(scene.used, 1.0 / _variance(scene, solution), 0.0)
        self.root = np.sqrt(weight)[:, None]
        self.data = scene.data * self.root[:, 0]
        others = np.setdiff1d(np.flatnonzero(solution.x > 0), columns)
        self.fixed = solution.columns[:, others] * self.root
        self.fixed_gram, self.fixed_rhs = self.fixed.T @ self.fixed, self.fixed.T @ self.data
        self.response = (scene.expected * np.exp(scene.hats @ self.adjustment.log_response))[:, None]
        self.edges = scene.moved_edges(self.adjustment)
        self.lit = np.zeros(0, dtype=bool)

    def misfit(self, log_t: float) -> _Misfit:
        """Return the misfit at a temperature."""
        here = self._scene_at(float(np.exp(log_t)))
        bands = here.grid.on_pixels(self.adjustment.shape, self.edges) * self.response * self.root
        own, _, _ = free_columns(here, self.adjustment, self.amounts)
        own[:, -1] = 0.0  # the constant is there already
        width = own[:, self.scene.shift_basis.shape[1]]
        free = np.concatenate([self.free + own, width[:, None]], axis=1) * self.root
        mixed = self.fixed.T @ bands
        gram = np.block([[self.fixed_gram, mixed], [mixed.T, bands.T @ bands]])
        rhs = np.concatenate([self.fixed_rhs, bands.T @ self.data])
        cross = np.concatenate([self.fixed.T @ free, bands.T @ free])
        normal, pulled = free.T @ free + self.precision, free.T @ self.data + self.pull
        normal[np.diag_indices_from(normal)] *= 1 + 1e-9
        eliminated = np.linalg.solve(normal, np.concatenate([cross.T, pulled[:, None]], axis=1))
        left, right = gram - cross @ eliminated[:, :-1], rhs - cross @ eliminated[:, -1]
        passive = self.lit if self.lit.size == rhs.size else np.ones(rhs.size, dtype=bool)
        x = solve_nonnegative(0.5 * (left + left.T), right, passive)
        self.lit = x > 0
        values = eliminated[:, -1] - eliminated[:, :-1] @ x
        chi2 = float(x @ left @ x - 2 * right @ x - pulled @ eliminated[:, -1])
        count = self.fixed.shape[1]
        light = bands @ x[count:]
        residual = self.data - self.fixed @ x[:count] - light - free @ values
        mine = self.scene.used & (light > OWN_PART * light.max(initial=0.0))
        return _Misfit(chi2, max(float(np.mean(residual[mine] ** 2)), 1.0) if mine.any() else 1.0)

    def _scene_at(self, t_rot_k: float) -> Scene:
        """Return the scene with nothing but the bands of the species at a temperature."""
        hot = {e.label: e for e in band_emitters(self.species, t_rot_k)}
        emitters: tuple[Emitter, ...] = tuple(hot[label] for label in self.labels)
        low, high = float(self.scene.axis_nm[0]), float(self.scene.axis_nm[-1])
        lines = [e.wavelength_nm for e in emitters], [e.rate for e in emitters]
        return replace(self.scene, emitters=emitters, grid=emission_grid(*lines, self.scene.line_spread, low, high))


def _variance(scene: Scene, solution: Solution) -> NDArray[np.float64]:
    """Return the variance for comparing shapes inside a band, from the data where the model may be misshapen."""
    from scipy.ndimage import uniform_filter1d

    smooth = uniform_filter1d(scene.data, max(1, round(scene.pixels_per_line / 2)))
    light = np.where(scene.used, np.maximum(smooth - (solution.model - solution.lines), 0.0), 0.0)
    steepness = np.gradient(light, scene.axis_nm) * scene.line_spread.fwhm(scene.axis_nm)
    levels = replace(solution.levels, mismatch=BAND_MISMATCH)
    errors = np.sqrt(light**2 + (FLANK * steepness) ** 2 + np.maximum(solution.doubt[0], 0.0))
    known = scene.stated_variance + solution.doubt[1]
    return np.asarray(levels.pixel_variance(np.maximum(solution.model, smooth), errors) + known)


def _untold(name: str, why: str) -> Temperature:
    nan = float("nan")
    return Temperature(name=name, kelvin=nan, interval_k=(nan, nan), reason=f"cannot tell: {why}")
