"""The whole lamp spectrum under a trial scale: every listed line at once, each with a strength of its own.

Peaks alone say little where lines stand close: one centre for several lines. Fitted to the counts, all the lines near a
peak explain its place and its shape, and the dark between peaks speaks as well. So curves that the peaks do not tell
apart are told apart here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial.chebyshev import chebder, chebval, chebvander
from numpy.typing import NDArray
from scipy import ndimage
from scipy.linalg import solve

from glowledger.bench.placing import FAINT_FACTOR
from glowledger.bench.profiles import gaussian
from glowledger.bench.shifts import BAND_WIDTH_NM
from glowledger.bench.shots import Shot

Floats = NDArray[np.float64]

BINS_PER_WIDTH = 3.0
SHAPE_MISFIT, WING_MISFIT = 0.04, 0.01  # of the brightest beside: how well a Gaussian tells a line, and its wings
TOP_WIDTHS, WING_WIDTHS = 0.7, 4.0  # of the FWHM: what is beside
STRENGTH_SPREAD = 0.7  # part of the listed strength by which a line is off
BACKGROUND_WIDTHS = 10.0  # FWHM between the nodes of the light below the lines
REACH = 1.5  # FWHM on either side that a line reaches
STRANGE = 0.7  # FWHM: a peak that far from every line is of no line of the lamp
STRANGE_PRICE = 5.0  # natural log: of a peak that no line explains (chance of a stranger, room for a line)
TOO_FAINT = 0.3  # of the noise: lines expected to be lower do not matter
UNSEEN = -2.0  # natural log: brightness of an element without a peak beside the faintest one
OUTLIER = 4.0  # standard deviations beyond which bins count less and less for the next step
LARGEST_STEP = 0.5  # of the FWHM
MOST_STRANGE, FEW_STRANGE = 0.25, 3  # peaks that no line explains: share, number that is no sign of another lamp
MOST_MISFIT = 6.0  # mean square residual over its variance
ROUNDS = 2  # in which the spread of strengths follows what lines turn out to be
HOPELESS = 30.0  # natural log of the odds against a curve after one step, which never gains so much by another


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class WholeFit:
    """A scale drawn to the whole spectrum.

    Attributes
    ----------
    scale : ndarray of shape (d + 1,)
        Chebyshev coefficients, nm.
    loss : float
        Sum of squares over variances, strengths included.
    strange, peaks : int
        Peaks of no line of the lamp, and of all.
    chi2 : float
        Mean square of the residuals over their variance.
    covariance : ndarray of shape (d + 1, d + 1)
        Of the coefficients, nm²: misfits beyond noise counted once in a line width.
    """

    scale: Floats
    loss: float
    strange: int
    peaks: int
    chi2: float
    covariance: Floats

    def standard_error_nm(self, u: Floats) -> Floats:
        """Return the standard error of the scale at u, nm, same shape."""
        basis = chebvander(np.asarray(u, dtype=np.float64), len(self.scale) - 1)
        return np.sqrt(np.einsum("...i,ij,...j->...", basis, self.covariance, basis))

    @property
    def worth(self) -> float:
        """Loss that is worth one unit of log odds."""
        return 2.0 * BINS_PER_WIDTH * max(self.chi2, 1.0)

    @property
    def trusted(self) -> bool:
        """Whether the lines of the lamp describe the spectrum: else misfits and strangers decide, not places."""
        return self.chi2 < MOST_MISFIT and self.strange <= max(MOST_STRANGE * self.peaks, FEW_STRANGE)

    def log_odds(self, other: WholeFit) -> float:
        """Return the natural log of the odds of this scale over another one; 0 if it is not `trusted`.

        Residuals beyond noise are misfits of shape and alike over a line width, so their square counts once in a width;
        how large they are this fit tells.
        """
        if not self.trusted:
            return 0.0
        return (other.loss - self.loss) / self.worth + STRANGE_PRICE * (other.strange - self.strange)


class WholeSpectrum:
    """The spectra of one instrument, binned to a third of a line width."""

    def __init__(self, shots: list[Shot], prior_sd: Floats) -> None:
        """Bin the spectra; `prior_sd` (d + 1,) says how crooked scales may be."""
        self.parts = [_Part(shot) for shot in shots]
        self.prior_sd = prior_sd

    def fit(self, scale: Floats, steps: int = 2, than: WholeFit | None = None) -> WholeFit:
        """Draw a scale to the spectrum by a few Gauss-Newton steps; where a step makes it worse, it is not taken.

        Parameters
        ----------
        scale : ndarray of shape (d + 1,)
            Chebyshev coefficients.
        steps : int
            Largest number of steps.
        than : WholeFit, optional
            A fit to compare with: one that is hopeless beside it is given up early, and gets no covariance.
        """
        factors = [part.brightness(scale) for part in self.parts]
        best = here = self._weigh(scale, factors)
        for _ in range(steps):
            moved = self._step(here)
            if moved is None:
                break
            here = self._weigh(moved, factors)
            if not here.loss < best.loss:
                break
            best = here
            if than is not None and best.loss > than.loss + HOPELESS * than.worth:
                break
        chi2 = float(np.mean(np.concatenate([state.residual[state.part.good] ** 2 for state in best.states])))
        strange = sum(state.strange for state in best.states)
        covariance = np.full((len(scale), len(scale)), np.nan)
        if than is None:
            covariance = np.asarray(np.linalg.inv(self._normal(best)[0])) * BINS_PER_WIDTH * max(chi2, 1.0)
        peaks = sum(len(part.peak_x) for part in self.parts)
        return WholeFit(
            scale=best.scale, loss=best.loss, strange=strange, peaks=peaks, chi2=chi2, covariance=covariance
        )

    def _weigh(self, scale: Floats, factors: list[Floats]) -> _Weighed:
        states = [part.solved(scale, factor) for part, factor in zip(self.parts, factors, strict=True)]
        return _Weighed(scale, states, sum(state.loss for state in states))

    def _normal(self, here: _Weighed) -> tuple[Floats, Floats]:
        """Return the normal matrix (d + 1, d + 1) of the scale and its right side, prior included."""
        rate = self.prior_sd[: len(here.scale)] ** -2.0
        precision, pull = np.diag(rate), -np.concatenate([[0.0, 0.0], here.scale[2:]]) * rate
        for state in here.states:
            normal, goal = state.curve()
            precision += normal
            pull += goal
        return precision, pull

    def _step(self, here: _Weighed) -> Floats | None:
        """Return the scale after one step; None where it would run away."""
        change = np.asarray(np.linalg.solve(*self._normal(here)))
        places = np.linspace(-1.0, 1.0, 9)
        largest = float(np.max(np.abs(chebval(places, change)) / (LARGEST_STEP * self.parts[0].width_nm(here.scale))))
        if not np.isfinite(largest):
            return None
        moved = here.scale + change / max(largest, 1.0)
        slope = chebval(np.linspace(-1.0, 1.0, 65), chebder(moved))
        return moved if np.all(slope * np.sign(moved[1]) > 0.0) else None


@dataclass(frozen=True, slots=True, eq=False)
class _Weighed:
    scale: Floats
    states: list[_State]
    loss: float


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    """A part solved for the light of every line: what the next step needs."""

    part: _Part
    design: Floats  # (b, n) over noise: lines, strangers, background
    by_scale: Floats  # (b, d + 1) over noise
    prior: Floats  # (n,) precision of the light
    off: Floats  # (n,) pull of the prior
    free: NDArray[np.bool_]  # (n,) light that is not held at zero
    residual: Floats  # (b,) over noise
    loss: float
    strange: int

    def curve(self) -> tuple[Floats, Floats]:
        """Return the normal matrix (d + 1, d + 1) of the scale with the light left free, and its right side."""
        weight = 1.0 / (1.0 + (self.residual / OUTLIER) ** 2)
        design, free = self.design[:, self.free], self.free
        turned = (design * weight[:, None]).T
        own = turned @ design + np.diag(self.prior[free])
        cross = turned @ self.by_scale
        moving = (self.by_scale * weight[:, None]).T
        reduced = np.linalg.solve(own, np.column_stack([cross, turned @ self.residual + self.off[free]]))
        normal = moving @ self.by_scale - cross.T @ reduced[:, :-1]
        return normal, moving @ self.residual - cross.T @ reduced[:, -1]


class _Part:
    """One spectrum, binned."""

    def __init__(self, shot: Shot) -> None:
        scene = shot.scene
        self.shot, self.lines = shot, shot.lines
        typical = float(np.median(shot.fwhm_px))
        self.size = size = max(int(typical / BINS_PER_WIDTH), 1)
        count = len(shot.u) // size
        shape, cut = (count, size), count * size
        use = scene.usable[:cut].reshape(shape)
        pixels = np.maximum(use.sum(axis=1), 1)
        self.good = np.any(use, axis=1) & ~np.any(scene.saturated[:cut].reshape(shape), axis=1)
        counts = np.where(use, (scene.counts - scene.continuum)[:cut].reshape(shape), 0.0).sum(axis=1) / pixels
        noise = np.sqrt(np.where(use, scene.noise[:cut].reshape(shape) ** 2, 0.0).sum(axis=1)) / pixels
        self.counts, self.x = counts, np.arange(count, dtype=np.float64)
        self.width = shot.fwhm_px[:cut].reshape(shape).mean(axis=1) / size
        light = np.where(self.good, np.maximum(counts, 0.0), 0.0)
        beside = [
            share * ndimage.maximum_filter1d(light, 2 * int(np.ceil(reach * typical / size)) + 1)
            for share, reach in ((SHAPE_MISFIT, TOP_WIDTHS), (WING_MISFIT, WING_WIDTHS))
        ]
        self.noise = np.sqrt(noise**2 + beside[0] ** 2 + beside[1] ** 2)
        self.rate = np.where(self.good, 1.0 / np.maximum(self.noise, 1e-300), 0.0)
        nodes = np.linspace(0.0, count - 1.0, max(int(count / (BACKGROUND_WIDTHS * typical / size)), 3))
        self.background = np.array([np.interp(self.x, nodes, row) for row in np.eye(len(nodes))]).T
        self.background_sd = float(np.median(np.abs(counts)) + np.median(noise))
        self.peak_x = (shot.peaks.pixel + 0.5) / size - 0.5

    def width_nm(self, scale: Floats) -> float:
        """Return the typical line width under a scale, nm."""
        return float(np.median(self.shot.fwhm_px)) * abs(float(scale[1])) * 2.0 / len(self.shot.u)

    def places(self, scale: Floats) -> tuple[NDArray[np.intp], Floats, Floats, Floats]:
        """Return the lines on the axis (k,), their places in bins (k,), derivative by the scale, nm per bin (k,)."""
        shot = self.shot
        nm = chebval(shot.u, scale)
        rising = nm if nm[-1] > nm[0] else nm[::-1]
        pixel = np.interp(self.lines.wavelength_nm, rising, np.arange(len(nm)), left=np.nan, right=np.nan)
        rows = np.flatnonzero(np.isfinite(pixel))
        pixel = pixel[rows] if nm[-1] > nm[0] else len(nm) - 1.0 - pixel[rows]
        u = shot.u_at(pixel)
        step = chebval(u, chebder(scale)) * shot.u_per_pixel(pixel) * self.size
        moving = np.where(self.lines.anchor[rows], -1.0, 0.0)  # where a phosphor band lies says nothing
        return rows, (pixel + 0.5) / self.size - 0.5, (moving / step)[:, None] * chebvander(u, len(scale) - 1), step

    def brightness(self, scale: Floats) -> Floats:
        """Return ln(light over listed strength) of each element, from the peaks near its bright lines."""
        rows, x, _, _ = self.places(scale)
        out = np.full(int(np.max(self.lines.element)) + 1, np.nan)
        if len(rows) == 0 or len(self.peak_x) == 0:
            return np.zeros(len(out))
        width = np.interp(x, self.x, self.width)
        gap = np.abs(self.peak_x[None, :] - x[:, None]) / width[:, None]
        nearest = np.argmin(gap, axis=1)
        strength = self.lines.strength[rows]
        shared = (np.abs(x[:, None] - x[None, :]) < 0.8 * width[:, None]) @ strength
        light = np.maximum(self.shot.peaks.area[nearest] / self.size, 1e-9)
        near = (gap[np.arange(len(rows)), nearest] < 0.6) & self.lines.bright[rows]
        for number in set(self.lines.element[rows][near].tolist()):
            own = near & (self.lines.element[rows] == number)
            out[number] = float(np.median(np.log(light[own] / shared[own])))
        faintest = float(np.min(out[np.isfinite(out)], initial=0.0)) if np.any(np.isfinite(out)) else 0.0
        return np.where(np.isfinite(out), out, faintest + UNSEEN)

    def solved(self, scale: Floats, factor: Floats) -> _State:
        """Return the light of every line, stranger and of the background that explains the counts best."""
        rows, x, by_scale, step = self.places(scale)
        width = np.interp(x, self.x, self.width)
        near = np.abs(self.peak_x[:, None] - x[None, :]) < STRANGE * width[None, :]
        strangers = self.peak_x[~np.any(near, axis=1)]
        expected = self.lines.strength[rows] * np.exp(factor[self.lines.element[rows]])
        here = np.interp(x, self.x, self.noise)
        seen = (expected > TOO_FAINT * here * width) | np.any(near, axis=0)
        rows, x, by_scale, width, expected = rows[seen], x[seen], by_scale[seen], width[seen], expected[seen]
        wide = np.where(self.lines.anchor[rows], width, np.hypot(width, BAND_WIDTH_NM / np.abs(step[seen])))
        light, by_place = self._profiles(x, wide)
        loose, _ = self._profiles(strangers, np.interp(strangers, self.x, self.width))
        design = np.hstack([light, loose, self.background]) * self.rate[:, None]
        spread = np.where(self.lines.bright[rows], STRENGTH_SPREAD, FAINT_FACTOR)
        goal = self.counts * self.rate
        area, prior, free = _light(design, goal, expected, spread, len(strangers), self.background_sd)
        k = len(rows)
        residual = goal - design @ area
        off = np.zeros(len(area))
        off[:k] = (expected - area[:k]) * prior[:k]
        loss = float(residual @ residual + np.sum(off[:k] ** 2 / prior[:k]))
        moving = (by_place * area[:k]) @ by_scale * self.rate[:, None]
        return _State(self, design, moving, prior, off, free, residual, loss, len(strangers))

    def _profiles(self, x: Floats, width: Floats) -> tuple[Floats, Floats]:
        """Return unit lines (b, k) in the bins and their derivatives by the place."""
        value, slope = np.zeros((2, len(self.x), len(x)))
        if len(x) == 0:
            return value, slope
        reach = int(np.ceil(REACH * float(np.max(width)))) + 1
        bins = np.rint(x).astype(np.intp)[:, None] + np.arange(-reach, reach + 1)[None, :]
        here, by_place, _ = gaussian(bins.astype(np.float64), x[:, None], width[:, None, None])
        inside = (bins >= 0) & (bins < len(self.x))
        column = np.broadcast_to(np.arange(len(x))[:, None], bins.shape)
        value[bins[inside], column[inside]] = here[..., 0][inside]
        slope[bins[inside], column[inside]] = by_place[..., 0][inside]
        return value, slope


def _light(
    design: Floats, goal: Floats, expected: Floats, spread: Floats, loose: int, background_sd: float
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Return the light (n,) of lines, strangers and background, its prior precision, and what is not held at zero.

    A line may be brighter than listed by any factor: its spread is taken from what it turns out to be.
    """
    lines, n = len(expected), design.shape[1]
    gram, pull = design.T @ design, design.T @ goal
    area, free = np.zeros(n), np.ones(n, dtype=bool)
    area[:lines] = expected
    for turn in range(ROUNDS):
        sd = spread * np.maximum(expected, area[:lines]) + 1e-12
        prior = np.concatenate([1.0 / sd**2, np.full(loose, 1e-12), np.full(n - lines - loose, background_sd**-2.0)])
        right = pull.copy()
        right[:lines] += expected * prior[:lines]
        for _ in range(ROUNDS if turn == 0 else 1):
            kept = np.flatnonzero(free)
            normal = gram[np.ix_(kept, kept)]
            normal[np.arange(len(kept)), np.arange(len(kept))] += prior[kept]
            area = np.zeros(n)
            area[kept] = solve(normal, right[kept], assume_a="pos", overwrite_a=True, check_finite=False)
            dark = area < 0.0
            dark[lines + loose :] = False
            if not np.any(dark):
                break
            free &= ~dark
        area[: lines + loose] = np.maximum(area[: lines + loose], 0.0)
    return area, prior, free
