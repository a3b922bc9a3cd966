"""What a fit has left in its free columns, taken into the templates: light that would else belong to no species."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from glowledger.glow.fitting import MOST_RESPONSE, Solution, bounded_doubt
from glowledger.glow.instrument import branching_doubt, response_doubt, response_templates, strengths
from glowledger.glow.scene import Scene

LEAST_STRENGTH = -0.9  # relative change of a band


def with_strengths(scene: Scene, solution: Solution) -> tuple[Scene, Solution]:
    """Return scene and solution with the strengths of loose bands taken into the templates."""
    loose = scene.loose
    if loose is None:
        return scene, solution
    mine, m = strengths(scene), len(scene.emitters)
    changes = np.maximum(solution.free_values[mine], LEAST_STRENGTH)
    columns = solution.columns.copy()
    bands = response_templates(scene, solution.adjustment, loose.grid)
    np.add.at(columns.T, loose.emitter, (bands * (loose.part * changes)).T)
    left = solution.free_values.copy()
    left[mine] -= changes
    changed, grid = loose.taken_up(scene.grid, changes)
    templates = columns[:, :m]
    risen = replace(
        solution, templates=templates, columns=columns, free_values=left, lines=templates @ solution.x[:m]
    )
    return replace(scene, loose=changed, grid=grid), risen


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
