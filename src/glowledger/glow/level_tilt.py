"""Excitation that differs from the typical: how much more, or less, the high levels of an atom glow."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

SEEN = 5.0  # standard deviations from which a level tells the brightness of the species
FEWEST = 3  # levels seen, or nothing is said
SCATTER = 0.7  # relative, of populations about a Boltzmann line: levels are fed unevenly; common practice, no source
TILT_SD = 0.6  # of 1 / kT, 1 / eV, beforehand: kT between 0.35 and 1 eV about a typical one of 0.5 eV
STUDENT_DOF = 3.0  # levels that took up the light of others are outliers
TRIED = np.arange(-5, 6) * 0.25  # 1 / eV
APART_EV = 5.0  # from the brightest level: beyond lie doubly excited ones, which are fed otherwise


def level_tilt(
    energy_ev: NDArray[np.float64],
    weight: NDArray[np.float64],
    amount: NDArray[np.float64],
    error: NDArray[np.float64],
) -> float:
    """Return by how much the 1 / kT of a species is less than the typical, 1 / eV.

    Parameters
    ----------
    energy_ev : ndarray of shape (m,)
        Of the upper levels, NaN where there is none.
    weight, amount : ndarray of shape (m,)
        Typical and fitted photons.
    error : ndarray of shape (m,)
        Standard error of the amounts.

    Returns
    -------
    float
        The likeliest of `TRIED`, with a normal prior; 0 where too few levels are seen. Levels that are not seen count
        as well: were only those looked at that stand out, high ones would look brighter than they are.
    """
    seen = np.isfinite(energy_ev) & (amount > SEEN * error)
    if np.count_nonzero(seen) < FEWEST:
        return 0.0
    brightest = energy_ev[seen][np.argmax(amount[seen])]
    near = np.abs(energy_ev - brightest) < APART_EV
    away, seen = energy_ev[near] - brightest, seen[near]
    typical = weight[near] * np.exp(TRIED[:, None] * away)
    known = amount[near] / np.where(typical > 0, typical, np.inf)
    scale = np.exp(np.median(np.log(known[:, seen]), axis=1))[:, None]
    variance = error[near] ** 2 + (SCATTER * scale * typical) ** 2
    off = (amount[near] - scale * typical) ** 2 / variance
    log = -0.5 * np.log(variance) - 0.5 * (STUDENT_DOF + 1) * np.log1p(off / STUDENT_DOF)
    return float(TRIED[np.argmax(log.sum(axis=1) - 0.5 * (TRIED / TILT_SD) ** 2)])
