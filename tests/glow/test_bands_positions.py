"""Computed heads, origins and rotational lines against published wavelengths, nm in air."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from glowledger.errors import TableError
from glowledger.glow.bands import band_lines
from glowledger.glow.heads import head_nm, heads, origin_nm
from glowledger.tables.air import air_from_vacuum
from glowledger.tables.molecules import band_heads, system, systems

HEADS = band_heads()
COMPUTED = [i for i, name in enumerate(HEADS.system) if not system(name).heads_only]
GOAL_NM = 0.1
WEAKEST_BRANCH = 0.01  # a head is looked for among branches with this part of the band's photons


def named(i):
    fitted = " fitted" if HEADS.fitted[i] else ""
    band = f"{HEADS.v_upper[i]},{HEADS.v_lower[i]}"
    return f"{HEADS.system[i]} ({band}) {HEADS.wavelength_nm[i]:.2f}{fitted}"


def nearest_head(i):
    """Return the computed head of the band nearest to the published one, nm."""
    found = heads(HEADS.system[i], int(HEADS.v_upper[i]), int(HEADS.v_lower[i]))
    strong = found.wavelength_nm[found.share >= WEAKEST_BRANCH]
    return strong[np.argmin(np.abs(strong - HEADS.wavelength_nm[i]))]


@pytest.mark.parametrize("i", COMPUTED, ids=named)
def test_head_lies_where_it_was_published(i):
    # Pearse & Gaydon, The Identification of Molecular Spectra, 4th ed. 1976, from memory (the CSV says so row
    # by row). A band has several heads, and the nearest is compared. Where the id says 'fitted', constants
    # were fitted to this head and the test shows no more than that they still are.
    assert_allclose(nearest_head(i), HEADS.wavelength_nm[i], rtol=0, atol=GOAL_NM)


# OH is left out: its lines are checked one by one below, to 0.01 nm, and disagree with two of its four heads
# as remembered (R2 306.72, Q2 308.90), not with the other two.
@pytest.mark.parametrize("name", [n for n in systems() if not system(n).heads_only and n != "OH A-X"])
def test_stated_position_uncertainty_is_that_of_the_heads(name):
    # The residuals of heads that nothing was fitted to must be what a standard uncertainty promises:
    # rms within the stated one (added to the 0.01 nm to which heads are published).
    mine = [i for i in COMPUTED if HEADS.system[i] == name and not HEADS.fitted[i]]
    if not mine:
        pytest.skip("no independent head published")
    residuals = np.array([nearest_head(i) - HEADS.wavelength_nm[i] for i in mine])
    stated = np.hypot(system(name).origin_uncertainty_nm, 0.01)
    assert np.sqrt(np.mean(residuals**2)) <= stated * (1 + 1 / np.sqrt(2 * len(mine)))


SINGLE_HEADED = ["N2 C-B", "N2+ B-X", "CN B-X", "CO B-A", "AlO B-X", "CO+ B-X", "SiO A-X"]


@pytest.mark.parametrize("i", [i for i in COMPUTED if HEADS.system[i] in SINGLE_HEADED], ids=named)
def test_the_one_head_of_plain_bands_is_found(i):
    # As above, for systems whose head nobody can mistake; triplet spacing of N2 C-B (0.12 nm) allowed for.
    computed = head_nm(HEADS.system[i], int(HEADS.v_upper[i]), int(HEADS.v_lower[i]))
    assert_allclose(computed, HEADS.wavelength_nm[i], rtol=0, atol=0.13)


@pytest.mark.parametrize("published", [412.8, 414.2])
def test_silicon_hydride_piles_up_where_its_q_branches_do(published):
    # Pearse & Gaydon 1976, from memory: SiH (0,0) has strong Q heads at 4128 and 4142 Å.
    found = heads("SiH A-X", 0, 0)
    q_heads = found.wavelength_nm[[branch.startswith("Q") and len(branch) == 2 for branch in found.branch]]
    assert np.abs(q_heads - published).min() < GOAL_NM


@pytest.mark.parametrize(
    ("v_lower", "published"),
    [(7, (303.49, 304.30)), (8, (319.80, 320.69)), (9, (337.64, 338.64)), (10, (357.24, 358.35))],
)
def test_nitric_oxide_beta_has_its_pairs_of_red_degraded_heads(v_lower, published):
    # Pearse & Gaydon 1976, from memory: beta bands with v'=0, heads of both 2Pi components, degraded to the red
    found = heads("NO B-X", 0, v_lower)
    for head, component in zip(published, ("R1", "R2"), strict=True):
        mine = found.wavelength_nm[[branch in (component, component.replace("R", "P")) for branch in found.branch]]
        assert np.abs(mine - head).min() < GOAL_NM


@pytest.mark.parametrize(
    ("name", "wavenumber"),
    [
        ("N2 C-B", 29671.0),
        ("N2+ B-X", 25566.0),
        ("CN B-X", 25797.8),
        ("C2 d-a", 19378.4),
        ("CH A-X", 23217.5),
        ("NH A-X", 29776.8),
        ("OH A-X", 32402.4),
        ("CO+ A-X", 20407.5),
    ],
)
def test_origin_of_the_first_band_is_the_published_one(name, wavenumber):
    # ν00 of Huber & Herzberg, Constants of Diatomic Molecules (1979), from memory; goal 0.1 nm. Conventions
    # for the rotationless level differ by up to BΛ².
    published = float(air_from_vacuum(1e7 / wavenumber))
    assert_allclose(origin_nm(name, 0, 0), published, rtol=0, atol=GOAL_NM)


def line(name, band, branch, n, *, spin=0.0):
    """Return the wavelength of a line named by branch and N'' as in the literature."""
    lines = band_lines(name, *band)
    shift = {"P": -1, "Q": 0, "R": 1}[branch[0]]
    component = int(branch[-1]) if branch[-1].isdigit() else 1
    j_lower = n + spin + 1 - component
    here = (lines.branch == branch) & np.isclose(lines.j_upper, j_lower + shift)
    assert here.any(), f"{name} {band} {branch}({n}) is not computed"
    return float(lines.wavelength_nm[here][0])


@pytest.mark.parametrize(
    ("band", "branch", "n", "published", "within"),
    [
        # Dieke & Crosswhite, JQSRT 2, 97 (1962), from memory, to 0.0005 nm or so; the goal at our resolution
        # is 0.01 nm.
        ((0, 0), "Q1", 1, 307.8440, 0.01),
        ((0, 0), "Q1", 2, 307.9950, 0.01),
        # Excitation lines of laser-induced fluorescence, as commonly quoted to 0.005 nm: common practice, no
        # source.
        ((1, 0), "Q1", 6, 282.93, 0.01),
        ((1, 0), "Q1", 8, 283.55, 0.01),
        ((1, 0), "Q1", 9, 283.92, 0.01),
        ((1, 0), "P1", 2, 282.58, 0.01),
        ((0, 0), "Q1", 8, 309.24, 0.01),
    ],
)
def test_hydroxyl_lines_lie_where_they_were_measured(band, branch, n, published, within):
    assert_allclose(line("OH A-X", band, branch, n, spin=0.5), published, rtol=0, atol=within)


@pytest.mark.parametrize(
    ("v", "n", "published"),
    [
        *((0, n, nm) for n, nm in enumerate((601.83, 602.38, 603.19, 604.27, 605.61), 1)),
        *((1, n, nm) for n, nm in enumerate((612.18, 612.72, 613.54, 614.62, 615.96), 1)),
        *((2, n, nm) for n, nm in enumerate((622.48, 623.03, 623.84, 624.92, 626.25), 1)),
    ],
)
def test_fulcher_q_lines_lie_where_they_were_measured(v, n, published):
    # Crosswhite, The Hydrogen Molecule Wavelength Tables of G. H. Dieke (1972), from memory to 0.01 nm. The
    # levels v = 1, 2 of d were shifted to Q1 of v = 1, 2 (no check); all other lines are independent.
    assert_allclose(line("H2 d-a", (v, v), "Q", n), published, rtol=0, atol=0.02)


def test_band_that_is_not_there_names_those_that_are():
    with pytest.raises(TableError, match="there are v'' = 0, 1, 2"):
        band_lines("N2 C-B", 0, 90)
