"""What a fit has left in its free columns, taken into the templates: light that would else belong to no species."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from glowledger.glow.fitting import MOST_RESPONSE, Solution, bounded_doubt
from glowledger.glow.instrument import branching_doubt, loose_columns, response_doubt, response_templates
from glowledger.glow.loose_templates import LooseTemplates
from glowledger.glow.scene import Scene
from glowledger.glow.templates import EmissionGrid


def with_loosened(scene: Scene, solution: Solution) -> tuple[Scene, Solution]:
    """Return scene and solution with strengths of bands and temperatures as found taken into the templates."""
    if not scene.loosened:
        return scene, solution
    m, grid = len(scene.emitters), scene.grid
    columns, left = solution.columns.copy(), solution.free_values.copy()
    found: dict[LooseTemplates | None, LooseTemplates] = {}
    for one, mine in loose_columns(scene):
        changes = one.within(solution.free_values[mine])
        left[mine] -= changes
        found[one], grid = one.taken_up(grid, changes)
    changed = np.unique(np.concatenate([one.emitter for one in scene.loosened]))
    drawn = EmissionGrid(grid.scale, grid.density[changed])
    columns[:, changed] = response_templates(scene, solution.adjustment, drawn)
    templates = columns[:, :m]
    risen = replace(
        solution, templates=templates, columns=columns, free_values=left, lines=templates @ solution.x[:m]
    )
    return replace(scene, grid=grid, loose=found.get(scene.loose), rotation=found.get(scene.rotation)), risen


def with_response(scene: Scene, solution: Solution) -> Solution:
    """Return a solution with the response increments that are left taken into templates and adjustment."""
    nodes = scene.hats.shape[1]
    step = np.clip(solution.free_values[-1 - nodes : -1], -MOST_RESPONSE, MOST_RESPONSE)
    m = len(scene.emitters)
    columns = solution.columns.copy()
    columns[:, :m] *= np.exp(scene.hats @ step)[:, None]
    templates = columns[:, :m]
    left = solution.free_values.copy()
    left[-1 - nodes : -1] -= step
    adjustment = replace(solution.adjustment, log_response=solution.adjustment.log_response + step)
    risen = replace(
        solution, templates=templates, columns=columns, free_values=left, adjustment=adjustment,
        lines=templates @ solution.x[:m], doubt=branching_doubt(scene, templates, solution.x[:m]),
        bent=response_doubt(scene, adjustment),
    )  # fmt: skip
    return replace(risen, doubt=bounded_doubt(scene, risen))
