"""Every frame of a run by one linear measurement, learned from the run's own mean.

The mean spectrum, with its better signal to noise, settles what is the same in every frame: line shape,
response, rotational temperatures, the pattern of each species. What is left per frame is linear: amounts and
a small drift. Amounts are not held ≥ 0, so that noise around nothing averages to nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from glowledger import progress
from glowledger.bench.model import Bench
from glowledger.errors import RunError
from glowledger.glow.flares import flares
from glowledger.glow.frame_noise import MOST_FRAMES, noise_along
from glowledger.glow.identifying import Identified, identify, identify_alike
from glowledger.glow.instrument import branching_doubt, error_shape, free_columns, response_templates
from glowledger.glow.own_shades import shades_measure, steady_gas
from glowledger.glow.projection import Measured, Projection, filled, flicker, least_squares, saturated, with_flares
from glowledger.glow.results import SeriesFit, joined
from glowledger.glow.scene import Adjustment
from glowledger.glow.series_patterns import MOSTLY, Pattern, brightness, continuum, hidden_doubt, series_patterns
from glowledger.glow.shared_noise import shared_in_time
from glowledger.glow.verdicts import PRESENT_SIGMA
from glowledger.spectra.frames import Frames
from glowledger.spectra.masks import masked_alike, with_ceiling
from glowledger.threads import one_thread

CHUNK = 256  # frames measured at once: memory does not grow with the run
EARLY_PART = 0.15  # of the frames: where what is being cleaned off is strongest
FEW = 12  # frames: below, early and whole are one
SURE_SIGMA = 7.0  # of what has no line or band of its own; less may be the misfit of others, and misfit never ends
JOINT_SIGMA = 4.0  # species this significant in the mean or early are measured jointly; others one by one
FREE_SHARE = 0.05  # of the line light: species this bright keep their levels free
DRIFT_BIN = 0.03  # of the line width: templates are moved in steps this fine
CHANGING = 0.1  # of the template errors: what is wrong in every frame alike cancels in a trend, but for drifts
DRIFT_STEP = 0.15  # of the line width: farther the derivative overstates
DRIFT_ROUNDS = 8  # at most
KEPT = 32  # projections kept from one call to the next; a drifting spectrometer needs a few at a time

# counts, hidden pixels, drift bins, projections by bin, fitted columns, drift
_Fitted = tuple[np.ndarray, np.ndarray, np.ndarray, dict[int, Projection], np.ndarray, np.ndarray]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SeriesModel:
    """What was learned from a run; measures frames in any number and order.

    Attributes
    ----------
    identified : Identified
        The mean spectrum and its fit.
    names : tuple of str, length s
        Species measured.
    joint : tuple of str
        Those measured jointly; the others are measured one at a time on what the joint ones leave.
    sure : tuple of str
        Those of the joint ones that are in the light beyond doubt: others take up misfit of their neighbours.
    present : tuple of str
        Those with the verdict `present` in the mean or early.
    patterns : dict of str to list of (columns, weights)
        Emitter columns and fixed proportions of each joint pattern.
    typical_scans : float
        Scans in one frame.
    shared : float
        Factor of the noise of amounts where neighbouring pixels share theirs, at least 1.
    along : ndarray of shape (p,) or None
        Factor of the variance of each pixel in single frames, see `noise_along`; None where it is even.
    ceiling : float or None
        Counts at and above which values of arrays are cut off, found in the frames; None where the detector's is
        known, or none shows.
    steady : str or None
        Gas whose short-wave light is held against its long-wave light; None where none shows both.
    projections : dict of int to Projection
        Built so far, by drift in bins: a run followed frame by frame needs the same few again and again.
    """

    identified: Identified
    names: tuple[str, ...]
    joint: tuple[str, ...]
    sure: tuple[str, ...]
    present: tuple[str, ...]
    patterns: dict[str, list[Pattern]]
    typical_scans: float
    shared: float = 1.0
    along: NDArray[np.float64] | None = None
    ceiling: float | None = None
    steady: str | None = None
    projections: dict[int, Projection] = field(default_factory=dict, repr=False)

    @one_thread
    def measure(self, frames: Frames) -> SeriesFit:
        """Measure every frame.

        Parameters
        ----------
        frames : Frames
            n frames on the axis the model was learned on.

        Returns
        -------
        SeriesFit

        Raises
        ------
        RunError
            If the axis is another.
        """
        axis = self.identified.scene.axis_nm
        if frames.axis.shape != axis.shape or not np.allclose(frames.axis, axis, rtol=0, atol=1e-6):
            raise RunError("these frames have another axis than the run.", mend="Follow them as a run of their own.")
        frames = with_ceiling(frames, self.ceiling)
        chunks = (frames[start : start + CHUNK] for start in range(0, len(frames), CHUNK))
        return joined([self._results(chunk, *self._fitted(chunk)) for chunk in chunks])

    def light(self, frames: Frames) -> NDArray[np.float64]:
        """Return the light that the measurement explains, counts of shape (n, p); NaN in pixels left out."""
        _, _, bins, cache, fitted, _ = self._fitted(with_ceiling(frames, self.ceiling))
        light = np.array([cache[int(number)].columns @ row for number, row in zip(bins, fitted, strict=True)])
        return np.where(self.identified.scene.used, light, np.nan)

    def noise_along(self, frames: Frames) -> NDArray[np.float64] | None:
        """Return the factor of the variance of each pixel in such frames, shape (p,); None where it is even."""
        counts, hidden, bins, cache, fitted, _ = self._fitted(frames)
        model = np.array([cache[int(number)].columns @ row for number, row in zip(bins, fitted, strict=True)])
        used = self.identified.scene.used & ~hidden.any(axis=0)
        along = noise_along(counts - model, self._noise(model, frames.averages[:, None]), used)
        return along if np.any(along != 1.0) else None

    def _fitted(self, frames: Frames) -> _Fitted:
        scene = self.identified.scene
        fwhm = float(scene.line_spread.fwhm(scene.axis_nm[scene.axis_nm.size // 2]))
        n = len(frames)
        counts = np.array(frames.counts)
        hidden = frames.mask & scene.used[None, :]
        drift, step = np.zeros(n), DRIFT_STEP * fwhm
        cache = self._kept_projections()
        fitted, moved, bins = np.zeros((n, 0)), np.zeros(n), np.zeros(n, dtype=int)
        before = np.full(n, -(10**6))
        for _ in range(DRIFT_ROUNDS):
            bins = np.round(drift / (DRIFT_BIN * fwhm)).astype(int)
            if np.array_equal(bins, before):
                break
            before = bins
            moved = np.zeros(n)
            fitted = np.zeros((n, self._projection(0, cache, fwhm).columns.shape[1]))
            for number in np.unique(bins):  # few: frames of like drift share one projection
                rows = np.flatnonzero(bins == number)
                projection = self._projection(int(number), cache, fwhm)
                y = filled(counts[rows], hidden[rows], projection)
                fitted[rows] = y @ projection.solve.T
                left = self._drift_left(fitted[rows])
                moved[rows] = number * DRIFT_BIN * fwhm + left
                drift[rows] = number * DRIFT_BIN * fwhm + np.clip(np.nan_to_num(left), -step, step)
            drift = np.clip(drift, -2 * fwhm, 2 * fwhm)
        return counts, hidden, bins, cache, fitted, moved

    def _kept_projections(self) -> dict[int, Projection]:
        while len(self.projections) > KEPT:
            self.projections.pop(next(iter(self.projections)))
        return self.projections

    def _brightness(self, fitted: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the light of the joint patterns in each frame over that in the mean, shape (n,)."""
        light = self._pattern_light()
        return np.asarray(fitted[:, : light.size] @ light / max(float(light.sum()), np.finfo(float).tiny))

    def _drift_left(self, fitted: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the drift beyond the bin from the derivative column, nm; NaN where there is no light."""
        brightness = self._brightness(fitted)
        left = fitted[:, self._pattern_count() + continuum(self.identified).shape[1]]
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(brightness > 0.02, left / brightness, np.nan)

    def _noise(self, model: NDArray[np.float64], scans: float | NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the random variance of frames of so many scans: the detector's, without template errors."""
        scene = self.identified.scene
        one = (scene.first.read_variance + scene.first.gain * np.maximum(model, 0.0)) * scene.scans
        one = one if self.along is None else one * self.along
        return np.asarray(one / scans + scene.stated_variance)

    def _pattern_count(self) -> int:
        return sum(len(groups) for groups in self.patterns.values())

    def _pattern_light(self) -> NDArray[np.float64]:
        """Return the counts of every pattern in the mean spectrum, to which patterns are scaled."""
        in_pixels = self.identified.solution.templates[self.identified.scene.used].sum(axis=0)
        return np.array([in_pixels[c] @ w for groups in self.patterns.values() for c, w in groups])

    def _projection(self, number: int, cache: dict[int, Projection], fwhm: float) -> Projection:
        if number not in cache:
            cache[number] = self._build(number * DRIFT_BIN * fwhm)
        return cache[number]

    def _build(self, drift_nm: float) -> Projection:
        """Build the measurement for frames that drifted by so much from the mean."""
        scene, solution = self.identified.scene, self.identified.solution
        adjustment = solution.adjustment
        moved = Adjustment(
            shift_nm=adjustment.shift_nm + drift_nm * np.eye(adjustment.shift_nm.size)[0],
            shape=adjustment.shape, log_response=adjustment.log_response,
        )  # fmt: skip
        templates = response_templates(scene, moved)
        m = len(scene.emitters)
        patterns = [templates[:, c] @ w for groups in self.patterns.values() for c, w in groups]
        derivative, _, _ = free_columns(scene, moved, solution.x[:m], loose=False)
        smooth = continuum(self.identified)
        columns = np.stack([*patterns, *smooth.T, derivative[:, 0], np.ones(scene.data.size)], axis=1)
        random = self._noise(np.maximum(solution.model, 0.0), self.typical_scans)
        lines = templates @ solution.x[:m]
        uncertain = branching_doubt(scene, templates, solution.x[:m])
        template = solution.levels.template_variance(error_shape(scene, lines, uncertain)) + uncertain[1]
        doubt = random + scene.pixels_per_line * CHANGING**2 * template
        weight = np.where(self._told, 1.0 / doubt, 0.0)
        solve = least_squares(columns, weight)
        species: list[NDArray[np.float64]] = []
        alone = [k for k, name in enumerate(self.names) if name not in self.patterns]
        beside = np.array([self._typical(self.names[k], templates) for k in alone]).reshape(-1, scene.data.size)
        sums = columns[self._told].sum(axis=0)
        whole = columns[:, : len(patterns)].sum(axis=0)
        at = 0
        for name in self.names:
            if name in self.patterns:
                rows = np.arange(at, at + len(self.patterns[name]))
                at += rows.size
                own = self._own(name)
                others = templates[:, ~own] @ solution.x[:m][~own]
                doubt = random + scene.pixels_per_line * (solution.levels.mismatch * others) ** 2
                variance = solve[rows] ** 2 @ np.where(self._told, doubt, 0.0)
                species.append(brightness(sums[rows], whole[rows], variance) @ solve[rows])
            else:
                species.append(np.zeros(scene.data.size))
        every = np.array(species)
        flaring = flares(
            np.array(alone, dtype=np.intp), beside, columns, solve, every, weight, scene.pixels_per_line * template
        )
        every[flaring.own] = flaring.measure
        shades = None
        if self.steady is not None:
            owners = [name for name, groups in self.patterns.items() for _ in groups]
            own = np.pad(np.array(owners) == self.steady, (0, columns.shape[1] - len(owners)))
            shades = shades_measure(columns, solve, own, self._told, random, scene.axis_nm)
        return Projection(columns=columns, solve=solve, species=every, flares=flaring, shades=shades)

    @property
    def _told(self) -> NDArray[np.bool_]:
        """Return the pixels that are measured: flanks of a cut line change with every drift."""
        return self.identified.scene.used & ~self.identified.scene.cut

    def _own(self, name: str) -> NDArray[np.bool_]:
        return np.array([e.species == name for e in self.identified.scene.emitters], dtype=bool)

    def _typical(self, name: str, templates: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the typical light of a species in each pixel, per count."""
        own = np.flatnonzero(self._own(name))
        light = templates[:, own] @ np.array([self.identified.scene.emitters[i].weight for i in own])
        return np.asarray(light / max(float(light[self.identified.scene.used].sum()), np.finfo(float).tiny))

    def _results(
        self,
        frames: Frames,
        counts: NDArray[np.float64],
        hidden: NDArray[np.bool_],
        bins: NDArray[np.intp],
        cache: dict[int, Projection],
        fitted: NDArray[np.float64],
        drift: NDArray[np.float64],
    ) -> SeriesFit:
        scene = self.identified.scene
        n, used = len(frames), scene.used
        values, errors = np.zeros((n, len(self.names))), np.zeros((n, len(self.names)))
        total, total_error, smooth, smooth_error, chi2 = np.zeros((5, n))
        leftover, expected = np.zeros(counts.shape), np.ones(counts.shape)
        shades, shades_error = np.full((2, n, 2), np.nan)
        b0 = self._pattern_count()
        b1 = b0 + continuum(self.identified).shape[1]
        for number in np.unique(bins):
            rows = np.flatnonzero(bins == number)
            projection = cache[int(number)]
            y = filled(counts[rows], hidden[rows], projection)
            model = fitted[rows] @ projection.columns.T
            noise = self._noise(model, frames.averages[rows, None])
            left = y - model
            chi2[rows] = (left[:, used] ** 2 / noise[:, used]).mean(axis=1)
            values[rows] = y @ projection.species.T
            errors[rows] = np.sqrt(noise @ (projection.species**2).T)
            leftover[rows], expected[rows] = left, noise
            usual = self._brightness(fitted[rows])[:, None] * (cache[0].flares.measure @ scene.data)
            measured = Measured(counts=y, noise=noise, hidden=hidden[rows])
            values[rows], errors[rows] = with_flares(values[rows], errors[rows], measured, projection, usual)
            dark = fitted[rows, -1]
            total[rows] = (y - dark[:, None])[:, used].sum(axis=1)
            by_pixel = used - float(used.sum()) * projection.solve[-1]
            total_error[rows] = np.sqrt(noise @ by_pixel**2)
            if projection.shades is not None:
                shades[rows], shades_error[rows] = y @ projection.shades.T, np.sqrt(noise @ projection.shades.T**2)
            light = continuum(self.identified)[used].sum(axis=0)
            smooth[rows] = fitted[rows, b0:b1] @ light
            smooth_error[rows] = np.sqrt(noise @ (light @ projection.solve[b0:b1]) ** 2)
        more = np.sqrt(self.shared * flicker(leftover[:, used], expected[:, used]))
        errors, total_error, smooth_error = errors * more[:, None], total_error * more, smooth_error * more
        doubt = hidden_doubt(self.identified, self.patterns, self.names, hidden)
        errors = np.hypot(errors, doubt * np.abs(values))
        unseen = ~np.any(self._species_rows(cache) != 0, axis=1)
        values[:, unseen], errors[:, unseen] = np.nan, np.nan
        return SeriesFit(
            species_names=self.names, counts=values, standard_error=errors, time_s=frames.time_s,
            total_counts=total, total_error=total_error, continuum_counts=smooth, shift_nm=drift,
            continuum_error=smooth_error,
            chi2_reduced=chi2, saturated=saturated(frames), exposure_s=frames.exposure_s, sure_names=self.sure,
            present_names=self.present, blinded=saturated(frames, used), guessed=np.where(doubt > MOSTLY, doubt, 0.0),
            shades=shades, shades_error=shades_error * more[:, None],
        )  # fmt: skip

    def _species_rows(self, cache: dict[int, Projection]) -> NDArray[np.float64]:
        return next(iter(cache.values())).species


@one_thread
def learn_series(
    frames: Frames, *, bench: Bench | None = None, species: Iterable[str] | None = None
) -> SeriesModel:
    """Learn how to measure the frames of a run from its mean and its early part.

    Parameters
    ----------
    frames : Frames
        n frames with an nm axis.
    bench : Bench, optional
        What is known of the instrument.
    species : iterable of str, optional
        Look only for these.

    Returns
    -------
    SeriesModel
    """
    wanted = None if species is None else tuple(species)
    frames, ceiling = masked_alike(frames)
    early_count = max(3, round(EARLY_PART * len(frames)))
    with progress.share(0.0, 0.5):
        whole = identify(frames, bench=bench, species=wanted)
    early = identify_alike(frames[:early_count], whole, bench=bench) if len(frames) >= FEW else whole
    names = tuple(dict.fromkeys(e.species for e in whole.scene.emitters))
    found = [e for fit in (whole.fit, early.fit) for e in fit.species]
    seen = {e.name for e in found if e.significance > JOINT_SIGMA}
    least = {"present": 0.0, "possible": PRESENT_SIGMA}  # what is possible for being faint decides nothing either
    sure = {e.name for e in found if e.significance > least.get(e.verdict, SURE_SIGMA)}
    present = {e.name for e in found if e.verdict == "present"}
    shares = {e.name: e.share for e in whole.fit.species}
    patterns: dict[str, list[Pattern]] = {}
    for name in names:
        if name in seen:
            groups = series_patterns(whole, early, name, free=shares.get(name, 0.0) > FREE_SHARE)
            if groups:
                patterns[name] = groups
    model = SeriesModel(
        identified=whole, names=names, joint=tuple(patterns), patterns=patterns,
        sure=tuple(n for n in patterns if n in sure),
        present=tuple(n for n in names if n in present),
        typical_scans=float(np.median(frames.averages)),
        shared=shared_in_time(frames.counts, whole.scene.used, whole.scene.pixels_per_line), ceiling=ceiling,
    )
    along = model.noise_along(frames[:MOST_FRAMES]) if len(frames) >= FEW else None
    random = model._noise(whole.solution.model, model.typical_scans)
    steady = steady_gas(whole, present & set(patterns), model._told, random)
    return replace(model, along=along, steady=steady, projections={})


def fit_series(
    frames: Frames, *, bench: Bench | None = None, species: Iterable[str] | None = None
) -> SeriesFit:
    """Measure every species in every frame of a run.

    Parameters
    ----------
    frames : Frames
        n frames with an nm axis.
    bench : Bench, optional
        What is known of the instrument.
    species : iterable of str, optional
        Look only for these.

    Returns
    -------
    SeriesFit
        Amounts may be slightly negative where there is nothing; NaN for species that cannot be told from
        the others.

    Raises
    ------
    FitError
        As `identify_frame`.
    """
    return learn_series(frames, bench=bench, species=species).measure(frames)
