"""Where the lines of a lamp really fall: each peak is fitted with all lines that make it up, shifted together.

Many peaks are fitted side by side: short rows are filled up with pixels of no weight, lines of no light and loose
things far away.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.profiles import gaussian, normal_solve, normal_variances

Floats = NDArray[np.float64]

# of a line's listed share: how far a blend's ratio may be from the list, for lines that a lamp surely shows and for
# others; common practice
STRENGTH_SPREAD, FAINT_SPREAD = 0.8, 1.6
WIDTH_SPREAD = 0.05  # of the width: how well the width profile is known at one line
FAR = 1e9  # pixels: where nothing falls into the window
START_SD = 0.5  # of the width: how far off the trial scale may be
BATCH = 24  # windows of much the same size, fitted side by side
BAND_WIDTH_NM = 3.0  # of a phosphor band; common practice, from memory


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Window:
    """What lies in one window; arrays of shape (k,) for listed lines.

    Attributes
    ----------
    x, y, noise : ndarray of shape (p,)
        Pixel numbers, counts, standard deviations.
    centre_px, share : ndarray of shape (k,)
        Where the trial scale puts each listed line; its listed strength.
    spread : ndarray of shape (k,)
        How far its strength may be from the listed one, as part of it.
    width_px : float
        Line width.
    loose_px, loose_width_px : ndarray of shape (j,)
        Centres and widths of things that do not move with the list: foreign peaks, phosphor bands.
    """

    x: Floats
    y: Floats
    noise: Floats
    centre_px: Floats
    share: Floats
    spread: Floats
    width_px: float
    loose_px: Floats
    loose_width_px: Floats


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Shift:
    """Result of `fit_shifts`: the common shift, its standard error, the areas, the misfit.

    `misfit` is the root mean square of data minus model over the height of the model.
    """

    shift_px: float
    standard_error_px: float
    area: Floats
    misfit: float


def fit_shifts(windows: list[Window], *, steps: int = 8) -> list[Shift | None]:
    """Fit the common shift of the listed lines in each window on a straight background.

    Parameters
    ----------
    windows : list of Window
        Each is fitted by itself.
    steps : int
        Largest number of Gauss-Newton steps.

    Returns
    -------
    list of (Shift or None)
        None where there are too few pixels or lines, or the fit runs away.

    Notes
    -----
    The ratio of unresolved lines is not known, so each area has a prior around its listed share and the width one
    around the measured profile; the marginal error of the shift then says how well the blend can be placed.
    """
    found: list[Shift | None] = [None] * len(windows)
    fitted = [k for k, w in enumerate(windows) if len(w.x) >= 4 and len(w.centre_px)]
    fitted.sort(key=lambda k: (len(windows[k].x), len(windows[k].centre_px)))
    for first in range(0, len(fitted), BATCH):
        rows = fitted[first : first + BATCH]
        for k, shift in zip(rows, _Batch([windows[k] for k in rows]).fitted(steps), strict=True):
            found[k] = shift
    return found


class _Batch:
    """Windows (b) side by side: pixels (b, p), listed lines (b, k), loose things (b, j)."""

    def __init__(self, windows: list[Window]) -> None:
        self.count = np.array([len(w.x) for w in windows])
        self.lines = np.array([len(w.centre_px) for w in windows])
        pixels, k = int(np.max(self.count)), int(np.max(self.lines))
        j = max(len(w.loose_px) for w in windows)
        self.x = _filled([w.x for w in windows], pixels, 0.0)
        self.rate = _filled([1.0 / w.noise for w in windows], pixels, 0.0)
        self.goal = _filled([w.y for w in windows], pixels, 0.0)
        self.centre = _filled([w.centre_px for w in windows], k, FAR)
        self.spread = _filled([w.spread for w in windows], k, 0.0)
        self.share = _filled([w.share / np.sum(w.share) for w in windows], k, 0.0)
        self.width = np.array([w.width_px for w in windows])
        middle = np.array([float(np.mean(w.x)) for w in windows])[:, None]
        reach = np.array([max(float(np.ptp(w.x)), 1.0) for w in windows])[:, None]
        inside = np.arange(pixels)[None, :] < self.count[:, None]
        self.background = np.stack([np.ones_like(self.x), (self.x - middle) / reach], axis=-1) * inside[..., None]
        loose = _filled([w.loose_px for w in windows], j, FAR)
        loose_width = _filled([w.loose_width_px for w in windows], j, 1.0)
        self.loose = gaussian(self.x, loose, loose_width[:, None, :])[0] * inside[..., None]
        self.light = self._first_light(inside)
        self.goal = self.goal * self.rate

    def _first_light(self, inside: NDArray[np.bool_]) -> Floats:
        """Return a first estimate of the counts in all listed lines, shape (b,)."""
        shape = gaussian(self.x, self.centre, 1.3 * self.width[:, None, None])[0] @ self.share[..., None]
        solution = normal_solve(np.concatenate([self.background, shape * inside[..., None]], axis=2), self.goal)
        height = np.max(self.goal, axis=1, where=inside, initial=-np.inf)
        height = height - np.min(self.goal, axis=1, where=inside, initial=np.inf)
        return np.maximum(solution[:, -1], 0.3 * height * self.width)

    def fitted(self, steps: int) -> list[Shift | None]:
        """Return the shifts."""
        b, k = self.centre.shape
        shift, widen, light = np.zeros(b), np.zeros(b), self.light.copy()
        area, value = np.zeros((b, k)), np.zeros((b, self.x.shape[1], k))
        size = self.loose.shape[2] + k + 4
        design = np.zeros((b, self.x.shape[1] + k + 2, size))
        residual = np.zeros(design.shape[:2])
        rows = np.flatnonzero(light > 0)
        for step in range(steps):
            if len(rows) == 0:
                break
            at = rows, shift[rows], widen[rows], light[rows]
            area[rows], value[rows], design[rows], residual[rows] = self._linearised(*at)
            move = normal_solve(design[rows], residual[rows])
            change = np.clip(move[:, -2], -0.4 * self.width[rows], 0.4 * self.width[rows])
            shift[rows] += change
            widen[rows] = np.clip(widen[rows] + move[:, -1], -0.3, 0.3)
            light[rows] = np.maximum(np.sum(area[rows], axis=1), 0.05 * light[rows])
            if step > 1:
                rows = rows[np.abs(change) >= 1e-3 * self.width[rows]]
        return self._results(shift, area, value, design, residual)

    def _linearised(
        self, rows: NDArray[np.intp], shift: Floats, widen: Floats, light: Floats
    ) -> tuple[Floats, Floats, Floats, Floats]:
        """Return areas and profiles at the present shifts, and the design and residual of the next step."""
        k, width = self.centre.shape[1], self.width[rows]
        here = (width * np.exp(widen))[:, None, None]
        value, by_centre, by_width = gaussian(self.x[rows], self.centre[rows] + shift[:, None], here)
        rate = self.rate[rows, :, None]
        linear = np.concatenate([self.background[rows], value, self.loose[rows]], axis=2) * rate
        prior_sd = light[:, None] * (self.spread[rows] * self.share[rows] + 0.02 / self.lines[rows, None])
        prior = np.zeros((len(rows), k, linear.shape[2]))
        prior[:, np.arange(k), 2 + np.arange(k)] = 1.0 / prior_sd
        stacked = np.concatenate([linear, prior], axis=1)
        goal = np.concatenate([self.goal[rows], light[:, None] * self.share[rows] / prior_sd], axis=1)
        amplitude = normal_solve(stacked, goal)
        area = np.maximum(amplitude[:, 2 : 2 + k], 0.0)  # light is not negative
        amplitude[:, 2 : 2 + k] = area
        pixels, size = linear.shape[1:]
        design = np.zeros((len(rows), pixels + k + 2, size + 2))
        design[:, : pixels + k, :size] = stacked
        moving = np.concatenate([by_centre @ area[..., None], (by_width * here) @ area[..., None]], axis=2)
        design[:, :pixels, size:] = moving * rate
        design[:, -2, -2] = 1.0 / (START_SD * width)
        design[:, -1, -1] = 1.0 / WIDTH_SPREAD
        last = np.stack([-shift / (START_SD * width), -widen / WIDTH_SPREAD], axis=1)
        residual = goal - (stacked @ amplitude[..., None])[..., 0]
        return area, value, design, np.concatenate([residual, last], axis=1)

    def _results(
        self, shift: Floats, area: Floats, value: Floats, design: Floats, residual: Floats
    ) -> list[Shift | None]:
        pixels = self.x.shape[1]
        chi2 = np.sum(residual[:, :pixels] ** 2, axis=1) / np.maximum(self.count - 3, 1)
        error = np.sqrt(normal_variances(design)[:, -2] * np.maximum(chi2, 1.0))
        height = np.max((value @ area[..., None])[..., 0], axis=1)
        counts = residual[:, :pixels] / np.where(self.rate > 0.0, self.rate, 1.0)
        misfit = np.sqrt(np.sum(counts**2, axis=1) / self.count) / np.maximum(height, 1e-300)
        good = (self.light > 0) & (np.abs(shift) <= 1.2 * self.width)
        return [
            Shift(
                shift_px=float(shift[n]), standard_error_px=float(error[n]), area=area[n, : self.lines[n]],
                misfit=float(misfit[n]),
            ) if good[n] else None
            for n in range(len(shift))
        ]  # fmt: skip


def _filled(rows: list[Floats], length: int, value: float) -> Floats:
    """Return rows of different lengths as one array (b, length), filled up with a value."""
    out = np.full((len(rows), length), value)
    for k, row in enumerate(rows):
        out[k, : len(row)] = row
    return out
