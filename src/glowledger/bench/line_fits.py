"""Joint fits of neighbouring lines of one width, many windows at a time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.profiles import gaussian, gaussian_in_place, normal_solve, normal_variances

Floats = NDArray[np.float64]

MOST_STEPS = 15
FAR = 1e9  # pixels: where nothing falls into the window
WASTE = 3000  # pixels times lines that a batch may be filled up with: about what a batch of its own costs


@dataclass(frozen=True, slots=True, eq=False)
class LineWindow:
    """What one fit sees.

    Attributes
    ----------
    x, y, noise : ndarray of shape (p,)
        Pixel numbers, counts, standard deviations.
    centres : ndarray of shape (m,)
        Starting centres, pixels.
    fwhm : float
        Line width, pixels.
    """

    x: Floats
    y: Floats
    noise: Floats
    centres: Floats
    fwhm: float

    @property
    def reach(self) -> int:
        """Number of pixels from the first to the last one, those between that are not used included."""
        return int(self.x[-1] - self.x[0]) + 1


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
    x: Floats, y: Floats, noise: Floats, centres: Floats, fwhm: float, *, free_width: bool, steps: int = MOST_STEPS
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
    return fit_groups([LineWindow(x, y, noise, centres, fwhm)], free_width=free_width, steps=steps)[0]


def fit_groups(windows: list[LineWindow], *, free_width: bool, steps: int = MOST_STEPS) -> list[GroupFit | None]:
    """Fit the lines in each of many windows by itself, as `fit_group` does; None where a fit runs away.

    Windows alike in size are fitted side by side: short rows are filled up with pixels of no weight and lines of no
    light.

    Parameters
    ----------
    windows : list of LineWindow
        Any number, in any order.
    free_width : bool
        Fit the width of each window as well.
    steps : int
        Largest number of Gauss-Newton steps.
    """
    found: list[GroupFit | None] = [None] * len(windows)
    fitted = [k for k, w in enumerate(windows) if len(w.x) >= 2 * len(w.centres) + 2 + int(free_width)]
    for rows in _batches(windows, fitted):
        for k, fit in zip(rows, _Batch([windows[k] for k in rows], free_width).fitted(steps), strict=True):
            found[k] = fit
    return found


def _batches(windows: list[LineWindow], chosen: list[int]) -> Iterator[list[int]]:
    """Yield the chosen windows in batches of much the same number of lines and of pixels."""
    size = {k: (len(windows[k].centres), windows[k].reach) for k in chosen}
    batch: list[int] = []
    work, lines, pixels = 0, 0, 0
    for k in sorted(chosen, key=lambda k: size[k]):
        lines, pixels = max(lines, size[k][0]), max(pixels, size[k][1])
        work += size[k][0] * size[k][1]
        if (len(batch) + 1) * lines * pixels - work > WASTE:
            yield batch
            batch, work = [], size[k][0] * size[k][1]
            lines, pixels = size[k]
        batch.append(k)
    if batch:
        yield batch


class _Batch:
    """Windows (b) side by side: pixels (b, p), lines (b, m)."""

    def __init__(self, windows: list[LineWindow], free_width: bool) -> None:
        self.free_width = free_width
        self.count, self.lines = np.array([[len(w.x), len(w.centres)] for w in windows]).T
        shape = (len(windows), max(w.reach for w in windows))
        first = np.array([w.x[0] for w in windows], dtype=np.float64)[:, None]
        self.x = first + np.arange(shape[1], dtype=np.float64)
        self.y, self.rate = np.zeros(shape), np.zeros(shape)
        self.start = np.full((len(windows), int(np.max(self.lines))), FAR)
        for k, w in enumerate(windows):
            used = (w.x - w.x[0]).astype(np.intp)
            self.rate[k, used] = 1.0 / w.noise
            self.y[k, used] = w.y * self.rate[k, used]
            self.start[k, : len(w.centres)] = w.centres
        self.first_width = np.array([w.fwhm for w in windows], dtype=np.float64)
        # lines beside the window may lie without
        self.low = np.minimum(self.start, np.array([w.x[0] for w in windows])[:, None])
        self.high = np.maximum(self.start, np.array([w.x[-1] for w in windows])[:, None])
        middle = np.array([float(np.mean(w.x)) for w in windows])[:, None]
        reach = np.array([max(float(np.ptp(w.x)), 1.0) for w in windows])[:, None]
        self.background = np.stack([np.ones_like(self.x), (self.x - middle) / reach], axis=-1)

    def fitted(self, steps: int) -> list[GroupFit | None]:
        """Return the fits."""
        centre, width = self.start.copy(), self.first_width.copy()
        b, m = centre.shape
        extra = int(self.free_width)
        size = 2 + 2 * m + extra
        area, design = np.zeros((b, m)), np.zeros((b, self.x.shape[1], size))
        residual = np.zeros(self.x.shape)
        rows = np.arange(b)
        for step in range(steps):
            area[rows], design[rows], residual[rows] = self._linearised(rows, centre[rows], width[rows])
            solution = normal_solve(design[rows], residual[rows])
            limit = 0.4 * self.first_width[rows, None]
            move = np.clip(solution[:, 2 + m : 2 + 2 * m], -limit, limit)
            centre[rows] = np.clip(centre[rows] + move, self.low[rows], self.high[rows])
            if self.free_width:
                wider = np.clip(solution[:, -1], -0.3 * width[rows], 0.3 * width[rows])
                width[rows] = np.clip(width[rows] + wider, 0.6, 8.0 * self.first_width[rows])
            if step > 1:
                rows = rows[np.max(np.abs(move), axis=1) >= 1e-4 * self.first_width[rows]]
            if len(rows) == 0:
                break
        return self._results(centre, width, area, design, residual)

    def _linearised(
        self, rows: NDArray[np.intp], centre: Floats, width: Floats
    ) -> tuple[Floats, Floats, Floats]:
        """Return the best areas at these centres and widths, the design of the next step, and the residual."""
        rate = self.rate[rows, :, None]
        at = self.x[rows], centre, width[:, None, None]
        if self.free_width:
            value, by_centre, by_width = gaussian(*at)
        else:
            value, by_centre = gaussian_in_place(*at)
        linear = np.concatenate([self.background[rows], value], axis=2) * rate
        amplitude = normal_solve(linear, self.y[rows])
        area = amplitude[:, 2:]
        columns = [linear, by_centre * area[:, None, :] * rate]
        if self.free_width:
            columns.append((by_width @ area[:, :, None]) * rate)
        residual = self.y[rows] - (linear @ amplitude[:, :, None])[..., 0]
        return area, np.concatenate(columns, axis=2), residual

    def _results(
        self, centre: Floats, width: Floats, area: Floats, design: Floats, residual: Floats
    ) -> list[GroupFit | None]:
        m = centre.shape[1]
        free = self.count - (2 + 2 * self.lines + int(self.free_width))
        chi2 = np.sum(residual**2, axis=1) / np.maximum(free, 1)
        error = np.sqrt(normal_variances(design) * np.maximum(chi2, 1.0)[:, None])
        away = np.any(np.abs(centre - self.start) > 1.5 * self.first_width[:, None] + 1.0, axis=1)
        return [
            None if away[k] else GroupFit(
                centre=centre[k, :own], centre_se=error[k, 2 + m : 2 + m + own],
                area=area[k, :own], area_se=error[k, 2 : 2 + own],
                fwhm=float(width[k]), fwhm_se=float(error[k, -1]) if self.free_width else float("nan"),
                chi2=float(chi2[k]),
            )
            for k, own in enumerate(self.lines.tolist())
        ]  # fmt: skip
