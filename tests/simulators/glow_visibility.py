"""What the ideal observer could tell: is the light of a species unlike that of every other one?

The ideal observer knows the noise, the kind of spectrometer, which other species glow and all lines and bands, and
fits the noise-free record. What nobody tells who brings a spectrum and no calibration is free: how a plasma fills
the levels of what glows beside the species and how hot its bands are, small shifts and bends of the axis, line width
and its skew, and a smooth error of the response. A species can be told if neither leaving it out nor putting any one
other species in its place comes nearer to the record than `distance` standard deviations. Levels of the substitute
stray by a factor, as nature's do; lines branch as tabled, within the simulator's own errors. Nothing of the product.

Detection limit in the sense of Currie, Anal. Chem. 40, 586 (1968): the distance at which a test that errs so seldom
where nothing is (`ALPHA`) finds what is there all but `BETA` of the time. Both follow from what is asked of the
program, at most 1 % of spectra with a false species among some fifty and 95 % of findings right, and were set before
any spectrum was judged by them.

One thing the strict observer knows that nobody can: where the many lines of H2 stand, which the simulator has
invented. With `untabled` they are to him noise of known size, as lines are that stand in no table.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from glow_emission import (
    EV_CM,
    GRID_NM,
    K_CM,
    SYSTEMS,
    T_VIB,
    Nature,
    _deposit,
    _flat,
    _many_lines,
    _reach,
    species_photons,
)
from glow_facts import atoms
from glow_instrument import Instrument, detect, line_spread
from glow_simulator import Truth
from scipy.ndimage import uniform_filter1d
from scipy.optimize import nnls
from scipy.stats import norm

STEP_NM = float(GRID_NM[1] - GRID_NM[0])
LINE_ERROR = 0.06  # by which lines and bands stray from the templates, as in `Nature`
LEVEL_LOG_SD = 0.6  # of a substitute's levels: 0.4 of their own, the rest from unknown excitation
EXCITATION_EV = 0.55
AMPLITUDES = (1.5, 0.8, 0.4, 0.2, 0.08)  # to which levels are tied, of the brightest free one
PICTURES = ("H2", "CO2+")  # drawn as a whole
SMOOTH_NM = 25.0  # over which the strength of invented lines is taken as constant
ALPHA = 0.01 / 50  # of claiming one absent species
BETA = 0.05
TEMPERATURES_K = (300.0, 600.0, 1500.0)  # of the bands of what glows beside: mixtures of these come near any other
DETECTION_LIMIT = float(norm.isf(ALPHA) + norm.isf(BETA))  # 5.2 standard deviations


@dataclass(frozen=True)
class Visible:
    """How far the record stays from the nearest one without the species.

    `alone`: nothing put in its place; `distance`: the most alike other species, `rival`, in its place.
    """

    alone: float
    distance: float
    rival: str


def visible(
    truth: Truth, instrument: Instrument, name: str, rivals: Iterable[str] | None = None, *, untabled: bool = False
) -> Visible:
    """How well the ideal observer tells a species of the mixture from all that is not in the mixture."""
    ok = np.isfinite(truth.noise_sd) & ~np.asarray(truth.saturated, bool)
    others = {key: x for key, x in truth.expected.items() if key != name}
    rest = np.sum([truth.background, *others.values()], axis=0)
    noise = np.hypot(truth.noise_sd, LINE_ERROR * np.maximum(rest, 0))
    if untabled and "H2" in others:
        noise = np.hypot(noise, invented_noise(truth.expected["H2"], instrument))
    weight = np.where(ok, 1 / noise, 0.0)
    slope = np.linspace(-1, 1, len(weight))
    free = [templates(instrument, key, kelvin) for key in others for kelvin in _temperatures(key)]
    smooth = [truth.background, np.ones_like(slope), 1 + slope, 1 - slope]
    base = np.vstack([*others.values(), *smooth, *untold(np.sum(list(others.values()), axis=0), slope), *free]) * weight
    record = (rest + truth.expected[name]) * weight
    size = np.linalg.norm(base, axis=1)
    base = base[size > 1e-9 * size.max()]
    known = _Rows.of(base / np.linalg.norm(base, axis=1, keepdims=True), record)
    alone = best = known.fitted()[1]
    rival = "nothing"
    places = truth.expected[name] * weight
    for other in substitutes() if rivals is None else rivals:
        columns = np.empty((0, 0)) if other in truth.mixture else templates(instrument, other) * weight
        if not len(columns) or not np.any(columns @ places > 0):
            continue
        found = _with_substitute(known, columns, record, best)
        if found < best:
            best, rival = found, other
    return Visible(alone, best, rival)


def untold(light: np.ndarray, place: np.ndarray) -> np.ndarray:
    """How light changes with axis (shift, stretch, bow), width, skew and response, either way; `place` is -1 to 1."""
    first = np.gradient(light)
    second = np.gradient(first)
    third = np.gradient(second)
    ways = [first, first * place, first * place**2, second, second * place, third]
    ways += [light * place, light * place**2, light * place**3]
    return np.vstack([ways, np.negative(ways)])


def invented_noise(light: np.ndarray, instrument: Instrument) -> np.ndarray:
    """The many lines of H2 as noise: their rms about a smooth course, alike over the pixels of a line.

    `light` are the expected counts of H2, of which the part at invented places is found by its pattern.
    """
    places, strength = _many_lines()
    plain = replace(instrument, second_order=0.0, stray=0.0)
    many = detect(plain, _deposit(places, strength / strength.sum())[None])[0]
    quiet = Nature(level=0, line=0, band=0)
    whole = species_photons("H2", np.random.RandomState(0), quiet)[0]
    drawn = detect(plain, whole[None])[0]
    known = np.maximum(drawn - 0.45 * many, 0.0)  # Fulcher bands and continuum
    slope = np.linspace(-1, 1, len(light))
    part = nnls(np.array([many, known, known * (1 + slope), known * (1 - slope)]).T, light)[0][0]
    per_nm = instrument.pixels / (instrument.range_nm[1] - instrument.range_nm[0])
    width = max(3, round(SMOOTH_NM * per_nm)) | 1
    away = part * many - uniform_filter1d(part * many, width)
    rms = np.sqrt(np.maximum(uniform_filter1d(away**2, width), 0.0))  # running sums round below zero
    return rms * np.sqrt(max(1.0, float(np.mean(instrument.fwhm_nm)) * per_nm))


def _temperatures(name: str) -> tuple[float, ...]:
    return TEMPERATURES_K if name in SYSTEMS else (0.0,)


@dataclass(frozen=True)
class _Rows:
    """Normal equations of a non-negative fit; `kept` are the rows themselves."""

    kept: np.ndarray
    products: np.ndarray
    towards: np.ndarray
    power: float

    @classmethod
    def of(cls, rows: np.ndarray, record: np.ndarray) -> _Rows:
        return cls(rows, rows @ rows.T, rows @ record, float(record @ record))

    def joined(self, more: np.ndarray, record: np.ndarray) -> _Rows:
        """With further rows."""
        cross = self.kept @ more.T
        products = np.block([[self.products, cross], [cross.T, more @ more.T]])
        return _Rows(
            np.vstack([self.kept, more]), products, np.concatenate([self.towards, more @ record]), self.power
        )

    def pulled(self, strength: float, towards: float, count: int) -> _Rows:
        """The last `count` amplitudes pulled to a value, as by `count` further measurements."""
        products, wanted = self.products.copy(), self.towards.copy()
        last = np.arange(len(wanted) - count, len(wanted))
        products[last, last] += strength**2
        wanted[last] += strength**2 * towards
        return _Rows(self.kept, products, wanted, self.power + count * (strength * towards) ** 2)

    def fitted(self) -> tuple[np.ndarray, float]:
        """Non-negative amplitudes and the distance that is left, in standard deviations."""
        scale = np.sqrt(np.diag(self.products))
        products = self.products / np.outer(scale, scale)
        root = np.linalg.cholesky(products + 1e-10 * np.eye(len(scale)))
        wanted = np.linalg.solve(root, self.towards / scale)
        found, _ = nnls(root.T, wanted, maxiter=30 * len(scale))
        found = found / scale
        left = self.power - 2 * found @ self.towards + found @ self.products @ found
        return found, float(np.sqrt(max(left, 0.0)))


def _with_substitute(known: _Rows, columns: np.ndarray, record: np.ndarray, enough: float) -> float:
    """Distance with one more species whose levels are tied to its typical pattern (rows sum to it).

    Infinite where it cannot come below `enough`.
    """
    size = np.linalg.norm(columns, axis=1)
    columns = columns[size > 1e-6 * size.max()]
    norm = np.linalg.norm(columns.sum(axis=0))
    if norm == 0:
        return np.inf
    columns = columns / norm  # amplitude 1 of every level is then the typical pattern of unit size
    rows = known.joined(columns, record)
    levels, least = rows.fitted()
    if least >= enough:  # not even with free levels
        return np.inf
    n = len(columns)
    brightest = float(levels[-n:].max())
    if brightest <= 0:
        return np.inf
    tied = (rows.pulled(1 / (LEVEL_LOG_SD * part * brightest), part * brightest, n) for part in AMPLITUDES)
    return min(one.fitted()[1] for one in tied)


def substitutes() -> tuple[str, ...]:
    """Every species that the simulator knows."""
    return (*sorted(atoms()), *SYSTEMS, *PICTURES)


_SEEN: dict[tuple[Instrument, str, float], np.ndarray] = {}


def templates(instrument: Instrument, name: str, kelvin: float = 600.0) -> np.ndarray:
    """Electrons per pixel of every level of a species at its typical population, (levels, pixels)."""
    key = (instrument, name, kelvin)
    if key not in _SEEN:
        if len(_SEEN) > 200:
            _SEEN.clear()
        molecular = name in SYSTEMS or name in PICTURES
        _SEEN[key] = _molecule(instrument, name, kelvin) if molecular else _atom(instrument, name)
    return _SEEN[key]


def _atom(instrument: Instrument, name: str) -> np.ndarray:
    nm, photons, term = _typical_atom(name)
    edges = instrument.true_nm(np.arange(instrument.pixels + 1) - 0.5)
    kernels = [np.cumsum(line_spread(instrument, w)) for w in instrument.fwhm_nm]
    low, high = instrument.range_nm
    out = np.zeros((term.max() + 1, instrument.pixels))
    light = photons * instrument.response(nm)
    reach = 6 * max(instrument.fwhm_nm)
    for at, much, level in zip(nm, light, term, strict=True):
        first, last = np.searchsorted(edges, [at - reach, at + reach])
        if last - first < 2:
            continue
        mix = np.clip((at - low) / (high - low), 0, 1)
        sums = [_up_to(k, edges[first:last] - at) for k in kernels]
        out[level, first : last - 1] += much * np.diff(sums[0] * (1 - mix) + sums[1] * mix)
    return out[out.sum(axis=1) > 0]


def _up_to(cumulative: np.ndarray, away_nm: np.ndarray) -> np.ndarray:
    """Part of a line's light that lies below a place."""
    half = len(cumulative) // 2
    x = (np.arange(len(cumulative)) - half + 0.5) * STEP_NM
    return np.interp(away_nm, x, cumulative, left=0.0, right=1.0)


def _typical_atom(name: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Wavelengths, photons and level numbers of an atom with middling populations."""
    a = atoms()[name]
    if np.isnan(a.upper_cm).all():
        return a.nm, a.relative / a.relative.sum(), np.zeros(len(a.nm), int)
    total = np.bincount(a.level, a.rate)[a.level]
    g = np.where(np.isnan(a.degeneracy), 3.0, a.degeneracy)
    floor = a.upper_cm[a.rate > 1e5].min()
    rise = np.maximum(a.upper_cm - floor, 0) / (EV_CM * EXCITATION_EV)
    level = _reach(name, g, a.upper_cm, floor) * np.exp(-rise) * total / (total + 1e6)
    return a.nm, level * a.rate / total, a.term


def _molecule(instrument: Instrument, name: str, kelvin: float) -> np.ndarray:
    plain = replace(instrument, second_order=0.0, stray=0.0)
    if name in PICTURES:
        quiet = Nature(level=0, line=0, band=0)
        photons = species_photons(name, np.random.RandomState(0), quiet)[0][None]
    else:
        photons = np.array([row for system, share, _ in SYSTEMS[name] for row in share * _levels(system, kelvin)])
    out = detect(plain, photons)
    return out[out.sum(axis=1) > 0]


def _levels(system: str, t_rot: float) -> np.ndarray:
    """Photons on the fine grid of every upper vibrational level at its typical population."""
    f = _flat(system)
    lines = f.strength * np.exp(-f.upper_cm / (K_CM * t_rot))
    lines = lines / np.bincount(f.band, lines)[f.band]
    photons = np.exp(-f.g_upper / (K_CM * T_VIB.get(system, 2500.0))) * f.share
    light = lines * photons[f.band]
    light = light / light[(f.nm > GRID_NM[0]) & (f.nm < 1050)].sum()
    v = f.v_upper[f.band]
    return np.array([_deposit(f.nm[v == k], light[v == k]) for k in np.unique(v)])
