"""Does light that left its latest level step, or does it only fall or rise smoothly and fast?"""

from __future__ import annotations

import numpy as np

from glowledger.runs.frame_counts import Floats

# Time constants of the smooth courses tried, as parts of the time looked at: slower ones are straight or parabolic
CONSTANTS = (0.08, 0.12, 0.18, 0.27, 0.4, 0.6, 0.9, 1.4)
EARLY, LATE = 2, 3  # frames before and after the first odd one within which a step may come
PARAMETERS = 5  # of a smooth course with its time constant and a step


def step_size(time_s: Floats, value: Floats, first: int) -> tuple[float, float]:
    """Measure the step of a series beside the smooth course that suits it best.

    Parameters
    ----------
    time_s, value : ndarray of shape (n,)
        Times, increasing, and values; those that are not finite are left out.
    first : int
        Entry from which on the series was seen to depart from its level.

    Returns
    -------
    size, standard_error : float
        Of the step about `first` that describes the series best; NaN where there are too few values.

    Notes
    -----
    A level that is the middle of past frames lags behind light that falls by a good part within a few frames, as
    that of contaminants does which give much of the light; only what no parabola and no exponential to a sloping
    floor describes is a step. The best course with a step is set against the best without one, each with its own time
    constant; the error is that of a step whose square over its variance is what the step gains.
    """
    good = np.isfinite(value)
    first = int(good[:first].sum())
    t, y = time_s[good] - time_s[0], value[good]
    if first < 1 or len(t) - first < 1 or len(t) <= PARAMETERS:
        return float("nan"), float("nan")
    x = t / t[-1]
    one = np.ones_like(x)
    courses = [np.column_stack([one, x, x**2])]
    courses += [np.column_stack([one, x, np.exp(-x / c)]) for c in CONSTANTS]
    smooth = min(_fit(course, y)[1] for course in courses)
    best, size = np.inf, 0.0
    for at in range(max(first - EARLY, 1), min(first + LATE, len(t))):
        step = np.arange(len(t)) >= at
        for course in courses:
            fitted, left = _fit(np.column_stack([course, step]), y)
            if left < best:
                best, size = left, float(fitted[-1])
    gained = max(smooth - best, 0.0) / max(best, 1e-300) * (len(t) - PARAMETERS)
    return size, abs(size) / float(np.sqrt(max(gained, 1e-300)))


def _fit(columns: Floats, y: Floats) -> tuple[Floats, float]:
    """Return coefficients and the sum of squares that is left."""
    fitted = np.asarray(np.linalg.lstsq(columns, y, rcond=None)[0], dtype=np.float64)
    return fitted, float(np.sum((y - columns @ fitted) ** 2))
