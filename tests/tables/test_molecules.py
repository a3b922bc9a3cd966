"""The bundled molecular tables: rebuilt, complete, traceable; wrong names are answered."""

import csv
import json
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from glowledger.errors import TableError
from glowledger.tables.folder import tables_folder
from glowledger.tables.molecules import band_heads, state, system, systems

ROOT = Path(__file__).parents[2]
KINDS = {"published", "fitted", "computed", "derived", "from memory"}
WANTED = (
    *("N2 C-B", "N2 B-A", "N2+ B-X", "OH A-X", "CO B-A", "CO b-a", "CO+ A-X", "CO+ B-X", "CN B-X"),
    *("CH A-X", "CH B-X", "C2 d-a", "NH A-X", "NO A-X", "O2+ b-a", "H2 d-a", "AlO B-X", "SiO A-X", "SiH A-X"),
)


@pytest.fixture(scope="module")
def document():
    return json.loads((tables_folder() / "molecules.json").read_text(encoding="utf-8"))


def rows_of(file):
    lines = [line for line in file.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def test_the_builder_makes_the_tables_that_ship(tmp_path):
    if not (ROOT / "line_tables" / "build_molecules.py").exists():
        pytest.skip("the builder is not here")
    builder = [sys.executable, ROOT / "line_tables" / "build_molecules.py", ROOT / "line_tables" / "facts"]
    subprocess.run([*builder, "--out", tmp_path], check=True)
    for name in ("molecules.json", "band_heads.csv"):
        assert (tmp_path / name).read_bytes() == (tables_folder() / name).read_bytes(), name
    built, shipped = (rows_of(folder / "band_strengths.csv") for folder in (tmp_path, tables_folder()))
    assert len(built) == len(shipped)
    for mine, theirs in zip(built, shipped, strict=True):
        computed = mine.pop("franck_condon"), theirs.pop("franck_condon")
        assert mine == theirs
        # computed factors may differ in the last digit from one linear algebra library to the next
        numbers = [float(cell or "nan") for cell in computed]
        assert_allclose(numbers[0], numbers[1], rtol=0, atol=1.1e-4)


def test_every_number_names_its_source(document):
    sources = document["sources"]
    assert {source["kind"] for source in sources.values()} <= KINDS
    assert all(source["text"] for source in sources.values())
    for name, entry in document["states"].items():
        cited = [*entry["constants"].values(), *entry["level_shifts"].values(), *entry["ceilings"].values()]
        for value, key in cited:
            assert key in sources, f"{name}: {key}"
            assert np.isfinite(value)
    for row in rows_of(tables_folder() / "band_strengths.csv"):
        for value, key in (
            ("franck_condon", "franck_condon_source"),
            ("einstein_a_per_s", "einstein_a_source"),
        ):
            assert bool(row[value]) == bool(row[key]), row
            assert not row[key] or row[key] in sources


def test_what_is_fitted_is_said_beside_the_heads_it_was_fitted_to(document):
    # The systems with fitted constants or level shifts are those with heads marked as fitted.
    fitted = {key for key, source in document["sources"].items() if source["kind"] == "fitted"}
    touched = {
        name
        for name, entry in document["states"].items()
        if any(key in fitted for _, key in [*entry["constants"].values(), *entry["level_shifts"].values()])
    }
    systems_touched = {
        name for name, entry in document["systems"].items() if {entry["upper"], entry["lower"]} & touched
    }
    heads = band_heads()
    marked = {heads.system[i] for i in np.flatnonzero(heads.fitted)}
    # N2 C-B ends on the same N2 B, but on levels too low for the constant fitted there to matter
    assert marked == systems_touched - {"N2 C-B"}


def test_all_wanted_systems_can_be_computed():
    for name in WANTED:
        bands = system(name)
        upper, lower = bands.states()
        assert not bands.heads_only
        assert bands.upper_levels()[0] == 0
        assert upper.multiplicity == lower.multiplicity
        assert upper.molecule == lower.molecule
        assert abs(upper.lam - lower.lam) <= 1
        assert 0 < bands.branching_uncertainty < 1
        assert 0 < bands.origin_uncertainty_nm <= 0.1
        assert bands.sources


@pytest.mark.parametrize("name", [n for n in systems() if not system(n).heads_only])
def test_states_are_what_their_symbols_say(name):
    # Term symbol ²S⁺¹Λ (Herzberg 1950, p. 219); electric dipole: g ↔ u, equal multiplicity.
    for one in system(name).states():
        assert ["Sigma", "Pi", "Delta"][one.lam] in one.label
        if one.molecule != "1H2":  # spin left out there, and said
            assert str(one.multiplicity) in one.label
        assert one.reflection == (1 if one.label.endswith("Sigma-") or one.label.endswith("_g-") else 0)
    upper, lower = system(name).states()
    assert upper.inversion == -lower.inversion


@pytest.mark.parametrize("name", [n for n in systems() if not system(n).heads_only])
def test_rotational_constants_fit_their_bond_lengths(name):
    # Be = ħ²/(2μ re²), 16.8576/(μ re²) with u, Å, cm⁻¹ (Herzberg 1950, eq. III,23): constants of one state
    # from different hands must agree. 1.1 %: CH B has B0 for Be, OH A an effective Be.
    for one in system(name).states():
        if "re" in one.constants:
            expected = 16.8576292 / (one.reduced_mass_u * one.constant("re") ** 2)
            assert_allclose(one.constant("Be"), expected, rtol=0.011, err_msg=one.name)


@pytest.mark.parametrize("name", [n for n in systems() if not system(n).heads_only])
def test_centrifugal_constants_obey_kratzer(name):
    # Kratzer 1920 (Herzberg 1950, eq. III,120): De = 4Be³/ωe², exact for harmonic, within 15 % for real
    # states.
    for one in system(name).states():
        if one.name == "CH B":
            continue  # ωe there is derived for two levels only
        expected = 4 * one.constant("Be") ** 3 / one.constant("we") ** 2
        assert_allclose(one.constant("De"), expected, rtol=0.15, err_msg=one.name)


@pytest.mark.parametrize(
    ("wrong", "right"),
    [("N2 c-b", "N2 C-B"), ("CN violet", "CN B-X"), ("OH A->X", "OH A-X"), ("N2+", "N2+ B-X")],
)
def test_unknown_system_is_answered_with_the_nearest(wrong, right):
    with pytest.raises(TableError) as caught:
        system(wrong)
    assert wrong in caught.value.problem
    assert right in caught.value.mend


def test_name_like_no_other_is_answered_with_all():
    with pytest.raises(TableError, match="N2 C-B"):
        system("qqqq")


def test_unknown_state_is_answered_with_the_nearest():
    with pytest.raises(TableError, match="N2 C"):
        state("N2 Cc")


def test_published_heads_are_in_order():
    heads = band_heads()
    assert len(heads.system) == heads.wavelength_nm.size == heads.fitted.size == len(heads.source)
    assert set(heads.system) <= set(systems())
    assert set(heads.degradation) <= {"violet", "red", "unknown", "line", "strong line"}
    assert np.all((heads.wavelength_nm > 190) & (heads.wavelength_nm < 1100))
    assert np.all((heads.v_upper >= 0) == (heads.v_lower >= 0))


@pytest.mark.parametrize(
    ("damage", "expected"),
    [
        (lambda text: text[:500], "cannot be read"),
        (lambda text: text.replace("glowledger/molecules/1", "glowledger/molecules/99"), "molecules/99"),
    ],
)
def test_damaged_constants_are_refused_with_their_file(tmp_path, damage, expected):
    # a copy of the package beside its tables, as in a checkout
    shutil.copytree(ROOT / "src" / "glowledger", tmp_path / "src" / "glowledger")
    shutil.copytree(tables_folder(), tmp_path / "line_tables", ignore=shutil.ignore_patterns("facts", "*.py"))
    file = tmp_path / "line_tables" / "molecules.json"
    file.write_text(damage(file.read_text(encoding="utf-8")), encoding="utf-8")
    program = (
        "import sys\nsys.path.insert(0, sys.argv[1])\n"
        "from glowledger.errors import TableError\nfrom glowledger.tables.molecules import systems\n"
        "try:\n    systems()\nexcept TableError as error:\n    print(error)\n"
    )
    words = [sys.executable, "-c", program, str(tmp_path / "src")]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    assert expected in done.stdout
    assert str(file) in done.stdout
