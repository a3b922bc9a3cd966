"""Changes of conditions are named from the levels before and after; what cannot be told apart is named together."""

import numpy as np
import pytest

from glowledger.runs.naming import name_change

NAMES = ("Ar I", "Ar II", "N2", "N2+", "CO", "Hg I")
BEFORE = np.array([20000.0, 2000.0, 6000.0, 3000.0, 1500.0, 0.0])
CONTINUUM = 3000.0


def change(factors=(1, 1, 1, 1, 1, 1), *, mercury=0.0, continuum=0.0):
    after = BEFORE * np.array(factors, dtype=float)
    after[-1] += mercury

    def levels(species, smooth):
        return np.array([*species, species.sum() + smooth, smooth])

    noise = np.sqrt(levels(BEFORE, CONTINUUM) + 900.0)
    return name_change(NAMES, levels(BEFORE, CONTINUUM), levels(after, CONTINUUM + continuum), noise)


def test_mercury_that_rises_a_little_with_a_contaminant_is_the_misfit_of_its_bands():
    """CH at 431 nm beside mercury at 436 nm, at 2.6 nm width; a lamp adds no contaminant."""
    assert change([1, 1, 1, 1, 20, 1], mercury=3000.0).kind != "lamp or room light"  # before: a lamp was on


@pytest.mark.parametrize("factor", [0.6, 1.7])
def test_all_light_by_one_factor_is_power_or_pressure_and_cuts(factor):
    found = change([factor] * 6, continuum=(factor - 1) * CONTINUUM)
    assert found.cut
    assert "power" in found.why
    assert "pressure" in found.why
    assert f"{factor:.2g}" in found.why


def test_another_line_pattern_with_ions_may_be_pressure_polarity_or_magnet():
    # ions answer differently from atoms to electron energy and density: common practice, no source
    found = change([0.7, 1.6, 0.8, 1.9, 0.7, 1.0])
    assert found.cut
    assert all(word in found.why for word in ("pressure", "polarity", "magnet", "power"))


def test_a_gas_that_comes_while_the_others_stay_is_named_and_cuts_nothing():
    names = ("Ar I", "O I", "N2", "CO")
    before = np.array([20000.0, 6000.0, 300.0, 1500.0])
    after = before + np.array([0.0, 0.0, 4000.0, 300.0])
    levels = [np.array([*species, species.sum() + 3000, 3000]) for species in (before, after)]
    found = name_change(names, *levels, np.full(6, 60.0))
    assert found.kind == "possible air leak"
    assert "N2" in found.why
    assert not found.cut


def test_a_gas_that_takes_over_is_another_gas():
    found = change([0.01, 0.01, 3.0, 2.5, 1.0, 1.0])
    assert found.gases
    assert found.cut
    assert "Ar I" in found.why


@pytest.mark.parametrize(
    ("mercury", "continuum", "words"),
    [(5000.0, 4000.0, "mercury"), (0.0, 4000.0, "steady light added"), (0.0, -2500.0, "taken away")],
)
def test_room_light_and_lamps_are_named_and_cut_nothing(mercury, continuum, words):
    found = change(mercury=mercury, continuum=continuum)
    assert words in found.why
    assert found.kind == "lamp or room light"
    assert not found.cut


def test_a_contaminant_that_steps_alone_is_no_change_of_conditions():
    assert change([1, 1, 1, 1, 2.5, 1]).why == ""
