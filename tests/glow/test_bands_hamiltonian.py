"""Energies of the effective Hamiltonian against closed forms of the literature."""

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose

from glowledger.glow.hamiltonian import rotational_levels
from glowledger.tables.molecules import state

COUNT = 30


def plain(name, **constants):
    """A state of the tables stripped to the constants given (cm⁻¹); R² form of the rotational energy."""
    return dataclasses.replace(state(name), constants=constants, level_shifts={}, lambda_share=0.0)


@pytest.mark.parametrize("a_so", [-139.05, -34.0, 28.0, 123.0, 900.0])
def test_doublet_pi_levels_are_those_of_hill_and_van_vleck(a_so):
    # Hill & Van Vleck, Phys. Rev. 32, 250 (1928); Herzberg 1950, eq. V,28:
    # F = B[(J+1/2)² - Λ² ∓ ½√(4(J+1/2)² + Y(Y-4)Λ²)], Y = A/B.
    b = 18.5
    y = a_so / b
    for levels in rotational_levels(plain("OH X", Be=b, A_so=a_so), 0, COUNT):
        j = levels.j[1:]
        root = 0.5 * np.sqrt(4 * (j + 0.5) ** 2 + y * (y - 4))
        expected = b * ((j + 0.5) ** 2 - 1 + np.stack([-root, root]))
        assert_allclose(levels.term_cm[1:].T, expected, rtol=1e-12, atol=1e-8)
        # J = 1/2: only Π1/2, at B[J(J+1) + S(S+1) - Ω² - Σ²] + AΛΣ = B - A/2
        assert_allclose(levels.term_cm[0, 0], b - a_so / 2, rtol=1e-12, atol=1e-8)
        assert np.isinf(levels.term_cm[0, 1])


@pytest.mark.parametrize(("b", "lam"), [(16.343, 0.92), (1.4376, 1.99), (1.445, -1.33)])
def test_triplet_sigma_levels_are_those_of_schlapp(b, lam):
    # Schlapp, Phys. Rev. 51, 342 (1937); Herzberg 1950, eq. V,17: F1 (J = N+1) and F3 (J = N-1) relative to
    # F2.
    e, f = rotational_levels(plain("NH X", Be=b, lambda_ss=lam), 0, COUNT)
    found = {}
    for levels in (e, f):
        for row, j in enumerate(levels.j):
            for term, number in zip(levels.term_cm[row], levels.number[row], strict=True):
                if number:
                    found[int(j) - 2 + int(number), int(number)] = term  # N = J - 2 + i
    for n in range(2, 20):
        f1 = found[n, 1] - found[n, 2]
        f3 = found[n, 3] - found[n, 2]
        root1 = np.sqrt((2 * n + 3) ** 2 * b**2 + lam**2 - 2 * lam * b)
        root3 = np.sqrt((2 * n - 1) ** 2 * b**2 + lam**2 - 2 * lam * b)
        assert_allclose(f1, (2 * n + 3) * b - lam - root1, rtol=0, atol=1e-9)
        assert_allclose(f3, -(2 * n - 1) * b - lam + root3, rtol=0, atol=1e-9)


def test_triplet_pi_levels_are_near_those_of_budo():
    # Budó, Z. Phys. 96, 219 (1935); Herzberg 1950, eq. V,20: an expansion, good to some 0.05 cm⁻¹ for N2 B.
    b, a_so = 1.6374, 42.24
    y = a_so / b
    one = dataclasses.replace(plain("N2 B", Be=b, A_so=a_so), lambda_share=1 / 3)
    levels, _ = rotational_levels(one, 0, COUNT)
    j = levels.j[3:]
    z1 = y * (y - 4) + 4 / 3 + 4 * j * (j + 1)
    z2 = (y * (y - 1) - 4 / 9 - 2 * j * (j + 1)) / (3 * z1)
    expected = b * (j * (j + 1) + np.stack([-np.sqrt(z1) - 2 * z2, 4 * z2, np.sqrt(z1) - 2 * z2]))
    assert_allclose(levels.term_cm[3:].T, expected, rtol=0, atol=0.06)


@pytest.mark.parametrize("name", ["OH A", "CN B"])
def test_spin_rotation_splits_doublet_sigma_by_half_gamma(name):
    # Herzberg 1950, eq. V,10: F1 = BN(N+1) + γN/2, F2 = BN(N+1) - γ(N+1)/2.
    b, gamma = 16.96, 0.226
    e, f = rotational_levels(plain(name, Be=b, gamma_sr=gamma), 0, COUNT)
    n = np.arange(COUNT)
    assert_allclose(e.term_cm[:, 0], b * n * (n + 1) + gamma * n / 2, rtol=0, atol=1e-9)
    n = n + 1
    assert_allclose(f.term_cm[:, 0], b * n * (n + 1) - gamma * (n + 1) / 2, rtol=0, atol=1e-9)


def test_lambda_doublets_of_hydroxyl_are_those_of_radio_astronomy():
    # OH X2Π v=0: 2Π3/2 J=3/2 1666 MHz, J=5/2 6033 MHz; 2Π1/2 J=1/2 4750 MHz, J=3/2 7790 MHz (means of the
    # main lines, Destombes et al., Astron. Astrophys. 60, 55 (1977), from memory); f above e in all four.
    # The tables round p and q to 1e-4 cm⁻¹ (3 MHz), which the J dependence multiplies by some ten.
    mhz = 29979.2458
    e, f = rotational_levels(state("OH X"), 0, 5)
    published = {(1, 0): 1666.0, (2, 0): 6033.0, (0, 0): 4750.0, (1, 1): 7790.0}  # (row of J, component)
    for at, gap in published.items():
        assert_allclose((f.term_cm[at] - e.term_cm[at]) * mhz, gap, rtol=0.03, err_msg=str(at))


@pytest.mark.parametrize("name", ["N2 C", "N2 A", "OH X", "CH A", "NH X", "O2+ a", "O2+ b", "H2 d", "CO A"])
def test_every_case_a_state_becomes_one_level(name):
    # Counting states: (2S+1)(2-δ) levels for each J once J >= Λ + S (Herzberg 1950, ch. V).
    one = state(name)
    e, f = rotational_levels(one, 0, 12)
    row = 8
    count = np.isfinite(e.term_cm[row]).sum() + np.isfinite(f.term_cm[row]).sum()
    assert count == one.multiplicity * (2 if one.lam else 1)


def test_centrifugal_distortion_lowers_a_singlet_by_d_times_n_to_the_fourth():
    # Herzberg 1950, eq. III,118: F = B J(J+1) - D J²(J+1)²; 1Σ of CO, J = 10.
    one = plain("CO B", Be=1.9481, De=6.2e-6)
    levels, absent = rotational_levels(one, 0, COUNT)
    assert_allclose(levels.term_cm[10, 0], 1.9481 * 110 - 6.2e-6 * 110**2, rtol=1e-12)
    assert absent.term_cm.shape[1] == 0
