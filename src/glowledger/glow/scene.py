"""What a fit is given: the spectrum, the emitters placed on its grid, and how far each part may move."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.model import Bench, LineSpread
from glowledger.glow.axis_freedom import axis_freedom
from glowledger.glow.background import background_basis, blue_peak, window_edge
from glowledger.glow.emitters import Emitter
from glowledger.glow.line_shape import LineShape
from glowledger.glow.loose_templates import LooseTemplates
from glowledger.glow.noise_levels import NoiseLevels, first_levels
from glowledger.glow.response_guess import bends, expected_response, hats, response_freedom
from glowledger.glow.second_order import GroupedOrder, SecondOrder
from glowledger.glow.shape_freedom import SHAPE_SD, SKIRT_SD
from glowledger.glow.templates import EmissionGrid, emission_grid, pixel_edges, placed
from glowledger.spectra.frames import Frames
from glowledger.spectra.noise import rounding_variance

WIDTH_LOG_SD = 0.10  # ln of line width, beyond what bench or data told
FLANK_WIDTHS = 2.0  # line widths beside missing pixels that count as flanks of a cut line
CUT_SHARE = 0.1  # of the brightest pixel: missing pixels beside one so bright cut a line


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Adjustment:
    """Where the fit has moved the instrument.

    Attributes
    ----------
    shift_nm : ndarray of shape (k,)
        True minus believed wavelength, nm: a common offset, then how much of each bend.
    shape : LineShape
        Width relative to the line-spread, and its shape.
    log_response : ndarray of shape (r,)
        ln(true / expected response) at the nodes.
    """

    shift_nm: NDArray[np.float64]
    shape: LineShape
    log_response: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Priors:
    """How far each part of the adjustment may move, one standard deviation."""

    shift_nm: NDArray[np.float64]
    finer_nm: float
    width_log: float
    shape: float
    skirt: float
    log_response: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Scene:
    """The fixed inputs of a fit; p pixels, m emitters.

    Attributes
    ----------
    axis_nm, edges_nm : ndarray of shape (p,), (p + 1,)
        Believed wavelengths.
    pixel_nm : float
        Median distance of pixels.
    width_px : ndarray of shape (p,)
        FWHM of lines, in pixels.
    data : ndarray of shape (p,)
        Counts.
    used : ndarray of bool, shape (p,)
        Pixels that count.
    cut : ndarray of bool, shape (p,)
        Pixels beside a line whose top is missing, at the ceiling as a rule: what its flanks tell of place, shape
        and response is worth little.
    emitters : tuple of Emitter, length m
        What may glow.
    grid : EmissionGrid
        Their lines.
    doubled : SecondOrder or GroupedOrder
        The same lines at twice their wavelength, dimmed by the expected response: where a grating shows
        them in second order.
    background : ndarray of shape (p, b)
        Smooth non-negative columns.
    expected : ndarray of shape (p,)
        Response before correction.
    nodes_nm : ndarray of shape (r,)
        Where the response is corrected.
    hats : ndarray of shape (p, r)
        Response correction.
    bends : ndarray of shape (p, r)
        How far the response may leave the straight pieces between nodes.
    shift_basis : ndarray of shape (p + 1, k)
        Shift of the pixel edges per shift term.
    priors : Priors
        Freedom of the adjustment.
    first : NoiseLevels
        Starting noise.
    stated_variance : ndarray of shape (p,)
        Variance known beforehand (of a subtracted dark, of rounding, or stated in the file), added to the rest.
    many_lines : ndarray of shape (p,)
        Variance of the light of H2 that stands in no table, from `many_lines_variance`; an error of its template.
    scans : float
        Scans averaged into the spectrum.
    gain_known : bool
        Keep the gain.
    least_mismatch : float
        Smallest template error to assume.
    line_spread : LineSpread
        What defines the grid.
    summed_pixels : int
        Pixels of the spectrum in one of the scene.
    loose : LooseTemplates or None
        Bands with a factor of their own.
    rotation : LooseTemplates or None
        Molecules whose rotational temperature may still move: its logarithm.
    cut_above_nm : float
        Where a filter that nobody stated seems to stop all redder light; infinity where none does.
    """

    axis_nm: NDArray[np.float64]
    edges_nm: NDArray[np.float64]
    pixel_nm: float
    width_px: NDArray[np.float64]
    data: NDArray[np.float64]
    used: NDArray[np.bool_]
    cut: NDArray[np.bool_]
    emitters: tuple[Emitter, ...]
    grid: EmissionGrid
    doubled: SecondOrder | GroupedOrder
    background: NDArray[np.float64]
    expected: NDArray[np.float64]
    nodes_nm: NDArray[np.float64]
    hats: NDArray[np.float64]
    bends: NDArray[np.float64]
    shift_basis: NDArray[np.float64]
    priors: Priors
    first: NoiseLevels
    stated_variance: NDArray[np.float64]
    many_lines: NDArray[np.float64]
    scans: float
    gain_known: bool
    least_mismatch: float
    line_spread: LineSpread
    summed_pixels: int = 1
    loose: LooseTemplates | None = None
    rotation: LooseTemplates | None = None
    cut_above_nm: float = np.inf

    @property
    def loosened(self) -> tuple[LooseTemplates, ...]:
        """Bands and temperatures that are free within limits, as far as there are any."""
        return tuple(one for one in (self.loose, self.rotation) if one is not None)

    @property
    def pixels_per_line(self) -> float:
        """FWHM over the pixel width at the middle of the axis; at least 1."""
        middle = self.axis_nm.size // 2
        width = float(self.line_spread.fwhm(self.axis_nm[middle]))
        return max(1.0, width / self.pixel_nm)

    def moved_edges(self, adjustment: Adjustment) -> NDArray[np.float64]:
        """Return the pixel edges under an adjustment, nm, shape (p + 1,)."""
        return np.asarray(self.edges_nm + self.shift_basis @ adjustment.shift_nm)

    def species_of_emitters(self) -> tuple[tuple[str, ...], NDArray[np.intp]]:
        """Return the species names and, for each emitter, the index of its species."""
        return _species_index(self.emitters)

    def columns_of(self, species: str) -> NDArray[np.intp]:
        """Return the emitter columns of a species; empty if it has none here."""
        return _species_columns(self.emitters).get(species, np.zeros(0, dtype=np.intp))

    def start(self) -> Adjustment:
        """Return the adjustment that changes nothing."""
        return Adjustment(
            shift_nm=np.zeros(self.shift_basis.shape[1]),
            shape=LineShape(
                lorentz_fraction=self.line_spread.lorentz_fraction, asymmetry=self.line_spread.asymmetry
            ),
            log_response=np.zeros(self.hats.shape[1]),
        )


@lru_cache(maxsize=4)
def _species_index(emitters: tuple[Emitter, ...]) -> tuple[tuple[str, ...], NDArray[np.intp]]:
    names = tuple(dict.fromkeys(e.species for e in emitters))
    return names, np.array([names.index(e.species) for e in emitters], dtype=np.intp)


@lru_cache(maxsize=4)
def _species_columns(emitters: tuple[Emitter, ...]) -> dict[str, NDArray[np.intp]]:
    names, index = _species_index(emitters)
    return {name: np.flatnonzero(index == k) for k, name in enumerate(names)}


def build_scene(
    frames: Frames,
    emitters: tuple[Emitter, ...],
    line_spread: LineSpread,
    bench: Bench | None,
) -> Scene:
    """Place emitters on the grid of one spectrum.

    Parameters
    ----------
    frames : Frames
        One spectrum with an nm axis.
    emitters : tuple of Emitter
        What may glow.
    line_spread : LineSpread
        Width of lines.
    bench : Bench or None
        What is known of response and window.

    Returns
    -------
    Scene
    """
    axis, counts = np.asarray(frames.axis), np.asarray(frames.counts[0])
    low, high = float(axis[0]), float(axis[-1])
    used = ~frames.mask[0]
    nodes, log_sd = response_freedom(bench, low, high)
    first, gain_known = first_levels(frames)
    shift_basis, shift_sd, finer = axis_freedom(axis, bench)
    measured = bench is not None and bench.line_spread is not None
    middle_fwhm = float(line_spread.fwhm(0.5 * (low + high)))
    grid = emission_grid([e.wavelength_nm for e in emitters], [e.rate for e in emitters], line_spread, low, high)
    return Scene(
        axis_nm=axis,
        edges_nm=pixel_edges(axis),
        pixel_nm=float(np.median(np.diff(axis))),
        width_px=line_spread.fwhm(axis) / np.gradient(axis),
        data=counts,
        used=used,
        cut=_flanks(counts, used, middle_fwhm / float(np.median(np.diff(axis)))),
        emitters=emitters,
        grid=grid,
        doubled=SecondOrder(grid.scale, emitters, expected_response(grid.scale.node_nm() / 2, bench)),
        background=background_basis(axis, middle_fwhm, window_edge(axis, counts, used), blue_peak(axis, counts, used)),
        expected=expected_response(axis, bench),
        nodes_nm=nodes,
        hats=hats(axis, nodes),
        bends=bends(axis, nodes),
        shift_basis=shift_basis,
        priors=Priors(
            shift_nm=shift_sd,
            finer_nm=finer,
            width_log=0.5 * WIDTH_LOG_SD if measured else 2 * WIDTH_LOG_SD,
            shape=SHAPE_SD,
            skirt=SKIRT_SD,
            log_response=log_sd,
        ),
        first=first,
        stated_variance=_stated_variance(frames),
        many_lines=np.zeros(axis.size),
        scans=float(frames.averages[0]),
        gain_known=gain_known,
        least_mismatch=0.015 if measured else 0.03,  # tables state line strengths to 3-10 % at best
        line_spread=line_spread,
    )


def with_emitters(scene: Scene, emitters: tuple[Emitter, ...], bench: Bench | None) -> Scene:
    """Return a scene, its pixels neither summed nor its response changed since `build_scene`, with other emitters."""
    places, rates = [e.wavelength_nm for e in emitters], [e.rate for e in emitters]
    grid = placed(places, rates, scene.grid.scale)
    seen = expected_response(grid.scale.node_nm() / 2, bench)
    doubled = SecondOrder(grid.scale, emitters, seen)
    return replace(scene, emitters=emitters, grid=grid, doubled=doubled, loose=None, rotation=None)


def _flanks(counts: NDArray[np.float64], used: NDArray[np.bool_], fwhm_px: float) -> NDArray[np.bool_]:
    """Return the pixels in use within `FLANK_WIDTHS` of missing ones that have a bright neighbour."""
    where = np.flatnonzero(used)
    gaps = np.flatnonzero(~used)
    if gaps.size == 0 or where.size < 2:
        return np.zeros(used.size, dtype=bool)
    after = np.searchsorted(where, gaps)
    left, right = counts[where[np.maximum(after - 1, 0)]], counts[where[np.minimum(after, where.size - 1)]]
    bright = gaps[np.maximum(left, right) > CUT_SHARE * counts[where].max()]
    reach = max(1, round(FLANK_WIDTHS * fwhm_px))
    near = np.zeros(used.size, dtype=bool)
    for at in bright:
        near[max(at - reach, 0) : at + reach + 1] = True
    return near & used


def _stated_variance(frames: Frames) -> NDArray[np.float64]:
    total = np.zeros(frames.axis.size)
    if frames.added_variance is not None:
        total = total + frames.added_variance
    if frames.known_variance is not None:
        return np.asarray(total + np.nan_to_num(frames.known_variance[0]))
    return total + rounding_variance(frames.counts)
