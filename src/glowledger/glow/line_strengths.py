"""Rotational line strengths (Hönl-London factors) from the eigenvectors, for any coupling case."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.hamiltonian import basis
from glowledger.tables.molecules import MolecularState

Branch = Literal["P", "Q", "R"]


def clebsch_gordan_rank_one(
    j_lower: NDArray[np.float64], omega_upper: NDArray[np.float64], q: int, branch: Branch
) -> NDArray[np.float64]:
    """Return ⟨J'' Ω'', 1 q | J' Ω'⟩ with Ω'' = Ω' - q, for J' = J'' - 1, J'', J'' + 1 (P, Q, R).

    Parameters
    ----------
    j_lower : ndarray
        J'', broadcast against `omega_upper`.
    omega_upper : ndarray
        Ω'.
    q : int
        -1, 0 or 1.
    branch : {'P', 'Q', 'R'}
        Which J'.

    Returns
    -------
    ndarray
        Zero where a projection exceeds its J.

    Notes
    -----
    Zare, Angular Momentum (1988), table 2.4; Edmonds, Angular Momentum in Quantum Mechanics, table 2.
    """
    j, m = np.broadcast_arrays(np.asarray(j_lower, float), np.asarray(omega_upper, float))
    j_upper = j + {"P": -1, "Q": 0, "R": 1}[branch]
    with np.errstate(divide="ignore", invalid="ignore"):
        value = _closed_form(j, m, q, branch)
    allowed = (np.abs(m - q) <= j) & (np.abs(m) <= j_upper) & (j_upper >= 0) & (j + j_upper >= 1)
    return np.where(allowed, np.nan_to_num(value), 0.0)


def _closed_form(
    j: NDArray[np.float64], m: NDArray[np.float64], q: int, branch: Branch
) -> NDArray[np.float64]:
    s = q * m  # the elements for q = -1 are those for q = +1 with m reversed, up to a sign
    if branch == "R":
        if q == 0:
            return np.sqrt((j - m + 1) * (j + m + 1) / ((2 * j + 1) * (j + 1)))
        return np.sqrt((j + s) * (j + s + 1) / ((2 * j + 1) * (2 * j + 2)))
    if branch == "Q":
        if q == 0:
            return np.asarray(m / np.sqrt(j * (j + 1)))
        return -q * np.sqrt((j + s) * (j - s + 1) / (2 * j * (j + 1)))
    if q == 0:
        return -np.sqrt((j - m) * (j + m) / (j * (2 * j + 1)))
    return np.sqrt((j - s) * (j - s + 1) / (2 * j * (2 * j + 1)))


def dipole_matrix(
    upper: MolecularState, lower: MolecularState, j_upper: NDArray[np.float64], branch: Branch
) -> NDArray[np.float64]:
    """Return the rotational dipole matrix in the signed case (a) bases.

    Parameters
    ----------
    upper, lower : MolecularState
        States of equal multiplicity with |ΔΛ| ≤ 1.
    j_upper : ndarray of shape (n,)
        J'; the lower level has J'' = J' + 1, J', J' - 1 for P, Q, R.
    branch : {'P', 'Q', 'R'}
        Which J''.

    Returns
    -------
    ndarray of shape (n, b', b'')
        √(2J''+1) ⟨J''Ω'', 1 q|J'Ω'⟩ for equal Σ: squares summed over all lower levels give
        (2J'+1) × (1 for Λ' ≥ Λ'', 2 for a Σ state above a Π state), see `strength_sum`.

    Notes
    -----
    Electric dipole, ΔS = ΔΣ = 0, one electronic moment; ⟨-Λ'|μ|-Λ''⟩ = (-1)^(s'+s'')⟨Λ'|μ|Λ''⟩.
    """
    lam_u, sigma_u = basis(upper)
    lam_l, sigma_l = basis(lower)
    j_lower = j_upper + {"P": 1, "Q": 0, "R": -1}[branch]
    matrix = np.zeros((j_upper.size, lam_u.size, lam_l.size))
    sign = (-1.0) ** (upper.reflection + lower.reflection)
    for a in range(lam_u.size):
        for b in range(lam_l.size):
            q = int(lam_u[a] - lam_l[b])
            if sigma_u[a] != sigma_l[b] or abs(q) > 1:
                continue
            omega = np.array(lam_u[a] + sigma_u[a])
            element = clebsch_gordan_rank_one(j_lower, omega, q, branch)
            negative = lam_u[a] + lam_l[b] < 0
            matrix[:, a, b] = np.sqrt(np.clip(2 * j_lower + 1, 0, None)) * element * (sign if negative else 1)
    if upper.lam == lower.lam == 0 and sign < 0:
        matrix[:] = 0.0  # Σ⁺-Σ⁻ is forbidden
    return matrix


def strength_sum(upper: MolecularState, lower: MolecularState) -> float:
    """Return Σ S / (2J'+1) over all lines of one upper level: 2 for Σ above Π, else 1."""
    return 2.0 if upper.lam == 0 and lower.lam == 1 else 1.0
