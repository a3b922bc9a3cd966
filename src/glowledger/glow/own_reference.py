"""The discharge as its own reference: drift, stretch and line width through a run from the plasma's own lines."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.model import Bench
from glowledger.glow.fitting import Solution, fit_scene
from glowledger.glow.identifying import Identified, averaged, identify
from glowledger.glow.instrument import free_columns
from glowledger.glow.scene import Scene, build_scene
from glowledger.spectra.frames import Frames
from glowledger.threads import one_thread

Floats = NDArray[np.float64]

BLOCKS = 12  # points of the curve at most: a warm-up takes minutes
LEAST_FRAMES = 3  # of a block, where the run has so many
ROUNDS = 6
PLACES = (0.1, 0.5, 0.9)  # of the line light below: where the drift is told
TEMPLATE_PART = 0.25  # of the template error that changes from block to block: common practice, no source
MOVED_SIGMA = 4.0
LEAST_MOVE_NM = 0.02


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class DriftCurve:
    """How the wavelength axis and the line width changed; b blocks of frames, k wavelengths.

    Attributes
    ----------
    time_s : ndarray of shape (b,)
        Mean time of each block; NaN where frames have no time.
    first_frame : ndarray of int, shape (b,)
        Where each block begins.
    at_nm : ndarray of shape (k,)
        Wavelengths at which the drift is told.
    shift_nm, shift_se_nm : ndarray of shape (b, k)
        True minus believed wavelength: what to add to the axis, as in the alarms of a run and in `check_bench`; and its
        standard error.
    fwhm_nm, fwhm_se_nm : ndarray of shape (b,)
        Line width at the middle place.
    sentences : tuple of str
        What it means.
    """

    time_s: Floats
    first_frame: NDArray[np.intp]
    at_nm: Floats
    shift_nm: Floats
    shift_se_nm: Floats
    fwhm_nm: Floats
    fwhm_se_nm: Floats
    sentences: tuple[str, ...]

    def drift_nm(self) -> float:
        """Return the range of the drift at the middle place, nm."""
        return float(np.ptp(self.shift_nm[:, self.at_nm.size // 2]))

    def stretch_nm(self) -> Floats:
        """Return the change of the distance between the outermost places, nm, shape (b,), 0 at the start."""
        apart = self.shift_nm[:, -1] - self.shift_nm[:, 0]
        return np.asarray(apart - apart[0])


@one_thread
def drift_curve(
    frames: Frames, bench: Bench | None = None, identified: Identified | None = None, blocks: int = BLOCKS
) -> DriftCurve:
    """Follow the axis through a run by the lines of whatever glows.

    Parameters
    ----------
    frames : Frames
        n frames of a run with an nm axis.
    bench : Bench, optional
        What is known of the instrument.
    identified : Identified, optional
        The fit of the whole run, if it was made already.
    blocks : int
        Points of the curve at most.

    Returns
    -------
    DriftCurve

    Raises
    ------
    FitError
        As `identify`.
    """
    whole = identify(frames, bench=bench) if identified is None else identified
    count = int(np.clip(len(frames) // LEAST_FRAMES, 1, blocks))
    rows = np.array_split(np.arange(len(frames)), count)
    places = _places(whole)
    shift, shift_se, width, width_se = [], [], [], []
    solution = whole.solution
    for block in rows:  # few: each is a fit of its own that begins where the last ended
        scene = build_scene(averaged(frames[block]), whole.scene.emitters, whole.scene.line_spread, bench)
        solution = fit_scene(scene, solution.adjustment, ROUNDS, whole.solution.levels)
        at, at_se, fwhm, fwhm_se = _read_off(scene, solution, places)
        shift.append(at)
        shift_se.append(at_se)
        width.append(fwhm)
        width_se.append(fwhm_se)
    nm = whole.scene.axis_nm[places]
    curve = DriftCurve(
        time_s=np.array([float(frames.time_s[block].mean()) for block in rows]),
        first_frame=np.array([block[0] for block in rows], dtype=np.intp), at_nm=nm,
        shift_nm=np.array(shift), shift_se_nm=np.array(shift_se), fwhm_nm=np.array(width),
        fwhm_se_nm=np.array(width_se), sentences=(),
    )  # fmt: skip
    return replace(curve, sentences=_sentences(curve))


def _places(whole: Identified) -> NDArray[np.intp]:
    """Return the pixels below which parts of the line light lie."""
    light = np.where(whole.scene.used, whole.solution.lines, 0.0)
    running = np.cumsum(np.sqrt(np.maximum(light, 0.0)))  # by the root: one bright line is not the whole axis
    return np.searchsorted(running, np.array(PLACES) * running[-1]).astype(np.intp)


def _read_off(scene: Scene, solution: Solution, places: NDArray[np.intp]) -> tuple[Floats, Floats, float, float]:
    """Return true minus believed wavelength at the places and the line width, with standard errors.

    The covariance is that of all unknowns together: how much of each emitter there is, and the instrument.
    """
    m = len(scene.emitters)
    lit = np.flatnonzero(solution.x > 0)
    free, precision, _ = free_columns(scene, solution.adjustment, solution.x[:m])
    columns = np.concatenate([free, solution.columns[:, lit]], axis=1)
    weight = np.where(scene.used, 1.0 / solution.variance, 0.0)
    scale = np.sqrt(np.maximum(weight @ columns**2, 1e-300))
    unit = columns / scale
    normal = unit.T @ (unit * weight[:, None])
    f = free.shape[1]
    normal[:f, :f] += precision / np.outer(scale[:f], scale[:f])
    normal[np.diag_indices_from(normal)] += 1e-9
    inverse = np.linalg.inv(normal)[:f]
    random = solution.levels.random_variance(solution.model) + scene.stated_variance
    by_noise = inverse @ (unit.T @ (unit * (weight**2 * random)[:, None])) @ inverse.T
    # templates err alike in every block, which is no drift; a part of it moves with the lines over the pixels
    covariance = (by_noise + TEMPLATE_PART**2 * inverse[:, :f]) / np.outer(scale[:f], scale[:f])
    k = solution.adjustment.shift_nm.size
    terms = 0.5 * (scene.shift_basis[places] + scene.shift_basis[places + 1])
    # the fit ends when little is left to move: that little is added
    shift = terms @ (solution.adjustment.shift_nm + solution.free_values[:k])
    shift_se = np.sqrt(np.einsum("ij,jk,ik->i", terms, covariance[:k, :k], terms))
    fwhm = solution.fwhm_at(scene, int(places[places.size // 2]))
    fwhm *= float(np.exp(np.clip(solution.free_values[k], -0.1, 0.1)))
    return shift, shift_se, fwhm, fwhm * float(np.sqrt(covariance[k, k]))


def _sentences(curve: DriftCurve) -> tuple[str, ...]:
    middle = curve.at_nm.size // 2
    shift, error = curve.shift_nm[:, middle], curve.shift_se_nm[:, middle]
    if shift.size < 2:
        return ("Too few frames to follow a drift.",)
    moved = float(shift[-1] - shift[0])
    moved_se = float(np.hypot(error[0], error[-1]))
    largest = curve.drift_nm()
    if largest < max(MOVED_SIGMA * float(np.median(error)) * np.sqrt(2.0), LEAST_MOVE_NM):
        said = [f"The axis stood still to {max(largest, moved_se):.3f} nm, by the plasma's own lines."]
    else:
        said = [
            f"The axis drifted by {moved:+.3f} ± {moved_se:.3f} nm from first to last at {curve.at_nm[middle]:.0f} nm "
            f"(range {largest:.3f} nm), by the plasma's own lines; the drift is followed and taken out."
        ]
    stretch = curve.stretch_nm()
    stretch_se = float(np.sqrt(np.sum(curve.shift_se_nm[[0, -1]][:, [0, -1]] ** 2)))
    if abs(stretch[-1]) > max(MOVED_SIGMA * stretch_se, LEAST_MOVE_NM):
        said.append(
            f"It stretched by {stretch[-1]:+.3f} ± {stretch_se:.3f} nm between {curve.at_nm[0]:.0f} and "
            f"{curve.at_nm[-1]:.0f} nm."
        )
    wider = float(curve.fwhm_nm[-1] - curve.fwhm_nm[0])
    wider_se = float(np.hypot(curve.fwhm_se_nm[0], curve.fwhm_se_nm[-1]))
    if abs(wider) > max(MOVED_SIGMA * wider_se, 0.03 * float(curve.fwhm_nm[0])):
        said.append(f"Lines became {'wider' if wider > 0 else 'narrower'} by {abs(wider):.3f} ± {wider_se:.3f} nm.")
    return tuple(said)
