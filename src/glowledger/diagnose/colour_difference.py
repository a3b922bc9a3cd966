"""How different two lights look, brightness aside: CIEDE2000 at one lightness."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glowledger.diagnose.srgb import RGB_TO_XYZ, WHITE_XYZ

LIGHTNESS = 50.0  # CIEDE2000 weighs lightness by 1 here, and all colours compared share it
_EPSILON, _KAPPA = 216 / 24389, 24389 / 27  # CIE 015:2018, exact forms


def cielab(xyz: ArrayLike) -> NDArray[np.float64]:
    """Return CIELAB of XYZ (white Y = 1, D65), shape (..., 3); CIE 015:2018."""
    ratio = np.asarray(xyz, dtype=float) / WHITE_XYZ
    f = np.where(ratio > _EPSILON, np.cbrt(ratio), (_KAPPA * ratio + 16) / 116)
    return np.stack([116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], axis=-1)


def levelled_lab(linear: ArrayLike) -> NDArray[np.float64]:
    """Return CIELAB of linear sRGB colours, all brought to one lightness.

    Parameters
    ----------
    linear : array_like of shape (..., 3)
        Linear sRGB; the scale does not matter.

    Returns
    -------
    ndarray of shape (..., 3)
        L* = 50 for all: the brightness of a glow says nothing of its gas.
    """
    xyz = np.asarray(linear, dtype=float) @ RGB_TO_XYZ.T
    level = ((LIGHTNESS + 16) / 116) ** 3
    return cielab(xyz * (level / xyz[..., 1:2]))


def ciede2000(lab_1: ArrayLike, lab_2: ArrayLike) -> NDArray[np.float64]:
    """Return the CIEDE2000 colour difference with all parametric factors 1.

    Parameters
    ----------
    lab_1, lab_2 : array_like of shape (..., 3)
        CIELAB, broadcast together.

    Returns
    -------
    ndarray of shape (...)

    Notes
    -----
    ISO/CIE 11664-6; order and symbols of Sharma, Wu & Dalal, Color Res. Appl. 30, 21 (2005).
    """
    l1, a1, b1 = np.moveaxis(np.asarray(lab_1, dtype=float), -1, 0)
    l2, a2, b2 = np.moveaxis(np.asarray(lab_2, dtype=float), -1, 0)
    mean_c7 = ((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2) ** 7
    g = 0.5 * (1 - np.sqrt(mean_c7 / (mean_c7 + 25.0**7)))
    a1, a2 = (1 + g) * a1, (1 + g) * a2
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = np.degrees(np.arctan2(b1, a1)) % 360, np.degrees(np.arctan2(b2, a2)) % 360
    grey = c1 * c2 == 0
    dh = np.where(grey, 0.0, (h2 - h1 + 180) % 360 - 180)
    big_dh = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(dh / 2))
    apart = np.abs(h1 - h2) > 180
    mean_h = (h1 + h2) / 2 + np.where(apart, np.where(h1 + h2 < 360, 180.0, -180.0), 0.0)
    mean_h = np.where(grey, h1 + h2, mean_h)
    mean_l, mean_c = (l1 + l2) / 2, (c1 + c2) / 2
    t = (
        1
        - 0.17 * np.cos(np.radians(mean_h - 30))
        + 0.24 * np.cos(np.radians(2 * mean_h))
        + 0.32 * np.cos(np.radians(3 * mean_h + 6))
        - 0.20 * np.cos(np.radians(4 * mean_h - 63))
    )
    turn = 30 * np.exp(-(((mean_h - 275) / 25) ** 2))
    r_t = -2 * np.sqrt(mean_c**7 / (mean_c**7 + 25.0**7)) * np.sin(np.radians(2 * turn))
    s_l = 1 + 0.015 * (mean_l - 50) ** 2 / np.sqrt(20 + (mean_l - 50) ** 2)
    dl, dc, dhh = (l2 - l1) / s_l, (c2 - c1) / (1 + 0.045 * mean_c), big_dh / (1 + 0.015 * mean_c * t)
    return np.sqrt(np.maximum(dl**2 + dc**2 + dhh**2 + r_t * dc * dhh, 0.0))
