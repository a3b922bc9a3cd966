"""The many-line spectrum of H2: too many lines for the tables, so their light counts as noise of known size.

From 420 to 860 nm hydrogen shows thousands of lines (G. H. Dieke's tables, 1972, from memory), of which the tables
here hold the most prominent. Fitted without allowance for the others, lines come out too wide, the axis goes astray
and faint species take what is left over.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.fitting import Solution
from glowledger.glow.instrument import MANY_LINED
from glowledger.glow.likelihood import drop_species, more_significant
from glowledger.glow.scene import Scene
from glowledger.glow.species_light import species_light

RANGE_NM = (415.0, 865.0)
WINDOW_NM = 25.0  # over which the strength of the lines is taken as constant
BALMER_NM = (410.17, 434.05, 486.13, 656.28)  # NIST ASD
BESIDE_WIDTHS, BESIDE_NM = 4.0, 3.0  # around these nothing is learnt
ATOM_SIGMA, MOLECULE_SIGMA = 4.0, 3.0  # of the first fit, which fails where the lines are many
FAILING = 0.25  # of the templates: so large an error of a first fit is no error of lines that are listed
MUCH = 0.3  # of the line light is hydrogen's: else its many lines are too faint to matter
LEAST_POINTS = 10
ONE_SD = (0.16, 0.84)  # quantiles
BLENDED_SD = 0.05  # of ln width and of shape, where no line stands alone


def among_many_lines(scene: Scene, variance: NDArray[np.float64]) -> Scene:
    """Return a scene with the variance of lines that stand in no table, shape (p,); itself where there are none.

    Such lines blend with those that are listed and make them look wider and skewed. The width that the sharpest peaks
    showed then holds, and lines are assumed to be as they were.
    """
    if not variance.any():
        return scene
    priors = scene.priors
    held = replace(priors, width_log=min(priors.width_log, BLENDED_SD), shape=min(priors.shape, BLENDED_SD))
    return replace(scene, many_lines=variance, priors=held)


def many_lines_variance(scene: Scene, solution: Solution) -> NDArray[np.float64]:
    """Return the variance of light that untabled lines of H2 cause, per pixel.

    Parameters
    ----------
    scene, solution : Scene, Solution
        The first fit.

    Returns
    -------
    ndarray of shape (p,)
        counts²: the square of half the distance of the 16 and 84 % quantiles around each place, Balmer lines left
        out; zero where hydrogen does not make much of the light.
    """
    return spread_of_lines(scene) if _much_hydrogen(scene, solution) else np.zeros(scene.data.size)


def spread_of_lines(scene: Scene) -> NDArray[np.float64]:
    """Return the same of a spectrum that is taken to be hydrogen's, whatever was fitted to it, shape (p,)."""
    out, nm = np.zeros(scene.data.size), scene.axis_nm
    inside = (nm > RANGE_NM[0]) & (nm < RANGE_NM[1])
    beside = max(BESIDE_WIDTHS * float(scene.line_spread.fwhm(float(np.median(nm)))), BESIDE_NM)
    free = inside & scene.used & np.all(np.abs(nm[:, None] - np.array(BALMER_NM)) > beside, axis=1)
    centres, squares = [], []
    for centre in np.arange(RANGE_NM[0], RANGE_NM[1] + 1, WINDOW_NM / 2):
        near = free & (np.abs(nm - centre) < WINDOW_NM / 2)
        if near.sum() >= LEAST_POINTS:
            low, high = np.quantile(scene.data[near], ONE_SD)
            centres.append(centre)
            squares.append((0.5 * (high - low)) ** 2)
    if centres:
        out[inside] = np.interp(nm[inside], centres, squares)
    return out


def _much_hydrogen(scene: Scene, solution: Solution) -> bool:
    """Return True if atoms and molecules of hydrogen are seen, or nothing fits, and they give much of the light."""
    atom, molecule = scene.columns_of("H I"), scene.columns_of(MANY_LINED)
    if atom.size == 0 or molecule.size == 0:
        return False
    light = species_light(scene, solution, np.concatenate([atom, molecule]))
    share = float(light[scene.used].sum()) / max(float(solution.lines[scene.used].sum()), np.finfo(float).tiny)
    if share <= MUCH:
        return False
    # not by the quick answer: where a species makes most of the light, errors of its own hold it back
    if not _lost(scene, BALMER_NM[-1]) and drop_species(scene, solution, atom).significance <= ATOM_SIGMA:
        return False
    # where the fit fails, bands of something else that is not there may have the light of the molecule's lines
    failing = solution.levels.template_error > FAILING and bool(np.any(solution.x[molecule] > 0))
    return failing or drop_species(scene, solution, molecule).significance > MOLECULE_SIGMA


def fails_badly(scene: Scene, solution: Solution) -> bool:
    """Return True if a first fit fails so badly that hydrogen's many lines may have led it astray.

    Where the molecule outshines the atom, the few lines of it that are listed are fitted with anything, on an axis that
    is moved to suit them, and no Balmer line is where it is looked for.

    Parameters
    ----------
    scene, solution : Scene, Solution
        The first fit.
    """
    asked = scene.columns_of("H I").size > 0 and scene.columns_of(MANY_LINED).size > 0
    return asked and solution.levels.template_error > FAILING


def shows_hydrogen(scene: Scene, solution: Solution) -> bool:
    """Return True if a fit that allows for the many lines is sound and shows little but hydrogen.

    Parameters
    ----------
    scene, solution : Scene, Solution
        The fit, with `spread_of_lines` allowed for.

    Returns
    -------
    bool
        Atom and molecule are seen, and much of the light of all that is seen is theirs: what is not seen has some of
        the light of lines that stand in no table.
    """
    if solution.levels.template_error > FAILING:
        return False
    light = seen = 0.0
    for name in scene.species_of_emitters()[0]:
        columns, least = scene.columns_of(name), {"H I": ATOM_SIGMA, MANY_LINED: MOLECULE_SIGMA}.get(name)
        here = float(species_light(scene, solution, columns)[scene.used].sum())
        if least is not None and drop_species(scene, solution, columns).significance <= least:
            return False
        if least is not None or more_significant(scene, solution, columns, MOLECULE_SIGMA):
            seen += here
            light += here if least is not None else 0.0
    return light > MUCH * seen


def _lost(scene: Scene, nm: float) -> bool:
    """Return True if the pixels of a line were left out, at the ceiling as a rule: then it cannot show itself."""
    half = 0.5 * float(scene.line_spread.fwhm(nm))
    here = np.abs(scene.axis_nm - nm) < max(half, scene.pixel_nm)
    return bool(here.any() and not scene.used[here].all())
