"""Franck-Condon factors against closed forms, published arrays and the tables."""

import dataclasses
from math import exp, factorial

import numpy as np
import pytest
from numpy.testing import assert_allclose

from glowledger.errors import TableError
from glowledger.glow.franck_condon import (
    HBAR2_OVER_2U,
    franck_condon_factors,
    potential,
    turning_points,
    vibrational_energies,
)
from glowledger.tables.molecules import state, system, systems

# factors of the tables that this code computed
OURS = ("CO+ B-X", "N2 B-A", "CN B-X", "C2 d-a", "SiO A-X", "SiH A-X", "CO2+ A-X", "CO2+ B-X")


def plain(**constants):
    """A state of CO's mass with the constants given, nothing else."""
    return dataclasses.replace(state("CO B"), constants=constants, level_shifts={})


def test_scale_is_that_of_the_defining_constants():
    # ħ²/(2u) in cm⁻¹ Å²: CODATA 2018 h, c, u.
    h, c, u = 6.62607015e-34, 299792458.0, 1.66053906660e-27
    expected = h / (8 * np.pi**2 * c * u) * 1e20 / 100
    assert_allclose(HBAR2_OVER_2U, expected, rtol=1e-6)


@pytest.mark.parametrize("shift", [0.3, 0.8, 1.4])
def test_displaced_harmonic_oscillators_give_a_poisson_distribution(shift):
    # Closed form (Hutchisson, Phys. Rev. 36, 410 (1930)): |⟨0|n⟩|² = e^(-S) Sⁿ/n!, S = Δ²/2 with Δ in units
    # of √(ħ/μω). Rees' B(v) of a harmonic oscillator follows from its symmetric turning points.
    we, be = 2000.0, 1.9
    unit = np.sqrt(2 * HBAR2_OVER_2U / (state("CO B").reduced_mass_u * we))
    r = np.sqrt(HBAR2_OVER_2U / (state("CO B").reduced_mass_u * be))
    moved = HBAR2_OVER_2U / (state("CO B").reduced_mass_u * (r + shift * unit) ** 2)

    def harmonic(b):  # B_v = ⟨B⟩ classically averaged over x: alpha_e = -6 B²/ω (Pekeris, cubic term zero)
        return plain(we=we, Be=b, alpha_e=-6 * b**2 / we, D0=1e5)

    factors = franck_condon_factors(harmonic(be), harmonic(moved), 0, 8)[0]
    s = shift**2 / 2
    assert_allclose(factors, [exp(-s) * s**n / factorial(n) for n in range(9)], rtol=0, atol=0.004)


def test_turning_points_of_a_morse_oscillator_are_its_own():
    # Morse, Phys. Rev. 34, 57 (1929): V = De(1 - e^(-a(r - re)))², a = √(k_scale ωexe), with Pekeris' alpha_e
    # for the same potential (Pekeris, Phys. Rev. 45, 98 (1934)); B is linear in v to second order only.
    we, wexe, be = 2000.0, 12.0, 1.9
    alpha = 6 * (np.sqrt(wexe * be**3) - be**2) / we
    one = plain(we=we, wexe=wexe, Be=be, alpha_e=alpha)
    depth, mass = we**2 / (4 * wexe), one.reduced_mass_u
    a = np.sqrt(wexe * mass / HBAR2_OVER_2U)
    r_e = np.sqrt(HBAR2_OVER_2U / (mass * be))
    v = np.arange(0, 8)
    inner, outer = turning_points(one, v)
    root = np.sqrt((we * (v + 0.5) - wexe * (v + 0.5) ** 2) / depth)
    assert_allclose(outer - inner, -(np.log(1 - root) - np.log(1 + root)) / a, rtol=1e-6)  # f is exact
    assert_allclose(inner, r_e - np.log(1 + root) / a, rtol=0, atol=0.002)
    assert_allclose(outer, r_e - np.log(1 - root) / a, rtol=0, atol=0.002)


@pytest.mark.parametrize("name", ["N2 B", "N2+ X", "OH X", "C2 a", "NO A", "AlO X"])
def test_potential_gives_its_constants_back_but_for_the_zero_point_term(name):
    # Dunham, Phys. Rev. 41, 721 (1932): the levels of a first-order RKR curve lie by Y00 above G(v),
    # Y00 = (Be - ωexe)/4 + αeωe/(12Be) + (αeωe/(12Be))²/Be: 3.0 cm⁻¹ in OH, near zero in heavy molecules.
    one = state(name)
    be, we, wexe = one.constant("Be"), one.constant("we"), one.constant("wexe")
    third = one.constant("alpha_e") * we / (12 * be)
    y00 = (be - wexe) / 4 + third + third**2 / be
    found = vibrational_energies(one, 2)
    # the higher constants, and Dunham's of higher order, come in with some 1e-4 of the energy
    assert_allclose(found[0] - one.vibrational_energy(0), y00, rtol=0, atol=0.5)
    assert_allclose(found, one.vibrational_energy(np.arange(3)) + y00, rtol=4e-4)


@pytest.mark.parametrize(
    ("name", "published"),
    [
        # Zare, Larsson & Berg, J. Mol. Spectrosc. 15, 117 (1965), from memory.
        ("N2 C-B", [0.455, 0.331, 0.145, 0.049]),
        # Nicholls, J. Res. NBS 65A, 451 (1961) and later RKR work, from memory.
        ("N2+ B-X", [0.651, 0.259, 0.070, 0.016]),
        # Spindler, JQSRT 5, 165 (1965), from memory.
        ("CN B-X", [0.918, 0.076, 0.005]),
    ],
)
def test_factors_are_those_of_published_arrays(name, published):
    # Within 0.005 (0.01 for N2+, whose published arrays differ among each other by as much).
    upper, lower = system(name).states()
    factors = franck_condon_factors(upper, lower, 0, len(published) - 1)[0]
    assert_allclose(factors, published, rtol=0, atol=0.01 if name == "N2+ B-X" else 0.005)


@pytest.mark.parametrize("name", ["N2 C-B", "N2+ B-X", "CN B-X", "AlO B-X"])
def test_factors_sum_to_one(name):
    # Completeness of the lower wave functions (Herzberg 1950, p. 200), where the bound levels reach far
    # enough.
    upper, lower = system(name).states()
    factors = franck_condon_factors(upper, lower, 1, 14)
    assert_allclose(factors.sum(axis=1), 1.0, rtol=0, atol=0.001)


COLLECTED = [n for n in systems() if not system(n).heads_only and n not in OURS]


@pytest.mark.parametrize("name", COLLECTED)
def test_collected_factors_are_reproduced(name):
    # These factors of the tables were computed by another program from the same potentials; OH: published,
    # Luque & Crosley, J. Chem. Phys. 109, 439 (1998), from potentials of their own.
    bands = system(name)
    known = np.isfinite(bands.franck_condon) & (bands.v_upper <= 2) & (bands.v_lower <= 6)
    upper, lower = bands.states()
    tops = int(bands.v_upper[known].max()), int(bands.v_lower[known].max())
    mine = franck_condon_factors(upper, lower, *tops)[bands.v_upper[known], bands.v_lower[known]]
    within = 0.02 if name == "OH A-X" else 0.01 if name == "CH B-X" else 0.003
    assert_allclose(mine, bands.franck_condon[known], rtol=0, atol=within)


def test_level_beyond_the_constants_is_refused():
    # CH B is so shallow that its constants turn over between v = 4 and 5.
    upper, lower = system("CH B-X").states()
    with pytest.raises(TableError, match="Ask for fewer levels"):
        franck_condon_factors(upper, lower, 9, 2)


def test_potential_rises_on_both_sides_of_its_minimum():
    # A bound state of a diatomic has one minimum and walls on both sides (Herzberg 1950, ch. III).
    for name in ("N2 C", "CO A", "O2+ a", "NO B", "H2 a"):
        r = np.linspace(0.7, 2.6, 400)
        curve = potential(state(name), r, 6.0)
        bottom = int(np.argmin(curve))
        assert np.all(np.diff(curve[bottom:]) >= 0), name
        inside = curve[: bottom + 1]
        assert np.all(np.diff(inside) <= 1e-6), name


def test_stretch_of_carbon_dioxide_ions_is_that_of_displaced_oscillators():
    # Closed form as above, S from bond lengths of CO2+ (X 1.1769 Å, A 1.2274 Å, both ends move; Herzberg, Electronic
    # Spectra of Polyatomic Molecules (1966), from memory) and the mean of 1126 and 1244 cm⁻¹, which it takes as equal.
    mass_of_oxygen, wavenumber = 15.9949, 1185.0
    unit = np.sqrt(2 * HBAR2_OVER_2U / (2 * mass_of_oxygen * wavenumber))
    s = ((1.2274 - 1.1769) / unit) ** 2 / 2
    upper, lower = system("CO2+ A-X").states()
    found = franck_condon_factors(upper, lower, 0, 5)[0]
    assert_allclose(found, [exp(-s) * s**n / factorial(n) for n in range(6)], atol=0.03)
