"""Rotational temperatures by profile likelihood, all bands of one species, all else refitted."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.choosing import FIRST_T_ROT_K, OTHERS
from glowledger.glow.fitting import Solution
from glowledger.glow.instrument import (
    FLANK,
    free_columns,
    loose_columns,
    loosened_of,
    response_templates,
    told_of_slopes,
)
from glowledger.glow.loose_rotation import bands_at, temperature_ladder
from glowledger.glow.nonnegative import Minima, scaled_gram
from glowledger.glow.results import Temperature
from glowledger.glow.scene import Scene
from glowledger.glow.species_light import species_light
from glowledger.glow.variance_without import local_misfit
from glowledger.tables.species import ListedSpecies

BAND_MISMATCH = 0.02  # of the light in a pixel: what line-spread and neighbours leave wrong inside a band
SHAPE_ERROR = 0.05  # of T: line-spread and overlaps; scatter in tests/benchmarks/bench_identification.py
LEAST_TOLD = 4.0  # χ² between best and worst temperature
WIDEST_ERROR = 0.45  # of the logarithm of T: wider says nothing of use
# of ln T: so far the slope of the bands by temperature holds, and so well told it needs no second question
MOVED_LITTLE, WELL_TOLD = 0.3, 0.15
WIDTH_AT_BANDS = 0.1  # relative: how far lines at the bands may be wider than elsewhere (common practice, no source)
# of ln T, where bands do not tell: others in the same glow do, or none does (from 300 to 1500 K about 500 K)
LIKE_OTHERS, UNTOLD = 0.3, 0.5
FAINTEST = 1e-5  # of the brightest pixel of the bands: less is none
OWN_PART = 0.1  # of the brightest pixel of the bands: there the misfit is judged


def profile_temperature(
    scene: Scene,
    solution: Solution,
    species: ListedSpecies,
    columns: NDArray[np.intp],
    before_k: float | None = None,
) -> Temperature:
    """Fit one rotational temperature to all bands of a species.

    Parameters
    ----------
    scene, solution : Scene, Solution
        A fit.
    species : ListedSpecies
        A molecule.
    columns : ndarray of int
        Its emitter columns.
    before_k : float, optional
        The temperature found in an earlier fit of the same spectrum, or for others in it, from where to look.

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
    ladder = temperature_ladder()
    step = float(ladder[1] - ladder[0])
    tried = _tried(profile, ladder, before_k)
    best = min(tried, key=lambda log_t: tried[log_t])
    least = LEAST_TOLD * profile.birge(best) * scene.pixels_per_line
    if max(tried.values()) - tried[best] < least:  # then the ends of the ladder decide
        tried.update({log_t: profile.misfit(log_t) for log_t in (float(ladder[0]), float(ladder[-1]))})
        best = min(tried, key=lambda log_t: tried[log_t])
    if max(tried.values()) - tried[best] < least:
        return _untold(name, "the bands look alike at every temperature at this resolution and noise")
    if best in (min(tried), max(tried)):
        side = "colder than" if best == min(tried) else "hotter than"
        return _untold(name, f"the bands look {side} any temperature tried")
    place = sorted(tried).index(best)  # half a step on, to the side to which it falls
    colder, hotter = (tried[sorted(tried)[k]] for k in (place - 1, place + 1))
    half_on = best + (step / 2 if hotter < colder else -step / 2)
    tried[half_on] = profile.misfit(half_on)
    logs = sorted(tried)
    best = min(tried, key=lambda log_t: tried[log_t])
    place = logs.index(best)
    near = np.array(logs[place - 1 : place + 2])
    a, b, _ = np.polyfit(near - best, [tried[float(log_t)] for log_t in near], 2)
    centre = best + float(np.clip(-b / (2 * a), near[0] - best, near[-1] - best)) if a > 0 else best
    scale = profile.birge(best) * scene.pixels_per_line
    sd = float(np.hypot(np.sqrt(scale / max(a, 1e-6)), SHAPE_ERROR))
    if sd > WIDEST_ERROR:
        return _untold(name, "the bands look much alike over a wide range of temperatures")
    return _told(species, float(np.exp(centre)), (float(np.exp(centre - sd)), float(np.exp(centre + sd))))


def found_kelvin(temperatures: tuple[Temperature, ...]) -> dict[str, float]:
    """Return the temperatures told, by species, and under `OTHERS` their mean by weight, K.

    A molecule that does not tell its own is likelier as hot as its neighbours than at any fixed value: below a few
    hundred pascals the bands of one glow mostly lie within some tens of percent of each other, OH apart (common
    practice, no source).
    """
    told = [t for t in temperatures if np.isfinite(t.kelvin)]
    found = {t.name.removeprefix("T_rot "): t.kelvin for t in told}
    if told:
        logs = np.log([t.kelvin for t in told])
        found[OTHERS] = float(np.exp(np.average(logs, weights=[log_error(t) ** -2 for t in told])))
    return found


def moved_kelvin(scene: Scene, solution: Solution, kelvin: dict[str, float]) -> dict[str, float]:
    """Return temperatures by species, K, those that are free in a fit where it has put them."""
    moved = dict(kelvin)
    for one, where in loose_columns(scene):
        if one is scene.rotation:
            names = [scene.emitters[k].species for k in one.emitter[np.unique(one.quantity, return_index=True)[1]]]
            for name, change in zip(names, one.within(solution.free_values[where]).tolist(), strict=True):
                moved[name] = kelvin[name] * float(np.exp(change))
    return moved


def fitted_temperature(
    scene: Scene, solution: Solution, species: ListedSpecies, kelvin: float
) -> Temperature | None:
    """Return the temperature to which a fit has moved the bands of a species, if that tells it well; else None.

    Parameters
    ----------
    scene, solution : Scene, Solution
        A fit in which temperatures may move.
    species : ListedSpecies
        A molecule.
    kelvin : float
        At which its bands are drawn there.

    Notes
    -----
    The standard error is that of the fit, amounts and instrument free, times the root of the misfit around the bands.
    """
    for one, where in loose_columns(scene):
        if one is not scene.rotation:
            continue
        own = np.flatnonzero(one.of(scene.columns_of(species.name)))
        if own.size:
            place = where.start + int(own[0])
            moved = float(solution.free_values[place])
            light = np.where(scene.used, species_light(scene, solution, scene.columns_of(species.name)), 0.0)
            misfit = float(light @ local_misfit(scene, solution)) / max(float(light.sum()), np.finfo(float).tiny)
            error = float(np.sqrt(_free_variance(solution, place) * max(misfit, 1.0)))
            if abs(moved) < MOVED_LITTLE and error < WELL_TOLD:
                centre, sd = np.log(kelvin) + moved, float(np.hypot(error, SHAPE_ERROR))
                interval = (float(np.exp(centre - sd)), float(np.exp(centre + sd)))
                return _told(species, float(np.exp(centre)), interval)
    return None


def _told(species: ListedSpecies, kelvin: float, interval_k: tuple[float, float]) -> Temperature:
    reason = f"shape of the {species.name} bands"
    return Temperature(name=f"T_rot {species.name}", kelvin=kelvin, interval_k=interval_k, reason=reason)


def _free_variance(solution: Solution, place: int) -> float:
    """Return the variance of one of the free values, the others and all amounts that are lit free as well."""
    normal, lit = solution.normal, np.flatnonzero(solution.x > 0)
    taken = np.linalg.solve(normal.free, np.eye(normal.free.shape[0])[place])
    crossed = normal.cross[lit] @ taken
    gram = normal.gram[np.ix_(lit, lit)]
    gram[np.diag_indices_from(gram)] = np.diag(gram) * (1 + 1e-9) + normal.tie[lit]
    return float(taken[place] + crossed @ np.linalg.solve(gram, crossed))


def settled_with(temperatures: tuple[Temperature, ...], kelvin: dict[str, float]) -> tuple[Temperature, ...]:
    """Return temperatures as a last fit has put them, K by species, with intervals as wide as before."""
    found = []
    for one in temperatures:
        factor = kelvin.get(one.name.removeprefix("T_rot "), one.kelvin) / one.kelvin
        low, high = one.interval_k
        found.append(replace(one, kelvin=one.kelvin * factor, interval_k=(low * factor, high * factor)))
    return tuple(found)


def log_error(temperature: Temperature) -> float:
    """Return the standard error of the logarithm of a temperature; NaN if it was not told."""
    low, high = temperature.interval_k
    return 0.5 * float(np.log(high / low))


def log_doubt(species: str, temperatures: tuple[Temperature, ...]) -> float:
    """Return how far ln T_rot of a molecule may be from what its bands were drawn with, one standard deviation."""
    told = {t.name.removeprefix("T_rot "): log_error(t) for t in temperatures if np.isfinite(t.kelvin)}
    return told.get(species, LIKE_OTHERS if told else UNTOLD)


def _tried(profile: _Profile, ladder: NDArray[np.float64], before_k: float | None) -> dict[float, float]:
    """Return χ² by logarithm of T, from a temperature known before, or a common one, step by step to the lowest."""
    first = int(np.argmin(np.abs(ladder - np.log(before_k or FIRST_T_ROT_K))))
    chi2 = {first: profile.misfit(float(ladder[first]))}
    while True:
        best = min(chi2, key=lambda k: chi2[k])
        beside = [k for k in (best - 1, best + 1) if 0 <= k < ladder.size and k not in chi2]
        if not beside:
            return {float(ladder[k]): chi2[k] for k in sorted(chi2)}
        chi2.update({k: profile.misfit(float(ladder[k])) for k in beside})


class _Profile:
    """The fit with the bands of one species at any temperature and all else free.

    Also the derivative columns of the instrument, the response above all, have the bands at that temperature:
    those of another would paint the bands' shape at the other one, and pull every answer towards it. Lines may be
    wider or narrower at the bands than elsewhere: where nothing but bands shines, only their shape tells.

    All columns but those are the same at every temperature, so that their equations are factorised once.
    """

    def __init__(
        self, scene: Scene, solution: Solution, species: ListedSpecies, columns: NDArray[np.intp]
    ) -> None:
        m = len(scene.emitters)
        self.scene, self.adjustment, self.species = scene, solution.adjustment, species
        self.labels, self.amounts = tuple(scene.emitters[i].label for i in columns), solution.x[columns]
        without = np.where(np.isin(np.arange(m), columns), 0.0, solution.x[:m])
        free, precision, pull = free_columns(scene, self.adjustment, without)
        # strengths of the bands themselves stay as they are: those of another temperature say nothing here
        self.kept = np.setdiff1d(np.arange(pull.size), loosened_of(scene, columns))
        self.free = np.ascontiguousarray(free[:, self.kept])
        self.weight, products, rhs = _products(scene, solution)
        others = np.setdiff1d(np.flatnonzero(solution.x > 0), columns)
        self.columns = np.ascontiguousarray(solution.columns[:, others])
        weighted = self.free * self.weight[:, None]
        n, f = others.size, self.kept.size
        self.gram, self.rhs = np.empty((n + f, n + f)), np.concatenate([rhs[others], weighted.T @ scene.data])
        self.gram[:n, :n], self.gram[:n, n:] = products[np.ix_(others, others)], self.columns.T @ weighted
        self.gram[n:, :n], self.gram[n:, n:] = self.gram[:n, n:].T, self.free.T @ weighted
        self.gram[n:, n:] += precision[np.ix_(self.kept, self.kept)]
        self.rhs[n:] += pull[self.kept]
        self.held: Minima | None = None
        self.passive = np.zeros(0, dtype=bool)
        self.fits: dict[float, tuple[NDArray[np.float64], _Bands]] = {}  # by logarithm of T

    def misfit(self, log_t: float) -> float:
        """Return χ² of the best fit at a temperature, up to a constant."""
        bands = self._bands_at(log_t)
        n, size = self.columns.shape[1], self.rhs.size
        weight, rows = self.weight[bands.rows][:, None], bands.rows
        changes, beside, free = bands.changes * weight, bands.light * weight, self.free[rows]
        total = size + bands.light.shape[1]
        gram, rhs = np.empty((total, total)), np.empty(total)
        gram[:size, :size], rhs[:size] = self.gram, self.rhs
        meets = free.T @ changes
        gram[n:size, n:size] += meets + meets.T + bands.changes.T @ changes
        gram[:n, n:size] += self.columns[rows].T @ changes
        gram[n:size, :n] = gram[:n, n:size].T
        rhs[n:size] += changes.T @ self.scene.data[rows]
        gram[:n, size:], gram[n:size, size:] = self.columns[rows].T @ beside, (free + bands.changes).T @ beside
        gram[size:, :size], gram[size:, size:] = gram[:size, size:].T, bands.light.T @ beside
        gram[size, size] += WIDTH_AT_BANDS**-2
        rhs[size:] = beside.T @ self.scene.data[rows]
        x = self._solved(gram, rhs, np.arange(total) - n)
        self.fits[log_t] = x, bands
        return float(x @ gram @ x - 2 * rhs @ x)

    def _solved(
        self, gram: NDArray[np.float64], rhs: NDArray[np.float64], place: NDArray[np.intp]
    ) -> NDArray[np.float64]:
        """Return the minimum, all but the free columns not negative; `place` counts from the first of those."""
        unbounded = (place >= 0) & (place <= self.free.shape[1])
        scaled = scaled_gram(gram)
        if self.held is None:
            minima = scaled.near(rhs, np.ones(rhs.size, dtype=bool))
        else:
            minima = self.held.beside(scaled, rhs, self.passive)
        x = minima.without(np.zeros(rhs.size, dtype=bool), unbounded)
        self.passive = (x > 0) | unbounded
        self.held = self.held or scaled.near(rhs, self.passive & (place < 0))
        return x

    def birge(self, log_t: float) -> float:
        """Return the reduced χ² in the bands at a temperature tried before, at least 1."""
        x, bands = self.fits[log_t]
        n, size, rows = self.columns.shape[1], self.rhs.size, bands.rows
        light = bands.light[:, 1:] @ x[size + 1 :]
        drawn = self.columns[rows] @ x[:n] + (self.free[rows] + bands.changes) @ x[n:size]
        left = self.scene.data[rows] - drawn - bands.light[:, 0] * x[size] - light
        mine = self.scene.used[rows] & (light > OWN_PART * light.max(initial=0.0))
        return max(float(np.mean(self.weight[rows][mine] * left[mine] ** 2)), 1.0) if mine.any() else 1.0

    def _bands_at(self, log_t: float) -> _Bands:
        """Return the bands at a temperature, and what they change in the free columns."""
        grid = bands_at(self.species, self.labels, log_t, self.scene.grid.scale)
        light = response_templates(self.scene, self.adjustment, grid)
        changes = free_columns(self.scene, self.adjustment, self.amounts, grid)[0][:, self.kept]
        rows = np.flatnonzero(light.max(axis=1) > FAINTEST * light.max())
        changes, width = changes[rows], changes[rows, self.scene.shift_basis.shape[1]]
        changes[:, -1] = 0.0  # the constant is there already
        return _Bands(rows=rows, light=np.column_stack([width, light[rows]]), changes=changes)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Bands:
    """The bands of a species at a temperature, in the r pixels that have light of them.

    Attributes
    ----------
    rows : ndarray of int, shape (r,)
        The pixels.
    light : ndarray of shape (r, 1 + k)
        What a width of their own changes, then the bands.
    changes : ndarray of shape (r, f)
        What they change in the free columns of all other light.
    """

    rows: NDArray[np.intp]
    light: NDArray[np.float64]
    changes: NDArray[np.float64]


@lru_cache(maxsize=2)
def _products(
    scene: Scene, solution: Solution
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return weights, and with them the products of all columns with each other and with the data."""
    weight = np.where(scene.used, 1.0 / _variance(scene, solution), 0.0)
    rooted = solution.columns * np.sqrt(weight)[:, None]
    return weight, rooted.T @ rooted, solution.columns.T @ (weight * scene.data)


def _variance(scene: Scene, solution: Solution) -> NDArray[np.float64]:
    """Return the variance for comparing shapes inside a band, from the data where the model may be misshapen."""
    from scipy.ndimage import uniform_filter1d

    smooth = uniform_filter1d(scene.data, max(1, round(scene.pixels_per_line / 2)))
    light = np.where(scene.used, np.maximum(smooth - (solution.model - solution.lines), 0.0), 0.0)
    steepness = np.gradient(light, scene.axis_nm) * scene.line_spread.fwhm(scene.axis_nm) / told_of_slopes(scene)
    random = solution.levels.random_variance(np.maximum(solution.model, smooth))
    wrong = BAND_MISMATCH**2 * (light**2 + (FLANK * steepness) ** 2 + np.maximum(solution.doubt[0], 0.0))
    known = scene.stated_variance + solution.doubt[1]  # that of the response does not count: here it is free
    return np.asarray(random + wrong + known)


def _untold(name: str, why: str) -> Temperature:
    nan = float("nan")
    return Temperature(name=name, kelvin=nan, interval_k=(nan, nan), reason=f"cannot tell: {why}")
