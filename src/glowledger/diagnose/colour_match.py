"""Which gases glow in an observed colour, and when the colour cannot tell them apart."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glowledger.diagnose.colour import GlowColour
from glowledger.diagnose.colour_difference import ciede2000, levelled_lab
from glowledger.diagnose.gas_colours import PLAIN, GasColour, gas_colours, mixed_views
from glowledger.diagnose.srgb import into_gamut
from glowledger.errors import GlowledgerError

DRAWS = 300
# Errors of a channel's gain against the others, in ln. From memory: automatic white balance moves a coloured
# scene by 20-30 %; a grey card in the same light takes out all but 5 %; filters of a camera see narrow lines
# 10 % off what the eye would.
BALANCE_LOG_SD, REFERENCED_LOG_SD, FILTERS_LOG_SD = 0.25, 0.05, 0.10
VEIL = 0.04  # scattered and ambient light in the patch, part of its brightest channel; from memory
MODEL_LAB = 3.0  # what recipes and eyes leave open in a*, b* whatever the gas
FITS = 5.991  # χ² of two degrees of freedom at 95 %
SELDOM = 0.05  # of a gas's tubes called what was said: fewer do not fit
TOLD = 0.90  # part of the weight one gas must have
LIMITS = (
    "A colour is a hint: many mixtures make the same one, and the glow at the cathode has another colour "
    "than the column. A spectrum tells; a colour rarely does.",
)
CAMERA_LIMITS = (
    "Cameras balance white, clip bright channels, and see near ultraviolet or infrared that the eye does not.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class GasMatch:
    """How near a gas's computed glow comes to an observed colour.

    Attributes
    ----------
    name, plain, region : str
        ``Ne``, ``neon``, ``positive column``: the region that fits best.
    delta_e : float
        CIEDE2000 between the observed colour and that of the typical tube, both at L* = 50.
    fits : bool
        True if the difference is within the spread of tubes and of the observation (95 %).
    weight : float
        Relative plausibility among all gases listed, 0 to 1, every gas being equally likely before.
    srgb_linear : tuple of float
        The typical colour as shown.
    """

    name: str
    plain: str
    region: str
    delta_e: float
    fits: bool
    weight: float
    srgb_linear: tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourMatch:
    """The gases ranked for an observed colour.

    Attributes
    ----------
    gases : tuple of GasMatch
        One per gas, smallest difference first.
    told : bool
        True if one gas alone is plausible.
    description : str
        One plain sentence.
    cautions : tuple of str
        The limits.
    """

    gases: tuple[GasMatch, ...]
    told: bool
    description: str
    cautions: tuple[str, ...]


def camera_draws(linear: ArrayLike, *, white_referenced: bool, own_log_sd: float = 0.0) -> NDArray[np.float64]:
    """Return what an observed camera colour may have been, shape (DRAWS, 3).

    Parameters
    ----------
    linear : array_like of shape (3,)
        Observed linear sRGB.
    white_referenced : bool
        True if divided by a white reference in the same picture or light.
    own_log_sd : float
        Further scatter of the patch itself, in ln.
    """
    sd = np.hypot(REFERENCED_LOG_SD if white_referenced else BALANCE_LOG_SD, FILTERS_LOG_SD)
    generator = np.random.default_rng(7)
    gains = generator.standard_normal((DRAWS, 3)) * np.hypot(sd, own_log_sd)
    brightest = float(np.max(linear))
    veil = np.abs(generator.standard_normal((DRAWS, 1))) * VEIL * brightest
    unveiled = np.maximum(np.asarray(linear, dtype=float) - veil, 1e-3 * brightest)
    return unveiled * np.exp(gains)


def match_colour(linear: ArrayLike, draws: ArrayLike, cautions: tuple[str, ...] = ()) -> ColourMatch:
    """Rank gases by how near their computed glow comes to a colour.

    Parameters
    ----------
    linear : array_like of shape (3,)
        Observed colour, linear sRGB; its brightness does not matter.
    draws : array_like of shape (d, 3)
        What it may have been: see `camera_draws`, or draws of a measured spectrum's colour.
    cautions : tuple of str
        Of the observation, put before the general limits.

    Returns
    -------
    ColourMatch

    Notes
    -----
    Each gas and region is a cloud in CIELAB a*, b* at L* = 50 (into the screen's gamut first, as a camera's
    colours are). A gas fits if the Mahalanobis distance within the sum of both covariances is below χ²₂ at
    95 %. Weights are Gaussian densities; every gas is as likely beforehand, and so is each of its clouds.
    """
    observed = levelled_lab(linear)
    observed_covariance = np.cov(levelled_lab(draws)[:, 1:].T)
    return _ranked([_against(cloud, observed, observed_covariance) for cloud in _clouds()], cautions)


def match_words(draws: ArrayLike, cautions: tuple[str, ...] = ()) -> ColourMatch:
    """Rank gases by how often their computed glow would be called what was said.

    Parameters
    ----------
    draws : array_like of shape (d, 3)
        Colours that are called so, linear sRGB: see `colour_words.colours_called`.
    cautions : tuple of str
        Of the observation, put before the general limits.

    Returns
    -------
    ColourMatch
        `delta_e` is that to the nearest colour that is called so.

    Notes
    -----
    The likelihood of a gas is the part of its tubes, seen by eyes that balance white differently
    (`BALANCE_LOG_SD`), within 95 % of what models leave open (`MODEL_LAB`) of a colour that is called so. A gas fits if
    that is more than one in twenty.
    """
    called = levelled_lab(draws)
    return _ranked([_called(cloud, called) for cloud in _clouds()], cautions)


def _ranked(everything: list[tuple[GasMatch, float]], cautions: tuple[str, ...]) -> ColourMatch:
    """Bring the regions of each gas together: nearest first, every gas being as likely beforehand."""
    clouds = Counter(match.name for match, _ in everything)
    everything = [(match, density / clouds[match.name]) for match, density in everything]
    total = sum(density for _, density in everything)
    best: dict[str, GasMatch] = {}
    weight: dict[str, float] = {}
    for match, density in sorted(everything, key=lambda pair: (pair[0].delta_e, -pair[1])):
        best.setdefault(match.name, match)
        weight[match.name] = weight.get(match.name, 0.0) + (density / total if total > 0 else 0.0)
    gases = tuple(_weighted(match, weight[name], everything) for name, match in best.items())
    told, description = _verdict(gases)
    return ColourMatch(gases=gases, told=told, description=description, cautions=(*cautions, *LIMITS))


def match_spectrum(colour: GlowColour, estimate: GlowColour | None = None) -> ColourMatch:
    """Rank gases for the colour of a measured spectrum.

    Parameters
    ----------
    colour : GlowColour
        Of the spectrum.
    estimate : GlowColour, optional
        Of the true light with an assumed response, where `colour` is of the light as recorded; the spread
        then covers both, because the file does not say which it is.

    Returns
    -------
    ColourMatch
    """
    draws = colour.draws / colour.draws[:, 1:2]
    if estimate is not None:
        draws = np.concatenate([draws, estimate.draws / estimate.draws[:, 1:2]])
    return match_colour(into_gamut(colour.xyz)[0], into_gamut(draws)[0])


def hex_cautions(linear: NDArray[np.float64]) -> tuple[str, ...]:
    """Say what a colour typed in cannot hold: clipped channels, no light; shape (3,) in linear sRGB."""
    if np.max(linear) <= 0:
        raise GlowledgerError("black has no colour.", mend="Give the colour of the glow itself.")
    if np.sum(linear > 0.95) >= 2:
        return (
            "Two or more channels are at their top: if this was picked from a photograph, it is overexposed "
            "and paler than the glow.",
            *CAMERA_LIMITS,
        )
    return CAMERA_LIMITS


@dataclass(frozen=True, slots=True, eq=False)
class _Cloud:
    """A gas in one region on the plane of a*, b*: typical colour, mean and covariance of its tubes."""

    colour: GasColour
    typical: NDArray[np.float64]
    mean: NDArray[np.float64]
    covariance: NDArray[np.float64]


@cache
def _clouds() -> tuple[_Cloud, ...]:
    """Bring every gas to the screen's gamut and to one lightness, once."""
    found = []
    for colour in (*gas_colours(), *mixed_views()):
        lab = levelled_lab(into_gamut(colour.draws)[0])[:, 1:]
        found.append(_Cloud(colour, into_gamut(colour.xyz)[0], lab.mean(axis=0), np.cov(lab.T)))
    return tuple(found)


def _against(
    cloud: _Cloud, observed: NDArray[np.float64], observed_covariance: NDArray[np.float64]
) -> tuple[GasMatch, float]:
    """Compare one gas in one region; return the match and its Gaussian density."""
    covariance = cloud.covariance + observed_covariance + MODEL_LAB**2 * np.eye(2)
    away = observed[1:] - cloud.mean
    distance = float(away @ np.linalg.solve(covariance, away))
    nearest = float(ciede2000(levelled_lab(cloud.typical), observed))
    density = float(np.exp(-distance / 2) / np.sqrt(np.linalg.det(covariance)))
    return _match(cloud, nearest, distance < FITS), density


def _called(cloud: _Cloud, called: NDArray[np.float64]) -> tuple[GasMatch, float]:
    """Return the match of a gas in one region, and the part of its tubes that is called so."""
    tubes = into_gamut(cloud.colour.draws)[0]
    gains = np.exp(BALANCE_LOG_SD * np.random.default_rng(7).standard_normal(tubes.shape))
    away = levelled_lab(tubes * gains)[:, None, 1:] - called[None, :, 1:]
    part = float(np.mean(np.min(np.sum(away**2, axis=2), axis=1) < FITS * MODEL_LAB**2))
    return _match(cloud, float(np.min(ciede2000(levelled_lab(cloud.typical), called))), part > SELDOM), part


def _match(cloud: _Cloud, delta_e: float, fits: bool) -> GasMatch:
    gas, typical = cloud.colour.gas, cloud.typical
    return GasMatch(
        name=gas,
        plain=PLAIN.get(gas, gas),
        region=cloud.colour.region,
        delta_e=delta_e,
        fits=fits,
        weight=0.0,
        srgb_linear=(float(typical[0]), float(typical[1]), float(typical[2])),
    )


def _weighted(match: GasMatch, weight: float, everything: list[tuple[GasMatch, float]]) -> GasMatch:
    """Return the best region's match with the weight of all regions, fitting if any of them fits."""
    fits = any(other.fits for other, _ in everything if other.name == match.name)
    return replace(match, weight=weight, fits=fits)


def _verdict(gases: tuple[GasMatch, ...]) -> tuple[bool, str]:
    """Say which gas it is, or which it may be."""
    likely = sorted((g for g in gases if g.fits), key=lambda g: -g.weight)
    if not likely:
        return False, "Cannot tell: no gas listed glows in this colour; a mixture, or a camera's doing."
    if likely[0].weight >= TOLD:
        others = [g for g in likely[1:] if g.weight > 0.01]
        rest = f"; {', '.join(g.plain for g in others)} cannot be excluded" if others else ""
        return True, f"The colour of {likely[0].plain} ({likely[0].region}){rest}."
    names = [g.plain for g in likely if g.weight > 0.03] or [likely[0].plain]
    if len(names) == 1:
        return False, f"Cannot tell for sure: {names[0]} fits best, others are not excluded."
    listed = ", ".join(names[:-1]) + f" or {names[-1]}"
    return False, f"Cannot tell: {listed} can glow in this colour."
