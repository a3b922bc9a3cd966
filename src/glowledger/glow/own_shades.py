"""Short-wave against long-wave light of one steady gas: what a film on the window dims first."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.identifying import Identified

SHORT_NM, LONG_NM = 500.0, 600.0  # light below the one and above the other
STEADY = ("Ar I", "He I", "Ne I", "Kr I", "Xe I", "N2")  # that make nothing with what comes off; first choice first
LEAST = 3.0  # standard errors of either in one frame: the mean of ten is then known to a tenth


def steady_gas(
    mean: Identified, names: Iterable[str], told: NDArray[np.bool_], variance: NDArray[np.float64]
) -> str | None:
    """Return the gas whose short-wave and long-wave light both show in single frames; None where none does.

    Parameters
    ----------
    mean : Identified
        The mean of the run.
    names : iterable of str
        Species that are certain to glow.
    told : ndarray of bool, shape (p,)
        Pixels that are measured.
    variance : ndarray of shape (p,)
        Of one frame.
    """
    emitters, solution = mean.scene.emitters, mean.solution
    for name in (one for one in STEADY if one in names):
        own = [i for i, emitter in enumerate(emitters) if emitter.species == name]
        parts = _parts(solution.templates[:, own] @ solution.x[own], told, mean.scene.axis_nm)
        if np.sqrt(np.sum(parts**2 / variance, axis=1)).min() > LEAST:
            return name
    return None


def shades_measure(
    columns: NDArray[np.float64], solve: NDArray[np.float64], own: NDArray[np.bool_], told: NDArray[np.bool_],
    variance: NDArray[np.float64], axis_nm: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return how short-wave and long-wave light of a gas are measured beside everything else.

    Parameters
    ----------
    columns, solve : ndarray of shape (p, c) and (c, p)
        All that is measured, in its amounts about the mean of the run, and how; see `Projection`.
    own : ndarray of bool, shape (c,)
        Columns of the gas.
    told : ndarray of bool, shape (p,)
        Pixels that are measured.
    variance : ndarray of shape (p,)
        Of one frame.
    axis_nm : ndarray of shape (p,)
        Wavelengths.

    Returns
    -------
    ndarray of shape (2, p)
        Times the counts of a frame: both in units of their own, near those of the mean; changes tell.
    """
    parts = _parts(columns[:, own].sum(axis=1), told, axis_nm)
    weights = parts / variance / np.sum(parts**2 / variance, axis=1, keepdims=True)
    return np.asarray(weights - (weights @ columns[:, ~own]) @ solve[~own])


def _parts(light: NDArray[np.float64], told: NDArray[np.bool_], axis_nm: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.where(told, [np.where(axis_nm < SHORT_NM, light, 0.0), np.where(axis_nm > LONG_NM, light, 0.0)], 0.0)
