"""Shape of a line: from Gaussian to Lorentzian, and lopsidedness, fitted to the brightest single lines."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import ndtr

from glowledger.bench.linespread import clean_widths
from glowledger.bench.model import WavelengthSolution
from glowledger.bench.outcome import Calibration
from glowledger.bench.profiles import FWHM_PER_SIGMA
from glowledger.bench.shots import Shot

Floats = NDArray[np.float64]

MOST_LINES = 8
NARROWEST_PX = 2.2  # narrower lines do not show their shape
WINDOW_WIDTHS, ALONE_WIDTHS = 2.5, 3.5
BRIGHT_SNR = 60.0
LEAST_WEIGHT = 0.3  # one over reduced chi²: worse fits hold a blend
USUAL_LOPSIDED = 0.1  # standard deviation of the asymmetry of spectrometers of which it is not known; common practice
# of asymmetry times FWHM: how far bright and faint lines lie from the middle of their half maximum. A fit in which all
# pixels count alike lies 0.021 off, one by photon noise near the mean of the light, 0.178 off (a line of two Gaussian
# halves); most lines lie between
PULL = 0.1


def lopsided_pseudo_voigt(
    edges: Floats, centre: float, fwhm: float, lorentz: float, asymmetry: float
) -> Floats:
    """Return the light of a unit line left of each pixel edge, shape of `edges`.

    Parameters
    ----------
    edges : ndarray
        Places, pixels.
    centre, fwhm : float
        Of the line, pixels.
    lorentz : float
        Share of the Lorentzian in a sum of both shapes of one FWHM (pseudo-Voigt).
    asymmetry : float
        (right half width - left half width) / FWHM.
    """
    side = np.where(edges > centre, 1.0 + asymmetry, 1.0 - asymmetry)
    x = (edges - centre) / (side * fwhm)
    gauss = ndtr(x * FWHM_PER_SIGMA) - 0.5
    cauchy = np.arctan(2.0 * x) / np.pi
    return side * ((1.0 - lorentz) * gauss + lorentz * cauchy)


def _fit_one(x: Floats, y: Floats, noise: Floats, centre: float, fwhm: float) -> tuple[float, float, float]:
    """Return Lorentzian share, asymmetry and weight of one line."""
    edges = np.append(x - 0.5, x[-1] + 0.5)
    height = float(np.max(y) - np.min(y))

    def residual(p: Floats) -> Floats:
        light = np.diff(lopsided_pseudo_voigt(edges, p[0], p[1], p[4], p[5]))
        model = p[2] * height * fwhm * light + height * (p[3] + p[6] * (x - centre) / fwhm)
        return (y - model) / noise

    start = np.array([centre, fwhm, 1.06, float(np.min(y)) / height, 0.05, 0.0, 0.0])
    low = [centre - fwhm, 0.5 * fwhm, 0.3, -np.inf, 0.0, -0.4, -np.inf]
    high = [centre + fwhm, 1.6 * fwhm, 3.0, np.inf, 1.0, 0.4, np.inf]
    fit = least_squares(residual, start, bounds=(low, high), max_nfev=60)
    return float(fit.x[4]), float(fit.x[5]), 1.0 / max(float(np.mean(fit.fun**2)), 1.0)


def with_shape(result: Calibration, shots: list[Shot], axis: Floats) -> Calibration:
    """Add the measured line shape to the line-spread, and what lopsided lines do to the curve to its error.

    Parameters
    ----------
    result : Calibration
        With solution and line-spread.
    shots : list of Shot
        The lamp spectra.
    axis : ndarray of shape (p,)
        The axis of the files.
    """
    if result.line_spread is None or result.solution is None:
        return result
    shape = _measured_shape(result, result.solution, shots, axis)
    if shape is None:
        return _as_lopsided(result, result.solution, USUAL_LOPSIDED)
    spread = replace(result.line_spread, lorentz_fraction=shape[0], asymmetry=shape[1])
    return _as_lopsided(replace(result, line_spread=spread), result.solution, shape[1])


def _as_lopsided(result: Calibration, solution: WavelengthSolution, asymmetry: float) -> Calibration:
    """Add to the error of the curve by how much lopsided lines are all shifted alike, which their scatter hides."""
    covariance = np.array(solution.covariance)
    covariance[0, 0] += (PULL * asymmetry * result.fwhm_nm) ** 2
    return replace(result, solution=replace(solution, covariance=covariance))


def _measured_shape(
    result: Calibration, solution: WavelengthSolution, shots: list[Shot], axis: Floats
) -> tuple[float, float] | None:
    """Return Lorentzian share and asymmetry, as medians over lines; None where fewer than two show them."""
    used = np.array([line.pixel for line in result.lines if line.used])
    found = []
    for shot in shots:
        peaks, scene = shot.peaks, shot.scene
        at = np.interp(peaks.pixel, np.arange(len(axis)), axis)
        step = float(np.median(np.diff(axis)))
        good = clean_widths(peaks) & (peaks.area > BRIGHT_SNR * peaks.area_se)
        for i in np.flatnonzero(good)[np.argsort(-peaks.area[good])][:MOST_LINES]:
            width = float(peaks.fwhm_px[i])
            others = np.abs(np.delete(peaks.pixel, i) - peaks.pixel[i])
            alone = len(others) == 0 or np.min(others) > ALONE_WIDTHS * width
            known = len(used) and np.min(np.abs(used - at[i])) < 0.3 * width * step
            if width < NARROWEST_PX or not (alone and known):
                continue
            reach = WINDOW_WIDTHS * width
            inside = np.arange(
                max(int(peaks.pixel[i] - reach), 0), min(int(peaks.pixel[i] + reach) + 2, len(axis))
            )
            if not np.all(scene.usable[inside]):
                continue
            found.append(
                _fit_one(
                    inside.astype(float),
                    scene.counts[inside],
                    scene.noise[inside],
                    float(peaks.pixel[i]),
                    width,
                )
            )
    well = [one for one in found if one[2] > LEAST_WEIGHT]
    if len(well) < 2:
        return None
    lorentz, asymmetry, _ = np.median(np.array(well), axis=0)
    turned = -1.0 if solution.coefficients[1] < 0 else 1.0  # right means towards the red
    return float(lorentz), float(turned * asymmetry)
