"""Franck-Condon factors from Rydberg-Klein-Rees potentials.

Used by the script that builds the tables and by tests; nothing at run time waits for it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glowledger.errors import TableError
from glowledger.tables.molecules import MolecularState

HBAR2_OVER_2U = 16.8576292  # ħ²/2 in cm⁻¹ Å² u: h/(8π²c) with CODATA 2018 constants
POINTS_PER_WAVE = 5.0  # grid points per shortest wavelength; 2 is the limit, factors settle to 1e-5 at 4
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(64)


def turning_points(state: MolecularState, v: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the classical turning points of the rotationless molecule.

    Parameters
    ----------
    state : MolecularState
        Its G(v) and B(v) are used, fitted level shifts left out.
    v : array_like of shape (n,)
        Vibrational quantum numbers above -1/2, need not be whole.

    Returns
    -------
    inner, outer : ndarray of shape (n,)
        Å.

    Notes
    -----
    Klein's integrals f and g (Rees, Proc. Phys. Soc. 59, 998 (1947)); v' = v - (v + 1/2) s² takes the
    singularity away, Gauss-Legendre quadrature does the rest.
    """
    v = np.asarray(v, dtype=np.float64)[:, None]
    s = 0.5 * (_NODES + 1.0)
    inside = v - (v + 0.5) * s**2
    rise = np.sqrt(state.vibrational_energy(v) - state.vibrational_energy(inside))
    weight = 0.5 * _WEIGHTS * 2.0 * (v + 0.5) * s / rise
    scale = np.sqrt(HBAR2_OVER_2U / state.reduced_mass_u)
    f = scale * weight.sum(axis=1)
    g = (weight * state.rotational_constant(inside)).sum(axis=1) / scale
    middle = np.sqrt(f**2 + f / g)
    return middle - f, middle + f


def potential(state: MolecularState, r: NDArray[np.float64], v_top: float) -> NDArray[np.float64]:
    """Return the potential curve at distances r.

    Parameters
    ----------
    state : MolecularState
        Constants.
    r : ndarray of shape (n,)
        Å.
    v_top : float
        Turning points are used up to here, or up to where G(v) stops rising or the inner wall turns back;
        beyond, an exponential inner wall and an outer wall that bends to the dissociation limit.

    Returns
    -------
    ndarray of shape (n,)
        cm⁻¹ above the minimum.
    """
    from scipy.interpolate import CubicSpline

    v = np.linspace(-0.5, v_top, int(8 * (v_top + 0.5)) + 2)[1:]
    v = v[: _first_failure(np.diff(state.vibrational_energy(v), prepend=0.0))]
    inner, outer = turning_points(state, v)
    v = v[: _first_failure(-np.diff(inner, prepend=inner[0] + 1.0))]
    inner, outer, energy = inner[: v.size], outer[: v.size], state.vibrational_energy(v)
    bottom = np.sqrt(HBAR2_OVER_2U / (state.reduced_mass_u * state.constant("Be")))
    known_r = np.concatenate([inner[::-1], [bottom], outer])
    curve = CubicSpline(known_r, np.concatenate([energy[::-1], [0.0], energy]))
    result = curve(r)
    slope = curve(inner[-1], 1) / energy[-1]
    left, right = r < inner[-1], r > outer[-1]
    result[left] = energy[-1] * np.exp(np.clip(slope * (r[left] - inner[-1]), 0.0, 8.0))
    depth = _well_depth(state, float(energy[-1]))
    fall = curve(outer[-1], 1) / (depth - energy[-1])
    result[right] = depth - (depth - energy[-1]) * np.exp(-fall * (r[right] - outer[-1]))
    return np.asarray(result)


def franck_condon_factors(
    upper: MolecularState, lower: MolecularState, v_upper_top: int, v_lower_top: int
) -> NDArray[np.float64]:
    """Return the squared overlaps of vibrational wave functions.

    Parameters
    ----------
    upper, lower : MolecularState
        The states.
    v_upper_top, v_lower_top : int
        Highest levels wanted.

    Returns
    -------
    ndarray of shape (v_upper_top + 1, v_lower_top + 1)
        Row v', column v''. A row sums to 1 if the columns hold all of the lower wave functions needed.

    Raises
    ------
    TableError
        If a potential does not hold the levels asked for.
    """
    tops = ((upper, v_upper_top), (lower, v_lower_top))
    r = _grid(*tops)
    waves = [_lowest_levels(state, r, top)[1] for state, top in tops]
    return np.asarray((waves[0].T @ waves[1]) ** 2)


def vibrational_energies(state: MolecularState, v_top: int) -> NDArray[np.float64]:
    """Return the energies of v = 0 ... v_top that the RKR potential gives back, cm⁻¹ above its minimum."""
    return _lowest_levels(state, _grid((state, v_top)), v_top)[0]


def _grid(*tops: tuple[MolecularState, int]) -> NDArray[np.float64]:
    """Return distances that hold all states up to their top levels, fine enough for the fastest wave."""
    ends, waves = [], []
    for state, top in tops:
        reach = _reachable(state, top + 2.0)
        ends.append([float(side[0]) for side in turning_points(state, [reach])])
        waves.append(np.sqrt(state.reduced_mass_u * state.vibrational_energy(reach) / HBAR2_OVER_2U))
    low, high = min(end[0] for end in ends), max(end[1] for end in ends)
    margin = 0.5 * (high - low)
    first = max(low - margin, 0.3 * low)
    count = int(POINTS_PER_WAVE * max(waves) * (high + margin - first) / (2 * np.pi)) + 40
    return np.linspace(first, high + margin, count)


def _lowest_levels(
    state: MolecularState, r: NDArray[np.float64], v_top: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return energies and wave functions of v = 0 ... v_top on the grid.

    The Hamiltonian is that of Colbert & Miller, J. Chem. Phys. 96, 1982 (1992), eq. A7.
    """
    from scipy.linalg import eigh

    step = r[1] - r[0]
    apart = np.arange(r.size)[:, None] - np.arange(r.size)[None, :]
    with np.errstate(divide="ignore"):
        matrix = np.where(apart == 0, np.pi**2 / 3.0, 2.0 * (-1.0) ** apart / np.square(apart, dtype=float))
    matrix *= HBAR2_OVER_2U / (state.reduced_mass_u * step**2)
    reach = _reachable(state, v_top + 2.0)
    curve = potential(state, r, reach)
    matrix[np.diag_indices(r.size)] += np.minimum(curve, 4.0 * float(state.vibrational_energy(reach)))
    energy, vectors = eigh(matrix, subset_by_index=(0, v_top))
    want = float(state.vibrational_energy(v_top))
    if reach < v_top or abs(energy[-1] - want) > 0.02 * want:
        raise TableError(
            f"the potential of {state.name} does not hold v={v_top} where its constants put it.",
            mend="Ask for fewer levels: the constants do not reach that far.",
        )
    return energy, vectors


def _reachable(state: MolecularState, v_top: float) -> float:
    """Return v_top, or the last v before G(v) stops rising."""
    v = np.arange(-0.5, v_top + 0.125, 0.125)
    rises = np.diff(state.vibrational_energy(v)) > 0
    return v_top if rises.all() else float(v[max(int(np.argmin(rises)) - 1, 1)])


def _first_failure(steps: NDArray[np.float64]) -> int:
    """Return how many leading steps are positive."""
    bad = np.flatnonzero(~(steps > 0))
    return int(bad[0]) if bad.size else steps.size


def _well_depth(state: MolecularState, highest: float) -> float:
    """Return the depth of the well: D0 + G(0) where known, else Morse; always above the last point."""
    we, wexe = state.constant("we"), state.constant("wexe")
    if "D0" in state.constants:
        depth = state.constant("D0") + 0.5 * we - 0.25 * wexe
    else:
        depth = we**2 / (4.0 * wexe) if wexe > 0 else 5.0 * highest
    return max(depth, 1.1 * highest)
