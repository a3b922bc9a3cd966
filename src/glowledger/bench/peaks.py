"""Emission peaks: found over a smooth continuum, centred to a fraction of a pixel, with standard errors."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, signal

from glowledger.bench.profiles import gaussian, normal_solve

Floats = NDArray[np.float64]

MIN_SNR = 5.0
MAX_PEAKS = 150
HOT_NEIGHBOUR_SHARE = 0.12  # a line of FWHM 1.2 px still puts 0.24 of its top pixel into the next ones
BROAD_RATIO = 1.6  # wider than this many line widths: a band, not a line
WINDOW_WIDTHS = 2.5


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


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Scene:
    """One spectrum prepared for peak finding; arrays of shape (p,) in counts.

    Attributes
    ----------
    counts, continuum, noise : ndarray of shape (p,)
        Counts with gaps bridged, the smooth part below the lines, standard deviation of a pixel.
    usable, saturated : ndarray of bool, shape (p,)
        True where a pixel may be fitted; True at the ceiling.
    fwhm_px : float
        Typical line width in pixels.
    hot : ndarray of intp
        Pixels taken for hot ones (brighter than any line shape allows).
    """

    counts: Floats
    continuum: Floats
    noise: Floats
    usable: NDArray[np.bool_]
    saturated: NDArray[np.bool_]
    fwhm_px: float
    hot: NDArray[np.intp]


def noise_level(counts: Floats) -> float:
    """Return the standard deviation of the pixel-to-pixel noise, robust against lines.

    Second differences remove any smooth spectrum; their median absolute deviation ignores lines as long as
    these fill less than half of the pixels.
    """
    second = counts[2:] - 2.0 * counts[1:-1] + counts[:-2]
    spread = 1.4826 * float(np.median(np.abs(second - np.median(second)))) / np.sqrt(6.0)
    return max(spread, 1e-9 * float(np.ptp(counts)) if len(counts) else 0.0, 1e-300)


def flat_tops(counts: Floats, ceiling: float | None) -> NDArray[np.bool_]:
    """Return True where pixels are at the ceiling: the stated one, or equal neighbouring values at the top."""
    if ceiling is not None:
        return np.asarray(counts >= ceiling)
    top = float(np.max(counts))
    near = counts >= top - 1e-3 * (top - float(np.median(counts)))
    run = ndimage.label(near)[0]
    sizes = np.bincount(run.ravel())
    flat = near & (sizes[run] >= 3)
    steps = np.abs(np.diff(counts))[flat[1:] & flat[:-1]]
    # a real top of three pixels is curved; equal values side by side are a ceiling
    return flat if len(steps) and np.median(steps) <= 1e-4 * (top - float(np.median(counts))) else flat & False


def continuum_below(counts: Floats, fwhm_px: float) -> Floats:
    """Return the smooth light below the lines, shape (p,): a smoothed opening, then smoothed again."""
    smooth = ndimage.gaussian_filter1d(counts, max(0.35 * fwhm_px, 0.5), mode="nearest")
    size = 2 * int(np.ceil(2.2 * fwhm_px)) + 1
    opened = ndimage.grey_opening(smooth, size=size, mode="nearest")
    return np.asarray(ndimage.gaussian_filter1d(opened, 1.2 * fwhm_px, mode="nearest"))


def hot_pixels(counts: Floats, noise: float) -> NDArray[np.intp]:
    """Return pixels that stand alone: both neighbours get less light than any optical line would give them."""
    padded = np.pad(counts, 2, mode="edge")
    base = np.minimum(padded[:-4], padded[4:])
    height = counts - base
    beside = np.maximum(padded[1:-3], padded[3:-1]) - base
    alone = (height > 8.0 * noise) & (beside < HOT_NEIGHBOUR_SHARE * height + 2.0 * noise)
    return np.flatnonzero(alone)


def typical_width(counts: Floats, noise: float) -> float:
    """Return the FWHM in pixels of the narrowest quarter of the prominent peaks (blends and bands are wider), or NaN."""
    smooth = counts
    if len(counts) > 600:  # a three-point average tames noise and widens a line of 3 px by a tenth only
        smooth = ndimage.gaussian_filter1d(counts, 0.6, mode="nearest")
    found, facts = signal.find_peaks(smooth, prominence=8.0 * noise)
    if len(found) == 0:
        return float("nan")
    strongest = np.argsort(-facts["prominences"], kind="stable")[:40]
    widths = signal.peak_widths(smooth, found[strongest], rel_height=0.5)[0]
    sampled = np.sqrt(np.maximum(widths**2 - (0.6 * 2.355) ** 2 * (len(counts) > 600) - 0.46, 1.0))
    weights = np.sqrt(facts["prominences"][strongest])
    order = np.argsort(sampled)
    share = np.cumsum(weights[order]) / np.sum(weights)
    return float(sampled[order][np.searchsorted(share, 0.25)])


def prepare(
    counts: Floats, mask: NDArray[np.bool_] | None = None, *, ceiling: float | None = None
) -> Scene:
    """Bridge gaps, estimate noise, width and continuum of one spectrum.

    Parameters
    ----------
    counts : ndarray of shape (p,)
        Counts.
    mask : ndarray of bool, shape (p,), optional
        True where a value must not be used.
    ceiling : float, optional
        Counts at which a pixel is saturated; flat tops are recognised without it.

    Returns
    -------
    Scene
    """
    counts = np.asarray(counts, dtype=np.float64)
    bad = ~np.isfinite(counts) if mask is None else (~np.isfinite(counts) | mask)
    index = np.arange(len(counts))
    safe = np.where(np.isfinite(counts), counts, 0.0)
    saturated = flat_tops(safe, ceiling)
    gaps = bad & ~saturated
    if np.any(gaps) and not np.all(gaps):
        safe = np.where(gaps, np.interp(index, index[~gaps], safe[~gaps]), safe)
    level = noise_level(safe)
    hot = hot_pixels(safe, level)
    hot = hot[~saturated[hot]]
    if len(hot):
        keep = np.ones(len(safe), dtype=bool)
        keep[hot] = False
        safe = np.where(keep, safe, np.interp(index, index[keep], safe[keep]))
    width = typical_width(safe, level)
    continuum = continuum_below(safe, width if np.isfinite(width) else 4.0)
    gain = 1e-4 * float(np.ptp(safe))  # photon noise until the fit knows better: 1 % at the brightest pixel
    gain = min(gain, 1.0) if np.ptp(safe) > 300 else gain
    noise = np.sqrt(level**2 + gain * np.maximum(safe - continuum, 0.0))
    usable = ~(bad | saturated)
    usable[hot] = False
    return Scene(
        counts=safe, continuum=continuum, noise=noise, usable=usable, saturated=saturated, fwhm_px=width, hot=hot
    )


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
    return [slice(a, b) for a, b in zip(edges[:-1], edges[1:], strict=True) if b > a]


@dataclass(slots=True)
class _GroupFit:
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
) -> _GroupFit | None:
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
        centre = np.clip(centre + move, x[0], x[-1])
        if free_width:
            width = float(np.clip(width + np.clip(solution[-1], -0.3 * width, 0.3 * width), 0.6, 8.0 * fwhm))
        if step > 1 and np.max(np.abs(move)) < 1e-4 * fwhm:
            break
    if np.any(np.abs(centre - centres) > 1.5 * fwhm + 1.0):
        return None
    covariance = np.linalg.pinv(design.T @ design)
    chi2 = float(residual @ residual) / max(len(x) - design.shape[1], 1)
    error = np.sqrt(np.maximum(np.diag(covariance), 0.0) * max(chi2, 1.0))
    return _GroupFit(
        centre=centre,
        centre_se=error[2 + m : 2 + 2 * m],
        area=area,
        area_se=error[2 : 2 + m],
        fwhm=width,
        fwhm_se=float(error[-1]) if free_width else float("nan"),
        chi2=chi2,
    )


def _window(scene: Scene, low: float, high: float) -> NDArray[np.intp]:
    first = max(int(np.floor(low)), 0)
    last = min(int(np.ceil(high)), len(scene.counts) - 1)
    inside = np.arange(first, last + 1)
    return inside[scene.usable[inside]]


def _fit_slice(scene: Scene, centres: Floats, width: float, free_width: bool) -> _GroupFit | None:
    reach = WINDOW_WIDTHS * width / 2.0 + 1.5
    inside = _window(scene, centres[0] - reach, centres[-1] + reach)
    if len(inside) < 5:
        return None
    x = inside.astype(np.float64)
    return fit_group(x, scene.counts[inside], scene.noise[inside], centres, width, free_width=free_width)


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
    typical = scene.fwhm_px
    rows: list[tuple[float, float, float, float, float, bool, bool, bool]] = []
    for group in _groups(rough, 1.6 * typical + 1.0):
        centres = rough[group]
        middle = int(round(float(np.mean(centres))))
        width = typical if width_at is None else float(width_at[middle])
        saturated = [bool(np.any(_near(scene.saturated, c, width))) for c in centres]
        centres = np.array([_plateau(scene, c, width) if s else c for c, s in zip(centres, saturated, strict=True)])
        alone = len(centres) == 1
        fit = _fit_slice(scene, centres, width, free_width=alone)
        own_width = float("nan")
        if fit is not None and alone:
            own_width = fit.fwhm
            off = abs(fit.fwhm - width) > 0.35 * width and abs(fit.fwhm - width) > 3.0 * fit.fwhm_se
            if not off:
                fixed = _fit_slice(scene, centres, width, free_width=False)
                fit = fixed if fixed is not None and fixed.chi2 < 1.3 * fit.chi2 else fit
        if fit is None:
            rows += [(c, 0.3 * width, 0.0, np.inf, np.nan, s, not alone, False) for c, s in zip(centres, saturated, strict=True)]
            continue
        for k in range(len(centres)):
            if saturated[k] and not fit.area[k] > 0:  # flanks alone may leave the height open: take what is seen
                top = int(np.clip(round(fit.centre[k]), 0, len(scene.counts) - 1))
                fit.area[k] = max(scene.counts[top] - scene.continuum[top], 0.0) * 1.064 * width
            broad = bool(own_width > BROAD_RATIO * width)
            rows.append(
                (fit.centre[k], fit.centre_se[k], fit.area[k], fit.area_se[k], own_width, saturated[k], not alone, broad)
            )
    return _as_peaks(rows, scene)


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
        empty = np.zeros(0)
        return Peaks(**{n: empty.astype(bool) if n in names[5:] else empty for n in names})
    columns = dict(zip(names, (np.array(c) for c in zip(*rows, strict=True)), strict=True))
    order = np.argsort(columns["pixel"], kind="stable")
    columns = {n: c[order] for n, c in columns.items()}
    floor = 1e-4 * scene.fwhm_px
    columns["standard_error_px"] = np.maximum(columns["standard_error_px"], floor)
    good = (columns["area"] > 3.0 * columns["area_se"]) | columns["saturated"]
    good &= ~(columns["fwhm_px"] < 0.45 * scene.fwhm_px)
    good &= columns["standard_error_px"] < 0.6 * scene.fwhm_px
    good &= np.concatenate([[True], np.diff(columns["pixel"]) > 0.3 * scene.fwhm_px])
    return Peaks(**{n: c[good] for n, c in columns.items()})


def find_peaks(
    counts: Floats, mask: NDArray[np.bool_] | None = None, *, ceiling: float | None = None, snr: float = MIN_SNR
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
