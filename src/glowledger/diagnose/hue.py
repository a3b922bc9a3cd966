"""Plain words for the colour of a light: dominant wavelength, purity, name."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glowledger.diagnose.observer import chromaticity, observer_at
from glowledger.diagnose.srgb import D65_XY

# Hues of lights by dominant wavelength: Kelly, J. Opt. Soc. Am. 33, 627 (1943), boundaries from memory.
# Below 465 nm he says purplish blue; everyday speech calls the shorter part of it violet.
_HUES = (
    (450.0, "violet"),
    (465.0, "violet-blue"),
    (482.0, "blue"),
    (487.0, "greenish blue"),
    (493.0, "blue-green"),
    (498.0, "bluish green"),
    (530.0, "green"),
    (558.0, "yellowish green"),
    (570.0, "yellow-green"),
    (575.0, "greenish yellow"),
    (580.0, "yellow"),
    (586.0, "yellow-orange"),
    (596.0, "orange"),
    (620.0, "orange-red"),
    (800.0, "red"),
)
# Along the line of purples from violet (0) to red (1); own division.
_PURPLES = ((0.25, "violet"), (0.50, "purple"), (0.75, "magenta"), (1.0, "purplish red"))
# Pale reddish lights have names of their own in every language; common practice, no source.
_PALE = {
    "orange": "peach",
    "yellow-orange": "peach",
    "orange-red": "salmon pink",
    "red": "pink",
    "purplish red": "pink",
    "magenta": "lilac pink",
    "purple": "lilac",
    "violet": "lavender",
    "violet-blue": "lavender blue",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Hue:
    """What one would call the colour of a light.

    Attributes
    ----------
    name : str
        Plain words: ``orange-red``, ``pale blue``, ``white``.
    dominant_nm : float
        Dominant wavelength against D65, nm in air; NaN for purples and for white.
    complementary_nm : float
        Of purples, which have no dominant wavelength; else NaN.
    purity : float
        Excitation purity, 0 (white) to 1 (spectrum or line of purples).
    """

    name: str
    dominant_nm: float
    complementary_nm: float
    purity: float


@cache
def _locus() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return nm and xy of the boundary of all colours; beyond 700 nm it does not move."""
    nm = np.arange(380.0, 701.0)
    return nm, chromaticity(observer_at(nm))


def boundary(
    xy: ArrayLike, white_xy: ArrayLike = D65_XY
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return where the rays from white through chromaticities leave the diagram.

    Parameters
    ----------
    xy : array_like of shape (n, 2)
        Chromaticities, none of them the white.
    white_xy : array_like of shape (2,)
        The white.

    Returns
    -------
    wavelength_nm : ndarray of shape (n,)
        On the spectrum; NaN on the line of purples.
    along : ndarray of shape (n,)
        Position on the line of purples, 0 at violet to 1 at red; NaN on the spectrum.
    distance : ndarray of shape (n,)
        From the white to the boundary.
    """
    white = np.asarray(white_xy, dtype=float)
    direction = np.asarray(xy, dtype=float) - white
    direction = direction / np.linalg.norm(direction, axis=-1, keepdims=True)
    nm, locus = _locus()
    offset, step = locus - white, np.roll(locus, -1, axis=0) - locus  # the last step is the line of purples
    cross = direction[:, :1] * step[:, 1] - direction[:, 1:] * step[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        distance = (offset[:, 0] * step[:, 1] - offset[:, 1] * step[:, 0]) / cross
        part = (offset[:, 0] * direction[:, 1:] - offset[:, 1] * direction[:, :1]) / cross
    hit = (distance > 0) & (part >= -1e-9) & (part <= 1 + 1e-9)
    index = np.argmax(np.where(hit, distance, -np.inf), axis=1)
    rows = np.arange(index.size)
    purple = index == nm.size - 1  # that step runs from red (start) to violet (end)
    wavelength = np.where(purple, np.nan, nm[index] + part[rows, index])
    along = np.where(purple, 1.0 - part[rows, index], np.nan)
    return wavelength, along, distance[rows, index]


def hue_of(xy: ArrayLike) -> Hue:
    """Name the colour of a light of chromaticity x, y, seen in the dark beside D65 white.

    Parameters
    ----------
    xy : array_like of shape (2,)

    Returns
    -------
    Hue
    """
    point = np.asarray(xy, dtype=float)
    nan = float("nan")
    (name,), (purity,) = hue_names(point[None, :])
    if not purity > 0:
        return Hue(name=name, dominant_nm=nan, complementary_nm=nan, purity=float(purity))
    wavelength = float(boundary(point[None, :])[0][0])
    opposite = float(boundary(2 * D65_XY - point[None, :])[0][0]) if np.isnan(wavelength) else nan
    return Hue(name=name, dominant_nm=wavelength, complementary_nm=opposite, purity=float(purity))


def hue_names(xy: NDArray[np.float64]) -> tuple[list[str], NDArray[np.float64]]:
    """Return names and excitation purities of chromaticities of shape (n, 2); see `hue_of`."""
    away = np.hypot(*(xy - D65_XY).T)
    real = np.isfinite(away) & (away > 1e-9)
    purity = np.where(np.isfinite(away), 0.0, np.nan)
    names = np.where(np.isfinite(away), "white", "no visible light").astype(object)
    if real.any():
        wavelength, along, distance = boundary(xy[real])
        purity[real] = np.minimum(away[real] / distance, 1.0)
        names[real] = [
            _in_words(_base(nm, part), pure) for nm, part, pure in zip(wavelength, along, purity[real], strict=True)
        ]
    return [str(name) for name in names], purity


def _base(wavelength_nm: float, along: float) -> str:
    """Return the name of a hue at full strength."""
    if np.isnan(wavelength_nm):
        return next(name for limit, name in _PURPLES if along <= limit + 1e-9)
    return next(name for limit, name in _HUES if wavelength_nm <= limit)


def _in_words(base: str, purity: float) -> str:
    """Add how strong the hue is; own steps, chosen at the purities where names change in use."""
    if purity < 0.04:
        return "white"
    if purity < 0.12:
        return f"{_PALE.get(base, base)} white"
    if purity < 0.45:
        return _PALE.get(base, f"pale {base}")
    return base if purity < 0.90 else f"pure {base}"
