"""Where the lines of a lamp really fall: each peak is fitted with all lines that make it up, shifted together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.profiles import gaussian, normal_solve

Floats = NDArray[np.float64]

# of a line's listed share: how far a blend's ratio may be from the list, for lines that a lamp surely shows and for
# others; common practice
STRENGTH_SPREAD, FAINT_SPREAD = 0.8, 1.6
WIDTH_SPREAD = 0.05  # of the width: how well the width profile is known at one line
BAND_WIDTH_NM = 3.0  # of a phosphor band; common practice, from memory


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Components:
    """What lies in one window; arrays of shape (k,) for listed lines.

    Attributes
    ----------
    centre_px, share : ndarray of shape (k,)
        Where the trial scale puts each listed line; its listed strength.
    spread : ndarray of shape (k,)
        How far its strength may be from the listed one, as part of it.
    width_px : float
        Line width.
    loose_px, loose_width_px : ndarray of shape (j,)
        Centres and widths of things that do not move with the list: foreign peaks, phosphor bands.
    """

    centre_px: Floats
    share: Floats
    spread: Floats
    width_px: float
    loose_px: Floats
    loose_width_px: Floats


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Shift:
    """Result of `fit_shift`: the common shift, its standard error, the areas, the misfit.

    `misfit` is the root mean square of data minus model over the height of the model.
    """

    shift_px: float
    standard_error_px: float
    area: Floats
    misfit: float


def fit_shift(x: Floats, y: Floats, noise: Floats, parts: Components, *, steps: int = 8) -> Shift | None:
    """Fit the common shift of listed lines on a straight background.

    Parameters
    ----------
    x, y, noise : ndarray of shape (p,)
        Pixel numbers, counts, standard deviations.
    parts : Components
        Lines and loose things in the window.
    steps : int
        Largest number of Gauss-Newton steps.

    Returns
    -------
    Shift or None
        None if there are too few pixels or the fit runs away.

    Notes
    -----
    The ratio of unresolved lines is not known, so each area has a prior around its listed share and the width one
    around the measured profile; the marginal error of the shift then says how well the blend can be placed.
    """
    k, j = len(parts.centre_px), len(parts.loose_px)
    if len(x) < 4:
        return None
    background = np.column_stack([np.ones_like(x), (x - x.mean()) / max(float(np.ptp(x)), 1.0)])
    loose = gaussian(x, parts.loose_px, parts.loose_width_px)[0] if j else np.zeros((len(x), 0))
    shift, widen = 0.0, 0.0
    share = parts.share / np.sum(parts.share)
    total = _first_total(y, background, x, parts, share)
    if total <= 0:
        return None
    for step in range(steps):
        value, by_centre, by_width = gaussian(x, parts.centre_px + shift, parts.width_px * np.exp(widen))
        linear = np.hstack([background, value, loose]) / noise[:, None]
        prior_sd = total * (parts.spread * share + 0.02 / k)
        area, design, residual = _solve_step(
            linear, y / noise, by_centre, by_width * parts.width_px * np.exp(widen), noise, prior_sd, total * share,
            shift, widen, parts.width_px,
        )  # fmt: skip
        move = normal_solve(design, residual)
        change = float(np.clip(move[-2], -0.4 * parts.width_px, 0.4 * parts.width_px))
        shift += change
        widen = float(np.clip(widen + move[-1], -0.3, 0.3))
        total = max(float(np.sum(area)), 0.05 * total)
        if step > 1 and abs(change) < 1e-3 * parts.width_px:
            break
    if abs(shift) > 1.2 * parts.width_px:
        return None
    count = len(x)
    chi2 = float(np.sum(residual[:count] ** 2)) / max(count - 3, 1)
    covariance = np.linalg.pinv(design.T @ design, hermitian=True)
    error = float(np.sqrt(max(covariance[-2, -2], 0.0) * max(chi2, 1.0)))
    height = float(np.max(value @ area)) if k else 0.0
    misfit = float(np.sqrt(np.mean((residual[:count] * noise) ** 2))) / max(height, 1e-300)
    return Shift(shift_px=shift, standard_error_px=error, area=area, misfit=misfit)


def _first_total(y: Floats, background: Floats, x: Floats, parts: Components, share: Floats) -> float:
    """Return a first estimate of the counts in all listed lines."""
    shape = gaussian(x, parts.centre_px, 1.3 * parts.width_px)[0] @ share
    solution = normal_solve(np.column_stack([background, shape]), y)
    return float(max(solution[-1], 0.3 * (np.max(y) - np.min(y)) * parts.width_px))


def _solve_step(
    linear: Floats,
    target: Floats,
    by_centre: Floats,
    by_width: Floats,
    noise: Floats,
    prior_sd: Floats,
    prior_area: Floats,
    shift: float,
    widen: float,
    width_px: float,
) -> tuple[Floats, Floats, Floats]:
    """Return areas at the present shift, and the design and residual of the next Gauss-Newton step."""
    k = len(prior_area)
    size = linear.shape[1]
    prior_rows = np.zeros((k, size))
    prior_rows[:, 2 : 2 + k] = np.diag(1.0 / prior_sd)
    stacked = np.vstack([linear, prior_rows])
    goal = np.concatenate([target, prior_area / prior_sd])
    amplitude = normal_solve(stacked, goal)
    area = np.maximum(amplitude[2 : 2 + k], 0.0)  # light is not negative
    amplitude[2 : 2 + k] = area
    moving = np.column_stack([by_centre @ area, by_width @ area]) / noise[:, None]
    top = np.hstack([linear, moving])
    below = np.hstack([prior_rows, np.zeros((k, 2))])
    last = np.zeros((2, size + 2))
    last[0, -2] = 1.0 / (0.5 * width_px)
    last[1, -1] = 1.0 / WIDTH_SPREAD
    design = np.vstack([top, below, last])
    residual = np.concatenate(
        [goal - stacked @ amplitude, [-shift / (0.5 * width_px), -widen / WIDTH_SPREAD]]
    )
    return area, design, residual
