"""Where the lines of a lamp really fall: each peak is fitted with all lines that make it up, shifted together.

Many peaks are fitted side by side: short rows are filled up with pixels of no weight, lines of no light and loose
things far away.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.profiles import gaussian, gaussian_in_place, normal_solve, normal_variances

Floats = NDArray[np.float64]

# of a line's listed share: how far a blend's ratio may be from the list, for lines that a lamp surely shows and for
# others; common practice
STRENGTH_SPREAD, FAINT_SPREAD = 0.8, 1.6
WIDTH_SPREAD = 0.05  # of the width: how well the width profile is known at one line
FAR = 1e9  # pixels: where nothing falls into the window
START_SD = 0.5  # of the width: how far off the trial scale may be
BATCH = 60  # windows of much the same size, fitted side by side
MOST_OF_WORK = 0.5  # share of the work that fitting some apart must leave at most, or all are fitted at once
BAND_WIDTH_NM = 3.0  # of a phosphor band; common practice, from memory
BAND_WIDTH_SPREAD_NM = 0.7  # how much wider or narrower it may be; the same
HELD = 1e-4  # pixels: how far what is held may move
# more pixels tell no more of a line: neighbouring ones are joined where so many can be. Of 2100 lamps (the fleets of
# `bench_calibration.py`, seeds from 541000 and 518000) this changed one outcome, wrong to refused; with 12 three
PIXELS_PER_WIDTH, MOSTLY = 16.0, 0.8


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
    loose_sd_px, loose_width_sd_px : ndarray of shape (j,)
        How far each may lie from there, and be wider or narrower; 0 holds it.
    joined : int
        Pixels of the detector in each of these.
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
    loose_sd_px: Floats
    loose_width_sd_px: Floats
    joined: int = 1

    def coarser(self) -> Window:
        """Return the window with as many pixels joined to one as `PIXELS_PER_WIDTH` allows, itself if that is none.

        Each is the mean of its pixels, which have to be all there. Where this would lose many, nothing is joined.
        """
        size = int(self.width_px / PIXELS_PER_WIDTH)
        if size < 2 or len(self.x) == 0:
            return self
        number, first, count = np.unique((self.x - self.x[0]) // size, return_index=True, return_counts=True)
        number, first = number[count == size], first[count == size]
        if len(number) * size < MOSTLY * len(self.x):
            return self
        rows, edge = first[:, None] + np.arange(size), self.x[0] - 0.5
        return replace(
            self, joined=size, x=number, y=np.mean(self.y[rows], axis=1),
            noise=np.sqrt(np.mean(self.noise[rows] ** 2, axis=1) / size), width_px=self.width_px / size,
            centre_px=(self.centre_px - edge) / size - 0.5, loose_px=(self.loose_px - edge) / size - 0.5,
            loose_width_px=self.loose_width_px / size, loose_sd_px=self.loose_sd_px / size,
            loose_width_sd_px=self.loose_width_sd_px / size,
        )  # fmt: skip


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
    windows = [w.coarser() for w in windows]
    for alike in _of_like_size(fitted, [len(w.centre_px) for w in windows]):
        alike.sort(key=lambda k: (len(windows[k].x), len(windows[k].centre_px)))
        for first in range(0, len(alike), BATCH):
            rows = alike[first : first + BATCH]
            for k, shift in zip(rows, _Batch([windows[k] for k in rows]).fitted(steps), strict=True):
                found[k] = shift
    return found


def _of_like_size(fitted: list[int], lines: list[int]) -> list[list[int]]:
    """Return windows, apart from those of so many lines that filling up all others to them is most of the work."""
    order = sorted(fitted, key=lambda k: lines[k])
    square = np.array([lines[k] for k in order], dtype=np.float64) ** 2
    number = np.arange(1, len(order))
    work = number * square[:-1] + (len(order) - number) * square[-1:]  # of the products of lines with lines
    best = int(np.argmin(work)) + 1 if len(work) else 0
    if best == 0 or work[best - 1] > MOST_OF_WORK * len(order) * square[-1]:
        return [order]
    return [order[:best], order[best:]]


class _Batch:
    """Windows (b) side by side: pixels (b, p), listed lines (b, k), loose things (b, j)."""

    def __init__(self, windows: list[Window]) -> None:
        self.count, self.lines = np.array([[len(w.x), len(w.centre_px)] for w in windows]).T
        first = np.array([w.x[0] for w in windows], dtype=np.float64)[:, None]
        pixels, k = int(max(w.x[-1] - w.x[0] for w in windows)) + 1, int(np.max(self.lines))
        j = max(len(w.loose_px) for w in windows)
        self.x = first + np.arange(pixels, dtype=np.float64)
        inside = np.zeros(self.x.shape, dtype=bool)  # pixels between that are not used have no weight either
        self.rate, self.goal = np.zeros(inside.shape), np.zeros(inside.shape)
        for n, w in enumerate(windows):
            used = (w.x - w.x[0]).astype(np.intp)
            inside[n, used], self.rate[n, used], self.goal[n, used] = True, 1.0 / w.noise, w.y
        self.centre = _filled([w.centre_px for w in windows], k, FAR)
        self.spread = _filled([w.spread for w in windows], k, 0.0)
        self.share = _filled([w.share / np.sum(w.share) for w in windows], k, 0.0)
        self.width = np.array([w.width_px for w in windows])
        self.joined = np.array([w.joined for w in windows])
        middle = np.array([float(np.mean(w.x)) for w in windows])[:, None]
        reach = np.array([max(float(np.ptp(w.x)), 1.0) for w in windows])[:, None]
        self.background = np.stack([np.ones_like(self.x), (self.x - middle) / reach], axis=-1) * inside[..., None]
        self.inside = inside
        self.loose_at = _filled([w.loose_px for w in windows], j, FAR)
        self.loose_width = _filled([w.loose_width_px for w in windows], j, 1.0)
        self.loose = gaussian_in_place(self.x, self.loose_at, self.loose_width[:, None, :])[0] * inside[..., None]
        place = _filled([w.loose_sd_px for w in windows], j, 0.0)
        width = _filled([w.loose_width_sd_px for w in windows], j, 0.0)
        movable = int(np.any(place > 0.0))  # of most lamps nothing is
        self.move_sd = np.maximum(np.concatenate([place, width], axis=1)[:, : 2 * j * movable], HELD)
        self.light = self._first_light(inside)
        self.goal = self.goal * self.rate

    def _first_light(self, inside: NDArray[np.bool_]) -> Floats:
        """Return a first estimate of the counts in all listed lines, shape (b,)."""
        shape = gaussian_in_place(self.x, self.centre, 1.3 * self.width[:, None, None])[0] @ self.share[..., None]
        solution = normal_solve(np.concatenate([self.background, shape * inside[..., None]], axis=2), self.goal)
        height = np.max(self.goal, axis=1, where=inside, initial=-np.inf)
        height = height - np.min(self.goal, axis=1, where=inside, initial=np.inf)
        return np.maximum(solution[:, -1], 0.3 * height * self.width)

    def fitted(self, steps: int) -> list[Shift | None]:
        """Return the shifts."""
        b, k = self.centre.shape
        shift, widen, light = np.zeros(b), np.zeros(b), self.light.copy()
        area, value = np.zeros((b, k)), np.zeros((b, self.x.shape[1], k))
        moved = np.zeros(self.move_sd.shape)
        size, m = self.loose.shape[2] + k + 4, moved.shape[1]
        design = np.zeros((b, self.x.shape[1] + k + 2 + m, size + m))
        residual = np.zeros(design.shape[:2])
        rows = np.flatnonzero(light > 0)
        for step in range(steps):
            if len(rows) == 0:
                break
            at = rows, shift[rows], widen[rows], light[rows], moved[rows]
            area[rows], value[rows], design[rows], residual[rows] = self._linearised(*at)
            move = normal_solve(design[rows], residual[rows])
            far = 2.0 * self.move_sd[rows]
            moved[rows] = np.clip(moved[rows] + move[:, size - 2 : size - 2 + m], -far, far)
            change = np.clip(move[:, -2], -0.4 * self.width[rows], 0.4 * self.width[rows])
            shift[rows] += change
            widen[rows] = np.clip(widen[rows] + move[:, -1], -0.3, 0.3)
            light[rows] = np.maximum(np.sum(area[rows], axis=1), 0.05 * light[rows])
            if step > 1:
                rows = rows[np.abs(change) >= 1e-3 * self.width[rows]]
        return self._results(shift, area, value, design, residual)

    def _linearised(
        self, rows: NDArray[np.intp], shift: Floats, widen: Floats, light: Floats, moved: Floats
    ) -> tuple[Floats, Floats, Floats, Floats]:
        """Return areas and profiles at the present shifts, and the design and residual of the next step."""
        k, width = self.centre.shape[1], self.width[rows]
        here = (width * np.exp(widen))[:, None, None]
        value, by_centre, by_width = gaussian(self.x[rows], self.centre[rows] + shift[:, None], here)
        rate = self.rate[rows, :, None]
        loose, by_move = self._loose(rows, moved)
        linear = np.concatenate([self.background[rows], value, loose], axis=2) * rate
        prior_sd = light[:, None] * (self.spread[rows] * self.share[rows] + 0.02 / self.lines[rows, None])
        prior = np.zeros((len(rows), k, linear.shape[2]))
        prior[:, np.arange(k), 2 + np.arange(k)] = 1.0 / prior_sd
        stacked = np.concatenate([linear, prior], axis=1)
        goal = np.concatenate([self.goal[rows], light[:, None] * self.share[rows] / prior_sd], axis=1)
        amplitude = normal_solve(stacked, goal)
        area = np.maximum(amplitude[:, 2 : 2 + k], 0.0)  # light is not negative
        amplitude[:, 2 : 2 + k] = area
        (pixels, size), m = linear.shape[1:], moved.shape[1]
        design = np.zeros((len(rows), pixels + k + m + 2, size + m + 2))
        design[:, : pixels + k, :size] = stacked
        if m:
            much = np.maximum(amplitude[:, 2 + k :], 0.0)
            design[:, :pixels, size:-2] = by_move * np.concatenate([much, much], axis=1)[:, None, :] * rate
            design[:, pixels + k + np.arange(m), size + np.arange(m)] = 1.0 / self.move_sd[rows]
        moving = np.concatenate([by_centre @ area[..., None], (by_width * here) @ area[..., None]], axis=2)
        design[:, :pixels, -2:] = moving * rate
        design[:, -2, -2] = 1.0 / (START_SD * width)
        design[:, -1, -1] = 1.0 / WIDTH_SPREAD
        last = np.stack([-shift / (START_SD * width), -widen / WIDTH_SPREAD], axis=1)
        residual = goal - (stacked @ amplitude[..., None])[..., 0]
        return area, value, design, np.concatenate([residual, -moved / self.move_sd[rows], last], axis=1)

    def _loose(self, rows: NDArray[np.intp], moved: Floats) -> tuple[Floats, Floats]:
        """Return the loose things (r, p, j) where they have moved to, and their derivatives by place and width."""
        j = self.loose.shape[2]
        if moved.shape[1] == 0:
            return self.loose[rows], np.zeros((0,))
        at, width = self.loose_at[rows] + moved[:, :j], self.loose_width[rows] + moved[:, j:]
        value, by_place, by_width = gaussian(self.x[rows], at, width[:, None, :])
        inside = self.inside[rows][..., None]
        return value * inside, np.concatenate([by_place, by_width], axis=2) * inside

    def _results(
        self, shift: Floats, area: Floats, value: Floats, design: Floats, residual: Floats
    ) -> list[Shift | None]:
        pixels = self.x.shape[1]
        chi2 = np.sum(residual[:, :pixels] ** 2, axis=1) / np.maximum(self.count - 3, 1)
        chi2 = 1.0 + (chi2 - 1.0) / self.joined  # a misfit of joined pixels is the same of each, and their noise is not
        error = np.sqrt(normal_variances(design)[:, -2] * np.maximum(chi2, 1.0))
        height = np.max((value @ area[..., None])[..., 0], axis=1, where=self.inside, initial=0.0)
        noise = np.where(self.rate > 0.0, 1.0 / np.where(self.rate > 0.0, self.rate, 1.0), 0.0)
        square = (residual[:, :pixels] * noise) ** 2 + (self.joined[:, None] - 1.0) * noise**2  # of single pixels
        misfit = np.sqrt(np.sum(square, axis=1) / self.count) / np.maximum(height, 1e-300)
        good = (self.light > 0) & (np.abs(shift) <= 1.2 * self.width)
        return [
            Shift(
                shift_px=float(self.joined[n] * shift[n]), standard_error_px=float(self.joined[n] * error[n]),
                area=self.joined[n] * area[n, : self.lines[n]], misfit=float(misfit[n]),
            ) if good[n] else None
            for n in range(len(shift))
        ]  # fmt: skip


def _filled(rows: list[Floats], length: int, value: float) -> Floats:
    """Return rows of different lengths as one array (b, length), filled up with a value."""
    out = np.full((len(rows), length), value)
    for k, row in enumerate(rows):
        out[k, : len(row)] = row
    return out
