"""Excitation that differs from the typical: how much more, or less, the high levels of an atom glow."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

SEEN = 5.0  # standard deviations from which a level tells
SCATTER = 1.0  # of ln of populations about a Boltzmann line, common practice, no source: levels are fed unevenly
TILT_SD = 0.6  # of 1 / kT, 1 / eV, beforehand: kT between 0.35 and 1 eV about a typical one of 0.5 eV
MOST = 2.0  # 1 / eV
APART_EV = 5.0  # from the brightest level: beyond lie doubly excited ones, which are fed otherwise


def level_tilt(
    energy_ev: NDArray[np.float64],
    weight: NDArray[np.float64],
    amount: NDArray[np.float64],
    species: NDArray[np.intp],
    distance: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return by how much each species is excited otherwise than typical, shape (s,).

    Parameters
    ----------
    energy_ev : ndarray of shape (m,)
        Of the upper levels, NaN where there is none.
    weight, amount : ndarray of shape (m,)
        Typical and fitted photons.
    species : ndarray of int, shape (m,)
        Number of the species of each, 0 to s - 1.
    distance : ndarray of shape (m,)
        Standard deviations by which each would show if nothing else glowed.

    Returns
    -------
    ndarray of shape (s,)
        Slope of ln(amount/weight) of the levels that are seen over their energy, 1 / eV, with a scatter and a normal
        prior about none: what 1 / kT is less than the typical.
    """
    count = int(species.max()) + 1
    brightest = np.zeros(count)
    order = np.argsort(amount)
    brightest[species[order]] = energy_ev[order]
    near = np.abs(energy_ev - brightest[species]) < APART_EV
    tells = near & (distance > SEEN) & (amount > 0)
    log = np.zeros(energy_ev.size)
    log[tells] = np.log(amount[tells] / weight[tells])
    number = np.maximum(np.bincount(species, tells, count), 1.0)
    about = np.bincount(species, np.where(tells, energy_ev, 0.0), count) / number
    away = np.where(tells, energy_ev - about[species], 0.0)
    log -= np.where(tells, (np.bincount(species, log, count) / number)[species], 0.0)
    precision = np.bincount(species, away**2, count) / SCATTER**2 + 1.0 / TILT_SD**2
    tilt = np.bincount(species, away * log, count) / SCATTER**2 / precision
    return np.asarray(np.clip(tilt, -MOST, MOST))

