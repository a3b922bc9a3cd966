"""Whether the lines of a glow fit the bench at all: a wrong bench or a swapped spectrometer is noticed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.model import Bench
from glowledger.glow.axis_freedom import DRIFT_SD_NM
from glowledger.glow.binning import binned
from glowledger.glow.choosing import chosen_emitters
from glowledger.glow.fitting import Solution, fit_scene
from glowledger.glow.identifying import averaged
from glowledger.glow.likelihood import unexplained_part
from glowledger.glow.no_light import no_light, without_single_pixels
from glowledger.glow.scene import Scene, build_scene
from glowledger.glow.start_search import best_offset
from glowledger.glow.starting import guessed_line_spread, shift_steps
from glowledger.spectra.frames import Frames
from glowledger.tables.species import find_species
from glowledger.threads import one_thread

Floats = NDArray[np.float64]

# of one of these a glow is made
COMMON = ("Ar I", "N2", "N2+", "O I", "H I", "He I", "Ne I", "CO", "OH", "H2", "Kr I", "Xe I", "CO+", "CN", "O2+")
REACH_NM = 8.0  # offsets searched; beyond, the pattern itself is another
PLACES = (0.15, 0.5, 0.85)
SIGMA = 3.0
LEAST_OFF_NM = 0.4  # warming up moves an axis by as much: not yet another spectrometer
WIDER = 0.3  # of ln(width)
STRANGE = 0.4  # of the line light left over at any offset: the offset found means little
NOTHING_FITS = 0.9  # the unlisted lines of H2 alone leave some 0.6


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class BenchMisfit:
    """How the lines of a glow lie against a bench.

    Attributes
    ----------
    at_nm : ndarray of shape (k,)
        Where they were compared.
    off_nm, off_se_nm : ndarray of shape (k,)
        Believed minus true wavelength and its standard error, that of the bench included.
    width_ratio : float
        Line width over that of the bench.
    unexplained : float
        Part of the line light that no common gas explains even so.
    warning : str
        What to tell the user; empty if the lines fit the bench.
    """

    at_nm: Floats
    off_nm: Floats
    off_se_nm: Floats
    width_ratio: float
    unexplained: float
    warning: str


@one_thread
def bench_misfit(frames: Frames, bench: Bench) -> BenchMisfit:
    """Compare the lines of a glow with the bench it was calibrated with.

    Parameters
    ----------
    frames : Frames
        The glow with the axis of the bench; several frames are averaged.
    bench : Bench
        Its solution and line-spread are what is judged.

    Returns
    -------
    BenchMisfit

    Raises
    ------
    FitError
        If the spectrum holds no light.
    """
    one = without_single_pixels(averaged(frames))
    low, high = float(one.axis[0]), float(one.axis[-1])
    spread = bench.line_spread or guessed_line_spread(one)
    freed = frozenset(COMMON) - {"H2"}  # its many lines, placed roughly, would fit at any offset
    emitters = chosen_emitters(find_species(COMMON), freed, {}, low, high)
    scene = build_scene(one, emitters, spread, replace(bench, solution=None))
    solution = _best_offset(scene)
    dark = no_light(scene.data[scene.used])
    places = _places(scene, solution)
    terms = 0.5 * (scene.shift_basis[places] + scene.shift_basis[places + 1])
    off = -terms @ solution.adjustment.shift_nm
    own = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", terms, solution.shift_variance, terms), 0.0))
    error = np.hypot(own, _bench_error(one, bench, places))
    ratio = solution.adjustment.shape.width
    strange = _strange(scene, solution)
    return BenchMisfit(
        at_nm=scene.axis_nm[places], off_nm=off, off_se_nm=error, width_ratio=ratio, unexplained=strange,
        warning="" if dark else _warning(off, error, scene.axis_nm[places], ratio, strange, bench),
    )  # fmt: skip


def _best_offset(scene: Scene) -> Solution:
    """Fit from the best of many offsets; the axis may also bend as that of an unknown instrument."""
    middle = float(scene.line_spread.fwhm(scene.axis_nm[scene.axis_nm.size // 2]))
    best = best_offset(binned(scene, middle), shift_steps(middle, REACH_NM / 2))
    wide = replace(scene, priors=replace(scene.priors, shift_nm=np.append(REACH_NM, scene.priors.shift_nm[1:])))
    return fit_scene(wide, best.adjustment)


def _places(scene: Scene, solution: Solution) -> NDArray[np.intp]:
    light = np.where(scene.used, solution.lines, 0.0)
    running = np.cumsum(np.sqrt(np.maximum(light, 0.0)))
    found = np.searchsorted(running, np.array(PLACES) * running[-1])
    return np.minimum(found, scene.axis_nm.size - 1).astype(np.intp)


def _bench_error(frames: Frames, bench: Bench, places: NDArray[np.intp]) -> Floats:
    """Return the standard error of the bench's own axis at pixels of the frames."""
    if bench.solution is None:
        return np.zeros(places.size)
    low, high = bench.solution.domain
    values = low + (high - low) * places / (frames.axis.size - 1)
    if bench.solution.nm(high) < bench.solution.nm(low):
        values = low + high - values
    return bench.solution.standard_error_nm(values)


def _strange(scene: Scene, solution: Solution) -> float:
    """Return the part of the light above the smooth background that the gases leave."""
    told = scene.used & ~scene.cut
    above = np.where(told, scene.data - (solution.model - solution.lines), 0.0)
    left = np.where(told, np.abs(scene.data - solution.model), 0.0)
    total = float(np.abs(above).sum())
    noise = float(np.sum(np.sqrt(solution.levels.read_variance) * told)) * 0.8
    return max(max(float(left.sum()) - noise, 0.0) / total if total > 0 else 0.0, unexplained_part(scene, solution))


def _warning(off: Floats, error: Floats, at: Floats, ratio: float, strange: float, bench: Bench) -> str:
    mend = "Is it the bench of this spectrometer? Calibrate again with a lamp."
    worst = int(np.argsort(-np.abs(off))[1])  # two places must be off: one may have nothing but a faint blend
    moved = abs(off[worst]) > LEAST_OFF_NM and abs(off[worst]) > SIGMA * np.hypot(error[worst], DRIFT_SD_NM)
    if strange > NOTHING_FITS or (moved and strange > STRANGE):
        return (
            f"These lines do not fit this bench: within {REACH_NM:.0f} nm either way no gas expected explains them "
            f"({100 * min(strange, 1.0):.0f} % of the line light is left over). {mend}"
        )
    if moved:
        return (
            f"These lines do not fit this bench: off by {off[worst]:+.2f} ± {error[worst]:.2f} nm at "
            f"{at[worst]:.0f} nm. {mend}"
        )
    if bench.line_spread is not None and abs(np.log(ratio)) > WIDER and strange < STRANGE:
        word = "wider" if ratio > 1 else "narrower"
        return f"Lines are {100 * abs(ratio - 1):.0f} % {word} than in this bench: another slit or spectrometer? {mend}"
    return ""
