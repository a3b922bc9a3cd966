"""Where light could be seen at all: range, window, saturation, and the edges of what is lit."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.model import Bench
from glowledger.glow.emitters import Emitter
from glowledger.glow.fitting import Solution
from glowledger.glow.noise_levels import NoiseLevels
from glowledger.glow.response_guess import LEAST_RESPONSE, bends, hats, window_transmission
from glowledger.glow.scene import Scene

BLOCKED_BELOW = 0.05  # transmission of the window, two standard errors above: less is blocked
LEAST_VISIBLE = 0.03  # of the typical light of a species must be measured to say anything
EDGE_SMOOTH_NM = 6.0
EDGE_SIGMA = 6.0
QUIET_PART, QUIET_OF_NORMAL = 0.2, 0.2533471031357997  # a quantile of |x|, and of that of a normal distribution
STRAY_PART = 0.003  # of the brightest light: less may be its stray light
AROUND_NM = 40.0  # much more than a line, or one band with its tail
UNLIT_NM, UNLIT_RED_NM = 15.0, 40.0  # at an end: less may be chance, or too little to hide much
# ln of the response there over the usual one, and how far it may go: from as usual to less than a thousandth
UNLIT_LOG, UNLIT_RED_LOG, UNLIT_LOG_SD = -4.0, -6.0, 3.0
EDGE_FALL_NM = 5.0  # to 1/e past the edge of acrylic, or of the filter in a camera (common practice, no source)
# where the response behind a filter may bend before the last light seen: from half to a hundredth a camera's falls
# within some 40 nm (common practice, no source)
EDGE_NODES_NM, EDGE_APART_NM, EDGE_LOG_SD = (40.0, 20.0, 0.0), 8.0, 2.0
CHEAP_RANGE_NM = (190.0, 1100.0)  # what silicon could ever see


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Visibility:
    """Which pixels could show light.

    Attributes
    ----------
    open : ndarray of bool, shape (p,)
        Used, not blocked by the window, not beyond the lit edge.
    lit_from_nm, lit_to_nm : float
        Outermost wavelengths at which any lines or bands are seen.
    blocked_by_window : ndarray of bool, shape (p,)
        The stated window stops it.
    window_stated : bool
        True if a window material or a measured response tells what is blocked.
    """

    open: NDArray[np.bool_]
    lit_from_nm: float
    lit_to_nm: float
    blocked_by_window: NDArray[np.bool_]
    window_stated: bool


def visibility(scene: Scene, solution: Solution, bench: Bench | None) -> Visibility:
    """Return which pixels could show light.

    Parameters
    ----------
    scene, solution : Scene, Solution
        The fit.
    bench : Bench or None
        Window and response, if known.

    Returns
    -------
    Visibility
        Without a stated window nothing is claimed of wavelengths bluer than the bluest light seen; nor of redder
        ones where the fit took the red end for cut off.
    """
    value, error = window_transmission(scene.axis_nm, bench)
    blocked = value + 2 * error < BLOCKED_BELOW
    window_stated = bench is not None and bench.window.material != "unknown"
    # a response measured through the window tells what it passes, within its range; one of a bare lamp does not
    through = bench is not None and bench.response is not None and bench.response.includes_window
    if bench is not None and bench.response is not None:
        low, high = bench.response.usable_nm
        blocked = blocked | ((scene.axis_nm < low) | (scene.axis_nm > high)) & (
            bench.response.at(scene.axis_nm) < 0.01
        )
    lit = _lit(scene, solution.levels)
    first = float(scene.axis_nm[lit[0]]) if lit.size else float(scene.axis_nm[-1])
    last = float(scene.axis_nm[lit[-1]]) if lit.size else float(scene.axis_nm[0])
    opened = scene.used & ~blocked
    told_from = first - EDGE_SMOOTH_NM
    if through and bench is not None and bench.response is not None:
        told_from = min(told_from, bench.response.usable_nm[0])
    if not window_stated:
        opened = opened & (scene.axis_nm >= told_from) & (scene.axis_nm <= scene.cut_above_nm + EDGE_SMOOTH_NM)
    stated = window_stated or (through and told_from <= scene.axis_nm[0] + EDGE_SMOOTH_NM)
    return Visibility(
        open=opened, lit_from_nm=first, lit_to_nm=last, blocked_by_window=blocked, window_stated=stated
    )


def unlit(scene: Scene, seen: Visibility) -> float:
    """Return the wavelength below which nothing at all is seen although no window explains it, nm; 0 if all is lit."""
    dark = not seen.window_stated and seen.lit_from_nm > scene.axis_nm[0] + UNLIT_NM
    return seen.lit_from_nm if dark else 0.0


def said_dark(scene: Scene, seen: Visibility) -> str:
    """Return in words beyond which wavelengths nothing at all is seen although nothing stated explains it, or ''."""
    below, above = unlit(scene, seen), scene.cut_above_nm
    ends = [f"below {below:.0f} nm"] * (below > 0) + [f"above {above:.0f} nm"] * bool(np.isfinite(above))
    return " or ".join(ends)


def unlit_above(scene: Scene, bench: Bench | None) -> float:
    """Return the wavelength above which nothing at all is seen, before anything is fitted; infinite where none is.

    Parameters
    ----------
    scene : Scene
        Its noise as first told.
    bench : Bench or None
        Window and response, if known: they say what could be seen.

    Returns
    -------
    float
        Infinite too where the bench tells, or where nothing is seen anywhere.
    """
    lit = _plainly_lit(scene)
    known = bench is not None and (bench.response is not None or bench.window.material != "unknown")
    if known or lit.size == 0:
        return np.inf
    last = float(scene.axis_nm[lit[-1]])
    return last if last < scene.axis_nm[-1] - UNLIT_RED_NM else np.inf


def passing_between(scene: Scene, below_nm: float, above_nm: float = np.inf) -> Scene:
    """Return a scene in which something that nobody stated may stop all light beyond two wavelengths.

    A window stops the ultraviolet, the filter in a camera the infrared. That nothing is seen there must not speak
    against a species, whose lines there may be a hundred times as bright as those that pass. Little is expected,
    falling off as past the edge of a plastic, but the response may be as usual if faint light asks for it.

    Parameters
    ----------
    scene : Scene
        As built.
    below_nm, above_nm : float
        From `unlit` and `unlit_above`; 0 and infinity change nothing.
    """
    if below_nm <= 0 and np.isinf(above_nm):
        return scene
    scene = _bending_before(scene, above_nm)
    below = np.clip((scene.axis_nm - below_nm) / EDGE_FALL_NM, UNLIT_LOG, 0.0) if below_nm > 0 else 0.0
    above = np.clip((above_nm - EDGE_NODES_NM[1] - scene.axis_nm) / EDGE_FALL_NM, UNLIT_RED_LOG, 0.0)
    passed = np.exp(np.minimum(below, above))
    nodes = scene.axis_nm[np.argmax(scene.hats, axis=0)]  # where each correction is largest
    outside = (nodes < below_nm - EDGE_SMOOTH_NM) | (nodes > above_nm + EDGE_SMOOTH_NM)
    log_sd = np.where(outside, UNLIT_LOG_SD, scene.priors.log_response)
    expected = np.maximum(scene.expected * passed, LEAST_RESPONSE)
    priors = replace(scene.priors, log_response=log_sd)
    return replace(scene, expected=expected, priors=priors, cut_above_nm=above_nm)


def _bending_before(scene: Scene, above_nm: float) -> Scene:
    """Return a scene whose response may begin to fall before the last light that is seen behind a filter.

    That is light of lines that shone so brightly as to be seen where the filter passes a hundredth. Were it taken for
    all there is of them, a gas would seem too faint for the lines that are passed.
    """
    if np.isinf(above_nm):
        return scene
    edge = above_nm - np.array(EDGE_NODES_NM)
    kept = np.min(np.abs(scene.nodes_nm[:, None] - edge), axis=1) > EDGE_APART_NM
    nodes = np.concatenate([scene.nodes_nm[kept], edge])
    order = np.argsort(nodes)
    falling = (nodes > above_nm - EDGE_NODES_NM[0] + EDGE_SMOOTH_NM) & (nodes <= above_nm + EDGE_SMOOTH_NM)
    log_sd = np.where(falling, EDGE_LOG_SD, np.interp(nodes, scene.nodes_nm, scene.priors.log_response))
    nodes, log_sd = nodes[order], log_sd[order]
    priors = replace(scene.priors, log_response=log_sd)
    axis = scene.axis_nm
    return replace(scene, nodes_nm=nodes, hats=hats(axis, nodes), bends=bends(axis, nodes), priors=priors)


def _lit(scene: Scene, levels: NoiseLevels) -> NDArray[np.intp]:
    """Return the pixels around which lines or bands stand out of what lies around them.

    Smooth light proves no open window, as it may be stray light; nor do fitted patterns, as many faint ones together
    make up a level in the dark.
    """
    total, least = _standing_out(scene, levels)
    return np.flatnonzero(total > least)


def _plainly_lit(scene: Scene) -> NDArray[np.intp]:
    """Return the same before anything is fitted, when it is not known yet whether pixels share their noise.

    Noise then goes by the quieter part of the spectrum as well, and what might be stray light does not count.
    """
    total, least = _standing_out(scene, scene.first)
    quiet = float(np.quantile(np.abs(total), QUIET_PART)) / QUIET_OF_NORMAL
    return np.flatnonzero(total > np.maximum(np.maximum(least, EDGE_SIGMA * quiet), STRAY_PART * total.max()))


def _standing_out(scene: Scene, levels: NoiseLevels) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the light over a few nanometres above what lies around, and how much of it noise may make, shape (p,)."""
    from scipy.ndimage import median_filter

    step = scene.pixel_nm
    width = max(1, round(EDGE_SMOOTH_NM / step))
    data = np.where(scene.used, scene.data, np.interp(scene.axis_nm, scene.axis_nm[scene.used], scene.data[scene.used]))
    around = median_filter(data, size=max(3, round(AROUND_NM / step)), mode="nearest")
    light = np.where(scene.used, data - around, 0.0)
    above_dark = np.maximum(data - float(np.min(around)), 0.0)
    variance = np.where(scene.used, levels.read_variance + levels.gain * above_dark, 0.0)
    kernel = np.ones(width)
    total = np.convolve(light, kernel, mode="same")[: data.size]
    noise = np.sqrt(np.convolve(variance, kernel, mode="same"))[: data.size]
    # the level around is uncertain itself: a residue of it must not count as light
    level_error = width * np.sqrt(levels.read_variance) * 0.3
    return total, EDGE_SIGMA * np.maximum(noise, np.finfo(float).tiny) + 3 * level_error


def visible_part(emitters: tuple[Emitter, ...], scene: Scene, seen: Visibility) -> float:
    """Return the part of a species' typical light that open pixels measure.

    Parameters
    ----------
    emitters : tuple of Emitter
        Of the species; may be empty.
    scene : Scene
        Its axis.
    seen : Visibility
        Open pixels.

    Returns
    -------
    float
        0 to 1, against all its light that silicon could see.
    """
    nm, below, total = _cumulative(emitters)
    if total <= 0:
        return 0.0
    in_pixel = np.diff(below[np.searchsorted(nm, scene.edges_nm)])
    return float(in_pixel[seen.open].sum()) / total


@lru_cache(maxsize=256)
def _cumulative(emitters: tuple[Emitter, ...]) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Return the wavelengths of all lines in order, the light of those before each, and all that silicon sees."""
    if not emitters:
        return np.zeros(0), np.zeros(1), 0.0
    nm = np.concatenate([e.wavelength_nm for e in emitters])
    light = np.concatenate([e.rate * e.weight for e in emitters])
    order = np.argsort(nm)
    nm, light = nm[order], light[order]
    low, high = np.searchsorted(nm, CHEAP_RANGE_NM)
    return nm, np.concatenate([[0.0], np.cumsum(light)]), float(light[low:high].sum())
