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


def test_prominent_lines_stand_where_dieke_lists_them():
    # strong lines of the triplet system, Crosswhite, The Hydrogen Molecule Wavelength Tables of G. H. Dieke (1972),
    # from memory: 463.40, 492.87, 493.42, 581.26, 583.61, 588.82 nm
    emitters = band_emitters(find_species(("H2",))[0], 500.0)
    listed = np.concatenate([e.wavelength_nm for e in emitters if "lines" in e.label])
    for published in (463.40, 492.87, 493.42, 581.26, 583.61, 588.82):
        assert np.abs(listed - published).min() < 0.06, published
    assert all(np.isclose(e.rate.sum(), 1.0) for e in emitters if "lines" in e.label)
