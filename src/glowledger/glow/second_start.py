"""A fit that went astray begins anew: bands without a line among them make the first guess of the line width bad.

Peaks of bands are far wider than a line, ripples of noise narrower. From a guess as wide as the bands a fit may come to
rest where wide lines of anything stand for bands shaded to one side: the axis shifted, atoms in place of molecules. The
line width may then stay as guessed; that it is wrong shows in the light that is left over, which the fit calls an error
of templates or a bend of the response. The sharpest ripples among the many lines of H2 may look narrower than a line.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import TypeVar

import numpy as np

from glowledger.bench.model import LineSpread
from glowledger.glow.fitting import Solution
from glowledger.glow.scene import Scene
from glowledger.glow.starting import narrowed

_LOG = logging.getLogger(__name__)
# Of 395 invented glows of cheap spectrometers 16 have both; 11 of these had gone astray
WIDER = 1.15  # than guessed: where a guess is good, lines are narrower
ASTRAY = 0.06  # error that templates were given; sound fits have 0.03 to 0.05
COARSEST_FWHM_NM = 15.0  # beyond it no band has a shape of its own
WIDEST = 2.3  # as much as a fit lets its lines widen: then they are wider still
NARROWER = (0.35, 0.5, 0.22)  # of the first guess, until a fit is sound
BROADER = (4.0, 2.0, 1.4)  # where many lines of H2, or noise on them, were taken for single ones
CLEARLY_LESS = 0.8  # light left over, beside that of the first fit
MUCH_LEFT = 0.1  # of the line light, beyond noise: of 60 invented glows without H2's many lines five have more

Found = TypeVar("Found")


def left_over(scene: Scene, solution: Solution) -> float:
    """Return the part of the line light that a fit leaves over or has too much, in all pixels used.

    But for the flanks of lines that are cut off: how high those would be they tell badly, in a sound fit too.
    """
    used = scene.used & ~scene.cut
    left = np.abs(scene.data - solution.model)[used].sum()
    return float(left / _line_light(scene, solution))


def beyond_noise(scene: Scene, solution: Solution) -> float:
    """Return `left_over` less what noise alone leaves, E|n| = (2/π)^½ σ in each pixel; 0 where that is all."""
    random = solution.levels.random_variance(solution.model) + scene.stated_variance
    noise = np.sqrt(2.0 / np.pi * random)[scene.used & ~scene.cut].sum()
    return max(left_over(scene, solution) - float(noise / _line_light(scene, solution)), 0.0)


def looks_astray(scene: Scene, solution: Solution) -> bool:
    """Return whether a first fit describes its lines badly, or leaves much light over."""
    return bool(solution.levels.template_error > ASTRAY or beyond_noise(scene, solution) > MUCH_LEFT)


def _line_light(scene: Scene, solution: Solution) -> float:
    light = np.abs(scene.data - solution.model + solution.lines)[scene.used & ~scene.cut]
    return max(float(light.sum()), np.finfo(float).tiny)


def best_start(
    first: tuple[Found, Scene, tuple[Scene, Solution]],
    spread: LineSpread,
    fits: Callable[[LineSpread], tuple[Found, Scene, tuple[Scene, Solution]]],
    *,
    everything: bool = True,
) -> tuple[Found, Scene, tuple[Scene, Solution]]:
    """Return the best of a fit and of those from other guesses of the line width, where it looks as if gone astray.

    Parameters
    ----------
    first : tuple
        How it was fitted, the scene of all pixels, and the fit.
    spread : LineSpread
        The guess it began with.
    fits : callable
        The same from another guess; it may end at once where lines widen beyond `WIDEST`.
    everything : bool
        All species were looked for: light left over is then no one's who was not asked for.
    """
    parts = _other_widths(*first[2], float(spread.fwhm_nm[0]), everything)
    best, bad = first, first[2][1].levels.template_error > ASTRAY
    bounded = first[2][1].adjustment.shape.width > WIDEST
    least = CLEARLY_LESS * left_over(*first[2])
    for part in parts:
        found, width = _fit_from(part, spread, fits)
        while part > 1.0 and WIDEST < width < COARSEST_FWHM_NM / (part * float(spread.fwhm_nm[0])):  # wider still
            part *= width
            found, width = _fit_from(part, spread, fits)
        if width > WIDEST:  # back to lines as wide as they were
            continue
        left, sound = left_over(*found[2]), found[2][1].levels.template_error <= ASTRAY
        most = least / CLEARLY_LESS if sound and bad else least
        if bounded and part > 1.0:  # the first fit has no width of its own, and noise leaves as much over as that one
            most = left_over(*first[2]) / CLEARLY_LESS
        if left < most:
            best, least = found, left
            if sound:
                break
    return best


def _fit_from(
    part: float, spread: LineSpread, fits: Callable[[LineSpread], tuple[Found, Scene, tuple[Scene, Solution]]]
) -> tuple[tuple[Found, Scene, tuple[Scene, Solution]], float]:
    """Return a fit from a part of the first guess of the line width, and how many times as wide lines became."""
    _LOG.info("the fit may have gone astray: fitted again from %.2g times the line width guessed", part)
    found = fits(narrowed(spread, part))
    return found, found[2][1].adjustment.shape.width


def _other_widths(scene: Scene, solution: Solution, guess_nm: float, everything: bool) -> tuple[float, ...]:
    """Return the parts of the first guess of the line width from which a fit is worth another try."""
    width, bad = solution.adjustment.shape.width, solution.levels.template_error > ASTRAY
    if width * guess_nm > COARSEST_FWHM_NM:
        return ()  # smooth light, of which ripples of noise only are narrow
    if scene.many_lines.any():  # what is left over has its reason, but not how badly listed lines fit
        return BROADER if bad else ()
    parts: tuple[float, ...] = (width,) if width > WIDEST else ()
    if (width > WIDER and bad) or (everything and beyond_noise(scene, solution) > MUCH_LEFT):
        parts += NARROWER
    pixel = scene.pixel_nm / scene.summed_pixels  # narrower than that no line can be told
    return tuple(part for part in parts if part * guess_nm > pixel)
