"""How the line-spread may differ from the one given: wider, more Lorentzian, lopsided, or with faint light beside it.

What coma and reflections put beside a line is a few thousandths of its light in no shape that a formula has, but as
much as a whole trace species has: it is found from all lines together as faint copies of a line beside each.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.model import LineSpread
from glowledger.glow.line_shape import BESIDE_WIDTHS, Copy, LineShape, Skirt

SHAPE_SD = 0.15  # of the Lorentz fraction and of the asymmetry
# one standard deviation of the light in each copy beside a line, of the line's (common practice, no source)
BESIDE_SD = (0.003, 0.006, 0.01, 0.01, 0.006, 0.003)
MOST_BESIDE = 0.05
SKIRT_SD, MOST_SKIRT = 0.02, 0.3  # of the light (common practice, no source)
NO_SKIRT_SD = 1e-4  # of a first fit: while width and place are not known a skirt takes light that they are to explain
WIDTH_STEP, SHAPE_STEP = 0.04, 0.10  # finite differences for the derivatives
LONGEST_STEP = 0.15  # in one round: farther the derivatives say nothing
# how far shape and copies may still move once the whole spectrum has found them; copies as part of `BESIDE_SD`
SETTLED_SHAPE, SETTLED_BESIDE = 0.05, 0.3
FREEDOMS = 4 + len(BESIDE_SD)
STEPS = (WIDTH_STEP, SHAPE_STEP, SHAPE_STEP, *(1.0 for _ in BESIDE_SD), 1.0)  # from the shape to each of `tried`


def tried(shape: LineShape) -> tuple[LineShape | Copy | Skirt, ...]:
    """Return the shapes one step of each freedom away; for light beside and around a line what it goes into."""
    return (
        replace(shape, width=shape.width * float(np.exp(WIDTH_STEP))),
        replace(shape, lorentz_fraction=shape.lorentz_fraction + SHAPE_STEP),
        replace(shape, asymmetry=shape.asymmetry + SHAPE_STEP),
        *_copies(),
        Skirt(),
    )


@lru_cache(maxsize=1)
def _copies() -> tuple[Copy, ...]:
    return tuple(Copy(off) for off in BESIDE_WIDTHS)


def stepped(shape: LineShape, increments: NDArray[np.float64]) -> LineShape:
    """Return a shape moved by increments of its freedoms, shape (`FREEDOMS`,), damped."""
    width, lorentz, asymmetry, *copies, skirt = np.clip(increments, -LONGEST_STEP, LONGEST_STEP)
    beside = np.clip(np.array(shape.beside) + copies, -MOST_BESIDE, MOST_BESIDE)
    return LineShape(
        width=float(np.clip(shape.width * np.exp(width), 0.4, 2.5)),
        lorentz_fraction=float(np.clip(shape.lorentz_fraction + lorentz, 0.0, 1.0)),
        asymmetry=float(np.clip(shape.asymmetry + asymmetry, -0.5, 0.5)),
        beside=tuple(beside.tolist()),
        skirt=float(np.clip(shape.skirt + skirt, 0.0, MOST_SKIRT)),
    )


def shape_state(shape: LineShape, line_spread: LineSpread) -> list[float]:
    """Return how far a shape is from the one given, by each of its freedoms."""
    return [
        float(np.log(shape.width)), shape.lorentz_fraction - line_spread.lorentz_fraction,
        shape.asymmetry - line_spread.asymmetry, *shape.beside, shape.skirt,
    ]  # fmt: skip


def prior_sd(width_log: float, shape: float, skirt: float) -> list[float]:
    """Return how far each freedom may move, one standard deviation; where shapes are held, so is all beside them."""
    return [width_log, shape, shape, *(min(1.0, shape / SHAPE_SD) * sd for sd in (*BESIDE_SD, skirt))]


def settled_sd() -> list[float]:
    """Return how far each freedom may still move once the whole spectrum has found the shape."""
    return [SETTLED_SHAPE] * 3 + [SETTLED_BESIDE * sd for sd in (*BESIDE_SD, SKIRT_SD)]
