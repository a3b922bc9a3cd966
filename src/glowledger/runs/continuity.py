"""Does a ratio go on across a sudden change of the light, or does it step?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from glowledger.runs.ratios import Floats

BEFORE = 10  # values before the change that are looked at
FEWEST = 4  # on each side
CURVED = 12  # values in all from which the course may bend
CLEAR = 3.0  # standard errors
TELLABLE = 0.1  # standard error of a step, as part of the level, above which nothing is told


@dataclass(frozen=True, slots=True, kw_only=True)
class RatioStep:
    """How far a ratio stepped.

    Attributes
    ----------
    size, standard_error : float
        Of the step; NaN where there are too few values.
    level : float
        Of the ratio before it.
    """

    size: float
    standard_error: float
    level: float

    @property
    def told(self) -> bool:
        """True if a step of a tenth of the level would show."""
        return self.standard_error < TELLABLE * abs(self.level)

    @property
    def clear(self) -> bool:
        """True if it stands out of its error."""
        return abs(self.size) > CLEAR * self.standard_error

    def within(self, part: float) -> bool:
        """Return True if the step is no larger than a part of the level and its error."""
        return abs(self.size) < CLEAR * self.standard_error + part * abs(self.level)


def ratio_step(
    before_s: Floats, before: Floats, after_s: Floats, after: Floats, weight: Floats | None = None
) -> RatioStep:
    """Measure the step of a ratio that may change smoothly besides.

    Parameters
    ----------
    before_s, before : ndarray of shape (n,)
        Times in s, and values, before the change; the last `BEFORE` of them count.
    after_s, after : ndarray of shape (m,)
        From the change on.
    weight : ndarray of shape (n,), optional
        Weights of the values before; those after count 1.

    Returns
    -------
    RatioStep
        Of a common parabola (a line where values are few) with a step, by weighted least squares; the error from
        the scatter about it.
    """
    weight = np.ones(len(before)) if weight is None else weight
    good, late = np.isfinite(before), np.isfinite(after)
    before_s, before, weight = (part[good][-BEFORE:] for part in (before_s, before, weight))
    after_s, after = after_s[late], after[late]
    if min(len(before), len(after)) < FEWEST:
        return RatioStep(size=np.nan, standard_error=np.nan, level=np.nan)
    t = np.concatenate([before_s, after_s]) - after_s[0]
    span = float(np.ptp(t))
    root = np.sqrt(np.concatenate([weight, np.ones(len(after))]))
    columns = [np.ones(len(t)), t / span, np.arange(len(t)) >= len(before)]
    if len(t) >= CURVED:
        columns.append((t / span) ** 2)
    design = np.column_stack(columns) * root[:, None]
    values = np.concatenate([before, after]) * root
    covariance = np.linalg.pinv(design.T @ design)
    fitted = covariance @ design.T @ values
    scatter = float(np.sum((values - design @ fitted) ** 2)) / (len(t) - len(columns))
    return RatioStep(
        size=float(fitted[2]), standard_error=float(np.sqrt(scatter * covariance[2, 2])), level=float(fitted[0])
    )
