"""One lamp spectrum under a trial scale: the light of every listed line at once, each with a strength of its own."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.polynomial.chebyshev import chebder, chebval, chebvander
from numpy.typing import NDArray
from scipy import ndimage

from glowledger.bench.pattern import nearest
from glowledger.bench.placing import FAINT_FACTOR
from glowledger.bench.profiles import gaussian_in_place
from glowledger.bench.scene import Scene
from glowledger.bench.shifts import BAND_WIDTH_NM
from glowledger.bench.shots import Shot
from glowledger.bench.whole_design import Band, Design, Hats, Places, Runs

Floats = NDArray[np.float64]

BINS_PER_WIDTH = 3.0
SHAPE_MISFIT, WING_MISFIT = 0.04, 0.01  # of the brightest beside: how well a Gaussian tells a line, and its wings
TOP_WIDTHS, WING_WIDTHS = 0.7, 4.0  # of the FWHM: what is beside
STRENGTH_SPREAD = 0.7  # part of the listed strength by which a line is off
BACKGROUND_WIDTHS = 10.0  # FWHM between the nodes of the light below the lines
DARK_WIDTHS = 8.0  # FWHM over which it is dark somewhere: crowds of lines have no dark between them
REACH = 1.5  # FWHM on either side that a line reaches
STRANGE = 0.7  # FWHM: a peak that far from every line is of no line of the lamp
TOO_FAINT = 0.3  # of the noise: lines expected to be lower do not matter
UNSEEN = -2.0  # natural log: brightness of an element without a peak beside the faintest one
OUTLIER = 4.0  # standard deviations beyond which bins count less and less for the next step
LOOSE = 1e-9  # of the surest light: least precision that holds light, as where no bin tells it or two lines coincide
LEAST_LEFT = 1e-3  # of the light of a stranger: share that no line and no bend of the scale can take over
ROUNDS = 2  # in which the spread of strengths follows what lines turn out to be


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """A part solved for the light of every line: what the next step needs."""

    part: Part
    lines: int  # first so many columns
    stray: Floats  # light of the strangers, the next columns
    design: Design  # (b, n) over noise: lines, strangers, background
    products: Floats  # (n, w) of the design, a band
    by_scale: Floats  # (b, d + 1) over noise
    prior: Floats  # (n,) precision of the light
    off: Floats  # (n,) pull of the prior
    free: NDArray[np.bool_]  # (n,) light that is not held at zero
    residual: Floats  # (b,) over noise
    loss: float

    @property
    def strange(self) -> int:
        """Number of peaks of no line of the lamp."""
        return len(self.stray)

    def curve(self) -> tuple[Floats, Floats]:
        """Return the normal matrix (d + 1, d + 1) of the scale with the light left free, and its right side."""
        weight = 1.0 / (1.0 + (self.residual / OUTLIER) ** 2)
        band = self.design.band
        moving = self.by_scale * weight[:, None]
        cross = self.design.sums(moving)
        light = self.design.sums(self.residual * weight) + self.off
        products = self.design.products(weight)
        reduced = band.solved(products, self.prior, self.free, np.column_stack([cross, light]))
        normal = moving.T @ self.by_scale - cross.T @ reduced[:, :-1]
        return normal, moving.T @ self.residual - cross.T @ reduced[:, -1]

    def gain_if_free(self, rate: Floats, least: float) -> Floats:
        """Return how much the loss would fall for each peak (m,) if a stranger stood there, the scale being free.

        Zero for peaks that gain less than the `least` that matters, whatever lines and scale take over.
        """
        part, gain = self.part, np.zeros(len(self.part.peak_x))
        light = part.of_peaks
        pull, square = light.sums(self.residual), np.sum(light.value**2, axis=1)
        asked = np.flatnonzero((pull > 0.0) & (pull**2 >= least * (LEAST_LEFT * square + 1e-300)))
        light, pull, square = light.chosen(asked), pull[asked], square[asked]
        band = self.design.band
        mixed, cross = self.design.sums(self.by_scale), self.design.products_with(light)
        terms = mixed.shape[1]
        held = band.solved(self.products, self.prior, self.free, np.column_stack([mixed, cross]))
        own = self.by_scale.T @ self.by_scale + np.diag(rate) - mixed.T @ held[:, :terms]
        moved = light.sums(self.by_scale).T - held[:, :terms].T @ cross
        left = square - np.sum(cross * held[:, terms:], axis=0) - np.sum(moved * np.linalg.solve(own, moved), axis=0)
        gain[asked] = pull**2 / np.maximum(left, LEAST_LEFT * square + 1e-300)
        return gain


class Part:
    """One spectrum, binned."""

    def __init__(self, shot: Shot) -> None:
        scene = shot.scene
        self.shot, self.lines = shot, shot.lines
        self.pixel, self.u_per_pixel = np.arange(len(shot.u), dtype=np.float64), np.gradient(shot.u)
        self.typical_px = typical = float(np.median(shot.fwhm_px))
        self.size = size = max(int(typical / BINS_PER_WIDTH), 1)
        count = len(shot.u) // size
        shape, cut = (count, size), count * size
        use = scene.usable[:cut].reshape(shape)
        pixels = np.maximum(use.sum(axis=1), 1)
        self.good = np.any(use, axis=1) & ~np.any(scene.saturated[:cut].reshape(shape), axis=1)
        lifted = (scene.counts - _below(scene))[:cut].reshape(shape)
        counts = np.where(use, lifted, 0.0).sum(axis=1) / pixels
        noise = np.sqrt(np.where(use, scene.noise[:cut].reshape(shape) ** 2, 0.0).sum(axis=1)) / pixels
        self.counts, self.x = counts, np.arange(count, dtype=np.float64)
        self.width = shot.fwhm_px[:cut].reshape(shape).mean(axis=1) / size
        self.peak_x = (shot.peaks.pixel + 0.5) / size - 0.5
        light = np.where(self.good, np.maximum(counts, 0.0), 0.0)
        flat = shot.peaks.saturated
        top = np.clip(np.rint(self.peak_x[flat]).astype(np.intp), 0, count - 1)
        height = shot.peaks.area[flat] / size / (1.064 * self.width[top])  # of a Gaussian of that area and width
        np.maximum.at(light, top, height)
        beside = [
            share * ndimage.maximum_filter1d(light, 2 * int(np.ceil(reach * typical / size)) + 1)
            for share, reach in ((SHAPE_MISFIT, TOP_WIDTHS), (WING_MISFIT, WING_WIDTHS))
        ]
        self.noise = np.sqrt(noise**2 + beside[0] ** 2 + beside[1] ** 2)
        self.rate = np.where(self.good, 1.0 / np.maximum(self.noise, 1e-300), 0.0)
        self.background = Hats.of(max(int(count / (BACKGROUND_WIDTHS * typical / size)), 3), self.rate)
        self.background_sd = float(np.median(np.abs(counts)) + np.median(noise))

    def width_nm(self, scale: Floats) -> float:
        """Return the typical line width under a scale, nm."""
        return self.typical_px * abs(float(scale[1])) * 2.0 / len(self.shot.u)

    def places(self, scale: Floats) -> tuple[NDArray[np.intp], Floats, Floats, Floats]:
        """Return the lines on the axis (k,), their places in bins (k,), derivative by the scale, nm per bin (k,)."""
        shot = self.shot
        nm = chebval(shot.u, scale)
        rising = nm if nm[-1] > nm[0] else nm[::-1]
        pixel = np.interp(self.lines.wavelength_nm, rising, self.pixel, left=np.nan, right=np.nan)
        rows = np.flatnonzero(np.isfinite(pixel))
        pixel = pixel[rows] if nm[-1] > nm[0] else len(nm) - 1.0 - pixel[rows]
        u = np.interp(pixel, self.pixel, shot.u)
        step = chebval(u, chebder(scale)) * np.interp(pixel, self.pixel, self.u_per_pixel) * self.size
        moving = np.where(self.lines.anchor[rows], -1.0, 0.0)  # where a phosphor band lies says nothing
        return rows, (pixel + 0.5) / self.size - 0.5, (moving / step)[:, None] * chebvander(u, len(scale) - 1), step

    def at_lines(self, scale: Floats) -> NDArray[np.bool_]:
        """Return which bins (b,) are within a line width of a peak that a sharp line of the lamp explains."""
        rows, x, _, _ = self.places(scale)
        sharp = x[self.lines.anchor[rows] & self.lines.bright[rows]]
        width = np.interp(self.peak_x, self.x, self.width)
        told = np.any(np.abs(self.peak_x[:, None] - sharp) < STRANGE * width[:, None], axis=1)
        return self.good & np.any(np.abs(self.x[:, None] - self.peak_x[told]) < width[told], axis=1)

    def brightness(self, scale: Floats) -> Floats:
        """Return ln(light over listed strength) of each element, from peaks near its bright, else its faint lines."""
        rows, x, _, _ = self.places(scale)
        out = np.full(int(np.max(self.lines.element)) + 1, np.nan)
        if len(rows) == 0 or len(self.peak_x) == 0:
            return np.zeros(len(out))
        width = np.interp(x, self.x, self.width)
        next_peak = nearest(self.peak_x, x)
        light = np.maximum(self.shot.peaks.area[next_peak] / self.size, 1e-9)
        ratio = np.log(light / _within(x, self.lines.strength[rows], x, 0.8 * width))
        at_peak = np.abs(self.peak_x[next_peak] - x) < 0.6 * width
        element, bright = self.lines.element[rows], at_peak & self.lines.bright[rows]
        for number in set(element[bright].tolist()):
            out[number] = float(np.median(ratio[bright & (element == number)]))
        crowded = _within(x, bright.astype(np.float64), x, 0.8 * width) > 0.5
        faint = at_peak & ~crowded & np.isnan(out[element])  # of an element none of whose bright lines shows
        for number in set(element[faint].tolist()):
            out[number] = float(np.median(ratio[faint & (element == number)]))
        faintest = float(np.min(out[np.isfinite(out)], initial=0.0)) if np.any(np.isfinite(out)) else 0.0
        return np.where(np.isfinite(out), out, faintest + UNSEEN)

    def solved(self, scale: Floats, factor: Floats, freed: frozenset[int] = frozenset()) -> State:
        """Return the light of every line, stranger and of the background that explains the counts best."""
        rows, x, by_scale, step = self.places(scale)
        width = np.interp(x, self.x, self.width)
        near, foreign = _met(self.peak_x, x - STRANGE * width, x + STRANGE * width)
        foreign[list(freed)] = True
        strangers = self.peak_x[foreign]
        expected = self.lines.strength[rows] * np.exp(factor[self.lines.element[rows]])
        here = np.interp(x, self.x, self.noise)
        seen = (expected > TOO_FAINT * here * width) | near
        rows, x, by_scale, width, expected = rows[seen], x[seen], by_scale[seen], width[seen], expected[seen]
        wide = np.where(self.lines.anchor[rows], width, np.hypot(width, BAND_WIDTH_NM / np.abs(step[seen])))
        loose = np.interp(strangers, self.x, self.width)
        light, by_place = self.profiles(np.concatenate([x, strangers]), np.concatenate([wide, loose]))
        design = Design(light.scaled(self.rate), self.background)
        spread = np.where(self.lines.bright[rows], STRENGTH_SPREAD, FAINT_FACTOR)
        goal = self.counts * self.rate
        products = design.products()
        area, prior, free = _light(
            (design.band, products), design.sums(goal), expected, spread, len(strangers), self.background_sd
        )
        k = len(rows)
        residual = goal - design.spread(area)
        off = np.zeros(len(area))
        off[:k] = (expected - area[:k]) * prior[:k]
        loss = float(residual @ residual + np.sum(off[:k] ** 2 / prior[:k]))
        stray = area[k : k + len(strangers)]
        lit = np.concatenate([area[:k, None] * by_scale, np.zeros((len(stray), len(scale)))])  # strangers stay
        moving = by_place.scaled(self.rate).spread(lit)
        return State(self, k, stray, design, products, moving, prior, off, free, residual, loss)

    @cached_property
    def of_peaks(self) -> Runs:
        """A line over noise at each peak."""
        return self.profiles(self.peak_x, np.interp(self.peak_x, self.x, self.width))[0].scaled(self.rate)

    def of_no_lamp(self) -> Floats:
        """Return the residuals over noise of the usable bins if every peak is a line of no lamp."""
        design = Design(self.of_peaks, self.background)
        goal, none = self.counts * self.rate, np.zeros(0)
        banded = (design.band, design.products())
        light, _, _ = _light(banded, design.sums(goal), none, none, len(self.peak_x), self.background_sd)
        return (goal - design.spread(light))[self.good]

    def profiles(self, x: Floats, width: Floats) -> tuple[Runs, Runs]:
        """Return unit lines (b, k) in the bins and their derivatives by the place."""
        bins = len(self.x)
        reach = int(np.ceil(REACH * float(np.max(width, initial=0.0)))) + 1
        first = np.rint(x).astype(np.intp) - reach
        at = first[:, None] + np.arange(2 * reach + 1)
        here, by_place = gaussian_in_place(at.astype(np.float64), x[:, None], width[:, None, None])
        inside = (at >= 0) & (at < bins)
        places = Places(first, 2 * reach + 1, bins)
        return Runs(places, here[..., 0] * inside), Runs(places, by_place[..., 0] * inside)


def _within(places: Floats, amount: Floats, at: Floats, reach: Floats) -> Floats:
    """Return the sum of the amounts (k,), at places that rise or fall, within reach of each of other places (m,)."""
    order = slice(None) if places[-1] >= places[0] else slice(None, None, -1)
    rising, total = places[order], np.concatenate([[0.0], np.cumsum(amount[order])])
    return np.asarray(total[np.searchsorted(rising, at + reach)] - total[np.searchsorted(rising, at - reach, "right")])


def _met(places: Floats, first: Floats, last: Floats) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return which intervals (k,) have any of the places (m,) within, and which places are within none of them."""
    rising, begin, end = np.sort(places), np.sort(first), np.sort(last)
    met = np.searchsorted(rising, last) > np.searchsorted(rising, first, side="right")
    return met, np.searchsorted(begin, places) <= np.searchsorted(end, places, side="right")


def _below(scene: Scene) -> Floats:
    """Return the light below the lines, shape (p,): where it is dark far around, not between lines that stand close."""
    smooth = ndimage.gaussian_filter1d(scene.counts, max(0.35 * scene.fwhm_px, 0.5), mode="nearest")
    opened = ndimage.grey_opening(smooth, size=2 * int(np.ceil(DARK_WIDTHS * scene.fwhm_px)) + 1, mode="nearest")
    return np.asarray(ndimage.gaussian_filter1d(opened, scene.fwhm_px, mode="nearest"))


def _light(
    products: tuple[Band, Floats], pull: Floats, expected: Floats, spread: Floats, loose: int, background_sd: float
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Return the light (n,) of lines, strangers and background, its prior precision, and what is not held at zero.

    `products`, a band (n, w), and `pull` (n,) are those of the columns, and of these with the counts.
    A line may be brighter than listed by any factor: its spread is taken from what it turns out to be.
    """
    lines, n = len(expected), len(pull)
    band, gram = products
    held = LOOSE * float(np.max(gram[:, 0], initial=1e-300))
    area, free = np.zeros(n), np.ones(n, dtype=bool)
    area[:lines] = expected
    for turn in range(ROUNDS):
        sd = spread * np.maximum(expected, area[:lines]) + 1e-12
        sure = np.maximum(sd**-2.0, held)
        prior = np.concatenate([sure, np.full(loose, held), np.full(n - lines - loose, background_sd**-2.0)])
        right = pull.copy()
        right[:lines] += expected * prior[:lines]
        for _ in range(ROUNDS if turn == 0 else 1):
            area = band.solved(gram, prior, free, right)
            dark = area < 0.0
            dark[lines + loose :] = False
            if not np.any(dark):
                break
            free &= ~dark
        area[: lines + loose] = np.maximum(area[: lines + loose], 0.0)
    return area, prior, free
