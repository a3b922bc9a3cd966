"""Colours said in words: gases against published names of their glow, and what the words mean."""

import pytest

from glowledger.diagnose.colour_match import match_words
from glowledger.diagnose.colour_words import colours_called
from glowledger.diagnose.hue import hue_of
from glowledger.diagnose.observer import chromaticity
from glowledger.diagnose.srgb import RGB_TO_XYZ
from glowledger.errors import GlowledgerError


def gases(words):
    return {gas.name: gas for gas in match_words(colours_called(words)[1]).gases}


@pytest.mark.parametrize(
    ("gas", "words"),
    [
        # Nasser, Fundamentals of Gaseous Ionization (1971), table of glow colours, from memory. Of its 20 colours four
        # are not found: argon's dark red, helium's green and the pale blue of hydrogen, each of one region, and air's
        # reddish yellow. Sources disagree in them.
        ("air", "pink"), ("air", "blue"), ("N2", "pink"), ("N2", "blue"), ("N2", "red"), ("O2", "yellowish white"),
        ("O2", "pale yellow"), ("H2", "pink"), ("He", "violet-red"), ("Ne", "orange"), ("Ne", "red"), ("Ar", "pink"),
        ("Ar", "dark blue"), ("CO2", "blue"), ("CO2", "whitish"), ("Hg", "green"),
        # Everyday sight of discharge tubes: common practice, no source
        ("Ne", "brick red"), ("Ar", "lavender"), ("Ar", "violet"), ("Xe", "blue"), ("Kr", "white"), ("Na", "yellow"),
        ("air", "purple"), ("He", "peach"), ("Hg", "pale blue"), ("H2O", "pink"),
    ],
)  # fmt: skip
def test_gases_fit_the_words_for_their_glow(gas, words):
    assert gases(words)[gas].fits


@pytest.mark.parametrize(
    ("gas", "words"),
    [("Ne", "blue"), ("Na", "violet"), ("Hg", "red"), ("Xe", "orange"), ("Ar", "green"), ("H2", "turquoise")],
)
def test_gases_do_not_fit_any_word(gas, words):
    assert not gases(words)[gas].fits


@pytest.mark.parametrize("words", ["pink", "violet", "pale blue", "orange-red"])
def test_ranking_keeps_the_contract(words):
    match = match_words(colours_called(words)[1])
    differences = [gas.delta_e for gas in match.gases]
    assert differences == sorted(differences)
    assert sum(gas.weight for gas in match.gases) == pytest.approx(1.0)
    assert not match.told  # a word is never enough


def purity_and_hue(words):
    found = hue_of(chromaticity(RGB_TO_XYZ @ colours_called(words)[0]))
    return found.purity, found.name


def test_words_before_the_last_add_their_light():
    assert purity_and_hue("pale blue")[0] < 0.7 * purity_and_hue("blue")[0]
    assert purity_and_hue("whitish blue")[0] < purity_and_hue("blue")[0]
    red, blue = colours_called("reddish purple")[0], colours_called("bluish purple")[0]
    assert red[0] / red[2] > 2 * blue[0] / blue[2]
    assert purity_and_hue("orange-red")[1] == "orange-red"


def test_brightness_and_writing_do_not_matter():
    for same in ("Dark  Pink", "pink", "bright pink", " PINK "):
        assert colours_called(same)[0] == pytest.approx(colours_called("pink")[0])


@pytest.mark.parametrize(
    ("words", "hint"), [("turquise", "'turquoise'"), ("pale", "#rrggbb"), ("dark", "#rrggbb"), ("plaid", "#rrggbb")]
)
def test_what_is_no_colour_is_refused_with_the_way_to_write_it(words, hint):
    with pytest.raises(GlowledgerError, match="not a colour known here") as caught:
        colours_called(words)
    assert hint in caught.value.mend
