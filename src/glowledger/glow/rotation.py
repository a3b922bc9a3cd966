"""Rotational temperatures by profile likelihood, all bands of one species, all else refitted."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.choosing import OTHERS
from glowledger.glow.fitting import Solution
from glowledger.glow.instrument import FLANK, free_columns, loose_columns, loosened_of, response_templates
from glowledger.glow.loose_rotation import bands_at, temperature_ladder
from glowledger.glow.nonnegative import Minima, scaled_gram
from glowledger.glow.results import Temperature
from glowledger.glow.scene import Scene
from glowledger.tables.species import ListedSpecies

BAND_MISMATCH = 0.02  # of the light in a pixel: what line-spread and neighbours leave wrong inside a band
SHAPE_ERROR = 0.05  # of T: line-spread and overlaps; scatter in tests/benchmarks/bench_identification.py
LEAST_TOLD = 4.0  # χ² between best and worst temperature
WIDEST_ERROR = 0.45  # of the logarithm of T: wider says nothing of use
WIDTH_AT_BANDS = 0.1  # relative: how far lines at the bands may be wider than elsewhere (common practice, no source)
# of ln T, where bands do not tell: others in the same glow do, or none does (from 300 to 1500 K about 500 K)
LIKE_OTHERS, UNTOLD = 0.3, 0.5
OWN_PART = 0.1  # of the brightest pixel of the bands: there the misfit is judged
SETTLED_LOG_T = 0.05  # of the logarithm of a temperature, whose shape alone errs by more


def profile_temperature(
    scene: Scene,
    solution: Solution,
    species: ListedSpecies,
    columns: NDArray[np.intp],
    before_k: float | None = None,
    *,
    fine: bool = True,
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
    before_k : float, optional
        The temperature found in an earlier fit of the same spectrum, from where to look.
    fine : bool
        Try half steps too; without them the temperature serves a further fit.

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
    if fine:  # half a step on, to the side to which it falls
        place = sorted(tried).index(best)
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
    interval = (float(np.exp(centre - sd)), float(np.exp(centre + sd)))
    return Temperature(
        name=name, kelvin=float(np.exp(centre)), interval_k=interval, reason=f"shape of the {species.name} bands"
    )


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
    """Return χ² by logarithm of T: a quarter, half and three quarters up the ladder, then step by step to the lowest.

    Where a temperature is known from before, near it first.
    """
    if before_k is None:
        first = [ladder.size // 4, ladder.size // 2, 3 * ladder.size // 4]
    else:
        first = [int(np.argmin(np.abs(ladder - np.log(before_k))))]
    chi2 = {k: profile.misfit(float(ladder[k])) for k in first}
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
        self.labels = tuple(scene.emitters[i].label for i in columns)
        self.amounts = solution.x[columns]
        without = np.where(np.isin(np.arange(m), columns), 0.0, solution.x[:m])
        free, precision, pull = free_columns(scene, self.adjustment, without)
        # strengths of the bands themselves stay as they are: those of another temperature say nothing here
        self.kept = np.setdiff1d(np.arange(pull.size), loosened_of(scene, columns))
        self.free, precision, pull = free[:, self.kept], precision[np.ix_(self.kept, self.kept)], pull[self.kept]
        size = pull.size
        self.precision, self.pull = np.zeros((size + 1, size + 1)), np.append(pull, 0.0)
        self.precision[:size, :size], self.precision[size, size] = precision, WIDTH_AT_BANDS**-2
        self.weight, products, rhs = _products(scene, solution)
        others = np.setdiff1d(np.flatnonzero(solution.x > 0), columns)
        self.columns = np.ascontiguousarray(solution.columns[:, others])
        self.fixed_gram, self.fixed_rhs = products[np.ix_(others, others)], rhs[others]
        self.held: Minima | None = None
        self.passive = np.zeros(0, dtype=bool)
        # by logarithm of T: amounts of fixed columns, free ones and bands; the bands; the free columns
        self.fits: dict[float, tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]] = {}

    def misfit(self, log_t: float) -> float:
        """Return χ² of the best fit at a temperature, up to a constant."""
        bands, free = self._columns_at(log_t)
        n, f = self.columns.shape[1], free.shape[1]
        own = np.concatenate([free, bands], axis=1)
        weighted = own * self.weight[:, None]
        size = n + own.shape[1]
        gram, rhs = np.empty((size, size)), np.concatenate([self.fixed_rhs, weighted.T @ self.scene.data])
        gram[:n, :n], gram[n:, n:] = self.fixed_gram, own.T @ weighted
        gram[:n, n:] = self.columns.T @ weighted
        gram[n:, :n] = gram[:n, n:].T
        gram[n : n + f, n : n + f] += self.precision
        rhs[n : n + f] += self.pull
        unbounded = np.zeros(size, dtype=bool)
        unbounded[n : n + f] = True
        scaled = scaled_gram(gram)
        if self.held is None:
            minima = scaled.near(rhs, np.ones(size, dtype=bool))
        else:
            minima = self.held.beside(scaled, rhs, self.passive)
        x = minima.without(np.zeros(size, dtype=bool), unbounded)
        self.passive = (x > 0) | unbounded
        self.held = self.held or scaled.near(rhs, self.passive & (np.arange(size) < n))
        self.fits[log_t] = x, bands, free
        return float(x @ gram @ x - 2 * rhs @ x)

    def birge(self, log_t: float) -> float:
        """Return the reduced χ² in the bands at a temperature tried before, at least 1."""
        x, bands, free = self.fits[log_t]
        n, f = self.columns.shape[1], free.shape[1]
        light = bands @ x[n + f :]
        left = self.scene.data - self.columns @ x[:n] - free @ x[n : n + f] - light
        mine = self.scene.used & (light > OWN_PART * light.max(initial=0.0))
        return max(float(np.mean(self.weight[mine] * left[mine] ** 2)), 1.0) if mine.any() else 1.0

    def _columns_at(self, log_t: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the bands and the free columns with the bands at a temperature."""
        grid = bands_at(self.species, self.labels, log_t, self.scene.grid.scale)
        own = free_columns(self.scene, self.adjustment, self.amounts, grid)[0][:, self.kept]
        own[:, -1] = 0.0  # the constant is there already
        width = own[:, self.scene.shift_basis.shape[1]]
        return response_templates(self.scene, self.adjustment, grid), np.column_stack([self.free + own, width])


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
    steepness = np.gradient(light, scene.axis_nm) * scene.line_spread.fwhm(scene.axis_nm)
    random = solution.levels.random_variance(np.maximum(solution.model, smooth))
    wrong = BAND_MISMATCH**2 * (light**2 + (FLANK * steepness) ** 2 + np.maximum(solution.doubt[0], 0.0))
    known = scene.stated_variance + solution.doubt[1]  # that of the response does not count: here it is free
    return np.asarray(random + wrong + known)


def _untold(name: str, why: str) -> Temperature:
    nan = float("nan")
    return Temperature(name=name, kelvin=nan, interval_k=(nan, nan), reason=f"cannot tell: {why}")


def settled(found: dict[str, float], before: dict[str, float]) -> bool:
    """Return whether temperatures are what they were before, as far as it matters."""
    return all(abs(np.log(kelvin / before[name])) < SETTLED_LOG_T for name, kelvin in found.items())
