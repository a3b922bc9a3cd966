"""What the fit sees of the instrument: templates, second order, expected errors, and the derivative columns."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.emitters import Emitter
from glowledger.glow.loose_bands import FAINT_DOUBT, MOST_DOUBT
from glowledger.glow.loose_templates import LooseTemplates
from glowledger.glow.noise_levels import NoiseLevels
from glowledger.glow.scene import Adjustment, Priors, Scene
from glowledger.glow.shape_freedom import FREEDOMS, STEPS, prior_sd, shape_state, tried
from glowledger.glow.templates import Edges, EmissionGrid, SpreadLines
from glowledger.glow.width_scale import pixel_sums

if TYPE_CHECKING:
    from scipy.sparse import csr_array

HELD = 1e6  # precision of what must not move
FLANK = 0.275  # of a line's width-scaled slope counted as template error: a third of its height at the flank
SIGMA = 0.4247  # of a Gaussian, in its FWHM
AROUND_WIDTHS = 0.8  # over how many line widths a misshapen line errs (one standard deviation)
MOST_BENT = 0.5  # relative
BAND_NM = 8.0  # half a band with its tail: the branches of one level stand further apart
SUMMED_ERROR = 0.5  # relative, of levels in typical proportions, and of bands known by their heads alone
MANY_LINED = "H2"  # the only species listed most of whose lines are in no table


def response_templates(
    scene: Scene, adjustment: Adjustment, lines: EmissionGrid | SpreadLines | None = None,
    out: NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    """Return counts per photon of every emitter under an adjustment, shape (p, m), written to `out` if given.

    `lines` may hold other emitters on the same scale, or lines already spread by the shape of the adjustment, where
    many adjustments share it.
    """
    sums = _seen_sums(scene, adjustment)
    if isinstance(lines, SpreadLines):
        return np.asarray(sums.astype(lines.light.dtype) @ lines.light, dtype=np.float64)
    return (lines or scene.grid).collected(adjustment.shape, sums, out)


@lru_cache(maxsize=4)
def _seen_sums(scene: Scene, adjustment: Adjustment) -> csr_array:
    """Return how light at the nodes is seen in the pixels: what falls into each, times the response there."""
    seen = _sums(scene, adjustment).copy()
    seen.data *= np.repeat(response_at(scene, adjustment), np.diff(seen.indptr))
    return seen


def response_at(scene: Scene, adjustment: Adjustment) -> NDArray[np.float64]:
    """Return the response under an adjustment, counts per photon, shape (p,)."""
    return np.asarray(scene.expected * np.exp(scene.hats @ adjustment.log_response))


def second_order(
    scene: Scene, adjustment: Adjustment, amounts: NDArray[np.float64] | None
) -> NDArray[np.float64]:
    """Return the light of all emitters at twice its wavelength, shape (p,), for an efficiency of one.

    Parameters
    ----------
    scene, adjustment : Scene, Adjustment
        Where the fit stands.
    amounts : ndarray of shape (m,) or None
        Light of each emitter; zeros where not known yet.
    """
    if amounts is None:
        return np.zeros(scene.data.size)
    lit = scene.doubled.lit(amounts)
    # what window and detector leave of the first order they leave of the second
    left = np.exp(np.interp(lit.scale.node_nm() / 2, scene.nodes_nm, adjustment.log_response))
    spread = EmissionGrid(lit.scale, lit.density * left).spread_sum(np.ones(1), (adjustment.shape,))
    return np.asarray(_sums(scene, adjustment) @ spread.light[:, 0])


@lru_cache(maxsize=4)
def _sums(scene: Scene, adjustment: Adjustment) -> csr_array:
    """Keep how nodes fall into pixels: one round of a fit asks several times."""
    return pixel_sums(scene.grid.scale, scene.moved_edges(adjustment))


@lru_cache(maxsize=4)
def _edges(scene: Scene, adjustment: Adjustment) -> Edges:
    return Edges.on(scene.grid.scale, scene.moved_edges(adjustment))


def branching_doubt(
    scene: Scene, templates: NDArray[np.float64], amounts: NDArray[np.float64], owner: NDArray[np.float64] | None = None
) -> NDArray[np.float64]:
    """Return what uncertain branching adds to template errors, shape (3, p), or (3, s, p) for each of s owners.

    The fainter a line or band beside the brightest of its upper level, the less is its strength known (in
    every table weak branches have the larger relative errors; here as the root of the ratio), and some are
    in no table at all. Without that allowance the faint ends of a band system, which a good spectrum
    measures as well as its heads, would decide on the whole system, and on the response. Levels fitted as
    one sum in typical proportions err by more than any mismatch learnt from lines that are free.

    Parameters
    ----------
    scene : Scene
        Its emitters.
    templates : ndarray of shape (p, m)
        Counts per photon of all emitters.
    amounts : ndarray of shape (m,)
        Light of each.
    owner : ndarray of shape (m, s), optional
        1 where an emitter is one of an owner's, whose part is asked for; else of all emitters together.

    Returns
    -------
    ndarray
        Row 0 adds to the square of `error_shape`, counts² per unit of mismatch squared; row 1 to the
        variance itself, counts²; row 2 is the light of emitters whose bands have factors of their own, counts.
    """
    lit = np.flatnonzero(amounts > 0)
    if 2 * lit.size > amounts.size:  # picking most of the columns costs more than they do
        lit = np.arange(amounts.size)
    if lit.size == 0:
        none = np.zeros(templates.shape[0])
        return _with_many_lines(scene, none, none, none, owner)
    light, mine = np.maximum(amounts[lit], 0.0), templates if lit.size == amounts.size else templates[:, lit]
    size = min(max(1, round(BAND_NM / scene.pixel_nm)), mine.shape[0])
    whole, rest = divmod(mine.shape[0], size)
    blocks, last = mine[: whole * size].reshape(whole, size, lit.size), mine[whole * size :]
    top = blocks.max(axis=1)  # many times faster than `reduceat`
    if rest:
        top = np.concatenate([top, last.max(axis=0)[None, :]])
    near = top.copy()
    np.maximum(near[1:], top[:-1], out=near[1:])
    np.maximum(near[:-1], top[1:], out=near[:-1])
    weak = np.divide(top.max(axis=0), near, out=np.zeros_like(near), where=near > 0)
    loose = np.where(_loose(scene)[lit], light, 0.0)
    factor = FAINT_DOUBT * np.minimum(weak, MOST_DOUBT) * (light - loose) ** 2
    summed = (SUMMED_ERROR * light) ** 2 * _summed(scene.emitters)[lit]
    if owner is None:
        relative = np.einsum("bsm,bsm,bm->bs", blocks, blocks, factor[:whole]).ravel()
        if rest:
            relative = np.concatenate([relative, last**2 @ factor[-1]])
        sums = np.flatnonzero(summed)
        return _with_many_lines(scene, relative, mine[:, sums] ** 2 @ summed[sums], mine @ loose, None)
    squares, own = mine**2, owner[lit]
    relative = (squares * np.repeat(factor, size, axis=0)[: mine.shape[0]]) @ own
    return _with_many_lines(
        scene, relative.T, ((squares * summed) @ own).T, (mine @ (loose[:, None] * own)).T, owner
    )


def _with_many_lines(
    scene: Scene, relative: NDArray[np.float64], absolute: NDArray[np.float64], loose: NDArray[np.float64],
    owner: NDArray[np.float64] | None,
) -> NDArray[np.float64]:
    """Return the rows of `branching_doubt`, lines in no table added for the species that has them."""
    if owner is None:
        return np.stack([relative, absolute + scene.many_lines, loose])
    shape = (owner.shape[1], scene.many_lines.size)
    many = np.array([e.species == MANY_LINED for e in scene.emitters]) @ owner > 0
    return np.stack(
        [np.broadcast_to(relative, shape), absolute + many[:, None] * scene.many_lines, np.broadcast_to(loose, shape)]
    )


def _loose(scene: Scene) -> NDArray[np.bool_]:
    """Return the emitters whose bands have factors of their own: nothing else is doubtful in them."""
    loose = np.zeros(len(scene.emitters), dtype=bool)
    if scene.loose is not None:
        loose[scene.loose.emitter[scene.loose.share > 0]] = True
    return loose


@lru_cache(maxsize=4)
def _summed(emitters: tuple[Emitter, ...]) -> NDArray[np.bool_]:
    return np.array([emitter.summed for emitter in emitters], dtype=bool)


def expected_variance(
    scene: Scene,
    levels: NoiseLevels,
    model: NDArray[np.float64],
    lines: NDArray[np.float64],
    doubt: NDArray[np.float64] | None = None,
    bent: NDArray[np.float64] | float = 0.0,
) -> NDArray[np.float64]:
    """Return the variance for tests of a line, template errors counted once per line, shape (p,).

    Where `lines` is of shape (s, p) and `doubt` of shape (3, s, p), so is what is returned.
    """
    absolute = scene.many_lines if doubt is None else doubt[1]
    own = levels.line_variance(model, error_shape(scene, lines, doubt), scene.pixels_per_line)
    return np.asarray(own + scene.pixels_per_line * (absolute + (bent * lines) ** 2) + scene.stated_variance)


def error_shape(
    scene: Scene, lines: NDArray[np.float64], doubt: NDArray[np.float64] | None = None
) -> NDArray[np.float64]:
    """Return where template errors are expected, shape (3, p), or (3, s, p) where `lines` has shape (s, p).

    Row 0, per unit of mismatch: with the height, and with the slope where a line is misplaced; `doubt` is from
    `branching_doubt`. Row 1, per unit of misshape, which is that at the top of a lone line: with the light around. In
    the wings a shape errs by more than the little light there, and weights that go by that light alone would let the
    wings decide on the height. Row 2, likewise, where the bands are whose strengths have factors of their own.
    """
    if doubt is None:
        return np.stack([*_errors(scene, lines, 0.0), np.zeros(lines.size)])
    loose = np.minimum(doubt[2], lines)
    rows = _errors(scene, lines - loose, doubt[0])
    bands = np.sqrt(0.5) * np.hypot(*_errors(scene, loose, 0.0)) if loose.any() else np.zeros(lines.shape)
    return np.stack([*rows, bands])


def _errors(
    scene: Scene, lines: NDArray[np.float64], doubt: NDArray[np.float64] | float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return where light errs in height and in shape, as `error_shape`."""
    from scipy.ndimage import uniform_filter1d

    steepness = np.empty(lines.shape)
    steepness[..., 1:-1] = 0.5 * (lines[..., 2:] - lines[..., :-2])
    steepness[..., 0], steepness[..., -1] = lines[..., 1] - lines[..., 0], lines[..., -1] - lines[..., -2]
    steepness *= scene.width_px / told_of_slopes(scene)
    # two running means: as good as a Gaussian of the same width
    size = 2 * round(0.5 * np.sqrt(6.0) * AROUND_WIDTHS * scene.pixels_per_line) + 1  # odd: the middle stays
    around = uniform_filter1d(uniform_filter1d(np.maximum(lines, 0.0), size, mode="nearest"), size, mode="nearest")
    height = np.sqrt(lines**2 + (FLANK * steepness) ** 2 + np.maximum(doubt, 0.0))
    own = SIGMA * scene.pixels_per_line
    lone = own / np.hypot(own, np.sqrt((size**2 - 1) / 6.0))  # top of a lone line spread so, over its own
    return height, around / lone


@lru_cache(maxsize=4)
def told_of_slopes(scene: Scene) -> NDArray[np.float64]:
    """Return which part of a line's slope differences between pixels show, root mean square, shape (p,).

    Of a Gaussian of σ pixels the difference over two of them, by Parseval's theorem: root of σ² (1 - exp(-1 / σ²)).
    """
    variance = (SIGMA * scene.width_px) ** 2
    return np.asarray(np.sqrt(-variance * np.expm1(-1.0 / variance)))


def response_doubt(scene: Scene, adjustment: Adjustment) -> NDArray[np.float64]:
    """Return the part of the light by which the response may bend between its nodes, shape (p,).

    At the edge of a window it falls by factors within one interval: lines there are not as strong beside each other
    as the straight pieces of its logarithm say. Interpolation error of linear pieces, h²/8 f'' (Abramowitz & Stegun
    25.2, from memory).
    """
    return np.minimum(np.abs(scene.bends @ adjustment.log_response), MOST_BENT)


def _telling(scene: Scene, amounts: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the amounts without what says nothing of the instrument: H2, where lines in no table stand in its own."""
    if not scene.many_lines.any():
        return amounts
    return np.where([emitter.species == MANY_LINED for emitter in scene.emitters], 0.0, amounts)


def free_columns(
    scene: Scene, adjustment: Adjustment, amounts: NDArray[np.float64], grid: EmissionGrid | None = None,
    *, loose: bool = True,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return the free columns with their priors.

    Parameters
    ----------
    scene : Scene
        What is fitted.
    adjustment : Adjustment
        Where it stands.
    amounts : ndarray of shape (m,)
        Light of each emitter that the derivatives are taken of.
    grid : EmissionGrid, optional
        Of other emitters than the scene's, on the same scale; loose templates are left at zero then.
    loose : bool
        False leaves loose templates at zero too.

    Returns
    -------
    columns : ndarray of shape (p, f)
        Derivatives by shift (k), width, Lorentz fraction, asymmetry, light beside the lines, strengths of loose bands,
        temperatures of loose rotation and response nodes; then a constant.
    precision, pull : ndarray of shape (f, f) and (f,)
        The prior acts on the whole adjustment, so it pulls back what was moved before.
    """
    response = response_at(scene, adjustment)
    basis = scene.shift_basis
    given = amounts
    if grid is None:
        grid, amounts = scene.grid, _telling(scene, amounts)
    spread = grid.spread_sum(amounts, (adjustment.shape, *tried(adjustment.shape)))
    light, *changed = (_sums(scene, adjustment) @ spread.light).T
    moved = _edges(scene, adjustment).slope(spread.light[:, 0])
    k, nodes = basis.shape[1], scene.hats.shape[1]
    everything = np.zeros((light.size, loosened(scene).stop + nodes + 1))
    # each shift term moves the edges of a pixel nearly alike: its derivative is the common one, weighted
    np.multiply(basis[1:] + basis[:-1], (0.5 * moved * response)[:, None], out=everything[:, :k])
    for column, other, size in zip(range(k, k + FREEDOMS), changed, STEPS, strict=True):
        everything[:, column] = (other - light) * (response / size)
    if loose and grid is scene.grid:
        for one, where in loose_columns(scene):
            everything[:, where] = _changes(scene, adjustment, one, given)
    np.multiply(scene.hats, (light * response)[:, None], out=everything[:, -1 - nodes : -1])
    everything[:, -1] = 1.0
    return everything, *_prior(scene, adjustment)


def _changes(
    scene: Scene, adjustment: Adjustment, loose: LooseTemplates, amounts: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the change of the light in each pixel for one unit of each loose quantity, shape (p, b)."""
    sums = _seen_sums(scene, adjustment)
    if len(loose) == loose.emitter.size:  # their transforms stay while the shape changes
        return loose.grid.collected(adjustment.shape, sums) * loose.amounts(amounts)
    return np.asarray(sums @ loose.grid.spread_sums(loose.weights(amounts), adjustment.shape).light)


def loose_columns(scene: Scene) -> tuple[tuple[LooseTemplates, slice], ...]:
    """Return what is loose in a scene, and which of the free columns each is."""
    found, first = [], scene.shift_basis.shape[1] + FREEDOMS
    for one in scene.loosened:
        found.append((one, slice(first, first + len(one))))
        first += len(one)
    return tuple(found)


def loosened(scene: Scene) -> slice:
    """Return which of the free columns are loose templates."""
    first = scene.shift_basis.shape[1] + FREEDOMS
    return slice(first, first + sum(len(one) for one in scene.loosened))


def loosened_of(scene: Scene, columns: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return which of the free columns are loose templates of some emitters."""
    own = [where.start + np.flatnonzero(one.of(columns)) for one, where in loose_columns(scene)]
    return np.concatenate([np.zeros(0, dtype=np.intp), *own])


def _prior(scene: Scene, adjustment: Adjustment) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return precision and pull of the free columns, as `free_columns`."""
    precision, weight = _precision(scene.priors, scene.loosened)
    state = np.concatenate(
        [
            adjustment.shift_nm,
            shape_state(adjustment.shape, scene.line_spread),
            *(one.found for one in scene.loosened),
            adjustment.log_response,
        ]
    )
    return precision.copy(), np.append(-state * weight, 0.0)


@lru_cache(maxsize=4)
def _precision(
    priors: Priors, loose: tuple[LooseTemplates, ...]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    shapes = prior_sd(priors.width_log, priors.shape, priors.skirt)
    sd = np.concatenate([priors.shift_nm, shapes, *(one.error for one in loose), priors.log_response])
    precision = np.diag(np.append(1.0 / sd**2, 0.0))
    # a common factor of the response belongs to the amounts: held at one
    common = np.zeros(precision.shape[0])
    common[-1 - priors.log_response.size : -1] = priors.log_response**-2 / np.sum(priors.log_response**-2)
    return precision + HELD * np.outer(common, common), 1.0 / sd**2
