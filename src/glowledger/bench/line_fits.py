"""Joint fit of neighbouring lines of one width."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.profiles import gaussian, normal_solve

Floats = NDArray[np.float64]


@dataclass(slots=True)
class GroupFit:
    """Result of one joint fit: centres, areas, their standard errors, common FWHM, reduced chi²."""

    centre: Floats
    centre_se: Floats
    area: Floats
    area_se: Floats
    fwhm: float
    fwhm_se: float
    chi2: float


def fit_group(
    x: Floats, y: Floats, noise: Floats, centres: Floats, fwhm: float, *, free_width: bool, steps: int = 30
) -> GroupFit | None:
    """Fit lines of one common width on a straight background, jointly; None if the fit runs away.

    Parameters
    ----------
    x, y, noise : ndarray of shape (p,)
        Pixel numbers, counts, standard deviations.
    centres : ndarray of shape (m,)
        Starting centres, pixels.
    fwhm : float
        Line width, pixels.
    free_width : bool
        Fit the width as well.
    steps : int
        Largest number of Gauss-Newton steps.
    """
    m = len(centres)
    extra = int(free_width)
    if len(x) < 2 * m + 2 + extra:
        return None
    centre, width = centres.astype(np.float64).copy(), float(fwhm)
    background = np.column_stack([np.ones_like(x), (x - x.mean()) / max(float(np.ptp(x)), 1.0)])
    limit = 0.4 * width
    low, high = np.minimum(centres, x[0]), np.maximum(centres, x[-1])  # lines beside the window may lie without
    for step in range(steps):
        value, by_centre, by_width = gaussian(x, centre, width)
        linear = np.column_stack([background, value]) / noise[:, None]
        amplitude = normal_solve(linear, y / noise)
        area = amplitude[2:]
        columns = [linear, by_centre * area / noise[:, None]]
        if free_width:
            columns.append((by_width @ area / noise)[:, None])
        design = np.hstack(columns)
        residual = y / noise - linear @ amplitude
        solution = normal_solve(design, residual)
        move = np.clip(solution[2 + m : 2 + 2 * m], -limit, limit)
        centre = np.clip(centre + move, low, high)
        if free_width:
            width = float(np.clip(width + np.clip(solution[-1], -0.3 * width, 0.3 * width), 0.6, 8.0 * fwhm))
        if step > 1 and np.max(np.abs(move)) < 1e-4 * fwhm:
            break
    if np.any(np.abs(centre - centres) > 1.5 * fwhm + 1.0):
        return None
    covariance = np.linalg.pinv(design.T @ design)
    chi2 = float(residual @ residual) / max(len(x) - design.shape[1], 1)
    error = np.sqrt(np.maximum(np.diag(covariance), 0.0) * max(chi2, 1.0))
    return GroupFit(
        centre=centre,
        centre_se=error[2 + m : 2 + 2 * m],
        area=area,
        area_se=error[2 : 2 + m],
        fwhm=width,
        fwhm_se=float(error[-1]) if free_width else float("nan"),
        chi2=chi2,
    )
