"""The command ``tables``: text against golden files, CSV and JSON against the tables, errors."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from glowledger.cli import main
from glowledger.tables import atoms

GOLDEN = Path(__file__).parent / "golden"


def run(*arguments: str):
    return CliRunner().invoke(main, ["tables", *arguments])


@pytest.mark.parametrize(
    ("file", "arguments"),
    [
        (
            "argon_by_strength.txt",
            ("Ar I", "--from", "690", "--to", "850", "--sort", "strength", "--most", "6"),
        ),
        ("mercury_lamp.txt", ("hg", "--kind", "lamps", "--from", "400", "--to", "600")),
        ("acrylic.txt", ("acrylic", "--kind", "windows", "--from", "340", "--to", "420")),
        ("empty_range.txt", ("Ar I", "--from", "100", "--to", "120")),
    ],
)
def test_text_is_as_reviewed(file, arguments):
    result = run(*arguments)
    assert result.exit_code == 0
    assert result.output == (GOLDEN / file).read_text(encoding="utf-8")


def test_csv_holds_the_rows_of_the_table():
    result = run("O I", "--from", "777", "--to", "778", "--csv")
    rows = list(csv.DictReader(io.StringIO(result.output)))
    table = atoms.load().select("O I", (777.0, 778.0))
    assert [float(row["ga_ki_per_s"]) for row in rows] == table.ga_ki.tolist()
    assert [float(row["wavelength_nm"]) for row in rows] == table.wavelength_nm.tolist()


def test_json_is_one_document_with_null_for_unknown():
    result = run("Cl I", "--from", "800", "--to", "830", "--json")
    document = json.loads(result.output)
    assert document["schema"] == "glowledger/tables/1"
    assert document["range_nm"] == [800.0, 830.0]
    rows = document["rows"]
    assert len(rows) == len(atoms.load().select("Cl I", (800.0, 830.0)))
    assert any(row["a_ki_per_s"] is None for row in rows)
    assert all(800 <= row["wavelength_nm"] <= 830 for row in rows)


def test_sorting_by_strength_and_energy():
    document = json.loads(run("Fe", "--from", "370", "--to", "390", "--sort", "strength", "--json").output)
    rates = [row["ga_ki_per_s"] for row in document["rows"]]
    known = [rate for rate in rates if rate is not None]
    assert known == sorted(known, reverse=True)
    assert rates[: len(known)] == known, "unknown rates come last"
    document = json.loads(run("Ar I", "--from", "690", "--to", "850", "--sort", "energy", "--json").output)
    energies = [row["upper_ev"] for row in document["rows"]]
    known = [energy for energy in energies if energy is not None]
    assert known == sorted(known)
    assert energies[: len(known)] == known


def test_bands_of_a_molecule():
    # Pearse & Gaydon, from memory: the Ångström heads of CO at 451.1, 483.5, 519.8 and 561.0 nm.
    document = json.loads(run("CO", "--kind", "bands", "--json").output)
    heads = [row["wavelength_nm"] for row in document["rows"] if row["system"] == "CO B-A"]
    for nm in (451.1, 483.5, 519.8, 561.0):
        assert min(abs(head - nm) for head in heads) < 0.06


def test_without_names_the_species_are_listed():
    result = run()
    assert result.exit_code == 0
    for name in atoms.species_names():
        assert f"\n{name} " in result.output


@pytest.mark.parametrize(
    ("arguments", "hint"),
    [
        (("Arr I",), "'Ar I'"),
        (("CO",), "--kind bands"),
        (("--kind", "lamps"), "hg,ar"),
        (("neo", "--kind", "lamps"), "'ne'"),
        (("glass", "--kind", "windows"), "soda-lime"),
        (("acrylic", "--kind", "windows", "--thickness", "-1"), "thickness"),
        (("XY", "--kind", "bands"), "CO B-A"),
        (("--kind", "windows", "--sort", "strength"), "--sort"),
    ],
)
def test_what_is_not_there_is_one_paragraph_and_exit_code_3(arguments, hint):
    result = run(*arguments)
    assert result.exit_code == 3
    assert result.stdout == ""
    assert result.stderr.startswith("error: ")
    assert hint in result.stderr
    assert result.stderr.count("\n") == 1


@pytest.mark.parametrize("arguments", [("Ar", "--from", "800", "--to", "700"), ("Ar", "--csv", "--json")])
def test_contradictory_options_are_usage_errors(arguments):
    assert run(*arguments).exit_code == 2


def test_output_goes_whole_into_a_file(tmp_path):
    file = tmp_path / "argon.csv"
    result = run("Ar I", "--csv", "-o", str(file))
    assert result.exit_code == 0
    assert result.output == ""
    assert file.read_text(encoding="utf-8") == run("Ar I", "--csv").output
    assert run("Ar I", "-o", str(tmp_path / "missing" / "x.txt")).exit_code == 3
    assert list(tmp_path.iterdir()) == [file]
