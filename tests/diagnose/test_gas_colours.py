"""Colours of gases against published descriptions and chromaticities, and the way back from colour to gas."""

import colour as colour_science
import numpy as np
import pytest
from numpy.testing import assert_allclose

from glowledger.diagnose.colour_difference import ciede2000, levelled_lab
from glowledger.diagnose.colour_match import camera_draws, match_colour
from glowledger.diagnose.gas_colours import gas_colours, mixed_views
from glowledger.diagnose.hue import hue_of
from glowledger.diagnose.observer import chromaticity
from glowledger.diagnose.srgb import from_hex, into_gamut

REDS = {"red", "orange-red", "orange", "pink", "salmon pink", "peach", "purplish red", "magenta",
        "lilac pink"}  # fmt: skip
BLUES = {"blue", "violet-blue", "violet", "pale blue", "lavender", "lavender blue", "greenish blue",
         "pale greenish blue", "purple"}  # fmt: skip
WHITES = {"white", "pale blue", "pale greenish blue", "pale blue-green", "pale bluish green", "lavender blue"}
YELLOWS = {"greenish yellow", "yellow", "yellow-green", "pale yellow-green", "pale greenish yellow",
           "pale yellow", "pale yellowish green"}  # fmt: skip


def hue(gas, region):
    (found,) = [c for c in gas_colours() if (c.gas, c.region) == (gas, region)]
    return hue_of(found.xy).name.removeprefix("pure ")


@pytest.mark.parametrize(
    ("gas", "region", "hues"),
    [
        # Nasser, Fundamentals of Gaseous Ionization (1971), table of glow colours, from memory
        ("air", "negative glow", BLUES),
        ("air", "positive column", REDS),
        ("N2", "negative glow", BLUES),
        ("N2", "positive column", REDS),
        ("O2", "positive column", YELLOWS),
        ("O2", "negative glow", YELLOWS | WHITES),
        ("H2", "positive column", REDS),
        ("Ar", "negative glow", BLUES),
        ("CO2", "positive column", WHITES),
        ("CO2", "negative glow", BLUES | WHITES),
        ("Ne", "positive column", {"orange", "orange-red", "red"}),
        # Everyday sight of discharge tubes: common practice, no source
        ("He", "positive column", {"peach", "orange", "salmon pink", "pink"}),
        ("Ar", "positive column", {"lilac", "lilac pink", "lavender", "violet", "purple"}),
        ("Xe", "positive column", BLUES | {"lilac"}),
        ("Hg", "positive column", {"pale blue", "pale greenish blue", "blue", "greenish blue"}),
        ("H2O", "positive column", REDS),
        ("Na", "positive column", {"orange"}),
    ],
)
def test_gases_glow_in_their_published_hues(gas, region, hues):
    assert hue(gas, region) in hues


@pytest.mark.parametrize("gas", ["N2", "air"])
def test_air_with_column_and_cathode_glow_in_view_is_violet_pink(gas):
    # Everyday sight of a small vacuum chamber with air: common practice, no source
    _, found, _ = [c for c in mixed_views() if c.gas == gas]
    assert hue_of(found.xy).name.removeprefix("pure ") in {"purple", "magenta", "violet", "lilac", "reddish purple"}
    for text in ("#c050d0", "#d04090"):
        answer = matched(text)
        assert {g.name: g.fits for g in answer.gases}[gas]
        assert not answer.told
        assert {"N2": "nitrogen", "air": "air"}[gas] in answer.description


def test_a_mixture_lies_between_its_parts():
    # Grassmann's laws: on the straight line between their chromaticities
    by_region = {c.region: c.xy for c in gas_colours() if c.gas == "N2"}
    _, mixed, _ = [c.xy for c in mixed_views() if c.gas == "N2"]
    assert_allclose(mixed, np.mean(list(by_region.values()), axis=0), atol=1e-9)


def test_neon_and_sodium_have_their_published_chromaticities():
    # Neon signs x 0.66-0.68, y 0.32-0.34; low-pressure sodium 0.569, 0.430 (lamp handbooks, from memory).
    by_gas = {c.gas: c.xy for c in gas_colours() if c.region == "positive column"}
    assert_allclose(by_gas["Ne"], [0.67, 0.33], atol=0.015)
    assert_allclose(by_gas["Na"], [0.569, 0.430], atol=0.004)


def test_every_gas_has_a_spread_and_no_impossible_colour():
    for found in gas_colours():
        drawn = chromaticity(found.draws)
        assert np.isfinite(drawn).all()
        assert (drawn.sum(axis=1) < 1).all()
        assert drawn.min() > 0
        if found.gas != "Na":  # one doublet: nothing to vary
            assert drawn.std(axis=0).max() > 0.005


def test_ciede2000_agrees_with_colour_science_and_sharma():
    # Sharma, Wu & Dalal, Color Res. Appl. 30, 21 (2005), table 1, pairs 1, 7, 17 and 25 (from memory).
    pairs = [
        ((50, 2.6772, -79.7751), (50, 0, -82.7485), 2.0425),
        ((50, 0, 0), (50, -1, 2), 2.3669),
        ((50, 2.5, 0), (73, 25, -18), 27.1492),
        ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
    ]
    for one, two, expected in pairs:
        assert float(ciede2000(one, two)) == pytest.approx(expected, abs=1e-4)
    one, two = np.random.default_rng(3).uniform([0, -110, -110], [100, 110, 110], (2, 3000, 3))
    assert_allclose(ciede2000(one, two), colour_science.delta_E(one, two, method="CIE 2000"), atol=1e-9)


def test_brightness_does_not_enter_a_match():
    bright = from_hex("#ff8060")
    assert_allclose(levelled_lab(bright), levelled_lab(0.03 * bright), atol=1e-9)


def matched(text, **options):
    linear = from_hex(text)
    return match_colour(linear, camera_draws(linear, **({"white_referenced": False} | options)))


def test_unmistakable_colours_find_their_gas_first():
    # Orange-red of a neon sign, yellow-orange of a sodium lamp (common practice, no source).
    assert matched("#ff4020").gases[0].name == "Ne"
    assert matched("#ff9900").gases[0].name == "Na"


def test_lilac_cannot_tell_and_lists_what_it_may_be():
    answer = matched("#d080ff")
    assert not answer.told
    assert "annot tell" in answer.description
    assert {g.name for g in answer.gases if g.fits} >= {"Ar", "Kr"}
    assert any("hint" in caution for caution in answer.cautions)


def test_green_is_no_gas_of_the_list():
    answer = matched("#00ff20")
    assert not answer.told
    assert "no gas listed" in answer.description


def test_a_white_reference_leaves_fewer_gases():
    for text in ("#ff8060", "#8090ff", "#ff60c0"):
        loose = sum(g.fits for g in matched(text).gases)
        tight = sum(g.fits for g in matched(text, white_referenced=True).gases)
        assert tight <= loose
    assert sum(g.fits for g in matched("#ff8060", white_referenced=True).gases) < sum(
        g.fits for g in matched("#ff8060").gases
    )


def test_gases_are_ranked_by_difference_once_each():
    gases = matched("#c060ff").gases
    assert [g.delta_e for g in gases] == sorted(g.delta_e for g in gases)
    assert len({g.name for g in gases}) == len(gases)
    assert sum(g.weight for g in gases) == pytest.approx(1.0)


def test_tubes_as_they_vary_keep_their_gas_among_the_answers():
    # Every gas's own draws, seen by a camera with unknown white balance: the true gas must fit in about 95 %.
    generator = np.random.default_rng(12)
    hits = trials = 0
    for found in gas_colours():
        for drawn in found.draws[:12]:
            linear, _ = into_gamut(drawn)
            seen = np.maximum(linear, 0.01) * np.exp(generator.normal(0, 0.27, 3))
            answer = match_colour(seen, camera_draws(seen, white_referenced=False))
            hits += {g.name: g.fits for g in answer.gases}[found.gas]
            trials += 1
    assert hits / trials > 0.90
