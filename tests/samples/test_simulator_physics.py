"""The simulator against published heads, lines and closed forms; it must share no code with the product."""

import ast
from dataclasses import replace
from pathlib import Path

import glow_facts
import glow_rotation
import numpy as np
import pytest
from glow_emission import GRID_NM, Nature, atom_photons, known_species, species_photons
from glow_instrument import Instrument, _fwhm, detect, line_spread, record
from glow_rotation import RECIPE, air_from_vacuum_cm, head_nm
from glow_simulator import simulate
from numpy.testing import assert_allclose

SIMULATORS = Path(__file__).resolve().parents[1] / "simulators"


def raw_band(system: str, vu: int, vl: int, t: float = 500.0):
    """Wavelengths and strengths of a band before it is moved onto its published head."""
    up, low, build = RECIPE[system]
    a, b = glow_facts.states()[up], glow_facts.states()[low]
    lines = build(a, b, vu, vl)
    nm = air_from_vacuum_cm(a.vib(vu) - b.vib(vl) + lines.offset_cm)
    return nm, lines.strength * np.exp(-lines.upper_cm / (0.695 * t)), lines


def test_simulator_and_samples_import_nothing_of_the_product():
    files = [*SIMULATORS.glob("glow_*.py"), SIMULATORS.parents[1] / "sample_spectra" / "make_samples.py"]
    assert len(files) > 6
    for file in files:
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            assert not any(n.split(".")[0] == "glowledger" for n in names), file.name


@pytest.mark.parametrize(
    ("system", "vu", "vl", "head", "within"),
    [
        # heads: Pearse & Gaydon, The Identification of Molecular Spectra, 4th ed. 1976, from memory;
        # `within` is what the constants allow (closer systems show that the structure is right)
        ("N2 second positive", 0, 0, 337.13, 0.03),
        ("N2 second positive", 0, 2, 380.49, 0.03),
        ("N2+ first negative", 0, 0, 391.44, 0.03),
        ("N2+ first negative", 0, 1, 427.81, 0.03),
        ("CN violet", 0, 0, 388.34, 0.02),
        ("CH A-X", 0, 0, 431.42, 0.04),
        ("C2 Swan", 0, 0, 516.52, 0.03),
        ("CO Angstrom", 0, 2, 519.82, 0.03),
        ("CO third positive", 0, 1, 297.74, 0.10),
        ("NO gamma", 0, 2, 247.87, 0.03),
        ("O2+ first negative", 0, 0, 602.64, 0.03),
        ("AlO B-X", 0, 0, 484.23, 0.03),
        ("NH A-X", 0, 0, 336.0, 0.05),
    ],
)
def test_heads_before_anchoring_agree_with_published_ones(system, vu, vl, head, within):
    nm, strength, _ = raw_band(system, vu, vl)
    assert_allclose(head_nm(nm, strength, head), head, atol=within)


@pytest.mark.parametrize(
    ("branch", "n", "nm"),
    # Dieke & Crosswhite, J. Quant. Spectrosc. Radiat. Transfer 2, 97 (1962), OH A-X (0,0), from memory
    [("Q1", 1, 307.844), ("Q1", 2, 307.995), ("P1", 1, 308.166)],
)
def test_lines_of_hydroxyl(branch, n, nm):
    up, low = glow_facts.states()["OH_A"], glow_facts.states()["OH_X"]
    rows = glow_rotation._doublet_table(up, low)
    lines = glow_rotation.doublet(up, low, 0, 0)
    part = int(branch[1])
    step = {"P": -1, "Q": 0}[branch[0]]
    n_up = rows[:, 1] - 0.5 + (rows[:, 0] - 1)
    n_low = rows[:, 3] - 0.5 + (rows[:, 2] - 1)
    pick = (rows[:, 0] == part) & (rows[:, 2] == part) & (n_low == n) & (n_up == n + step)
    keep = np.flatnonzero(pick)
    assert keep.size == 1
    offset = lines.offset_cm
    e_up = glow_rotation._doublet_energy(up, 0, rows[keep, 0], rows[keep, 1])
    e_low = glow_rotation._doublet_energy(low, 0, rows[keep, 2], rows[keep, 3])
    assert np.isclose(offset, e_up - e_low).any()
    assert_allclose(air_from_vacuum_cm(up.vib(0) - low.vib(0) + e_up - e_low), nm, atol=0.006)


def test_doublet_mixture_without_spin_orbit_is_case_b():
    # two closed forms that know nothing of each other: Hill and Van Vleck's mixing at A = 0, Racah's symbol
    pi = replace(glow_facts.states()["OH_X"], spin_orbit=0.0)
    for j in (1.5, 2.5, 7.5):
        for part, n in ((1, j - 0.5), (2, j + 0.5)):
            a = glow_rotation.doublet_mixture(pi, 0, part, j)
            b = glow_rotation.case_b_mixture(0.5, 1, round(n), j)
            overlap = sum(a[s] * b[s] for s in a)
            assert_allclose(abs(overlap), 1.0, atol=1e-12)


@pytest.mark.parametrize("name", ["CO_a", "O2+_a", "N2_B"])
def test_pi_levels_without_spin_orbit_are_case_b(name):
    # B [N(N+1) - Λ²] (Herzberg 1950, chapter V) and Racah's symbol, against the small matrix at A = 0
    pi = replace(glow_facts.states()[name], spin_orbit=0.0)
    spin = (pi.multiplicity - 1) / 2
    for j in (spin + 2, spin + 9):
        for rank, (energy, mix) in enumerate(glow_rotation.pi_levels(pi, 0, j)):
            n = round(j - spin) + rank
            assert_allclose(energy, pi.b(0) * (n * (n + 1) - 1), rtol=1e-9)
            b = glow_rotation.case_b_mixture(spin, 1, n, j)
            assert_allclose(abs(sum(mix[s] * b[s] for s in mix)), 1.0, atol=1e-9)


@pytest.mark.parametrize("name", ["N2_B", "CO_a", "N2_C"])
def test_triplet_pi_levels_agree_with_budo(name):
    # Budó's closed form (1935; Herzberg 1950, eq. V,15) is the series solution of the same matrix; it is
    # good to a few hundredths of B at low J and its zero differs by a constant
    pi = replace(glow_facts.states()[name], stretch=0.0)
    b = pi.b(0)
    for j in (4.0, 15.0, 30.0):
        ours = np.array([e for e, _ in glow_rotation.pi_levels(pi, 0, j)])
        budo = np.array([glow_rotation.budo(pi, 0, part, np.array(j)) for part in (1, 2, 3)])
        gaps = np.diff(ours) - np.diff(budo)
        assert np.abs(gaps).max() < 0.15 * b, (j, gaps / b)


@pytest.mark.parametrize("system", ["OH A-X", "CH A-X", "NO gamma", "CO+ comet tail"])
def test_strengths_from_one_upper_level_sum_to_its_degeneracy(system):
    # sum rule, Whiting et al., J. Mol. Spectrosc. 80, 249 (1980), per Λ component
    up, low, _ = RECIPE[system]
    rows = glow_rotation._doublet_table(glow_facts.states()[up], glow_facts.states()[low])
    for j in (3.5, 12.5):
        for part in (1, 2):
            mine = (rows[:, 0] == part) & (rows[:, 1] == j)
            assert_allclose(rows[mine, 4].sum(), 2 * j + 1, rtol=1e-9)


@pytest.mark.parametrize(("up", "low"), [(0, 0), (1, 1), (1, 0), (0, 1), (2, 1)])
def test_honl_london_table_sums(up, low):
    # Herzberg, Spectra of Diatomic Molecules, 2nd ed. 1950, p. 208: sum over the three lines that leave
    # one upper level is (2J'+1) for ΔΛ = 0 and, per pair of Λ components, the same for ΔΛ = ±1
    j_up = 9.0
    total = sum(glow_rotation.honl_london(s, np.array([j_up - s]), up, low)[0] for s in (-1, 0, 1))
    assert_allclose(total, 2 * j_up + 1, rtol=1e-12)


def test_nitrogen_ion_lines_alternate_two_to_one():
    # nuclear spin 1 of 14N: weights 6 and 3 (Herzberg 1950, p. 133)
    _, _, lines = raw_band("N2+ first negative", 0, 0)
    b = glow_facts.states()["N2+_B"].b(0)
    n_up = np.round((np.sqrt(1 + 4 * lines.upper_cm / b) - 1) / 2).astype(int)
    per_state = np.bincount(n_up, lines.strength)[5:31] / (2 * np.arange(5, 31) + 1)
    assert_allclose(per_state[::2] / per_state[1::2], 2.0, rtol=1e-9)  # odd N above are the strong ones


@pytest.mark.parametrize("t", [300.0, 900.0])
def test_most_populated_level_follows_the_closed_form(t):
    # Herzberg 1950, p. 124: J_max = sqrt(kT / 2B) - 1/2
    _, strength, lines = raw_band("CN violet", 0, 0, t)
    b = glow_facts.states()["CN_B"].b(0)
    up = np.round((np.sqrt(1 + 4 * lines.upper_cm / b) - 1) / 2)
    total = np.bincount(up.astype(int), strength)
    peak = np.argmax(total)
    assert abs(peak - (np.sqrt(0.695 * t / (2 * b)) - 0.5)) <= 1


def test_every_species_gives_its_photons_once():
    rng = np.random.RandomState(4)
    for name in known_species():
        unit, _ = species_photons(name, rng, Nature())
        assert unit.min() >= 0, name
        assert 0.85 < unit.sum() < 1.35, name


def test_branching_of_one_upper_level_follows_its_transition_probabilities():
    # NIST ASD: Ar I 2p2 sends 696.543 (6.39e6 /s) and 826.452 nm (1.53e7 /s)
    tidy = Nature(line=0.0, absorbed=0.0)
    nm, photons = atom_photons("Ar I", np.random.RandomState(1), tidy)
    at = lambda w: photons[np.argmin(np.abs(nm - w))]  # noqa: E731
    assert_allclose(at(826.452) / at(696.543), 1.53e7 / 6.39e6, rtol=0.01)


@pytest.mark.parametrize("system", ["N2+ first negative", "CO Angstrom", "CN violet", "NO gamma"])
def test_mean_rotational_energy_is_that_of_a_linear_rotor(system):
    # kT - B/3 for a rigid linear rotor well above its rotational temperature (Herzberg 1950, p. 125)
    t = 450.0
    _, strength, lines = raw_band(system, 0, 0, t)
    mean = np.sum(strength * lines.upper_cm) / strength.sum()
    b = glow_facts.states()[RECIPE[system][0]].b(0)
    assert_allclose(mean, 0.6950348 * t - b / 3, rtol=0.01)


@pytest.mark.parametrize("fwhm", [0.5, 1.3, 3.0])
def test_line_spread_is_as_wide_as_asked(fwhm):
    kernel = line_spread(Instrument(), fwhm)
    x = np.arange(len(kernel)) * 0.02
    assert_allclose(_fwhm(x, kernel), fwhm, rtol=0.01)
    assert_allclose(kernel.sum(), 1.0, rtol=1e-12)


def test_light_is_kept_and_lands_where_the_dispersion_says():
    still = Instrument(second_order=0.0, stray=0.0, ripple=0.0, wing=0.0, tail=0.0)
    photons = np.zeros_like(GRID_NM)
    photons[np.argmin(np.abs(GRID_NM - 600.0))] = 1e6
    electrons = detect(still, photons)[0]
    assert_allclose(electrons.sum(), 1e6 * still.response(np.array([600.0]))[0], rtol=2e-3)
    nm = still.true_nm(np.arange(still.pixels))
    assert_allclose(np.sum(nm * electrons) / electrons.sum(), 600.0, atol=0.02)


def test_second_order_ghost_stands_at_twice_the_wavelength():
    ghostly = Instrument(second_order=0.01, stray=0.0)
    photons = np.zeros_like(GRID_NM)
    photons[np.argmin(np.abs(GRID_NM - 337.13))] = 1e7
    electrons = detect(ghostly, photons)[0]
    nm = ghostly.true_nm(np.arange(ghostly.pixels))
    far = nm > 600
    assert_allclose(nm[far][np.argmax(electrons[far])], 2 * 337.13, atol=0.4)


def test_noise_is_what_the_truth_says():
    bench = Instrument(read_noise_e=25.0, counts_per_e=0.7, averages=4, dark_subtracted=False)
    level = np.full((400, bench.pixels), 900.0)
    counts = record(bench, level, np.random.RandomState(2))
    expected = 0.7 * np.sqrt((900 + 25.0**2) / 4)
    assert_allclose(np.median(counts.std(axis=0)), expected, rtol=0.03)


def test_truth_adds_up_to_the_record():
    counts, nm, truth = simulate({"Ar I": 2e7, "N2": 2e6}, Instrument(hot_pixels=0), 5)
    total = sum(truth.expected.values()) + truth.background
    pull = (counts - total)[~truth.saturated] / truth.noise_sd[~truth.saturated]
    assert abs(np.nanstd(pull) - 1) < 0.05
    assert np.all(np.diff(nm) > 0)
    again = simulate({"Ar I": 2e7, "N2": 2e6}, Instrument(hot_pixels=0), 5)[0]
    np.testing.assert_array_equal(counts, again)
