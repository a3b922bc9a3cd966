"""A filter that nobody stated, as cameras have, may stop the infrared: fits with and without it are compared."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from glowledger.bench.model import Bench
from glowledger.glow.band_emitters import rough_positions
from glowledger.glow.fitting import Solution
from glowledger.glow.instrument import MANY_LINED
from glowledger.glow.results import Fit
from glowledger.glow.scene import Scene
from glowledger.glow.second_start import looks_astray
from glowledger.glow.start_search import clearly_better
from glowledger.glow.visibility import passing_between, unlit_above
from glowledger.tables.species import ListedSpecies

DOUBTED_SIGMA = 10.0  # as many standard deviations of a species that cannot be told to be there are another's light


def filter_found(
    scene: Scene, bench: Bench | None, fit: Callable[[Scene], tuple[Scene, Solution]]
) -> tuple[tuple[Scene, Solution], float]:
    """Fit a scene, and as behind a filter where that goes astray; return the better fit, and where light ends in it."""
    plain = fit(scene)
    above_nm = unlit_above(scene, bench) if looks_astray(*plain) else np.inf
    if np.isfinite(above_nm) and clearly_better(filtered := fit(passing_between(scene, 0.0, above_nm)), plain):
        return filtered, above_nm
    return plain, np.inf


def filter_overlooked(scene: Scene, fit: Fit, listed: tuple[ListedSpecies, ...], bench: Bench | None) -> float:
    """Return the wavelength above which a filter may stop all light in a fit that was made without one.

    Parameters
    ----------
    scene : Scene
        Of all pixels, as fitted.
    fit : Fit
        What was answered.
    listed : tuple of ListedSpecies
        Those asked for.
    bench : Bench or None
        Window and response, if known.

    Returns
    -------
    float
        nm; infinite where a filter is allowed for, where light reaches the red end, or where nothing is doubtful. Where
        a gas may not have the light that is seen of it, because brighter lines of it would be missing, others have that
        light, which do not suit it as a whole; hydrogen's many lines may suit anything. Those of which rough positions
        only are known are always in doubt.
    """
    rough = {one.name for one in listed if rough_positions(one)}
    doubted = any(
        (one.verdict == "possible" and one.significance > DOUBTED_SIGMA and one.name not in rough)
        or (one.verdict == "present" and one.name == MANY_LINED)
        for one in fit.species
    )  # fmt: skip
    if not doubted or np.isfinite(scene.cut_above_nm):
        return np.inf
    return unlit_above(scene, bench)
