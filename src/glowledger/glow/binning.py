"""Neighbouring pixels summed: as many as a line needs, where the spectrometer has more."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.scene import Scene

ENOUGH_PIXELS = 1.8  # to a line width: of an amount's certainty 4 % are lost, of a place's 9 (Fisher information)
START_PIXELS = 1.3  # enough to tell where lines stand and how wide they are
LEAST_PIXELS = 400  # of a spectrum, to tell noise from
LAST_PIXELS = 1000  # where verdicts depend on it


def enough_pixels(scene: Scene, width: float = 1.0) -> int:
    """Return how many neighbouring pixels may be summed.

    Parameters
    ----------
    scene : Scene
        Not yet binned.
    width : float
        Line width over that of the scene.
    """
    if scene.many_lines.any():  # among lines in no table those that are listed are told by their shapes alone
        return 1
    by_line = int(scene.pixels_per_line * width / ENOUGH_PIXELS)
    return max(1, min(by_line, scene.data.size // LEAST_PIXELS))


def last_pixels(scene: Scene, many: int) -> int:
    """Return how many pixels of a scene, not yet binned, may be summed for the last fit, at most `many`."""
    return max(1, min(many, scene.data.size // LAST_PIXELS))


def binned(scene: Scene, width_nm: float) -> Scene:
    """Return a scene with as many pixels summed as leave a line, of a FWHM in nm, `START_PIXELS` wide."""
    return summed_pixels(scene, int(width_nm / (START_PIXELS * scene.pixel_nm)))


def summed_pixels(scene: Scene, many: int) -> Scene:
    """Return a scene with so many neighbouring pixels summed; those left over at the end are dropped.

    Parameters
    ----------
    scene : Scene
        With p pixels.
    many : int
        Pixels in a sum; with 1 the scene stays as it is.
    """
    if many < 2:
        return scene
    first = np.arange(0, scene.axis_nm.size - many + 1, many)
    end = int(first[-1]) + many

    def summed(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.add.reduceat(values[:end], first, axis=0)

    axis = summed(scene.axis_nm) / many
    return replace(
        scene,
        axis_nm=axis,
        pixel_nm=float(np.median(np.diff(axis))),
        width_px=scene.line_spread.fwhm(axis) / np.gradient(axis),
        edges_nm=scene.edges_nm[np.append(first, end)],
        data=summed(scene.data),
        used=np.logical_and.reduceat(scene.used[:end], first),
        cut=np.logical_or.reduceat(scene.cut[:end], first),
        background=summed(scene.background) / many,
        expected=summed(scene.expected) / many,
        hats=summed(scene.hats) / many,
        bends=summed(scene.bends) / many,
        shift_basis=scene.shift_basis[np.append(first, end)],
        stated_variance=summed(scene.stated_variance),
        many_lines=many * summed(scene.many_lines),  # alike over the pixels of a line
        first=replace(scene.first, read_variance=many * scene.first.read_variance),
        summed_pixels=many * scene.summed_pixels,
    )
