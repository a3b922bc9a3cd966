"""Names of species as people write them."""

import pytest

from glowledger.tables.species import find_species, main_species


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("Ar I", {"Ar I"}),
        ("ar", {"Ar I", "Ar II"}),
        ("argon", {"Ar I", "Ar II"}),
        ("Nitrogen", {"N2", "N2+", "N I", "N II"}),
        ("carbon  monoxide", {"CO", "CO+"}),
        ("carbon", {"C I", "C II"}),  # neither its oxides nor its pairs
        ("nitric oxide", {"NO"}),
        ("aluminum", {"Al I"}),
        ("hydroxyl", {"OH"}),
    ],
)
def test_formula_element_and_plain_words_are_understood(written, meant):
    assert {one.name for one in find_species((written,))} == meant


@pytest.mark.parametrize(
    ("written", "meant"),
    [("argon", "Ar I"), ("Ar", "Ar I"), ("nitrogen", "N2"), ("oxygen", "O I"), ("hydrogen", "H I"), ("co", "CO")],
)
def test_one_species_stands_for_a_gas(written, meant):
    assert main_species(written) == meant
