"""XYZ to what a screen can show: sRGB, with a perceptual way back into its gamut, and the reverse."""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glowledger.errors import GlowledgerError

# IEC 61966-2-1:1999 primaries and D65 white point, matrix derived from them at full precision below.
_PRIMARIES_XY = np.array([[0.64, 0.33], [0.30, 0.60], [0.15, 0.06]])
D65_XY = np.array([0.3127, 0.3290])

# Ottosson, 'A perceptual color space for image processing' (2020): XYZ (D65) to LMS, LMS^(1/3) to OKLab.
_LMS = np.array(
    [
        [0.8189330101, 0.3618667424, -0.1288597137],
        [0.0329845436, 0.9293118715, 0.0361456387],
        [0.0482003018, 0.2643662691, 0.6338517070],
    ]
)
_OKLAB = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)


def _white_xyz() -> NDArray[np.float64]:
    x, y = D65_XY
    return np.array([x / y, 1.0, (1 - x - y) / y])


def _rgb_to_xyz() -> NDArray[np.float64]:
    """Return the matrix from linear sRGB to XYZ (white has Y = 1)."""
    columns = np.column_stack([_PRIMARIES_XY, 1 - _PRIMARIES_XY.sum(axis=1)]).T
    return columns * np.linalg.solve(columns, _white_xyz())


WHITE_XYZ = _white_xyz()
RGB_TO_XYZ = _rgb_to_xyz()
XYZ_TO_RGB = np.linalg.inv(RGB_TO_XYZ)


def linear_rgb(xyz: ArrayLike) -> NDArray[np.float64]:
    """Return linear sRGB of XYZ, unclipped: negative where the colour lies outside the gamut.

    Parameters
    ----------
    xyz : array_like of shape (..., 3)

    Returns
    -------
    ndarray of shape (..., 3)
    """
    return np.asarray(xyz, dtype=float) @ XYZ_TO_RGB.T


def encode(linear: ArrayLike) -> NDArray[np.float64]:
    """Apply the sRGB transfer curve to linear values of 0 to 1 (IEC 61966-2-1)."""
    value = np.clip(np.asarray(linear, dtype=float), 0.0, 1.0)
    return np.where(value <= 0.0031308, 12.92 * value, 1.055 * value ** (1 / 2.4) - 0.055)


def decode(encoded: ArrayLike) -> NDArray[np.float64]:
    """Undo the sRGB transfer curve: encoded 0 to 1 to linear 0 to 1."""
    value = np.asarray(encoded, dtype=float)
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def oklab(xyz: ArrayLike) -> NDArray[np.float64]:
    """Return OKLab L, a, b of XYZ relative to D65 white with Y = 1, shape (..., 3)."""
    return np.cbrt(np.asarray(xyz, dtype=float) @ _LMS.T) @ _OKLAB.T


def oklab_to_xyz(lab: ArrayLike) -> NDArray[np.float64]:
    """Invert `oklab`."""
    lms = np.asarray(lab, dtype=float) @ np.linalg.inv(_OKLAB).T
    return lms**3 @ np.linalg.inv(_LMS).T


def into_gamut(xyz: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return the nearest showable colour of the same hue, as bright as the screen can.

    Parameters
    ----------
    xyz : array_like of shape (..., 3)
        Y > 0; the scale does not matter.

    Returns
    -------
    linear : ndarray of shape (..., 3)
        Linear sRGB in 0 to 1, the largest component 1.
    outside : ndarray of bool, shape (...,)
        True where the colour had to be desaturated.

    Notes
    -----
    Chroma is reduced toward D65 white at constant OKLab hue and lightness until no component is negative.
    OKLab scales as a whole with luminance (cube root), so hue and chroma over lightness do not depend on
    the unknown brightness of the glow: the gamut is treated as a cone, and brightness is set last.
    """
    xyz = np.asarray(xyz, dtype=float)
    xyz = xyz / xyz[..., 1:2]
    linear = linear_rgb(xyz)
    outside = linear.min(axis=-1) < -1e-4 * linear.max(axis=-1)  # the primaries' own rounding
    lab = oklab(xyz)
    low, high = np.zeros(lab.shape[:-1]), np.ones(lab.shape[:-1])
    for _ in range(40):  # bisection: the gamut cone is cut once by a line of constant hue
        middle = (low + high) / 2
        scaled = lab * np.stack([np.ones_like(middle), middle, middle], axis=-1)
        inside = linear_rgb(oklab_to_xyz(scaled)).min(axis=-1) >= 0
        low, high = np.where(inside, middle, low), np.where(inside, high, middle)
    scaled = lab * np.stack([np.ones_like(low), low, low], axis=-1)
    mapped = np.where(outside[..., None], linear_rgb(oklab_to_xyz(scaled)), linear)
    mapped = np.clip(mapped, 0.0, None)
    return mapped / mapped.max(axis=-1, keepdims=True), outside


def to_hex(linear: ArrayLike) -> str:
    """Return ``#rrggbb`` of one linear sRGB colour in 0 to 1."""
    red, green, blue = np.rint(encode(linear) * 255).astype(int)
    return f"#{red:02x}{green:02x}{blue:02x}"


def is_hex(text: str) -> bool:
    """Return True if a text is meant as ``#rrggbb``: it begins with # or has a digit, which no word has."""
    return text.strip().startswith("#") or any(mark.isdigit() for mark in text)


def from_hex(text: str) -> NDArray[np.float64]:
    """Return the linear sRGB of ``#rrggbb`` (or ``rrggbb``, ``#rgb``), shape (3,).

    Raises
    ------
    GlowledgerError
        If the text is no such colour.
    """
    digits = text.strip().removeprefix("#")
    if re.fullmatch(r"[0-9a-fA-F]{3}", digits):
        digits = "".join(2 * digit for digit in digits)
    if not re.fullmatch(r"[0-9a-fA-F]{6}", digits):
        raise GlowledgerError(
            f"{text!r} is not a colour: expected six hexadecimal digits.",
            mend="Write it as '#rrggbb', e.g. '#d070c8', in quotes because of the '#'.",
        )
    return decode(np.array([int(digits[i : i + 2], 16) for i in (0, 2, 4)]) / 255)
