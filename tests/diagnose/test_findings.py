"""Findings from verdicts: what practitioners conclude from which species.

Discriminators are common practice, no source, unless a line says otherwise.
"""

import re
from dataclasses import replace
from math import exp

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glowledger.bench.model import Window
from glowledger.diagnose.cautions import cautions, material_hints
from glowledger.diagnose.feed import Feed, feed_from_light, parse_feed
from glowledger.diagnose.findings import findings_of
from glowledger.diagnose.sightings import Finding
from glowledger.diagnose.weighing import most_worth
from glowledger.errors import TableError
from glowledger.glow.results import Feature, SpeciesEvidence

LOOKED_FOR = (
    "N2", "N2+", "N I", "O I", "O2+", "Ar I", "Ar II", "He I", "Ne I", "H I", "H2", "OH", "NH", "NO", "CO",
    "CO+", "CN", "CH", "C2", "C I", "F I", "Na I", "K I", "Hg I", "Si I", "Al I", "Fe I", "Cr I", "Ni I",
    "Cu I", "Mg I", "Mo I", "SiO", "SiH", "CF2",
)  # fmt: skip


def species(verdict="present", blocked=(), possible=(), sigma=8.0, own=1, at_nm=500.0, chance=1e-2, **shares):
    """Evidence for every species looked for; names with blanks as Ar_I.

    Possible ones have the significance `sigma` and `own` features free of other light, by accident with probability
    `chance`.
    """
    shares = {name.replace("_", " ").replace("plus", "+"): share for name, share in shares.items()}
    assert set(shares) <= set(LOOKED_FOR)
    found = []
    for name in LOOKED_FOR:
        share = shares.get(name, 0.0)
        said = verdict if share > 0 else "not seen"
        said = "cannot tell" if name in blocked else "possible" if name in possible else said
        unsure = name in possible
        features = tuple(
            Feature(label=f"{name} line", wavelength_nm=at_nm + i, counts=1e5 * share, standard_error=10.0,
                    clean=i < own or not unsure) for i in range(2 if share or unsure else 0)
        )  # fmt: skip
        found.append(
            SpeciesEvidence(
                name=name, verdict=said, significance=sigma if unsure else 40.0 if share else 0.3, share=share,
                counts=1e6 * share, standard_error=1e3, upper_limit=1e6 * share + 2e3, detection_limit=3e3,
                features=features, chance=chance if unsure and own else 1.0,
                reason="made for a test",
            )
        )  # fmt: skip
    return tuple(found)


def conclude(feed, **seen):
    """Return kinds with their confidence."""
    found = findings_of(species(**seen), parse_feed(feed) if feed else None)
    return {f.kind: f.confidence for f in found if f.kind != "purity"}


def test_clean_argon_gives_no_finding_but_purity():
    assert conclude("Ar", Ar_I=0.97, Ar_II=0.03) == {}
    (purity,) = findings_of(species(Ar_I=1.0), parse_feed("Ar"))
    assert purity.kind == "purity"
    assert "Nothing certain" in purity.text


@pytest.mark.parametrize(
    ("feed", "seen", "expected"),
    [
        ("Ar", {"Ar_I": 0.8, "N2": 0.15, "N2plus": 0.05}, {"air leak": "high"}),
        ("O2", {"O_I": 0.7, "O2plus": 0.1, "N2": 0.15, "Ar_I": 0.01}, {"air leak": "high"}),
        ("O2", {"O_I": 0.7, "N2": 0.15, "NO": 0.01}, {"air leak": "high"}),
        ("Ar", {"Ar_I": 0.9, "N2": 0.1}, {"air leak": "medium"}),
        ("Ar", {"Ar_I": 0.9, "OH": 0.05, "H_I": 0.05, "O_I": 0.02}, {"water": "high"}),
        ("O2", {"O_I": 0.9, "OH": 0.05, "H_I": 0.05}, {"water": "high"}),
        ("air", {"N2": 0.8, "N2plus": 0.1, "OH": 0.05, "H_I": 0.02},
         {"water": "high", "air leak": "cannot tell"}),
        ("Ar", {"Ar_I": 0.8, "CH": 0.05, "C2": 0.05, "H_I": 0.05}, {"hydrocarbon oil": "high"}),
        ("He", {"He_I": 0.8, "C2": 0.05}, {"hydrocarbon oil": "low"}),  # no hydrogen: graphite or soot
        ("O2", {"O_I": 0.9, "CO": 0.05, "OH": 0.02, "H_I": 0.02}, {"organic residue": "high"}),
        ("Ar:0.95,O2:0.05", {"Ar_I": 0.9, "O_I": 0.05, "CO": 0.05}, {"organic residue": "medium"}),
        ("air", {"N2": 0.8, "N2plus": 0.1, "CN": 0.1},
         {"organic residue": "medium", "air leak": "cannot tell"}),
        ("Ar", {"Ar_I": 0.8, "Si_I": 0.05, "CH": 0.05, "H_I": 0.05},
         {"silicone": "medium", "hydrocarbon oil": "medium"}),
        ("Ar", {"Ar_I": 0.9, "Si_I": 0.05}, {"silicone": "low"}),
        ("O2", {"O_I": 0.9, "F_I": 0.05, "CO": 0.02},
         {"fluorinated oil or polymer": "medium", "organic residue": "medium"}),
        ("Ar", {"Ar_I": 0.9, "Fe_I": 0.05, "Cr_I": 0.05}, {"sputtered metal": "high"}),
        ("Ar", {"Ar_I": 0.9, "Cu_I": 0.05}, {"sputtered metal": "medium"}),
        ("O2", {"O_I": 0.9, "Na_I": 0.05}, {"sodium": "medium"}),
        ("Ar", {"He_I": 0.9, "H_I": 0.0}, {"wrong gas": "high"}),
        ("Ar", {"Ar_I": 0.9, "Hg_I": 0.05}, {"room light": "medium"}),
        ("Ar", {"Ar_I": 0.9, "He_I": 0.05}, {"foreign gas": "medium"}),
        ("N2", {"N2": 0.8, "N2plus": 0.2}, {"air leak": "cannot tell"}),
        ("H2", {"H_I": 0.8, "H2": 0.2, "OH": 0.05}, {"water": "medium"}),
        ("He", {"He_I": 0.9, "O_I": 0.02}, {"oxygen": "low"}),
        ("Ar", {"Ar_I": 0.9, "CN": 0.02}, {"organic residue": "low"}),  # no nitrogen
        ("H2", {"H_I": 0.8, "H2": 0.1, "F_I": 0.02}, {}),  # at 500 nm, amid the lines of H2
        ("CO2", {"CO": 0.8, "O_I": 0.2, "N2plus": 0.05}, {}),  # CO+ and CO2+ have bands there too
        ("O2", {"O_I": 0.9, "COplus": 0.05}, {}),  # the ion without the molecule: thresholds 27 and 11 eV
        ("Ar", {"Ar_I": 0.9, "SiH": 0.05}, {"silicone": "medium"}),
        ("Ar", {"Ar_I": 0.9, "SiO": 0.05, "Si_I": 0.05}, {"silicone": "low"}),  # glass shows both
        ("Ar", {"Ar_I": 0.9, "F_I": 0.05, "H_I": 0.02}, {"fluorinated oil or polymer": "low", "water": "low"}),
        ("CO2", {"CO": 0.8, "O_I": 0.2, "CO+".replace("+", "plus"): 0.1}, {}),
    ],
)  # fmt: skip
def test_species_lead_to_the_practitioners_conclusion(feed, seen, expected):
    assert conclude(feed, **{k: v for k, v in seen.items() if v}) == expected


def test_nitrogen_feed_hides_a_leak_and_it_is_said():
    (found, _) = findings_of(species(N2=0.9, N2plus=0.1), parse_feed("N2"))
    assert found.confidence == "cannot tell"
    assert "annot tell an air leak from the nitrogen that is fed" in found.text
    assert any("argon" in test for test in found.confirm_by)


def test_oxygen_in_a_nitrogen_feed_is_a_leak_if_dry_and_water_if_not():
    dry = findings_of(species(N2=0.8, N2plus=0.1, NO=0.05, O_I=0.05), parse_feed("N2"))[0]
    wet = findings_of(species(N2=0.8, N2plus=0.1, O_I=0.05, OH=0.05, H_I=0.03), parse_feed("N2"))
    assert (dry.kind, dry.confidence) == ("air leak", "medium")
    assert wet[0].kind == "water"
    assert {f.kind: f.confidence for f in wet}["air leak"] == "low"


def test_without_a_stated_feed_nothing_that_depends_on_it_is_sure():
    found = findings_of(species(Ar_I=0.8, N2=0.15, N2plus=0.05))
    assert [(f.kind, f.confidence) for f in found] == [("air leak", "low")]
    assert "--feed" in found[0].text
    half = findings_of(species(Ar_I=0.6, N2=0.3, N2plus=0.1))
    assert [(f.kind, f.confidence) for f in half] == [("air leak", "cannot tell")]


def test_a_merely_possible_species_founds_nothing():
    assert conclude("Ar", Ar_I=1.0, possible=("N2", "CH", "Fe I", "CO", "Ti I", "He I")) == {}
    assert conclude("Ar", Ar_I=1.0, possible=("OH", "Si I", "F I", "Na I"), sigma=4.5) == {}


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("N2", "air leak"), ("CH", "hydrocarbon oil"), ("Fe I", "sputtered metal"), ("Cu I", "sputtered metal"),
        ("Si I", "silicone"), ("F I", "fluorinated oil or polymer"), ("Na I", "sodium"), ("Hg I", "room light"),
        ("He I", "foreign gas"), ("OH", "water"),
    ],
)  # fmt: skip
def test_a_possible_species_that_the_fit_surely_asks_for_is_a_weak_finding_with_its_doubt(name, kind):
    (found, _) = findings_of(species(Ar_I=1.0, possible=(name,), sigma=15.0), parse_feed("Ar"))
    assert (found.kind, found.confidence) == (kind, "low")
    assert "not certain (made for a test)" in found.text
    assert any("finer" in test for test in found.confirm_by)


@pytest.mark.parametrize("name", ["N2", "CH", "Fe I", "Cu I", "He I"])
def test_what_shows_nothing_of_its_own_founds_nothing(name):
    assert conclude("Ar", Ar_I=1.0, possible=(name,), sigma=15.0, own=0) == {}


@pytest.mark.parametrize("name", ["F I", "Si I", "Na I", "Hg I"])
def test_species_with_few_lines_well_apart_are_believed_sooner(name):
    assert set(conclude("Ar", Ar_I=1.0, possible=(name,), sigma=12.0, own=0).values()) == {"low"}
    assert conclude("Ar", Ar_I=1.0, possible=(name,), sigma=6.0, own=0) == {}
    assert conclude("H2", H_I=0.7, H2=0.2, possible=(name,), sigma=12.0) == {}  # not amid the lines of H2


def test_what_other_light_would_imitate_once_in_a_hundred_spectra_founds_nothing_alone():
    assert conclude("Ar", Ar_I=1.0, possible=("Fe I",), sigma=6.0, chance=1e-2) == {}
    assert conclude("Ar", Ar_I=1.0, possible=("Fe I",), sigma=6.0, chance=1e-3) == {}
    assert conclude("Ar", Ar_I=1.0, possible=("Fe I",), sigma=6.0, chance=1e-4) == {"sputtered metal": "low"}
    assert conclude("Ar", Ar_I=1.0, possible=("Fe I", "Cr I"), sigma=6.0, chance=1e-2) == {"sputtered metal": "low"}


def test_argon_that_is_only_possible_is_a_foreign_gas_in_neon_and_air_beside_nitrogen():
    # dry air holds 0.93 % of argon (CRC Handbook)
    assert conclude("Ne", Ne_I=1.0, possible=("Ar I",), sigma=15.0) == {"foreign gas": "low"}
    assert "foreign gas" not in conclude("Ne", Ne_I=1.0, possible=("Ar I", "N2"), sigma=15.0)


@pytest.mark.parametrize(("p", "bound"), [(0.05, 0.407), (0.01, 0.125), (0.001, 0.0188)])
def test_what_a_chance_is_worth_at_most(p, bound):
    # -e p ln p at common p values: Sellke, Bayarri & Berger, Am. Stat. 55, 62 (2001), table 1, from memory
    assert exp(-most_worth(p)) == pytest.approx(bound, rel=5e-3)
    assert most_worth(0.5) == 0.0


def test_bands_known_by_heads_from_memory_alone_are_never_a_sure_sign():
    assert conclude("Ar", Ar_I=1.0, possible=("CF2",), sigma=25.0) == {}
    assert conclude("Ar", Ar_I=1.0, possible=("CF2", "F I"), sigma=15.0) == {"fluorinated oil or polymer": "low"}


def test_two_sure_signs_of_one_cause_are_more_than_a_weak_finding():
    assert conclude("Ar", Ar_I=1.0, possible=("N2", "N2+"), sigma=15.0) == {"air leak": "medium"}
    assert conclude("Ar", Ar_I=1.0, possible=("Cr I", "Fe I"), sigma=15.0) == {"sputtered metal": "medium"}
    assert conclude(None, Ar_I=1.0, possible=("N2", "N2+"), sigma=15.0) == {"air leak": "low"}


def test_what_few_chambers_hold_takes_more_evidence():
    assert conclude("Ar", Ar_I=1.0, possible=("Mo I",), sigma=9.0, chance=4e-4) == {}
    assert conclude("Ar", Ar_I=1.0, possible=("Fe I",), sigma=9.0, chance=4e-4) == {"sputtered metal": "low"}


def test_amid_the_lines_of_hydrogen_an_atom_needs_lines_outside_them():
    # The many-line spectrum of H2 is dense from 410 to 900 nm (Dieke 1972, from memory).
    assert conclude("H2", H_I=0.7, H2=0.2, Cr_I=0.05, at_nm=357.0) == {"sputtered metal": "low"}
    assert conclude("H2", H_I=0.7, H2=0.2, Cr_I=0.05, at_nm=520.0) == {}


def test_potassium_makes_a_possible_sodium_a_fingerprint():
    (found, _) = findings_of(species(O_I=0.9, K_I=0.05, possible=("Na I",)), parse_feed("O2"))
    assert (found.kind, found.confidence) == ("sodium", "medium")
    assert "fingerprint" in found.text


def test_one_line_of_its_own_among_many_expected_is_not_enough_to_be_sure():
    # A single coincidence can be very significant: five features listed, one free of other light.
    (made,) = [s for s in species(Ar_I=0.9, Cu_I=0.05) if s.name == "Cu I"]
    features = tuple(replace(made.features[0], clean=i == 0) for i in range(5))
    mixture = tuple(replace(s, features=features) if s.name == "Cu I" else s for s in species(Ar_I=0.9, Cu_I=0.05))
    found = findings_of(mixture, parse_feed("Ar"))
    assert [(f.kind, f.confidence) for f in found[:1]] == [("sputtered metal", "low")]


@pytest.mark.parametrize(
    ("possible", "kind"),
    [
        (("N2", "N2+"), "air leak"),
        (("OH", "H I"), "water"),
        (("CH", "C2"), "hydrocarbon oil"),
        (("CO", "CN"), "organic residue"),
        (("Na I", "K I"), "sodium"),
        (("Cr I", "Fe I"), "sputtered metal"),
    ],
)
def test_possible_signs_that_belong_together_are_a_weak_finding(possible, kind):
    found = findings_of(species(Ar_I=1.0, possible=possible), parse_feed("Ar"))
    assert [(f.kind, f.confidence) for f in found if f.kind != "purity"] == [(kind, "low")]
    assert "Possibly" in found[0].text
    assert any("expose longer" in test for test in found[0].confirm_by)


def test_nitrogen_ions_without_nitrogen_are_doubtful_but_in_helium():
    # Thresholds 18.75 and 11.03 eV; helium metastables (19.8 eV) make N2+ directly (textbook Penning ionisation).
    assert conclude("Ar", Ar_I=0.9, N2plus=0.1) == {"air leak": "low"}
    assert conclude("He", He_I=0.9, N2plus=0.1) == {"air leak": "medium"}
    # Si 390.55 nm (NIST ASD) beside N2+ 391.4: with silicon in the glow it may be no nitrogen at all
    assert conclude("He", He_I=0.8, N2plus=0.1, SiH=0.1) == {"silicone": "medium"}
    assert conclude("He", He_I=0.8, SiH=0.1, possible=("N2+",), sigma=15.0) == {"silicone": "medium"}


def test_a_possible_sodium_beside_helium_may_be_helium():
    # He 587.56 and Na 589.0 nm (NIST ASD): the same peak for most cheap spectrometers
    assert conclude("He", He_I=0.9, possible=("Na I",), sigma=20.0) == {}
    assert conclude("Ar", Ar_I=0.9, possible=("Na I",), sigma=20.0) == {"sodium": "low"}


def test_ions_and_atoms_of_another_gas_count_as_its_light():
    # behind acrylic most of the light of air may be that of N2+ 391 and 428 nm
    assert conclude("Ar", N2=0.45, N2plus=0.45, O_I=0.1)["wrong gas"] == "high"


def test_possible_nitrogen_ions_alone_found_a_leak_in_helium_only():
    # Thresholds 18.75 and 11.03 eV; helium metastables make N2+ directly (see above)
    assert conclude("Ar", Ar_I=0.9, possible=("N2+",), sigma=20.0) == {}
    assert conclude("He", He_I=0.9, possible=("N2+",), sigma=20.0) == {"air leak": "low"}


def test_a_possible_chromium_under_bands_of_nitrogen_is_no_steel():
    # Cr 357.87 and 427.48 nm (NIST ASD) lie under N2 357.7 and N2+ 427.8 nm
    assert conclude("O2", O_I=0.8, N2=0.1, possible=("Cr I",), sigma=20.0) == {"air leak": "medium"}
    assert conclude("O2", O_I=0.8, possible=("Cr I",), sigma=20.0) == {"sputtered metal": "low"}


def test_oxygen_beside_a_possible_leak_is_no_finding_of_its_own():
    assert conclude("He", He_I=0.9, O_I=0.05, possible=("N2", "N2+")) == {"air leak": "low"}


def test_possible_carbon_monoxide_with_water_lines_is_residue_only_where_oxygen_burns():
    assert conclude("Ar:0.9,O2:0.1", Ar_I=0.8, OH=0.05, H_I=0.05, possible=("CO",)) == {
        "water": "low",
        "organic residue": "low",
    }
    assert conclude("Ar", Ar_I=0.8, OH=0.05, H_I=0.05, possible=("CO",)) == {"water": "low"}


def test_possible_signs_of_what_is_fed_found_nothing():
    assert conclude("N2,H2", N2=0.9, possible=("N2+", "OH", "H I")) == {"air leak": "cannot tell"}


def test_blocked_hydroxyl_is_named_where_hydrogen_hints_at_water():
    found = findings_of(species(Ar_I=0.9, H_I=0.1, blocked=("OH",)), parse_feed("Ar"))[0]
    assert (found.kind, found.confidence) == ("water", "low")
    assert "cannot be told" in found.text


def test_oxygen_beside_hydrogen_is_named_where_hydroxyl_is_blocked():
    found = findings_of(species(Ar_I=0.9, H_I=0.1, O_I=0.05, blocked=("OH",)), parse_feed("Ar"))[0]
    assert (found.kind, found.confidence) == ("water", "medium")
    assert found.text.startswith("Hydrogen and oxygen glow although neither is fed")


def test_a_missing_gas_is_not_wrong_where_it_cannot_be_told():
    unlimited = tuple(
        replace(s, counts=float("nan"), upper_limit=float("nan")) if s.name == "Ar I" else s
        for s in species(He_I=0.9, blocked=("Ar I",))
    )
    found = findings_of(unlimited, parse_feed("Ar"))
    assert [(f.kind, f.confidence) for f in found] == [("foreign gas", "medium")]


def test_a_gas_that_could_hide_in_a_hundredth_of_the_light_is_not_the_one_that_is_fed():
    # blocked by unexplained light, with a limit of 2e3 of 9e5 counts
    assert conclude("Ar", N2=0.9, blocked=("Ar I",)) == {"wrong gas": "high"}


def test_aluminium_amid_hydroxyl_needs_its_other_line():
    # Al 308.22 and 309.27 nm (NIST ASD) lie within OH A-X (0,0), 306 to 311 nm; 394.4 and 396.15 nm do not
    seen = {"possible": ("Al I",), "sigma": 20.0}
    assert conclude("O2", O_I=0.8, H_I=0.05, OH=0.05, at_nm=308.2, **seen) == {"water": "high"}
    assert conclude("O2", O_I=0.8, H_I=0.05, OH=0.05, at_nm=396.1, **seen)["sputtered metal"] == "low"
    assert conclude("Ar", Ar_I=0.8, at_nm=308.2, **seen) == {"sputtered metal": "low"}


def test_bands_of_what_is_fed_are_not_nitrogen():
    # CO+ and CO2+ have bands near 391 nm (Pearse & Gaydon, from memory), whether or not they are told
    assert conclude("CO2", CO=0.8, O_I=0.2, possible=("N2", "N2+"), sigma=20.0, own=0) == {}


def test_what_few_chambers_hold_is_not_claimed_on_what_unlisted_light_shows_often():
    assert conclude("Ar", Ar_I=1.0, possible=("Mo I",), sigma=20.0, chance=5e-2) == {}
    assert conclude("Ar", Ar_I=1.0, possible=("Mo I",), sigma=20.0, chance=1e-3) == {"sputtered metal": "low"}


def test_noise_given_to_species_that_are_not_seen_is_no_light_of_the_stated_gas():
    # a faint helium glow: half of all fitted counts is the noise of fifty species that are not seen
    made = tuple(replace(s, share=0.02) if s.verdict == "not seen" else s for s in species(He_I=0.4))
    found = {f.kind: f.confidence for f in findings_of(made, parse_feed("Ar"))}
    assert found["wrong gas"] == "high"


def checks_of(feed, kind, **seen):
    return " ".join(next(f for f in findings_of(species(**seen), parse_feed(feed)) if f.kind == kind).confirm_by)


def test_a_jet_of_the_gas_that_is_fed_is_no_leak_test():
    assert "He 587.6" in checks_of("Ar", "air leak", Ar_I=0.8, N2=0.2)
    in_helium = checks_of("He", "air leak", He_I=0.8, N2=0.2)
    assert "He 587.6" not in in_helium
    assert "Ar 811.5" in in_helium
    assert "high-voltage" in in_helium  # helium breaks down more easily than air (textbook Paschen curves)
    in_both = checks_of("He,Ar", "air leak", He_I=0.5, Ar_I=0.3, N2=0.2)
    assert "watch" not in in_both.rpartition("blow")[2]


@pytest.mark.parametrize("possible", [(), ("CH", "C2")])
def test_nobody_is_told_to_cool_a_trap_under_oxygen(possible):
    # ozone boils at 161 K, oxygen at 90 K (textbook): a trap at 77 K collects both
    seen = {"possible": possible, "sigma": 15.0} if possible else {"CH": 0.1, "C2": 0.1}
    assert "fill a cold trap" in checks_of("Ar", "hydrocarbon oil", Ar_I=0.8, **seen)
    under_oxygen = checks_of("O2", "hydrocarbon oil", O_I=0.8, **seen)
    assert "fill a cold trap" not in under_oxygen
    assert "can explode" in under_oxygen


def test_a_weak_finding_names_whose_light_it_may_be_and_other_causes():
    (made,) = [s for s in species(Ar_I=1.0, possible=("CH",), sigma=15.0) if s.name == "CH"]
    features = tuple(replace(f, overlaps=("Ar I", "N2")) for f in made.features)
    mixture = tuple(replace(s, features=features) if s.name == "CH" else s
                    for s in species(Ar_I=1.0, possible=("CH",), sigma=15.0))  # fmt: skip
    found = findings_of(mixture, parse_feed("Ar"))[0]
    assert found.kind == "hydrocarbon oil"
    assert "light of Ar I or N2 in the same places" in found.could_also_be
    assert any("residue" in other for other in found.could_also_be)


def test_a_possible_magnesium_under_carbon_is_no_aluminium():
    # Mg 516.7, 517.3, 518.4 nm (NIST ASD) under the C2 Swan head at 516.5 nm (Pearse & Gaydon, from memory)
    assert conclude("Ar", Ar_I=0.8, C2=0.1, possible=("Mg I",), sigma=20.0) == {"hydrocarbon oil": "low"}
    assert conclude("Ar", Ar_I=0.8, possible=("Mg I",), sigma=20.0) == {"sputtered metal": "low"}


def test_every_finding_names_a_test_and_another_cause():
    found = findings_of(
        species(Ar_I=0.3, N2=0.1, N2plus=0.1, OH=0.1, H_I=0.1, CH=0.1, C2=0.1, CO=0.1, Si_I=0.1, F_I=0.1,
                Na_I=0.1, K_I=0.1, Fe_I=0.1, Cr_I=0.1, Hg_I=0.1, He_I=0.1),
        parse_feed("Ar"),
    )  # fmt: skip
    assert len(found) >= 9
    for finding in found:
        assert finding.confirm_by
        assert finding.could_also_be
        assert finding.evidence
        assert finding.text.endswith(".")


def test_findings_come_surest_first_with_purity_last():
    order = {"high": 0, "medium": 1, "low": 2, "cannot tell": 3}
    found = findings_of(species(Ar_I=0.8, N2=0.1, N2plus=0.1, Si_I=0.01, Na_I=0.02), parse_feed("Ar"))
    ranks = [order[f.confidence] for f in found[:-1]]
    assert ranks == sorted(ranks)
    assert found[-1].kind == "purity"
    assert "no composition" in found[-1].text


def test_a_flood_of_products_points_to_bulk_polymer():
    kinds = conclude("O2", O_I=0.5, CO=0.3, OH=0.1, H_I=0.1)
    assert kinds["polymer etched"] == "low"
    assert "polymer etched" not in conclude("O2", O_I=0.9, CO=0.05, OH=0.03, H_I=0.02)


@given(st.dictionaries(st.sampled_from(LOOKED_FOR), st.floats(0.001, 1.0), max_size=8),
       st.sampled_from(["present", "possible", "cannot tell"]),
       st.sampled_from([None, "Ar", "O2", "air", "N2", "H2", "CF4", "Ar:0.9,O2:0.1"]))  # fmt: skip
def test_any_mixture_is_answered_and_weak_verdicts_found_no_claims(shares, verdict, feed):
    made = tuple(
        SpeciesEvidence(
            name=name, verdict=verdict if name in shares else "not seen", significance=4.0,
            share=shares.get(name, 0.0), counts=100.0, standard_error=10.0, upper_limit=120.0,
            detection_limit=30.0, features=(), reason="made for a test",
        ) for name in LOOKED_FOR
    )  # fmt: skip
    found = findings_of(made, parse_feed(feed) if feed else None)
    assert all(isinstance(f, Finding) for f in found)
    if verdict == "possible":
        assert all(f.confidence == "low" for f in found)
    if verdict == "cannot tell":
        assert found == ()


def test_a_finding_cannot_be_built_without_evidence():
    with pytest.raises(ValueError, match="no evidence"):
        Finding(kind="air leak", text="Air.", confidence="high", evidence=())


# --- feed -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("Ar:0.95,O2:0.05", (("Ar", 0.95), ("O2", 0.05))),
        ("argon: 95 %, oxygen", (("Ar", 0.95), ("O2", 0.05))),
        ("AIR", (("air", None),)),
        ("n2, h2", (("N2", None), ("H2", None))),
        ("Ar=1", (("Ar", 1.0),)),
    ],
)
def test_feed_is_read_as_users_write_it(text, parts):
    read = parse_feed(text).parts
    assert [gas for gas, _ in read] == [gas for gas, _ in parts]
    for (_, got), (_, wanted) in zip(read, parts, strict=True):
        assert got != got if wanted is None else got == pytest.approx(wanted)


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("", "empty"),
        ("argn", "Ar"),
        ("unobtainium", "no gas known"),
        ("Ar:1.2", "no mole fraction"),
        ("Ar:lots", "no mole fraction"),
        ("Ar:0.6,O2:0.6", "add up to 1.2"),
        ("Ar:0.6,O2:0.2", "add up to 0.8"),
        ("Ar,argon", "twice"),
        ("Ar:-1", "no mole fraction"),
        ("Ar:nan", "no mole fraction"),
    ],
)
def test_bad_feed_is_refused_with_a_mend(text, match):
    with pytest.raises(TableError, match=match) as caught:
        parse_feed(text)
    assert caught.value.mend


def test_feed_knows_what_it_can_make():
    air = parse_feed("air")
    assert all(air.belongs(name) for name in ("N2", "N2+", "NO", "O I", "Ar I", "N I"))
    assert not any(air.belongs(name) for name in ("OH", "CO", "CN", "H I", "Na I", "He I", "Ni I"))
    assert parse_feed("N2,H2").belongs("NH")
    assert parse_feed("CO2").belongs("C2")


def test_feed_is_guessed_from_the_brightest_gas():
    assert feed_from_light(species(Ar_I=0.9, N2=0.05)).gases == ("Ar",)
    assert set(feed_from_light(species(Ar_I=0.5, O_I=0.4)).gases) == {"Ar", "O2"}
    assert feed_from_light(species()) is None
    assert not feed_from_light(species(Ar_I=0.9)).stated


# --- cautions ---------------------------------------------------------------------------------------------


def abouts(feed=None, window=None, kinds=()):
    found = tuple(Finding(kind=k, text="x.", confidence="low", evidence=("x",)) for k in kinds)
    return {c.about for c in cautions(parse_feed(feed) if feed else None, window, found)}


def test_cautions_belong_to_the_situation():
    assert {"high voltage", "ozone", "oxygen and pump oil", "hot pump fluid"} <= abouts("O2")
    assert "ozone" not in abouts("Ar")
    assert "ultraviolet" in abouts("Ar", Window(material="fused silica"))
    assert "ultraviolet" not in abouts("Ar", Window(material="acrylic"))
    assert "implosion" in abouts("Ar", Window(material="acrylic"))
    assert "fluorine chemistry" in abouts("CF4")
    assert "fluorine chemistry" in abouts("O2", kinds=("fluorinated oil or polymer",))
    assert "hydrogen" in abouts("N2,H2")
    assert "carbon monoxide" in abouts("O2", kinds=("organic residue",))
    assert "high voltage" in abouts()


@pytest.mark.parametrize(
    ("feed", "about"),
    [
        ("CH4", "flammable gas"), ("C2H2", "flammable gas"), ("SiH4", "flammable gas"), ("SiH4", "poisonous gas"),
        ("NH3", "poisonous gas"), ("Cl2", "poisonous gas"), ("CO", "poisonous gas"), ("air", "hot pump fluid"),
    ],
)  # fmt: skip
def test_dangerous_gases_are_named_as_such(feed, about):
    assert about in abouts(feed)


def test_material_hints_follow_the_gas():
    assert any("silver" in hint for hint in material_hints(parse_feed("O2")))
    assert any("embrittles" in hint for hint in material_hints(parse_feed("H2")))
    assert not any("sputtering" in hint for hint in material_hints(parse_feed("air")))
    assert material_hints(Feed(parts=())) == ()
    assert material_hints(None) == ()


def test_a_feed_that_the_light_suggests_is_not_called_fed():
    suggested = next(f for f in findings_of(species(N2=0.6, O_I=0.2)) if "Oxygen" in f.text)
    stated = next(f for f in findings_of(species(N2=0.6, O_I=0.2), parse_feed("N2")) if "Oxygen" in f.text)
    assert "is fed" not in suggested.text
    assert "only N2 is fed" in stated.text


@pytest.mark.parametrize("sign", ["CO", "CH", "F_I", "H_I", "O_I"])
def test_that_nothing_else_is_fed_is_said_only_of_a_gas_that_was_stated(sign):
    """Oxygen is fed in plasmas of argon with oxygen, whose light is mostly argon's: common practice, no source."""
    seen = species(Ar_I=0.9, **{sign: 0.1})
    both = (findings_of(seen, feed) for feed in (parse_feed("Ar"), None))
    told, guessed = (next(f for f in found if f.kind != "purity") for found in both)
    assert told.kind == guessed.kind
    assert re.search(r"although (no|none)\b.* is fed", told.text), told.text
    assert not re.search(r"although (no|none)\b.* is fed", guessed.text), guessed.text


def test_carbon_oxides_are_residue_being_burnt_where_oxygen_may_be_fed():
    text = next(f for f in findings_of(species(Ar_I=0.8, O_I=0.1, CO=0.1))).text
    assert "if oxygen or air is fed (say so with --feed), organic matter that is being burnt off" in text
