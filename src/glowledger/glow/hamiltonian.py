"""Rotational levels of a linear molecule's electronic state, any multiplicity, Hund's (a) through (b).

One effective Hamiltonian for all: rotation, centrifugal distortion, spin-orbit, spin-spin, spin-rotation
and, for Π states, Λ-doubling, in the basis |Λ, Σ; J, Ω⟩ of Hund's case (a), split into e and f levels and
diagonalised for all J at once. Matrix elements: Brown & Carrington, Rotational Spectroscopy of Diatomic
Molecules (2003), chapters 6-9; e and f: Brown et al., J. Mol. Spectrosc. 55, 500 (1975).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from glowledger.tables.molecules import MolecularState

_FORBIDDEN_CM = 1e9  # put on basis states with |Ω| > J, to keep all J in one array


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RotationalLevels:
    """The e or the f levels of one vibrational level for J = J_min, J_min + 1, ...

    Attributes
    ----------
    j : ndarray of shape (n,)
        J of each row.
    term_cm : ndarray of shape (n, d)
        Rotational and spin energies, ascending within a row, without Te + G(v); inf where none exists.
    vectors : ndarray of shape (n, b, d)
        Eigenvectors in the signed case (a) basis of size b.
    number : ndarray of int, shape (n, d)
        Spin component F1 ... F(2S+1), F1 the one with J = N + S; 0 where no level exists.
    weight : ndarray of shape (n,)
        Nuclear-spin weight of the levels.
    """

    j: NDArray[np.float64]
    term_cm: NDArray[np.float64]
    vectors: NDArray[np.float64]
    number: NDArray[np.int64]
    weight: NDArray[np.float64]


def basis(state: MolecularState) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return Λ and Σ of the signed case (a) basis, each of shape (b,), b = 2S+1 or 2(2S+1)."""
    spin = (state.multiplicity - 1) / 2
    sigma = np.arange(-spin, spin + 1)
    lambdas = [0] if state.lam == 0 else [state.lam, -state.lam]
    return np.repeat(np.array(lambdas, float), sigma.size), np.tile(sigma, len(lambdas))


def symmetrisation(state: MolecularState, *, upper_sign: bool) -> NDArray[np.float64]:
    """Return the columns (|Λ,Σ⟩ ± |-Λ,-Σ⟩)/√2 that make e (`upper_sign`) or f levels; shape (b, d).

    Notes
    -----
    σ_v|Λ,Σ;J,Ω⟩ = (-1)^(J-S+s)|-Λ,-Σ;J,-Ω⟩ with s = 1 for Σ⁻; e levels have parity (-1)^J or (-1)^(J-1/2),
    so the relative sign (-1)^(S+s), or (-1)^(S-1/2+s), is the same for all J (Brown et al. 1975).
    """
    lam, sigma = basis(state)
    twice_spin = state.multiplicity - 1
    sign = (-1) ** (twice_spin // 2 + state.reflection) * (1 if upper_sign else -1)
    columns = []
    for i in range(lam.size):
        partner = int(np.flatnonzero((lam == -lam[i]) & (sigma == -sigma[i]))[0])
        if partner < i or (partner == i and sign < 0):
            continue
        column = np.zeros(lam.size)
        column[i] += 1.0
        column[partner] += sign
        columns.append(column / np.linalg.norm(column))
    return np.array(columns).reshape(-1, lam.size).T


def hamiltonian(state: MolecularState, v: int, j: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the effective Hamiltonian in the signed basis.

    Parameters
    ----------
    state : MolecularState
        Constants in cm⁻¹.
    v : int
        Vibrational level.
    j : ndarray of shape (n,)
        J, all integer or all half-integer.

    Returns
    -------
    ndarray of shape (n, b, b)
        cm⁻¹, without Te + G(v).
    """
    lam, sigma = basis(state)
    spin = (state.multiplicity - 1) / 2
    spin2 = spin * (spin + 1)
    omega = lam + sigma
    jj = (j * (j + 1))[:, None]
    ladder = _ladders(state, j)
    js = np.zeros((j.size, lam.size, lam.size))  # J·S
    np.einsum("nii->ni", js)[:] = omega * sigma
    js += 0.5 * (ladder.j_up * ladder.s_up + np.swapaxes(ladder.j_up * ladder.s_up, 1, 2))
    rotation = -2.0 * js
    share = state.lambda_share
    np.einsum("nii->ni", rotation)[:] += jj + spin2 - (1.0 - share) * lam**2
    energy = state.rotational_constant(v) * rotation
    energy -= state.distortion_constant(v) * (rotation @ rotation)
    energy += state.constant("gamma_sr") * js
    diagonal = np.einsum("nii->ni", energy)
    diagonal += state.constant("A_so") * lam * sigma - state.constant("gamma_sr") * spin2
    diagonal += 2.0 / 3.0 * state.constant("lambda_ss") * (3.0 * sigma**2 - spin2)
    if state.lam == 1:
        diagonal += 0.5 * state.constant("q_plus") * jj
        energy += _lambda_doubling(state, ladder)
    return energy


@dataclass(frozen=True, slots=True, eq=False)
class _Ladders:
    """Matrix elements ⟨row|·|column⟩ for rising Ω and for rising Σ, Λ kept or not looked at."""

    j_up: NDArray[np.float64]  # (n, b, b): √(J(J+1) - Ω(Ω+1)) where Ω_row = Ω_column + 1
    s_up: NDArray[np.float64]  # (b, b): √(S(S+1) - Σ(Σ+1)) where Σ_row = Σ_column + 1, Λ equal
    s_up_flip: NDArray[np.float64]  # the same where Λ_row = +1, Λ_column = -1 and Σ_row = Σ_column - 1
    j2_flip: NDArray[np.float64]  # (n, b, b): two steps of Ω from -1 + Σ to 1 + Σ


def _ladders(state: MolecularState, j: NDArray[np.float64]) -> _Ladders:
    lam, sigma = basis(state)
    spin = (state.multiplicity - 1) / 2
    omega = lam + sigma
    jj = (j * (j + 1))[:, None]

    def root(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.sqrt(np.clip(values, 0.0, None))

    step = root(jj - omega * (omega + 1))  # from Ω to Ω + 1, by column
    second = root(jj - (omega + 1) * (omega + 2))
    spin_step = root(spin * (spin + 1) - sigma * (sigma + 1))
    spin_down = root(spin * (spin + 1) - sigma * (sigma - 1))
    rise = omega[:, None] == omega[None, :] + 1
    flip = (lam[:, None] == 1) & (lam[None, :] == -1)
    return _Ladders(
        j_up=rise * step[:, None, :],
        s_up=(sigma[:, None] == sigma + 1) * (lam[:, None] == lam) * spin_step,
        s_up_flip=flip * (sigma[:, None] == sigma - 1) * spin_down,
        j2_flip=(flip & (sigma[:, None] == sigma)) * (step * second)[:, None, :],
    )


def _lambda_doubling(state: MolecularState, ladder: _Ladders) -> NDArray[np.float64]:
    """Return the p and q terms of a Π state; signs such that 2Π1/2 e levels fall by (p + 2q)(J + 1/2)/2.

    q_plus, for a Π state whose spin is left out, lifts the e levels by q_plus J(J+1) and leaves the f levels.
    """
    p, q = state.constant("p_ld"), state.constant("q_ld") + state.constant("q_plus")
    half = 0.5 * q * ladder.j2_flip - 0.5 * (p + 2.0 * q) * ladder.j_up * ladder.s_up_flip
    return np.asarray(half + np.swapaxes(half, 1, 2))


def rotational_levels(state: MolecularState, v: int, count: int) -> tuple[RotationalLevels, RotationalLevels]:
    """Return the e and the f levels of a vibrational level.

    Parameters
    ----------
    state : MolecularState
        The electronic state.
    v : int
        Vibrational level.
    count : int
        How many values of J, from 0 or 1/2 upwards.

    Returns
    -------
    tuple of RotationalLevels
        e, f.
    """
    j = np.arange(count, dtype=np.float64) + (0.5 if state.multiplicity % 2 == 0 else 0.0)
    lam, sigma = basis(state)
    energy = hamiltonian(state, v, j)
    absent = np.abs(lam + sigma)[None, :] > j[:, None] + 1e-9
    np.einsum("nii->ni", energy)[:] += np.where(absent, _FORBIDDEN_CM, 0.0)
    result = []
    for upper_sign in (True, False):
        mixing = symmetrisation(state, upper_sign=upper_sign)
        if mixing.shape[1] == 0:
            term, vectors = np.zeros((count, 0)), np.zeros((count, lam.size, 0))
        else:
            term, inner = np.linalg.eigh(mixing.T @ energy @ mixing)
            vectors = mixing @ inner
        term = np.where(term > 0.5 * _FORBIDDEN_CM, np.inf, term)
        parity = (-1) ** np.arange(count) * (1 if upper_sign else -1)
        result.append(
            RotationalLevels(
                j=j,
                term_cm=term,
                vectors=vectors,
                number=_component_numbers(state, v, j, term, parity),
                weight=_nuclear_weights(state, parity),
            )
        )
    return result[0], result[1]


def _nuclear_weights(state: MolecularState, parity: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return the weight by parity: levels with parity × inversion = + are symmetric in the nuclei."""
    symmetric, antisymmetric = state.nuclear_weights
    return np.where(parity * state.inversion >= 0, symmetric, antisymmetric)


def _component_numbers(
    state: MolecularState,
    v: int,
    j: NDArray[np.float64],
    term: NDArray[np.float64],
    parity: NDArray[np.int64],
) -> NDArray[np.int64]:
    """Return the numbers of the spin components in each row.

    Λ > 0: by rising energy; where |Ω| > J leaves fewer levels the lowest numbers are missing, except in a
    regular state near case (a), where the highest are. Σ: from N, rising with the energy, of the parity
    (-1)^(N+s).
    """
    exists = np.isfinite(term)
    order = np.cumsum(exists, axis=1)
    if state.lam > 0:
        regular = state.constant("A_so") > 2.0 * state.rotational_constant(v)
        missing = 0 if regular else state.multiplicity - exists.sum(axis=1, keepdims=True)
        return np.where(exists, order + missing, 0)
    spin = (state.multiplicity - 1) / 2
    lowest = np.rint(np.abs(j - spin)).astype(np.int64)
    lowest += ((-1) ** (lowest + state.reflection) != parity).astype(np.int64)
    n = lowest[:, None] + 2 * (order - 1)
    return np.where(exists, np.rint(n + spin + 1 - j[:, None]).astype(np.int64), 0)
