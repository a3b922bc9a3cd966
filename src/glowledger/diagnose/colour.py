"""The colour of a glow, from its spectrum: what it is, how sure, and when it cannot be told."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glowledger.bench.model import Response
from glowledger.diagnose.hue import Hue, hue_names, hue_of
from glowledger.diagnose.observer import VISIBLE_NM, Per, Units, chromaticity, pixel_weights
from glowledger.diagnose.srgb import into_gamut, to_hex
from glowledger.errors import GlowledgerError

Light = Literal["recorded", "true"]

# Photon response of an uncoated silicon line sensor behind a ruled grating, relative; from memory (sensor
# data sheets of several makers agree on the shape). Used only where the user asks for it or no response is
# known, always with SILICON_LOG_SD.
SILICON_NM = (350.0, 400.0, 450.0, 500.0, 550.0, 600.0, 650.0, 700.0, 750.0, 800.0)
SILICON = (0.30, 0.50, 0.72, 0.90, 1.00, 1.00, 0.95, 0.87, 0.76, 0.64)
SILICON_LOG_SD = 0.35  # typical units differ from each other by about this, in ln; from memory
RESPONSE_KNOTS_NM = 50.0  # errors of a response closer together than this are taken as common
OUTSIDE_LOG_SD = 0.7  # a response used outside its usable range: a factor of two
TOLD = 0.5  # the commonest name must cover this part of the draws, else 'cannot tell'
DRAWS = 400
AS_RECORDED = (
    "No response of this spectrometer is known, so the values are taken as radiant power: this is the colour "
    "of the light as recorded, not as an eye sees it. Give a bench with a response, or say --response none "
    "if the values are calibrated radiant power.",
)
BRIDGED_PIXELS = 2  # so few bad pixels in a row are bridged; longer gaps are light that is missing


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class GlowColour:
    """The colour of a light.

    Attributes
    ----------
    light : {'recorded', 'true'}
        Whether it is of the light as the detector recorded it, or corrected for the detector's response.
    xyz : ndarray of shape (3,)
        Unclipped CIE 1931 XYZ, scaled to Y = 100 (the brightness of the glow is not known).
    xy : ndarray of shape (2,)
        Chromaticity.
    xy_covariance : ndarray of shape (2, 2)
        Of `xy`: noise and response; NaN where not estimated.
    srgb : str
        ``#rrggbb``, as bright as a screen can; desaturated at constant hue if outside its gamut.
    out_of_gamut : bool
        True if it had to be desaturated.
    hue : Hue
        Name, dominant wavelength, purity.
    names : tuple of (str, float)
        Names and the part of the uncertainty that each covers, commonest first.
    told : bool
        False if the uncertainty covers too many names to choose one.
    description : str
        One plain sentence.
    cautions : tuple of str
        What limits it.
    draws : ndarray of shape (d, 3)
        XYZ as the uncertainty allows it, in relative units.
    """

    light: Light
    xyz: NDArray[np.float64]
    xy: NDArray[np.float64]
    xy_covariance: NDArray[np.float64]
    srgb: str
    out_of_gamut: bool
    hue: Hue
    names: tuple[tuple[str, float], ...]
    told: bool
    description: str
    cautions: tuple[str, ...]
    draws: NDArray[np.float64]


def recorded_colour(axis_nm: ArrayLike, values: ArrayLike, *, units: Units = "power", per: Per = "nm") -> GlowColour:
    """Return the colour of a spectrum taken as it is: exact for calibrated radiance.

    Parameters
    ----------
    axis_nm : array_like of shape (p,)
        nm in air, increasing.
    values : array_like of shape (p,)
        The spectrum, dark subtracted; NaN is left out (its light is missing).
    units : {'power', 'photons'}
        What `values` are proportional to.
    per : {'nm', 'pixel'}
        Densities per nm, or light per pixel.

    Returns
    -------
    GlowColour
        Its uncertainty holds noise alone.

    Raises
    ------
    GlowledgerError
        If the axis holds no visible wavelength or the spectrum no visible light.
    """
    axis, spectrum, missing, weights = _prepared(axis_nm, values, units, per)
    xyz = spectrum @ weights
    covariance = np.einsum("pi,p,pj->ij", weights, _noise_variance(spectrum), weights)
    _demand_light(xyz, covariance)
    draws = np.random.default_rng(0).multivariate_normal(xyz, covariance, DRAWS)
    return _summary("recorded", xyz, draws, _cautions(axis, spectrum, missing), complete=missing < 1.0)


def true_colour(
    axis_nm: ArrayLike,
    counts: ArrayLike,
    response: Response | None = None,
    *,
    per: Per = "pixel",
) -> GlowColour:
    """Return the colour an eye would see, by undoing the detector's photon response.

    Parameters
    ----------
    axis_nm : array_like of shape (p,)
        nm in air, increasing.
    counts : array_like of shape (p,)
        Detector counts, dark subtracted; NaN is left out.
    response : Response, optional
        As measured. Left out, a typical silicon detector is assumed, with the spread between such units
        carried through.
    per : {'nm', 'pixel'}
        Whether `counts` are densities per nm or light per pixel.

    Returns
    -------
    GlowColour
        Uncertainty by Monte Carlo (JCGM 101:2008) over noise and response.

    Raises
    ------
    GlowledgerError
        If the axis holds no visible wavelength or the spectrum no visible light.
    """
    axis, spectrum, missing, weights = _prepared(axis_nm, counts, "photons", per)
    generator = np.random.default_rng(0)
    value, drawn = _response_draws(axis, response, generator)
    xyz = (spectrum / value) @ weights
    covariance = np.einsum("pi,p,pj->ij", weights, _noise_variance(spectrum) / value**2, weights)
    _demand_light(xyz, covariance)
    draws = (spectrum / drawn) @ weights
    draws = draws + generator.multivariate_normal(np.zeros(3), covariance, DRAWS)
    cautions = _cautions(axis, spectrum, missing)
    if response is None:
        cautions += (
            "The response of this spectrometer is not known; a typical silicon detector is assumed, and "
            "units differ by a factor of 1.4 or so. Record a lamp of known colour temperature to do better.",
        )
    return _summary("true", xyz, draws, cautions, complete=missing < 1.0)


def _prepared(
    axis_nm: ArrayLike, values: ArrayLike, units: Units, per: Per
) -> tuple[NDArray[np.float64], NDArray[np.float64], float, NDArray[np.float64]]:
    """Return axis, spectrum with short gaps bridged, nm of visible light missing, and the XYZ weights."""
    axis = np.asarray(axis_nm, dtype=float)
    spectrum = np.array(values, dtype=float)
    if axis.shape != spectrum.shape or axis.ndim != 1:
        raise ValueError(f"axis {axis.shape} and values {spectrum.shape} must be one-dimensional and alike")
    if not np.any((axis > VISIBLE_NM[0]) & (axis < VISIBLE_NM[1])):
        raise GlowledgerError(
            f"the spectrum runs from {axis[0]:.0f} to {axis[-1]:.0f} nm and holds no visible light.",
            mend="A colour needs 400-700 nm; check the unit of the axis (nm in air).",
        )
    spectrum, missing = _bridged(axis, spectrum)
    return axis, spectrum, missing, pixel_weights(axis, units=units, per=per)


def _bridged(axis: NDArray[np.float64], spectrum: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    """Bridge single bad pixels, set longer gaps to zero, and return the visible nm that are missing."""
    bad = ~np.isfinite(spectrum)
    if not bad.any() or bad.all():
        return np.where(bad, 0.0, spectrum), 0.0
    edges = np.flatnonzero(np.diff(np.concatenate([[0], bad.astype(int), [0]])))
    filled = np.interp(axis, axis[~bad], spectrum[~bad])
    missing = 0.0
    width = np.gradient(axis)
    for start, stop in zip(edges[::2], edges[1::2], strict=True):  # runs of bad pixels are few
        if stop - start > BRIDGED_PIXELS:
            filled[start:stop] = 0.0
            seen = (axis[start:stop] > 400) & (axis[start:stop] < 700)
            missing += float(width[start:stop][seen].sum())
    return filled, missing


def _noise_variance(spectrum: NDArray[np.float64]) -> NDArray[np.float64]:
    """Estimate white noise from third differences; lines are few, so the median passes them by."""
    if spectrum.size < 16:
        return np.zeros_like(spectrum)
    rough = np.abs(np.diff(spectrum, 3)) / np.sqrt(20.0)  # 1+9+9+1
    return np.full_like(spectrum, (1.4826 * np.median(rough)) ** 2)


def _demand_light(xyz: NDArray[np.float64], covariance: NDArray[np.float64]) -> None:
    """Refuse a spectrum without visible light above its noise (3 standard errors of Y)."""
    if not (xyz[1] > 0 and xyz.sum() > 0 and xyz[1] > 3 * np.sqrt(covariance[1, 1])):
        raise GlowledgerError(
            "cannot tell the colour: there is no visible light above the noise.",
            mend="Check that the plasma was on, expose longer, or subtract the right dark.",
        )


def _response_draws(
    axis: NDArray[np.float64], response: Response | None, generator: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the response (p,) and draws of it (DRAWS, p): smooth errors in its logarithm."""
    knots = np.arange(350.0, 851.0, RESPONSE_KNOTS_NM)
    if response is None:
        value = np.interp(axis, SILICON_NM, SILICON)
        sd = np.full(knots.shape, SILICON_LOG_SD)
    else:
        value = response.at(axis)
        sd = np.interp(knots, response.at_nm, response.relative_error)
        low, high = response.usable_nm
        outside = (knots < low - RESPONSE_KNOTS_NM) | (knots > high + RESPONSE_KNOTS_NM)
        sd = np.where(outside, OUTSIDE_LOG_SD, sd)
    value = np.maximum(value, 1e-3 * np.max(value))
    errors = generator.standard_normal((DRAWS, knots.size)) * sd
    left = np.clip(np.searchsorted(knots, axis) - 1, 0, knots.size - 2)
    part = np.clip((axis - knots[left]) / RESPONSE_KNOTS_NM, 0.0, 1.0)
    smooth = errors[:, left] * (1 - part) + errors[:, left + 1] * part
    return value, value * np.exp(smooth)


def _cautions(axis: NDArray[np.float64], spectrum: NDArray[np.float64], missing_nm: float) -> tuple[str, ...]:
    """Name what makes the colour doubtful whatever the response."""
    found = []
    if missing_nm >= 1.0:
        found.append(
            f"{missing_nm:.0f} nm of the visible are missing (saturated or bad pixels): their light is not "
            "counted, so the colour is not that of the glow. Expose less."
        )
    if axis[0] > 430 or axis[-1] < 650:
        found.append(f"The spectrum covers {axis[0]:.0f}-{axis[-1]:.0f} nm only; visible light outside is not counted.")
    seen = spectrum[(axis > 400) & (axis < 700)]
    if seen.size > 50 and np.percentile(seen, 2) > 0.03 * np.max(seen):
        found.append(
            "No pixel reads near zero: either the glow has a continuum, or a dark was not subtracted, which "
            "makes the colour whiter than it is."
        )
    return tuple(found)


def _summary(
    light: Light,
    xyz: NDArray[np.float64],
    draws: NDArray[np.float64],
    cautions: tuple[str, ...],
    *,
    complete: bool,
) -> GlowColour:
    """Turn XYZ and draws of it into the answer."""
    xy = chromaticity(xyz)
    drawn = chromaticity(draws[draws[:, 1] > 0])
    linear, outside = into_gamut(xyz)
    hue = hue_of(xy)
    names, often = np.unique(hue_names(drawn)[0], return_counts=True)
    order = np.argsort(-often)
    ranked = tuple((str(names[i]), float(often[i] / often.sum())) for i in order)
    told = complete and ranked[0][1] >= TOLD
    what = "The glow" if light == "true" else "The light as recorded"
    if not complete:
        description = f"{what}: cannot tell the colour, because part of the visible light is missing."
    elif told:
        description = f"{what} is {ranked[0][0]}."
    else:
        several = ", ".join(name for name, part in ranked[:4] if part > 0.05)
        description = f"{what}: cannot tell the colour; it may be {several}."
    return GlowColour(
        light=light,
        xyz=100 * xyz / xyz[1],
        xy=xy,
        xy_covariance=np.cov(drawn.T),
        srgb=to_hex(linear),
        out_of_gamut=bool(outside),
        hue=hue,
        names=ranked,
        told=told,
        description=description,
        cautions=cautions,
        draws=draws[draws[:, 1] > 0],
    )
