"""Photon rates: populations, nuclear spins, branching, lifetimes."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from glowledger.errors import TableError
from glowledger.glow.bands import K_CM, band_lines, band_shares, photon_rates, upper_level_lines
from glowledger.tables.molecules import system, systems

COMPUTED = [n for n in systems() if not system(n).heads_only]


def light_by_j(name, band, t_rot_k):
    """Return J' and the photons of a band by J'."""
    lines = upper_level_lines(name, band[0])
    rates = photon_rates(lines, t_rot_k)
    here = lines.v_lower == band[1]
    j = np.unique(lines.j_upper[here])
    return j, np.array([rates[here & (lines.j_upper == value)].sum() for value in j])


@pytest.mark.parametrize("name", COMPUTED)
def test_one_photon_leaves_a_level_however_hot_it_is(name):
    for v in system(name).upper_levels():
        lines = upper_level_lines(name, v)
        rates = photon_rates(lines, np.array([30.0, 300.0, 3000.0]))
        assert rates.shape == (3, lines.strength.size)
        assert (rates >= 0).all()
        assert_allclose(rates.sum(axis=1), 1.0, rtol=1e-12)
        assert np.all(np.diff(lines.wavelength_nm) >= 0)
        assert_allclose(lines.upper_term_cm, lines.level_term_cm[lines.level_index])


@pytest.mark.parametrize("t_rot_k", [100.0, 300.0, 1000.0, 2500.0])
@pytest.mark.parametrize(("name", "band"), [("CO B-A", (0, 0)), ("AlO B-X", (0, 0))])
def test_brightest_level_follows_the_closed_form(name, band, t_rot_k):
    # Herzberg 1950, eq. III,166: (2J+1) exp(-BJ(J+1)/kT) is largest at J = √(kT/2B) - 1/2 (N for 2Σ).
    upper, _ = system(name).states()
    j, light = light_by_j(name, band, t_rot_k)
    best = np.argmax(light)
    a, b, c = np.log(light[best - 1 : best + 2]) if best else (np.nan,) * 3
    vertex = j[best] + (0.5 * (a - c) / (a - 2 * b + c) if best else 0.0)
    expected = np.sqrt(K_CM * t_rot_k / (2 * upper.rotational_constant(band[0]))) - 0.5
    # a whole J, the ν³ factor and the J of a doublet pair keep the vertex from being exact
    assert abs(vertex - expected) < 0.5


def test_rotational_partition_function_is_the_classical_one():
    # Herzberg 1950, eq. III,165: Σ(2J+1)exp(-E/kT) → kT/hcB; +1/3 is the next term (Mulholland 1928).
    lines = upper_level_lines("CO B-A", 0)
    upper, _ = system("CO B-A").states()
    x = K_CM * 300.0 / float(upper.rotational_constant(0))
    total = np.sum(lines.strength * np.exp(-lines.upper_term_cm / (K_CM * 300.0)))
    assert_allclose(total, x + 1 / 3, rtol=0.003)  # centrifugal distortion adds some 0.1 %


@pytest.mark.parametrize(
    ("name", "odd_over_even"),
    [
        ("N2+ B-X", 2.0),  # 14N, spin 1: 6:3; in B2Σu+ odd N strong (Herzberg 1950, p. 130-139)
        ("H2 d-a", 3.0),  # 1H, spin 1/2: 3:1; Q lines from Π-: odd N strong
    ],
)
def test_nuclear_spin_alternates_lines(name, odd_over_even):
    # Intensities of one branch divided by (2N+1) exp(-E/kT) alternate by the nuclear weights.
    lines = upper_level_lines(name, 0)
    branch = "Q" if name == "H2 d-a" else "R1"
    here = (lines.v_lower == 0) & (lines.branch == branch)
    n = np.rint(lines.j_upper[here] - (0.0 if name == "H2 d-a" else 0.5)).astype(int)
    share = lines.strength[here] / (2 * lines.j_upper[here] + 1)
    order = np.argsort(n)
    n, share = n[order], share[order]
    middle = np.sqrt(share[:-2] * share[2:])
    ratio = share[1:-1] / middle
    odd = n[1:-1] % 2 == 1
    assert_allclose(ratio[odd][2:10], odd_over_even, rtol=0.03)
    assert_allclose(ratio[~odd][2:10], 1 / odd_over_even, rtol=0.03)


def test_parallel_band_of_nitrogen_ion_has_no_q_branch_and_near_equal_arms():
    # 2Σ-2Σ: P and R alone but for weak satellites (Herzberg 1950, p. 247).
    lines = band_lines("N2+ B-X", 0, 0)
    light = {b: lines.strength[np.char.startswith(lines.branch, b)].sum() for b in "PQR"}
    assert light["Q"] < 0.01 * light["P"]
    assert_allclose(light["R"], light["P"], rtol=0.05)


def test_carbon_swan_levels_have_one_component_each():
    # 12C, spin 0: half of the Λ-doublet levels are missing (Herzberg 1950, p. 267): 2J+1 for each J and
    # component, not twice that.
    lines = upper_level_lines("C2 d-a", 0)
    per_level = np.bincount(lines.level_index, lines.strength)
    j = np.zeros(per_level.size)
    j[lines.level_index] = lines.j_upper
    assert_allclose(per_level, 2 * j + 1, rtol=1e-9)


@pytest.mark.parametrize(
    ("name", "v_upper"),
    [
        ("N2 C-B", 0),
        ("N2 C-B", 2),
        ("N2+ B-X", 0),
        ("CN B-X", 1),
        ("C2 d-a", 0),
        ("N2 B-A", 0),
        ("N2 B-A", 3),
    ],
)
def test_bands_share_photons_as_the_published_einstein_coefficients(name, v_upper):
    # Photons ∝ A (Chauveau et al. 2002; Babou et al. 2009; Brooke et al. 2013, as in the tables).
    bands = system(name)
    here = bands.v_upper == v_upper
    known = np.nan_to_num(bands.einstein_a[here])  # none where the upper level lies below the lower one
    a = dict(zip(bands.v_lower[here].tolist(), known.tolist(), strict=True))
    lines = upper_level_lines(name, v_upper)
    rates = photon_rates(lines, 300.0)
    for v_lower, coefficient in a.items():
        share = rates[lines.v_lower == v_lower].sum()
        assert_allclose(share, coefficient / sum(a.values()), rtol=0.02, atol=2e-4)


@pytest.mark.parametrize(
    ("name", "published_ns", "within"),
    [
        ("N2 C-B", 37.1, 0.03),  # Johnson & Collins-type measurements, 36.4 to 38; from memory
        ("N2+ B-X", 62.0, 0.08),  # 58 to 66; from memory
        ("CN B-X", 65.0, 0.08),  # Luk & Bersohn 1973 and later, 62 to 66; from memory
        ("C2 d-a", 102.0, 0.10),  # Naulin et al. 1988, 101.8 ± 4.2; from memory
        ("NO A-X", 200.0, 0.07),  # 190 to 205; from memory
        ("CO b-a", 56.0, 0.06),  # 54 to 58; from memory
        ("N2 B-A", 13400.0, 0.05),  # Piper et al. 1989, v'=0, from memory
        ("OH A-X", 690.0, 0.05),  # German 1975, 693 ± 10; from memory
    ],
)
def test_einstein_coefficients_sum_to_the_measured_lifetime(name, published_ns, within):
    bands = system(name)
    here = bands.v_upper == 0
    assert_allclose(1e9 / np.nansum(bands.einstein_a[here]), published_ns, rtol=within)


def test_factors_and_a_are_never_mixed_within_one_level():
    # band_shares takes A where all bands of a level have it, else Franck-Condon × ν³ for all.
    for name in COMPUTED:
        bands = system(name)
        for v in bands.upper_levels():
            v_lower, share = band_shares(bands, v)
            assert_allclose(share.sum(), 1.0, rtol=1e-12)
            assert v_lower.size == np.unique(v_lower).size


def test_lines_of_one_level_share_photons_as_strength_times_cube_of_wavenumber():
    # A ∝ ν³ S (Herzberg 1950, eq. I,48a); P and R from one level of a Π⁺ state to Σ: S_R/S_P = (J'+1)/J'
    # (Hönl & London). In hydrogen the cube alone makes up to 30 %.
    lines = band_lines("H2 d-a", 0, 0)
    for j in range(2, 7):
        r, p = (np.flatnonzero((lines.branch == b) & (lines.j_upper == j))[0] for b in "RP")
        assert lines.level_index[r] == lines.level_index[p]
        expected = (j + 1) / j * (lines.vacuum_nm[p] / lines.vacuum_nm[r]) ** 3
        assert_allclose(lines.strength[r] / lines.strength[p], expected, rtol=1e-9)


def test_hot_bands_show_a_larger_part_of_their_light_far_from_the_head():
    # N2 C-B (0,2): photons beyond 379 nm from the 380.5 head rise with temperature (Phillips, J. Phys. D 9,
    # 507 (1976): the ratio used as a thermometer).
    lines = upper_level_lines("N2 C-B", 0)
    rates = photon_rates(lines, np.array([300.0, 600.0, 1200.0, 2400.0]))
    band = lines.v_lower == 2
    tail = rates[:, band & (lines.wavelength_nm < 379.0)].sum(axis=1) / rates[:, band].sum(axis=1)
    assert np.all(np.diff(tail) > 0.05)


@pytest.mark.parametrize(
    "t_rot_k", [0.0, -5.0, np.nan, np.inf, 9000.0, np.array([300.0, 9000.0]), np.array([])]
)
def test_temperature_without_levels_is_refused(t_rot_k):
    with pytest.raises(TableError, match="rotational temperature"):
        photon_rates(upper_level_lines("CO B-A", 0), t_rot_k)


def test_level_without_strengths_names_those_with():
    with pytest.raises(TableError, match="There are v' = 0, 1, 2, 3, 4"):
        upper_level_lines("N2 C-B", 17)


def test_heads_only_systems_say_so():
    with pytest.raises(TableError, match="band heads only"):
        upper_level_lines("TiO A-X", 0)
