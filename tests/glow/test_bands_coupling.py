"""Energies and strengths of intermediate coupling, worked out the other way round: in Hund's case (b).

The product starts from case (a) functions. Here the same physics is written with |Λ, N, S, J⟩ and recoupled
by Racah's symbols (Edmonds, Angular Momentum in Quantum Mechanics, 1957, eqs. 3.7.3, 6.3.7, 7.1.6-7.1.8; for
the molecule-fixed tensors Brown & Carrington, Rotational Spectroscopy of Diatomic Molecules, 2003, eq.
5.148). Doublets have Earls' closed formulas (test_bands_strengths); this covers triplets and quartets too,
which have none as short.
"""

import dataclasses
from functools import cache
from math import factorial, sqrt

import numpy as np
import pytest
from numpy.testing import assert_allclose

from glowledger.glow.hamiltonian import rotational_levels
from glowledger.glow.line_strengths import dipole_matrix
from glowledger.tables.molecules import state


def fact(x):
    return factorial(round(x))


def triangle(a, b, c):
    return fact(a + b - c) * fact(a - b + c) * fact(-a + b + c) / fact(a + b + c + 1)


def is_triangle(a, b, c):
    return abs(a - b) <= c <= a + b and abs(a + b + c - round(a + b + c)) < 1e-9


@cache
def three_j(a, b, c, x, y, z):
    if abs(x + y + z) > 1e-9 or not is_triangle(a, b, c) or abs(x) > a or abs(y) > b or abs(z) > c:
        return 0.0
    total = 0.0
    for k in range(round(a + b + c) + 1):
        terms = (k, c - b + x + k, c - a - y + k, a + b - c - k, a - x - k, b + y - k)
        if min(terms) >= -1e-9:
            total += (-1) ** k / np.prod([float(fact(t)) for t in terms])
    shape = np.prod([float(fact(t)) for t in (a + x, a - x, b + y, b - y, c + z, c - z)])
    return (-1) ** round(a - b - z) * sqrt(triangle(a, b, c) * shape) * total


@cache
def six_j(a, b, c, d, e, f):
    triples = ((a, b, c), (a, e, f), (d, b, f), (d, e, c))
    if not all(is_triangle(*t) for t in triples):
        return 0.0
    total = 0.0
    for k in range(round(a + b + c + d + e + f) + 2):
        under = [k - sum(t) for t in triples] + [a + b + d + e - k, b + c + e + f - k, c + a + f + d - k]
        if min(under) >= -1e-9:
            total += (-1) ** k * fact(k + 1) / np.prod([float(fact(t)) for t in under])
    return sqrt(np.prod([triangle(*t) for t in triples])) * total


def axial(n, m, lam):
    """⟨N Λ||D·0||N' Λ⟩ of a molecule-fixed vector along the axis."""
    return (-1) ** round(n - lam) * sqrt((2 * n + 1) * (2 * m + 1)) * three_j(n, 1, m, -lam, 0, lam)


def case_b(lam, spin, b, a_so, j):
    """Energies and eigenvectors over N of one J: B N(N+1) + A L_z S·axis."""
    ns = [n for n in np.arange(abs(j - spin), j + spin + 0.5) if n >= lam]
    matrix = np.diag([b * n * (n + 1) for n in ns])
    reduced_spin = sqrt(spin * (spin + 1) * (2 * spin + 1))
    for i, n in enumerate(ns):
        for k, m in enumerate(ns):
            sign = (-1) ** round(m + spin + j)
            coupling = sign * six_j(spin, m, j, n, spin, 1) * axial(n, m, lam) * lam * reduced_spin
            matrix[i, k] += a_so * coupling
    energy, vectors = np.linalg.eigh(matrix)
    return ns, energy, vectors


def case_b_strength(upper, lower, lams, spin, j_up, j_low):
    """Line strengths between all components of J' and J'', both parities together; shape (upper, lower)."""
    (ns, _, up), (ms, _, low) = upper, lower
    lam_up, lam_low = lams
    amplitude = np.zeros((len(ns), len(ms)))
    for i, n in enumerate(ns):
        for k, m in enumerate(ms):
            recoupling = (-1) ** round(n + spin + j_low + 1) * six_j(n, j_up, spin, j_low, m, 1)
            turn = (-1) ** round(n - lam_up) * three_j(n, 1, m, -lam_up, lam_up - lam_low, lam_low)
            weight = sqrt((2 * j_up + 1) * (2 * j_low + 1) * (2 * n + 1) * (2 * m + 1))
            amplitude[i, k] = recoupling * turn * weight
    strength = (up.T @ amplitude @ low) ** 2
    # e and f levels together: (|+Λ⟩ ± |-Λ⟩)/√2 doubles the strength to or from the one parity that a Σ state
    # allows, and two Λ > 0 states have two such pairs of levels
    return 2.0 * strength


def plain(name, b, a_so):
    return dataclasses.replace(
        state(name), constants={"Be": b, "A_so": a_so}, level_shifts={}, lambda_share=1.0
    )


CASES = [
    ("N2 B", "N2 A", 1.63, 1.45, 42.24, 0.0),  # 3Π regular → 3Σ⁺
    ("NH A", "NH X", 16.3, 16.34, -34.8, 0.0),  # 3Π inverted, near case (b) → 3Σ⁻
    ("CO b", "CO a", 1.97, 1.68, 0.0, 41.5),  # 3Σ⁺ → 3Π
    ("N2 C", "N2 B", 1.82, 1.63, 39.2, 42.24),  # 3Π → 3Π
    ("O2+ b", "O2+ a", 1.28, 1.10, 0.0, -47.9),  # 4Σ⁻ → 4Π inverted
    ("OH A", "OH X", 17.0, 18.5, 0.0, -139.0),  # 2Σ⁺ → 2Π inverted
    ("CH A", "CH X", 14.6, 14.2, -1.1, 28.1),  # 2Δ → 2Π
]


@pytest.mark.parametrize("case", CASES, ids=lambda c: f"{c[0]} - {c[1]}")
def test_levels_are_the_same_in_either_coupling(case):
    for name, b, a_so in ((case[0], case[2], case[4]), (case[1], case[3], case[5])):
        one = plain(name, b, a_so)
        spin = (one.multiplicity - 1) / 2
        e, f = rotational_levels(one, 0, 16)
        for row in (0, 1, 2, 5, 12):
            _, energy, _ = case_b(one.lam, spin, b, a_so, e.j[row])
            mine = np.concatenate([e.term_cm[row], f.term_cm[row]])
            mine = np.sort(mine[np.isfinite(mine)])
            expected = np.sort(np.repeat(energy, 2 if one.lam else 1))
            assert_allclose(mine, expected, rtol=1e-9, atol=1e-7, err_msg=f"{name} J={e.j[row]}")


@pytest.mark.parametrize("case", CASES, ids=lambda c: f"{c[0]} - {c[1]}")
def test_strengths_are_the_same_in_either_coupling(case):
    upper, lower = plain(case[0], case[2], case[4]), plain(case[1], case[3], case[5])
    spin = (upper.multiplicity - 1) / 2
    above, below = rotational_levels(upper, 0, 16), rotational_levels(lower, 0, 16)
    for row in (3, 6, 12):
        for branch, step in (("P", 1), ("Q", 0), ("R", -1)):
            j_up, j_low = above[0].j[row], below[0].j[row + step]
            up = case_b(upper.lam, spin, case[2], case[4], j_up)
            low = case_b(lower.lam, spin, case[3], case[5], j_low)
            expected = case_b_strength(up, low, (upper.lam, lower.lam), spin, j_up, j_low)
            mine = np.zeros_like(expected)
            for ef in (0, 1):
                a, b = above[ef], below[1 - ef if branch == "Q" else ef]
                dipole = dipole_matrix(upper, lower, a.j[[row]], branch)[0]
                part = (a.vectors[row].T @ dipole @ b.vectors[row + step]) ** 2
                # place by energy: a Σ state's levels of one J are shared out between e and f
                at = np.searchsorted(up[1] - 1e-6, a.term_cm[row], side="right") - 1
                to = np.searchsorted(low[1] - 1e-6, b.term_cm[row + step], side="right") - 1
                np.add.at(mine, np.ix_(at, to), part)
            assert_allclose(mine, expected, rtol=1e-7, atol=1e-8, err_msg=f"{branch} J'={j_up}")
