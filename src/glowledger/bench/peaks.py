"""Emission peaks: found over a smooth continuum, centred to a fraction of a pixel, with standard errors."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, signal

from glowledger.bench.line_fits import GroupFit, LineWindow, fit_groups
from glowledger.bench.scene import Scene, prepare

Floats = NDArray[np.float64]

MIN_SNR = 5.0
MAX_PEAKS = 150
SIGNIFICANT = 3.0  # standard errors of its light that a peak must have
BROAD_RATIO = 1.6  # wider than this many line widths: a band, not a line
WINDOW_WIDTHS = 2.5
PLATEAU_ERROR = 0.3  # of the FWHM: how far a line may lie from the middle of its flat top


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Peaks:
    """Emission peaks of one spectrum; arrays of shape (m,), ordered by pixel.

    Attributes
    ----------
    pixel, standard_error_px : ndarray of shape (m,)
        Centre and its standard error in pixels, pixel 0 first.
    area, area_se : ndarray of shape (m,)
        Counts under the line, and their standard error.
    fwhm_px : ndarray of shape (m,)
        Width of a free fit (before pixel integration); NaN where a blend or saturation forbids one.
    saturated, blended, broad : ndarray of bool, shape (m,)
        Flat-topped (centred on its flanks); fitted together with a neighbour; wider than a line.
    """

    pixel: Floats
    standard_error_px: Floats
    area: Floats
    area_se: Floats
    fwhm_px: Floats
    saturated: NDArray[np.bool_]
    blended: NDArray[np.bool_]
    broad: NDArray[np.bool_]

    def __post_init__(self) -> None:
        for field in fields(self):
            value = np.array(getattr(self, field.name))
            if value.shape != np.shape(self.pixel):
                raise ValueError(f"{field.name} has shape {value.shape}, pixel has {np.shape(self.pixel)}")
            value.flags.writeable = False
            object.__setattr__(self, field.name, value)

    def __len__(self) -> int:
        return len(self.pixel)

    def __getitem__(self, index: NDArray[np.intp] | NDArray[np.bool_] | slice) -> Peaks:
        """Return the chosen peaks."""
        return Peaks(**{field.name: getattr(self, field.name)[index] for field in fields(self)})


def detect(scene: Scene, snr: float = MIN_SNR) -> NDArray[np.float64]:
    """Return rough centres (m,) in pixels of everything line-like, strongest `MAX_PEAKS` only.

    A second-derivative filter of the line width finds lines, shoulders of blends included, and is blind to a
    sloping continuum.
    """
    lines = np.minimum(scene.counts - scene.continuum, np.inf)
    sigma = max(scene.fwhm_px / 2.355, 0.6)
    response = -ndimage.gaussian_filter1d(lines, 0.8 * sigma, order=2, mode="nearest")
    impulse = np.zeros(int(16 * sigma) + 9)
    impulse[len(impulse) // 2] = 1.0
    kernel = ndimage.gaussian_filter1d(impulse, 0.8 * sigma, order=2)
    variance = ndimage.convolve1d(scene.noise**2, kernel**2, mode="nearest")
    significance = response / np.sqrt(variance)
    found = signal.find_peaks(significance, height=snr)[0]
    # ringing beside a strong line looks like a weak one: keep what rises above a share of the strong response
    reach = int(np.ceil(3.0 * sigma)) * 2 + 1
    local = ndimage.maximum_filter1d(response, reach, mode="nearest")
    found = found[(response[found] > 0.02 * local[found]) & (lines[found] > 3.0 * scene.noise[found])]
    strongest = found[np.argsort(-lines[found], kind="stable")][:MAX_PEAKS]
    return _one_for_each_top(np.sort(strongest).astype(np.float64), scene)


def _one_for_each_top(found: Floats, scene: Scene) -> Floats:
    """Return the centres with one, in its middle, for each flat top: its edges look like two lines."""
    tops, count = ndimage.label(scene.saturated)
    for number in range(1, count + 1):
        inside = np.flatnonzero(tops == number)
        on_top = (found >= inside[0] - 1.0) & (found <= inside[-1] + 1.0)
        if np.any(on_top):
            found = np.sort(np.append(found[~on_top], 0.5 * (inside[0] + inside[-1])))
    return found


def _groups(centres: Floats, reach: float) -> list[slice]:
    """Return slices of neighbouring centres closer than `reach`, at most eight to a group."""
    edges = [0]
    for i in range(1, len(centres)):
        if centres[i] - centres[i - 1] > reach or i - edges[-1] >= 8:
            edges.append(i)
    edges.append(len(centres))
    return [slice(a, b) for a, b in pairwise(edges) if b > a]


def _window(scene: Scene, low: float, high: float) -> NDArray[np.intp]:
    first = max(int(np.floor(low)), 0)
    last = min(int(np.ceil(high)), len(scene.counts) - 1)
    inside = np.arange(first, last + 1)
    return inside[scene.usable[inside]]


@dataclass(frozen=True, slots=True, eq=False)
class _Group:
    """Lines to be fitted together: centres and flat tops (m,), rough centres of all other lines, the line width."""

    centres: Floats
    saturated: list[bool]
    beside: Floats
    width: float

    @property
    def alone(self) -> bool:
        return len(self.centres) == 1


def _fit_slices(scene: Scene, groups: list[_Group], free_width: bool) -> list[GroupFit | None]:
    """Fit the lines of each group, and along with them those beside it whose light falls into the window."""
    windows, chosen, crowded = [], [], []
    for number, group in enumerate(groups):
        reach = WINDOW_WIDTHS * group.width / 2.0 + 1.5
        low, high = group.centres[0] - reach, group.centres[-1] + reach
        inside = _window(scene, low, high)
        if len(inside) < 5:
            continue
        reach = 0.5 * group.width + 1.0  # the window ends on whole pixels
        others = group.beside[(group.beside > low - reach) & (group.beside < high + reach)]
        every = np.concatenate([group.centres, others])
        windows.append(
            LineWindow(inside.astype(np.float64), scene.counts[inside], scene.noise[inside], every, group.width)
        )
        chosen.append(number)
        crowded.append(len(others) > 0)
    fits = fit_groups(windows, free_width=free_width)
    again = [k for k, fit in enumerate(fits) if fit is None and crowded[k]]
    plainer = [replace(windows[k], centres=groups[chosen[k]].centres) for k in again]
    for k, fit in zip(again, fit_groups(plainer, free_width=free_width), strict=True):
        fits[k] = fit
    found: list[GroupFit | None] = [None] * len(groups)
    for number, fit in zip(chosen, fits, strict=True):
        found[number] = fit
    return found


def measure(scene: Scene, rough: Floats, width_at: Floats | None = None) -> Peaks:
    """Fit the centres of `rough` peaks; blends jointly, saturated tops from their flanks.

    Parameters
    ----------
    scene : Scene
        The prepared spectrum.
    rough : ndarray of shape (m,)
        Rough centres in pixels, ascending.
    width_at : ndarray of shape (p,), optional
        FWHM in pixels at each pixel; the typical width if left out.

    Returns
    -------
    Peaks
    """
    groups = []
    for part in _groups(rough, 1.6 * scene.fwhm_px + 1.0):
        middle = round(float(np.mean(rough[part])))
        width = scene.fwhm_px if width_at is None else float(width_at[middle])
        saturated = [bool(np.any(_near(scene.saturated, c, width))) for c in rough[part]]
        centres = [_plateau(scene, c, width) if s else c for c, s in zip(rough[part], saturated, strict=True)]
        once = [k for k, c in enumerate(centres) if k == 0 or c - centres[k - 1] > 0.5]  # two may lie on one flat top
        beside = np.concatenate([rough[: part.start], rough[part.stop :]])
        groups.append(_Group(np.array(centres)[once], [saturated[k] for k in once], beside, width))
    fits, own_width = _fitted(scene, groups)
    rows: list[tuple[float, float, float, float, float, bool, bool, bool]] = []
    for group, fit, own in zip(groups, fits, own_width, strict=True):
        width, alone = group.width, group.alone
        if fit is None:
            rows += [
                (c, PLATEAU_ERROR * width, _seen_light(scene, c, width), np.inf, np.nan, s, not alone, False)
                for c, s in zip(group.centres, group.saturated, strict=True)
            ]
            continue
        for k, flat in enumerate(group.saturated):
            if flat and fit.centre_se[k] > PLATEAU_ERROR * width:  # the middle of the top tells it better
                fit.centre[k], fit.centre_se[k] = group.centres[k], PLATEAU_ERROR * width
            if flat and not fit.area[k] > 0:  # flanks alone may leave the height open: take what is seen
                fit.area[k] = _seen_light(scene, fit.centre[k], width)
            broad = bool(own > BROAD_RATIO * width)
            rows.append(
                (fit.centre[k], fit.centre_se[k], fit.area[k], fit.area_se[k], own, flat, not alone, broad)
            )
    return _as_peaks(rows, scene)


def _fitted(scene: Scene, groups: list[_Group]) -> tuple[list[GroupFit | None], Floats]:
    """Return the fit of each group, and the width of a free fit where a line is alone (NaN elsewhere).

    A line alone is fitted with the known width, unless it is really wider or narrower, or that fits badly.
    """
    fits: list[GroupFit | None] = [None] * len(groups)
    own_width = np.full(len(groups), np.nan)
    for alone in (True, False):
        chosen = [k for k, group in enumerate(groups) if group.alone == alone]
        for k, fit in zip(chosen, _fit_slices(scene, [groups[k] for k in chosen], alone), strict=True):
            fits[k] = fit
            own_width[k] = fit.fwhm if fit is not None and alone else np.nan
    usual = []
    for k, (fit, group) in enumerate(zip(fits, groups, strict=True)):
        if fit is not None and group.alone:
            excess = abs(fit.fwhm - group.width)
            if excess <= 0.35 * group.width or excess <= 3.0 * fit.fwhm_se or not _significant(fit):
                usual.append(k)
    for k, fixed in zip(usual, _fit_slices(scene, [groups[k] for k in usual], False), strict=True):
        free = fits[k]
        if fixed is not None and free is not None:
            lost = not _significant(free) and _significant(fixed)  # beside others the width was one thing too many
            fits[k] = fixed if lost or fixed.chi2 < 1.3 * free.chi2 else free
            own_width[k] = np.nan if lost else own_width[k]
    return fits, own_width


def _significant(fit: GroupFit) -> bool:
    """Return whether the first line of a group stands out of the error of its light."""
    return bool(fit.area[0] > SIGNIFICANT * fit.area_se[0])


def _seen_light(scene: Scene, centre: float, width: float) -> float:
    """Return the counts in a line as high as what is seen at its centre."""
    top = int(np.clip(round(centre), 0, len(scene.counts) - 1))
    return float(max(scene.counts[top] - scene.continuum[top], 0.0) * 1.064 * width)


def _near(flags: NDArray[np.bool_], centre: float, width: float) -> NDArray[np.bool_]:
    reach = max(0.6 * width, 1.0)
    return flags[max(int(centre - reach), 0) : int(centre + reach) + 2]


def _plateau(scene: Scene, centre: float, width: float) -> float:
    """Return the middle of the flat top at a centre: the best start for a fit of the flanks."""
    tops = ndimage.label(scene.saturated)[0]
    near = tops[max(int(centre - max(0.6 * width, 1.0)), 0) : int(centre + max(0.6 * width, 1.0)) + 2]
    return float(np.mean(np.flatnonzero(tops == near[near > 0][0])))


def _as_peaks(rows: list[tuple[float, float, float, float, float, bool, bool, bool]], scene: Scene) -> Peaks:
    """Keep what is positive, significant and as wide as a line; drop what the fit made two of."""
    names = ("pixel", "standard_error_px", "area", "area_se", "fwhm_px", "saturated", "blended", "broad")
    if not rows:
        none: dict[str, NDArray[Any]] = {n: np.zeros(0, dtype=bool if n in names[5:] else float) for n in names}
        return Peaks(**none)
    columns: dict[str, NDArray[Any]] = {}
    for name, values in zip(names, zip(*rows, strict=True), strict=True):
        columns[name] = np.array(values)
    order = np.argsort(columns["pixel"], kind="stable")
    columns = {n: c[order] for n, c in columns.items()}
    floor = 1e-4 * scene.fwhm_px
    columns["standard_error_px"] = np.maximum(columns["standard_error_px"], floor)
    good = (columns["area"] > SIGNIFICANT * columns["area_se"]) | columns["saturated"]
    good &= ~(columns["fwhm_px"] < 0.45 * scene.fwhm_px)
    good &= columns["standard_error_px"] < 0.6 * scene.fwhm_px
    good &= np.concatenate([[True], np.diff(columns["pixel"]) > 0.3 * scene.fwhm_px])
    return Peaks(**{n: c[good] for n, c in columns.items()})


def find_peaks(
    counts: Floats,
    mask: NDArray[np.bool_] | None = None,
    *,
    ceiling: float | None = None,
    snr: float = MIN_SNR,
) -> tuple[Peaks, Scene]:
    """Find and centre the emission peaks of one spectrum.

    Parameters
    ----------
    counts : ndarray of shape (p,)
        Counts.
    mask : ndarray of bool, shape (p,), optional
        True where a value must not be used.
    ceiling : float, optional
        Counts at which a pixel is saturated.
    snr : float
        Least significance of a peak.

    Returns
    -------
    peaks : Peaks
    scene : Scene
        Continuum, noise and typical width found on the way; `scene.fwhm_px` is NaN when there is no peak.
    """
    scene = prepare(counts, mask, ceiling=ceiling)
    if not np.isfinite(scene.fwhm_px):
        return _as_peaks([], scene), scene
    return measure(scene, detect(scene, snr)), scene
