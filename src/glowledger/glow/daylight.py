"""Daylight has dark lines, the sun's and those of the air: what stands between them looks like lines of a glow."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from glowledger.glow.fitting import Solution
from glowledger.glow.scene import Scene

O2_B_NM, O2_A_NM = 687.2, 760.6
# Fraunhofer's K, H, G, F, b, E, D, C, and O2's B and A in the air: places from memory, as every textbook has them.
DARK_NM = np.array([393.4, 396.8, 430.8, 486.1, 517.6, 527.0, 589.3, 656.3, O2_B_NM, O2_A_NM])
BROAD_NM = 2.0  # of the broader ones; a finer spectrometer does not make them narrower
FLANKS = (1.2, 2.4)  # widths to either side, between which the light beside a dark line is taken
DEPTH, DEPTH_SIGMA = 0.003, 4.0  # of the light beside, and in standard deviations of noise
FEWEST, MOST_OF_THEM = 4, 0.8


@lru_cache(maxsize=2)
def daylight(scene: Scene, solution: Solution) -> bool:
    """Return whether the dark lines of daylight are seen: most of those that fall on light, and four at least.

    Light that is for the most part that of lines and bands is not daylight's: they have gaps as well. And however high
    the sun stands, the A band of O2 takes two to three times as much as the B band (equivalent widths, from memory).
    """
    nm, light = scene.axis_nm, scene.data - darkest(scene, solution)
    smooth = solution.model - solution.lines - darkest(scene, solution)
    noise = solution.levels.random_variance(solution.model) + scene.stated_variance
    bright = 0.1 * float(np.quantile(light[scene.used], 0.9))
    asked = seen = 0
    of_air: dict[float, float] = {}
    for place in DARK_NM:
        at = place - solution.shift_at(scene, int(np.argmin(np.abs(nm - place))))
        width = float(np.hypot(scene.line_spread.fwhm(at), BROAD_NM))
        inner = scene.used & (np.abs(nm - at) < 0.5 * width)
        left, right = (
            scene.used & (side * (nm - at) > FLANKS[0] * width) & (side * (nm - at) < FLANKS[1] * width)
            for side in (-1, 1)
        )
        if min(inner.sum(), left.sum(), right.sum()) < 1:
            continue
        beside = 0.5 * float(light[left].mean() + light[right].mean())
        if beside < bright or float(smooth[left].mean() + smooth[right].mean()) < beside:
            continue
        parts = ((inner, 1.0), (left, 0.5), (right, 0.5))
        variance = sum(float(noise[one].sum()) * (part / int(one.sum())) ** 2 for one, part in parts)
        depth = beside - float(light[inner].mean())
        asked += 1
        of_air[place] = depth / beside
        seen += depth > max(DEPTH * beside, DEPTH_SIGMA * float(np.sqrt(variance)))
    if of_air.get(O2_A_NM, 1.0) < of_air.get(O2_B_NM, 0.0):
        return False
    return asked >= FEWEST and seen >= MOST_OF_THEM * asked


def darkest(scene: Scene, solution: Solution) -> float:
    """Return the lowest level of the smooth light, which may be that of the dark."""
    return float((solution.model - solution.lines)[scene.used].min())
