"""Line strengths against Racah's formula and the published Hönl-London factors."""

import dataclasses
from math import factorial, sqrt

import numpy as np
import pytest
from numpy.testing import assert_allclose

from glowledger.glow.hamiltonian import rotational_levels
from glowledger.glow.line_strengths import clebsch_gordan_rank_one, dipole_matrix, strength_sum
from glowledger.tables.molecules import state, system, systems

STEP = {"P": 1, "Q": 0, "R": -1}  # J'' - J'


def racah(j1, m1, j2, m2, j, m):
    """⟨j1 m1, j2 m2 | j m⟩: Racah 1942, as in Edmonds (1957), eq. 3.6.11."""
    if m1 + m2 != m or not abs(j1 - j2) <= j <= j1 + j2 or abs(m1) > j1 or abs(m2) > j2 or abs(m) > j:
        return 0.0

    def f(x):
        return factorial(round(x))

    triangle = f(j + j1 - j2) * f(j - j1 + j2) * f(j1 + j2 - j) / f(j1 + j2 + j + 1)
    shape = f(j + m) * f(j - m) * f(j1 - m1) * f(j1 + m1) * f(j2 - m2) * f(j2 + m2)
    total = 0.0
    for k in range(round(j1 + j2 + j) + 1):
        terms = (k, j1 + j2 - j - k, j1 - m1 - k, j2 + m2 - k, j - j2 + m1 + k, j - j1 - m2 + k)
        if min(terms) >= 0:
            total += (-1) ** k / np.prod([float(f(t)) for t in terms])
    return sqrt((2 * j + 1) * triangle) * sqrt(shape) * total


@pytest.mark.parametrize("branch", ["P", "Q", "R"])
@pytest.mark.parametrize("half", [0.0, 0.5])
def test_clebsch_gordan_coefficients_are_those_of_racah(branch, half):
    for j_upper in np.arange(half, 7):
        j_lower = j_upper + STEP[branch]
        for m in np.arange(-j_upper, j_upper + 1):
            for q in (-1, 0, 1):
                mine = clebsch_gordan_rank_one(np.array(j_lower), np.array(m), q, branch)
                theirs = racah(j_lower, m - q, 1, q, j_upper, m) if j_lower >= 0 else 0.0
                assert_allclose(mine, theirs, rtol=0, atol=1e-12, err_msg=f"J'={j_upper} M={m} q={q}")


def strengths(upper, lower, count=30):
    """Line strengths by (branch, upper and lower component, J'')."""
    above, below = rotational_levels(upper, 0, count), rotational_levels(lower, 0, count)
    found = {}
    for branch, step in STEP.items():
        rows = np.arange(max(0, -step), count - 1)
        for ef in (0, 1):
            up, low = above[ef], below[1 - ef if branch == "Q" else ef]
            dipole = dipole_matrix(upper, lower, up.j[rows], branch)
            amplitude = np.swapaxes(up.vectors[rows], 1, 2) @ dipole @ low.vectors[rows + step]
            for i, a, b in np.ndindex(amplitude.shape):
                numbers = int(up.number[rows[i], a]), int(low.number[rows[i] + step, b])
                key = (branch, *numbers, float(low.j[rows[i] + step]))
                found[key] = found.get(key, 0.0) + float(amplitude[i, a, b] ** 2)
    return found


def plain(name, **constants):
    return dataclasses.replace(state(name), constants=constants, level_shifts={}, lambda_share=0.0)


def singlet(lam, b):
    return dataclasses.replace(plain("CO A", Be=b), lam=lam)


@pytest.mark.parametrize(("upper_lam", "lower_lam"), [(0, 0), (1, 1), (2, 2), (0, 1), (1, 0), (1, 2), (2, 1)])
def test_singlet_factors_are_those_of_hoenl_and_london(upper_lam, lower_lam):
    # Hönl & London, Z. Phys. 33, 803 (1925); Herzberg 1950, eqs. IV,81-83, with J and Λ of the lower state.
    # Our scale: both Λ components summed, Σ S = 2J'+1 for each of them (twice that for Σ above Π): 4 times
    # Herzberg's for ΔΛ = ±1, whose factors sum to (2J+1)/2 per Λ component, and twice for ΔΛ = 0, Λ > 0.
    found = strengths(singlet(upper_lam, 1.95), singlet(lower_lam, 1.60))
    lam = lower_lam
    for j in np.arange(3.0, 20):
        if upper_lam == lam:
            scale = 2 if lam else 1
            r = (j + 1 + lam) * (j + 1 - lam) / (j + 1)
            q = (2 * j + 1) * lam**2 / (j * (j + 1))
            p = (j + lam) * (j - lam) / j
        else:
            s = upper_lam - lam
            scale = 4
            r = (j + 2 + s * lam) * (j + 1 + s * lam) / (4 * (j + 1))
            q = (j + 1 + s * lam) * (j - s * lam) * (2 * j + 1) / (4 * j * (j + 1))
            p = (j - 1 - s * lam) * (j - s * lam) / (4 * j)
        for branch, value in (("R", r), ("Q", q), ("P", p)):
            mine = found.get((branch, 1, 1, j), 0.0)
            assert_allclose(mine, scale * value, rtol=1e-10, atol=1e-12, err_msg=f"{branch}({j})")


@pytest.mark.parametrize("a_so", [-139.05, -20.0, 60.0, 123.0, 900.0])
def test_doublet_sigma_to_pi_factors_are_those_of_earls(a_so):
    # Earls, Phys. Rev. 48, 423 (1935), J of the lower state, λ = A/B, from memory; Earls has 2J+1 for both
    # parities together and half of our scale (from memory: the factor 16 J of his formulas is 8 J here). F1
    # is the lower component of 2Π, U > 0 belongs to it in the branches written with 11 and 22, U < 0 in those
    # with 12 and 21.
    b = 18.5
    found = strengths(plain("OH A", Be=17.0), plain("OH X", Be=b, A_so=a_so))
    lam = a_so / b
    for j in np.arange(2.5, 20):
        square, poly = (2 * j + 1) ** 2, 4 * j**2 + 4 * j
        for sign, ends in ((1, ("11", "22")), (-1, ("12", "21"))):
            u = sign / sqrt(lam**2 - 4 * lam + square)
            first = square + (2 * j + 1) * u * (poly + 1 - 2 * lam)
            second = square + (2 * j + 1) * u * (poly - 7 + 2 * lam)
            cubic = 8 * j**3 + 12 * j**2 - 2 * j
            third = (2 * j + 1) * (poly - 1 + u * (cubic + 1 - 2 * lam))
            fourth = (2 * j + 1) * (poly - 1 + u * (cubic - 7 + 2 * lam))
            expected = {
                ("P", ends[0]): first / (8 * j),
                ("R", ends[1]): first / (8 * (j + 1)),
                ("P", ends[1]): second / (8 * j),
                ("R", ends[0]): second / (8 * (j + 1)),
                ("Q", ends[1]): third / (8 * j * (j + 1)),
                ("Q", ends[0]): fourth / (8 * j * (j + 1)),
            }
            for (branch, (a, c)), value in expected.items():
                assert_allclose(found[branch, int(a), int(c), j], value, rtol=1e-9, err_msg=branch + a + c)


@pytest.mark.parametrize("name", [n for n in systems() if not system(n).heads_only])
def test_strengths_of_one_upper_level_sum_to_its_degeneracy(name):
    # Sum rule: Σ S = (2J'+1) per level and parity (Whiting et al., J. Mol. Spectrosc. 80, 249 (1980)), twice
    # that for a Σ state above a Π state.
    upper, lower = system(name).states()
    pair = rotational_levels(upper, 0, 14), rotational_levels(lower, 0, 14)
    row = 10
    for ef in (0, 1):
        total = np.zeros(pair[0][ef].term_cm.shape[1])
        for branch, step in STEP.items():
            low = pair[1][1 - ef if branch == "Q" else ef]
            dipole = dipole_matrix(upper, lower, pair[0][ef].j[[row]], branch)[0]
            total += ((pair[0][ef].vectors[row].T @ dipole @ low.vectors[row + step]) ** 2).sum(axis=1)
        expected = (2 * pair[0][ef].j[row] + 1) * strength_sum(upper, lower)
        assert_allclose(total, expected, rtol=1e-10)


def test_satellites_of_a_case_b_transition_fade_as_they_must():
    # Mulliken, Rev. Mod. Phys. 3, 89 (1931), 2Σ-2Σ in case (b), J of the lower level, from memory:
    # P1 (J² - 1/4)/J, Q21 (2J+1)/(4J(J+1)); the satellites fade as 1/J².
    found = strengths(plain("N2+ B", Be=2.07), plain("N2+ X", Be=1.92))
    for n in range(2, 20):
        j = n + 0.5
        satellite, main = found["Q", 2, 1, j], found["P", 1, 1, j]
        assert_allclose(main, (j**2 - 0.25) / j, rtol=1e-10)
        assert_allclose(satellite, (2 * j + 1) / (4 * j * (j + 1)), rtol=1e-10)


def test_sigma_plus_to_sigma_minus_is_dark():
    # Selection rule Σ⁺ ↔ Σ⁻ forbidden (Herzberg 1950, p. 243).
    plus = plain("CO B", Be=1.95)
    minus = dataclasses.replace(plus, reflection=1)
    for branch in STEP:
        assert not dipole_matrix(plus, minus, np.arange(5.0), branch).any()
