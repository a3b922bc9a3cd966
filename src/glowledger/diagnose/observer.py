"""The CIE 1931 2-degree observer: from a spectrum to tristimulus values."""

from __future__ import annotations

from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glowledger.tables.folder import read_table

Units = Literal["power", "photons"]
Per = Literal["nm", "pixel"]

VISIBLE_NM = (380.0, 780.0)  # beyond, the observer holds less than 1e-4 of its area


@cache
def _observer() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return wavelengths (471,) and x̄, ȳ, z̄ (471, 3) as tabulated."""
    _, columns = read_table("cie_1931_2deg.csv")
    nm = np.array(columns["wavelength_nm"], dtype=float)
    bars = np.stack([np.array(columns[name], dtype=float) for name in ("x_bar", "y_bar", "z_bar")], axis=1)
    nm.flags.writeable = bars.flags.writeable = False
    return nm, bars


def observer_at(wavelength_nm: ArrayLike) -> NDArray[np.float64]:
    """Return the colour-matching functions x̄, ȳ, z̄ at any wavelengths.

    Parameters
    ----------
    wavelength_nm : array_like of shape (...,)
        nm in air.

    Returns
    -------
    ndarray of shape (..., 3)
        Linear interpolation of the 1 nm table; zero outside 360-830 nm.

    Notes
    -----
    CIE 015:2018 §7.2.1: the 1 nm table may be interpolated linearly. The observer goes to the pixels,
    never the spectrum to the observer: narrow lines would lose their area.
    """
    nm = np.asarray(wavelength_nm, dtype=float)
    table_nm, bars = _observer()
    return np.stack([np.interp(nm, table_nm, bars[:, i], left=0.0, right=0.0) for i in range(3)], axis=-1)


def pixel_weights(axis_nm: ArrayLike, *, units: Units = "power", per: Per = "nm") -> NDArray[np.float64]:
    """Return the matrix that takes spectra on an axis to XYZ in one product.

    Parameters
    ----------
    axis_nm : array_like of shape (p,)
        nm in air, increasing.
    units : {'power', 'photons'}
        Whether the values are proportional to radiant power or to photon rate (then divided by nm).
    per : {'nm', 'pixel'}
        Whether the values are densities per nm (multiplied by the pixel's width) or light per pixel.

    Returns
    -------
    ndarray of shape (p, 3)
        ``values @ weights`` is XYZ in relative units.
    """
    axis = np.atleast_1d(np.asarray(axis_nm, dtype=float))
    weights = observer_at(axis)
    if per == "nm" and axis.size > 1:
        weights = weights * np.gradient(axis)[:, None]
    if units == "photons":
        weights = weights * (550.0 / axis)[:, None]
    return weights


def tristimulus(
    axis_nm: ArrayLike, values: ArrayLike, *, units: Units = "power", per: Per = "nm"
) -> NDArray[np.float64]:
    """Return CIE 1931 XYZ of spectra.

    Parameters
    ----------
    axis_nm : array_like of shape (p,)
        nm in air, increasing.
    values : array_like of shape (..., p)
        Spectra; finite. Negative noise is kept: cutting it off would whiten the colour.
    units, per
        See `pixel_weights`.

    Returns
    -------
    ndarray of shape (..., 3)
        Unclipped XYZ in relative units (the scale of a glow is not known).
    """
    return np.asarray(values, dtype=float) @ pixel_weights(axis_nm, units=units, per=per)


def line_tristimulus(wavelength_nm: ArrayLike, power: ArrayLike) -> NDArray[np.float64]:
    """Return the XYZ of a sum of narrow lines, without a grid.

    Parameters
    ----------
    wavelength_nm : array_like of shape (m,)
        nm in air.
    power : array_like of shape (..., m)
        Relative radiant power of each line.

    Returns
    -------
    ndarray of shape (..., 3)
    """
    return np.asarray(power, dtype=float) @ observer_at(wavelength_nm)


def chromaticity(xyz: ArrayLike) -> NDArray[np.float64]:
    """Return x, y of tristimulus values; NaN where their sum is not positive.

    Parameters
    ----------
    xyz : array_like of shape (..., 3)

    Returns
    -------
    ndarray of shape (..., 2)
    """
    xyz = np.asarray(xyz, dtype=float)
    total = xyz.sum(axis=-1, keepdims=True)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(total > 0, xyz[..., :2] / total, np.nan)
