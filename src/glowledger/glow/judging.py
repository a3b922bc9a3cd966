"""All species before the judge: gather the evidence on each, then decide together."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.band_emitters import is_line_list, rough_positions, rough_ranges
from glowledger.glow.case import Case
from glowledger.glow.choosing import chosen_emitters
from glowledger.glow.coincidence import chance
from glowledger.glow.emitters import Emitter
from glowledger.glow.features import feature_tests
from glowledger.glow.fitting import Solution
from glowledger.glow.instrument import MANY_LINED
from glowledger.glow.likelihood import (
    Drop,
    drop_species,
    failed,
    quick_significance,
    unexplained_light,
    unexplained_part,
)
from glowledger.glow.reach import reach_of
from glowledger.glow.results import SpeciesEvidence, Temperature
from glowledger.glow.rotation import log_doubt
from glowledger.glow.scene import Scene
from glowledger.glow.shape_match import left_light
from glowledger.glow.significance import POSSIBLE_SIGMA
from glowledger.glow.species_light import species_light, typical_light, usual_light
from glowledger.glow.verdicts import OUT_OF_RANGE, PARTS, PRESENT_SIGMA, entangled, judge_all
from glowledger.glow.visibility import LEAST_VISIBLE, Visibility, said_dark, visible_part
from glowledger.tables.species import ListedSpecies

BRIGHT_PLACES = 0.3  # of the brightest pixel of a typical pattern: there a species would be looked for
MANY_LINES_NM = (410.0, 860.0)  # the many-line spectrum of H2 (Dieke; from memory)
# what some of its unlisted lines within a line width may have: of its light found, and of the light of H I, which
# in a tube is about as much as that of all the molecule's lines (assumptions)
MANY_LINES_PART, MANY_LINES_TO_ATOM = 0.05, 0.01
MURKY_PART = 0.5  # of the light of a roughly known species: what one of its unlisted bands may have


def evidence_of(
    scene: Scene,
    solution: Solution,
    listed: tuple[ListedSpecies, ...],
    seen: Visibility,
    temperatures: tuple[Temperature, ...] = (),
) -> tuple[SpeciesEvidence, ...]:
    """Judge every species.

    Parameters
    ----------
    scene, solution : Scene, Solution
        The final fit.
    listed : tuple of ListedSpecies
        Those asked for.
    seen : Visibility
        Which pixels could show light.
    temperatures : tuple of Temperature
        What the bands told of theirs.

    Returns
    -------
    tuple of SpeciesEvidence
        Most significant first.
    """
    columns_of = {s.name: c for s in listed if (c := scene.columns_of(s.name)).size}
    light = {name: species_light(scene, solution, columns) for name, columns in columns_of.items()}
    possible_light = {
        name: np.maximum(light[name], usual_light(scene, solution, columns))
        for name, columns in columns_of.items()
    }
    total = float(sum(one[scene.used].sum() for one in light.values()))
    strange, anywhere = unexplained_light(scene, solution), unexplained_part(scene, solution)
    left = left_light(scene, solution)
    drops = {name: drop_species(scene, solution, columns) for name, columns in columns_of.items()}
    murky = _murky(scene, solution, listed, light, drops)
    lit = replace(seen, open=scene.used & ~seen.blocked_by_window)
    wide = solution.fwhm_at(scene, scene.axis_nm.size // 2)
    cases = []
    for one in listed:
        columns = scene.columns_of(one.name)
        whole = _whole_species(one)
        part, could = visible_part(whole, scene, seen), visible_part(whole, scene, lit)
        blocked = _why_blocked(part, could, seen, scene)
        if columns.size == 0:
            cases.append(_unmeasured(one.name, part, blocked))
            continue
        doubt = log_doubt(one.name, temperatures) if one.molecular else 0.0
        drop, reach = drops[one.name], reach_of(scene, solution, columns, doubt)
        others = {name: other for name, other in possible_light.items() if name != one.name}
        tests = []
        if drop.levels and (drop.significance >= POSSIBLE_SIGMA or entangled(reach)):  # else nobody asks
            hidden = np.sum([np.zeros(strange.size), *(m for name, m in murky.items() if name != one.name)], axis=0)
            tests = feature_tests(scene, solution, columns, drop, others, hidden)
        accident = chance(scene, solution, tests, light[one.name]) if tests else 1.0
        share = float(light[one.name][scene.used].sum()) / total if total > 0 else 0.0
        cases.append(
            Case(
                name=one.name, visible=part, blocked=blocked, drop=drop, tests=tests, share=share,
                reach=reach, total_counts=total, positions_uncertain=rough_positions(one),
                fit_failed=failed(solution), unexplained_anywhere=anywhere, chance=accident,
                unexplained=_could_hide(scene, solution, columns, strange) / max(total, 1e-300),
                left=_could_hide(scene, solution, columns, left) / max(total, 1e-300),
                pixels_per_line=scene.pixels_per_line, fwhm_nm=wide,
                blended=one.name == MANY_LINED and bool(scene.many_lines.any()),
            )
        )  # fmt: skip
    return tuple(sorted(judge_all(cases), key=lambda e: -e.significance))


def _could_hide(
    scene: Scene, solution: Solution, columns: NDArray[np.intp], strange: NDArray[np.float64]
) -> float:
    """Return the counts of a species that the unexplained light at its places could hide."""
    typical = np.where(scene.used, typical_light(scene, solution, columns), 0.0)
    here = typical > BRIGHT_PLACES
    inside = float(typical[here].sum())
    return float(strange[here].sum()) * float(typical.sum()) / inside if inside > 0 else 0.0


def _murky(
    scene: Scene, solution: Solution, listed: tuple[ListedSpecies, ...], light: dict[str, NDArray[np.float64]],
    drops: dict[str, Drop],
) -> dict[str, NDArray[np.float64]]:
    """Return, per roughly known species, the counts that its unlisted bands or lines may have, shape (p,).

    Where a molecule known by a few heads glows (CO2+, He2), it has other bands near them as strong as those, and H2 has
    hundreds of lines beside the prominent ones. Whether it glows is asked without its own template errors: by half of
    its light, which such heads may err by, each of a few holds itself back to two standard deviations.
    """
    unlisted = {}
    for one in listed:
        counts = np.zeros(scene.axis_nm.size)
        many = one.molecular and any(is_line_list(name) for name in one.systems)
        if one.name not in light or not (many or rough_positions(one)):
            continue
        found = drops[one.name].significance
        part = scene.columns_of(PARTS.get(one.name, ""))
        without_part = part.size > 0 and quick_significance(scene, solution, part) < POSSIBLE_SIGMA
        if found < (POSSIBLE_SIGMA if many else PRESENT_SIGMA) or without_part:
            continue
        hidden, ranges = MURKY_PART * float(light[one.name][scene.used].sum()), rough_ranges(one)
        if many:
            atom = light.get(PARTS.get(one.name, ""), np.zeros(counts.size))
            hidden, ranges = hidden * MANY_LINES_PART / MURKY_PART, (MANY_LINES_NM,)
            hidden = max(hidden, MANY_LINES_TO_ATOM * float(atom[scene.used].sum()))
        for low, high in ranges:
            inside = (scene.axis_nm > low) & (scene.axis_nm < high)
            counts[inside] += hidden
        unlisted[one.name] = counts
    return unlisted


@cache
def _whole_species(one: ListedSpecies) -> tuple[Emitter, ...]:
    """Return the typical emitters of a species over all that silicon sees."""
    return chosen_emitters((one,), frozenset(), {}, 150.0, 1300.0)


def _unmeasured(name: str, part: float, blocked: str) -> Case:
    return Case(
        name=name, visible=part, blocked=blocked or OUT_OF_RANGE,
        drop=None, reach=None, tests=[], share=0.0, total_counts=0.0,
        positions_uncertain=False, fit_failed=False, unexplained_anywhere=0.0, unexplained=0.0, chance=1.0,
    )  # fmt: skip


def _why_blocked(part: float, could: float, seen: Visibility, scene: Scene) -> str:
    """Return why too little of a species' light is measured, or ''; `could` is the part were all the range lit."""
    if part >= LEAST_VISIBLE:
        return ""
    if np.any(seen.blocked_by_window):
        return "its lines and bands lie where the window blocks them or outside the measured range"
    if said_dark(scene, seen) and could >= LEAST_VISIBLE:
        return f"nothing at all is seen {said_dark(scene, seen)}, so window, filter or optics may block its light"
    return "nearly all of this light lies outside the measured range, or in saturated or masked pixels"
