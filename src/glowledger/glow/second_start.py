"""A fit that went astray begins anew: bands without a line among them make the first guess of the line width bad.

Peaks of bands are far wider than a line, ripples of noise narrower. From a guess as wide as the bands a fit may come to
rest where wide lines of anything stand for bands shaded to one side: the axis shifted, atoms in place of molecules.
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
NARROWER = (0.35, 0.5)  # of the first guess, until a fit is sound
CLEARLY_LESS = 0.8  # light left over, beside that of the first fit

Found = TypeVar("Found")


def left_over(scene: Scene, solution: Solution) -> float:
    """Return the part of the line light that a fit leaves over or has too much, in all pixels used."""
    left = np.abs(scene.data - solution.model)[scene.used].sum()
    lines = np.abs(scene.data - solution.model + solution.lines)[scene.used].sum()
    return float(left / max(lines, np.finfo(float).tiny))


def best_start(
    first: tuple[Found, Scene, tuple[Scene, Solution]],
    spread: LineSpread,
    fits: Callable[[LineSpread], tuple[Found, Scene, tuple[Scene, Solution]]],
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
    """
    scene, solution = first[2]
    width = solution.adjustment.shape.width
    parts: tuple[float, ...] = (width,) if width > WIDEST else ()
    if width > WIDER and solution.levels.template_error > ASTRAY:
        parts += NARROWER
    if width * float(spread.fwhm_nm[0]) > COARSEST_FWHM_NM:
        parts = ()  # smooth light, of which ripples of noise only are narrow
    if scene.many_lines.any():
        parts = ()  # what is left over has its reason
    pixel = scene.pixel_nm / scene.summed_pixels  # narrower than that no line can be told
    parts = tuple(part for part in parts if part * float(spread.fwhm_nm[0]) > pixel)
    best, least = first, CLEARLY_LESS * left_over(*first[2])
    for part in parts:
        _LOG.info("lines look wider than any peak: fitted again from %.2g times the width", part)
        found = fits(narrowed(spread, part))
        if found[2][1].adjustment.shape.width > WIDEST:  # back to lines as wide as they were
            continue
        left = left_over(*found[2])
        if left < least:
            best, least = found, left
            if found[2][1].levels.template_error <= ASTRAY:
                break
    return best
