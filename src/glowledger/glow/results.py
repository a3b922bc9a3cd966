"""What a fit of the glow says: amplitudes, evidence and verdicts, as plain data."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Verdict = Literal["present", "possible", "not seen", "cannot tell"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Feature:
    """One line or band head that a species shows in a spectrum.

    Attributes
    ----------
    label : str
        Standard notation, e.g. ``N2 C-B (0,0)`` or ``Ar I 750.39``.
    wavelength_nm : float
        Where the feature is strongest, nm in air.
    counts : float
        Counts of the species in the feature (area, summed over pixels).
    standard_error : float
        Standard error of `counts`, template mismatch included.
    overlaps : tuple of str
        Other fitted species that put light in the same pixels.
    clean : bool
        True if most of the light there is this species' and it stands out by itself.
    """

    label: str
    wavelength_nm: float
    counts: float
    standard_error: float
    overlaps: tuple[str, ...] = ()
    clean: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeciesEvidence:
    """The verdict on one species and what it rests on; cannot be built without its reason.

    Attributes
    ----------
    name : str
        Standard notation: ``N2``, ``N2+``, ``O I``, ``Ar II``, ``OH``.
    verdict : {'present', 'possible', 'not seen', 'cannot tell'}
        The answer.
    significance : float
        Equivalent Gaussian standard deviations of the likelihood lost without the species.
    share : float
        Part of all fitted emission counts, 0 to 1.
    counts, standard_error : float
        Fitted counts of the species over the whole range.
    upper_limit : float
        95 % upper limit on `counts`.
    detection_limit : float
        Counts that would have been detected in 95 % of cases (Currie 1968); NaN if blocked.
    features : tuple of Feature
        Strongest first.
    reason : str
        One plain sentence.
    chance : float
        Probability that light which fits nothing listed gives such features as are its own; 1 if none are.
    """

    name: str
    verdict: Verdict
    significance: float
    share: float
    counts: float
    standard_error: float
    upper_limit: float
    detection_limit: float
    features: tuple[Feature, ...]
    reason: str
    chance: float = 1.0

    def __post_init__(self) -> None:
        if not self.reason:
            raise ValueError(f"the verdict on {self.name} has no reason")


@dataclass(frozen=True, slots=True, kw_only=True)
class Temperature:
    """A temperature with its interval; NaN and a reason where it cannot be told.

    Attributes
    ----------
    name : str
        ``T_rot N2 C-B``, ...
    kelvin : float
        Best value.
    interval_k : tuple of float
        68 % interval.
    reason : str
        What it is, or why it cannot be told.
    """

    name: str
    kelvin: float
    interval_k: tuple[float, float]
    reason: str


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Fit:
    """The forward fit of one spectrum.

    Attributes
    ----------
    axis_nm : ndarray of shape (p,)
        nm in air, after the fitted shift.
    data, model, background, standard_deviation : ndarray of shape (p,)
        Counts; `model` includes `background`. `data` is NaN where the file has no value.
    used : ndarray of bool, shape (p,)
        Pixels that entered the fit.
    species_model : dict of str to ndarray of shape (p,)
        Counts of each species.
    emitter_labels : tuple of str, length m
        One per fitted emitter.
    amplitude : ndarray of shape (m,)
        Counts per emitter over the range.
    covariance : ndarray of shape (m, m)
        Of `amplitude`; zero rows for emitters at the bound.
    species : tuple of SpeciesEvidence
        One per species tested, strongest first.
    shift_nm, shift_se_nm : float
        Fitted shift of the axis at its middle and its standard error.
    fwhm_nm : float
        Line width used, at the middle of the axis.
    chi2_reduced : float
        With the estimated noise.
    mismatch : float
        Fraction of the model by which the templates are assumed wrong.
    temperatures : tuple of Temperature
        Rotational temperatures.
    warnings : tuple of str
        Plain sentences.
    """

    axis_nm: NDArray[np.float64]
    data: NDArray[np.float64]
    model: NDArray[np.float64]
    background: NDArray[np.float64]
    standard_deviation: NDArray[np.float64]
    used: NDArray[np.bool_]
    species_model: dict[str, NDArray[np.float64]]
    emitter_labels: tuple[str, ...]
    amplitude: NDArray[np.float64]
    covariance: NDArray[np.float64]
    species: tuple[SpeciesEvidence, ...]
    shift_nm: float
    shift_se_nm: float
    fwhm_nm: float
    chi2_reduced: float
    mismatch: float
    temperatures: tuple[Temperature, ...] = ()
    warnings: tuple[str, ...] = field(default_factory=tuple)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SeriesFit:
    """The forward fit of every frame of a run.

    Attributes
    ----------
    species_names : tuple of str, length s
        Column names of `counts`.
    counts, standard_error : ndarray of shape (n, s)
        Fitted counts per species and frame and their standard errors; NaN where a frame has no answer.
    time_s : ndarray of shape (n,)
        As in the frames.
    total_counts, total_error : ndarray of shape (n,)
        All light above the dark, summed over usable pixels; its standard error, that of the dark included.
    continuum_counts : ndarray of shape (n,)
        The smooth background alone, summed over usable pixels.
    continuum_error : ndarray of shape (n,), or None
        Its standard error; None: about that of the total.
    shift_nm : ndarray of shape (n,)
        Drift of the axis, followed frame by frame.
    chi2_reduced : ndarray of shape (n,)
        Per frame.
    saturated : ndarray of bool, shape (n,)
        Frames with pixels at the ceiling.
    blinded : ndarray of bool, shape (n,), or None
        Those of them in which the pixels at the ceiling are measured in other frames; None: all of them.
    guessed : ndarray of shape (n, s), or None
        Part of the counts that stands for pixels missing in the frame, where that is much of a species' light:
        contained in its standard error, though what is seen of it is seen. None: no part.
    exposure_s : ndarray of shape (n,)
        As in the frames; counts are as recorded, not divided by it.
    sure_names : tuple of str or None
        Species that are in the light beyond doubt, in the run's mean or early in it; faint others may be the misfit
        of a bright one. None: not judged.
    present_names : tuple of str or None
        Those of them that are `present`, with features of their own, in the run's mean or early in it. None: not
        judged.
    shades, shades_error : ndarray of shape (n, 2), or None
        Short-wave and long-wave light of a steady gas in units of their own, and their standard errors; NaN where no
        gas shows both. None: not measured.
    """

    species_names: tuple[str, ...]
    counts: NDArray[np.float64]
    standard_error: NDArray[np.float64]
    time_s: NDArray[np.float64]
    total_counts: NDArray[np.float64]
    total_error: NDArray[np.float64]
    continuum_counts: NDArray[np.float64]
    shift_nm: NDArray[np.float64]
    chi2_reduced: NDArray[np.float64]
    saturated: NDArray[np.bool_]
    exposure_s: NDArray[np.float64]
    sure_names: tuple[str, ...] | None = None
    present_names: tuple[str, ...] | None = None
    blinded: NDArray[np.bool_] | None = None
    guessed: NDArray[np.float64] | None = None
    continuum_error: NDArray[np.float64] | None = None
    shades: NDArray[np.float64] | None = None
    shades_error: NDArray[np.float64] | None = None


def joined(parts: list[SeriesFit]) -> SeriesFit:
    """Return consecutive parts of one run as one."""
    if len(parts) == 1:
        return parts[0]
    arrays = (
        "counts", "standard_error", "time_s", "total_counts", "total_error", "continuum_counts", "shift_nm",
        "chi2_reduced", "saturated", "exposure_s",
    )  # fmt: skip
    stacked = {name: np.concatenate([getattr(part, name) for part in parts]) for name in arrays}
    for name in ("blinded", "guessed", "continuum_error", "shades", "shades_error"):
        if all(getattr(part, name) is not None for part in parts):
            stacked[name] = np.concatenate([getattr(part, name) for part in parts])
    first = parts[0]
    return SeriesFit(
        species_names=first.species_names, sure_names=first.sure_names, present_names=first.present_names, **stacked
    )
