"""Molecular hydrogen: seen in its own glow by Fulcher bands and prominent lines, and nowhere else."""

import sys
from functools import cache
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "simulators"))

from glow_emission import Nature
from glow_instrument import Instrument
from glow_simulator import simulate

from glowledger.glow.band_emitters import band_emitters
from glowledger.glow.identifying import identify_frame
from glowledger.spectra.frames import frames_from_arrays
from glowledger.tables.species import find_species

SCHOOL = Instrument(pixels=512, range_nm=(380.0, 950.0), fwhm_nm=(2.0, 2.2), second_order=0.0)


@cache
def judged(seed, **glow):
    mixture = {name.replace("_", " ").replace("plus", "+"): 1e7 * part for name, part in glow.items()}
    counts, nm, truth = simulate(mixture, SCHOOL, seed, nature=Nature(t_rot_default=500.0))
    return {one.name: one for one in identify_frame(frames_from_arrays(nm, counts)).species}, truth


def test_hydrogen_shows_its_molecule_at_two_nanometres():
    found, _ = judged(61, H_I=0.6, H2=1.0)
    assert found["H I"].verdict in ("present", "possible")  # the simulator's many lines stand elsewhere
    assert found["H2"].verdict in ("present", "possible")


@pytest.mark.parametrize("seed", [71, 72])
@pytest.mark.parametrize("fwhm", [0.9, 2.4])
def test_lines_of_hydrogen_in_no_table_do_not_lead_the_fit_astray(seed, fwhm):
    # the simulator's many lines stand at invented places, so that no template can have them: the Balmer lines must
    # still hold line width and axis, and what is left over must not be shared out among species that are not there
    bench = Instrument(range_nm=(300.0, 900.0), fwhm_nm=(fwhm, fwhm), axis_error_nm=(0.1, 0.0, 0.0))
    counts, nm, _ = simulate({"H I": 6e6, "H2": 4e6}, bench, seed)
    fit = identify_frame(frames_from_arrays(nm, counts))
    assert fit.fwhm_nm == pytest.approx(fwhm, rel=0.15)
    assert abs(fit.shift_nm + 0.1) < 0.15 * fwhm
    assert {one.name for one in fit.species if one.verdict == "present"} == {"H I", "H2"}
    for one in fit.species:
        if one.verdict == "not seen":
            assert one.upper_limit > 0, one.name


@pytest.mark.parametrize(
    "glow",
    [{"N2": 1.0, "N2plus": 0.2}, {"O_I": 1.0, "O2plus": 0.2}, {"Ar_I": 1.0}, {"He_I": 1.0}, {"N2": 1.0, "H_I": 0.02}],
    ids=["nitrogen", "oxygen", "argon", "helium", "nitrogen with a trace of hydrogen"],
)
def test_other_glows_show_no_molecular_hydrogen(glow):
    found, _ = judged(62, **glow)
    assert found["H2"].verdict in ("not seen", "cannot tell")


@pytest.mark.parametrize("name", ["CH", "C2", "CO"])
def test_the_many_lines_swallow_no_band(name):
    # CH 431, C2 516 and the Ångström bands of CO stand between groups of prominent lines or amid them
    found, truth = judged(63, Ar_I=1.0, H_I=0.3, CH=0.1, C2=0.1, CO=0.15)
    one = found[name]
    assert one.verdict in ("present", "possible")
    assert abs(one.counts - truth.expected[name].sum()) < 3 * one.standard_error


@pytest.mark.parametrize("glow", [{"N2": 1.0, "N2plus": 0.2}, {"Ar_I": 1.0, "O_I": 0.2}])
def test_molecules_of_helium_need_helium(glow):
    found, _ = judged(64, **glow)
    assert found["He2"].verdict in ("not seen", "cannot tell")


# of the many-line spectrum, after Dieke's tables (from memory, rounded to 0.1 nm); how bright each one is, is invented
MANY_LINES_NM = (
    417.7, 420.5, 421.2, 434.2, 443.6, 447.5, 449.8, 454.4, 457.6, 458.3, 462.8, 463.2, 463.4, 466.3, 471.9,
    475.5, 486.2, 487.3, 491.9, 492.9, 493.4, 497.3, 500.3, 501.4, 503.0, 504.0, 505.5, 508.1, 508.5, 519.6,
    526.6, 529.2, 530.3, 538.8, 542.3, 543.5, 549.6, 550.6, 553.8, 559.8, 561.3, 565.6, 572.9, 573.7, 575.5,
    577.5, 581.3, 583.6, 588.8, 593.1, 594.7, 597.5, 599.4, 601.8, 603.2, 606.3, 608.0, 612.2, 613.5, 618.3,
    620.1, 622.5, 624.0, 627.2, 632.4, 643.0,
)  # fmt: skip


@pytest.mark.parametrize("seed", [0, 1, 5])
def test_the_molecule_may_outshine_the_atom_behind_the_filter_of_a_camera(seed):
    # the fit moved the axis to suit lines of anything: C I or C II stood for H alpha, which was 'not seen'
    rng = np.random.RandomState(seed)
    nm = np.linspace(400.0, 680.0, 640)
    faint = rng.uniform(415.0, 645.0, 150)
    heights = np.append(np.exp(rng.normal(0.0, 0.6, len(MANY_LINES_NM))), np.exp(rng.normal(-2.0, 0.6, faint.size)))
    lines = [*zip(np.append(MANY_LINES_NM, faint), heights, strict=True)]
    lines += [(656.28, 5.0), (486.13, 2.2), (434.05, 1.0), (410.17, 0.4)]
    light = sum(height * np.exp(-4.0 * np.log(2.0) * ((nm - at) / 2.2) ** 2) for at, height in lines)
    light /= (1.0 + np.exp((nm - 662.0) / 3.0)) * (1.0 + np.exp((412.0 - nm) / 4.0))
    counts = np.round(100.0 + rng.poisson(light / light.max() * 2500.0) + rng.normal(0.0, 4.0, nm.size))
    fit = identify_frame(frames_from_arrays(nm, counts))
    assert abs(fit.shift_nm) < 0.3
    assert {one.name for one in fit.species if one.verdict == "present"} == {"H I", "H2"}


def test_prominent_lines_stand_where_dieke_lists_them():
    # strong lines of the triplet system, Crosswhite, The Hydrogen Molecule Wavelength Tables of G. H. Dieke (1972),
    # from memory: 463.40, 492.87, 493.42, 581.26, 583.61, 588.82 nm
    emitters = band_emitters(find_species(("H2",))[0], 500.0)
    listed = np.concatenate([e.wavelength_nm for e in emitters if "lines" in e.label])
    for published in (463.40, 492.87, 493.42, 581.26, 583.61, 588.82):
        assert np.abs(listed - published).min() < 0.06, published
    assert all(np.isclose(e.rate.sum(), 1.0) for e in emitters if "lines" in e.label)
