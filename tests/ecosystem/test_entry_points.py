"""Readers and species that other installed packages add, found through their metadata as pip leaves it."""

import json
import struct

import numpy as np
import pytest
from installing import install, run

GALLIUM_NM = (403.2984, 417.2039)  # NIST ASD, from memory


def spx(path, axis, counts):
    """Write the example's binary format."""
    body = np.concatenate([axis, counts]).astype("<f4").tobytes()
    path.write_bytes(b"SPX1" + struct.pack("<I", len(axis)) + body)
    return path


def glow(seed=3):
    """Return axis and counts of a spectrometer of 1 nm that sees the two lines of gallium, 1 to 1.95 in photons.

    Both lines come from one level: photons go as the transition rates 4.85e7 and 9.45e7 1/s (NIST ASD, from memory).
    """
    axis = np.linspace(380.0, 450.0, 400)
    light = 150.0 + 0 * axis
    for centre, photons in zip(GALLIUM_NM, (4000.0, 7790.0), strict=True):
        light += photons * np.exp(-4 * np.log(2) * ((axis - centre) / 1.0) ** 2)
    return axis, np.random.default_rng(seed).poisson(light)


def test_a_file_of_an_added_format_is_read(installed):
    axis, counts = glow()
    spx(installed / "glow.spx", axis, counts)
    done = run(installed, "inspect", "glow.spx")
    assert done.returncode == 0, done.stderr
    assert "read by glowledger-example 1.0" in done.stdout
    code = "import glowledger as g; f = g.read_spectra('glow.spx'); print(f.axis_kind, f.counts.sum())"
    kind, total = run(installed, code=code).stdout.split()
    assert kind == "nm_air"
    assert float(total) == counts.sum()


def test_a_folder_of_an_added_format_is_a_run(installed):
    axis, _ = glow()
    (installed / "run").mkdir()
    for i in range(5):
        spx(installed / "run" / f"frame_{i}.spx", axis, glow(seed=i)[1])
    code = "import glowledger as g; f = g.read_spectra('run'); print(len(f), f.counts[4].sum())"
    number, total = run(installed, code=code).stdout.split()
    assert int(number) == 5
    assert float(total) == glow(seed=4)[1].sum()


def test_a_damaged_file_of_an_added_format_is_told_in_its_words(installed):
    (installed / "short.spx").write_bytes(b"SPX1" + struct.pack("<I", 400) + bytes(80))
    done = run(installed, "inspect", "short.spx")
    assert done.returncode == 3
    assert "400 pixels are announced, 10 are there" in done.stderr
    assert "short.spx" in done.stderr


def test_an_added_species_is_identified_with_its_lines(installed):
    spx(installed / "gallium.spx", *glow(seed=11))
    document = json.loads(run(installed, "identify", "gallium.spx", "--json").stdout)
    species = {one["name"]: one for one in document["species"]}
    assert species["Ga I"]["verdict"] == "present"
    found = sorted(feature["wavelength_nm"] for feature in species["Ga I"]["features"])
    assert found == pytest.approx(GALLIUM_NM, abs=0.175)  # a pixel
    assert document["added_tables"] == ["glowledger-example 1.0"]
    listed = run(installed, "tables", "Ga I", "--csv").stdout.splitlines()
    assert len(listed) == 3


def test_what_is_bundled_stays_as_it_was(installed, tmp_path):
    words = ["tables", "--kind", "lines", "--from", "300", "--to", "500", "--csv"]
    with_added = run(installed, *words).stdout.splitlines()
    without = run(tmp_path, *words).stdout.splitlines()
    assert [line for line in with_added if not line.startswith("Ga I")] == without


def test_an_added_table_may_not_change_what_is_bundled(tmp_path):
    install(tmp_path)
    table = tmp_path / "glowledger_example" / "tables" / "species.csv"
    table.write_text(table.read_text(encoding="utf-8").replace("Ga I", "Ar I"), encoding="utf-8")
    done = run(tmp_path, "tables", "--kind", "species")
    code = "import glowledger as g; g.find_species()"
    assert "is in the tables already" in run(tmp_path, code=code).stderr
    assert done.returncode in (0, 3)


def test_a_damaged_added_table_names_file_line_and_package(tmp_path):
    install(tmp_path)
    table = tmp_path / "glowledger_example" / "tables" / "atomic_lines.csv"
    table.write_text(table.read_text(encoding="utf-8") + "Ga I,1,2\n", encoding="utf-8")
    done = run(tmp_path, "tables", "Ga I")
    assert done.returncode == 3
    assert "atomic_lines.csv, line 7: expected 16 columns, found 3" in done.stderr
    assert "glowledger-example 1.0" in done.stderr


@pytest.mark.parametrize(
    ("group", "target", "words"),
    [
        ("glowledger.readers", "glowledger_example.nothing", ["inspect", "glow.csv"]),
        ("glowledger.readers", "glowledger_example", ["inspect", "glow.csv"]),
        ("glowledger.species", "glowledger_example:nothing", ["tables", "Ar I"]),
        ("glowledger.species", "glowledger_example:__doc__", ["tables", "Ar I"]),
    ],
)
def test_a_broken_entry_point_is_named_and_nothing_is_guessed(group, target, words, tmp_path):
    install(tmp_path, entry_points={group: {"broken": target}})
    (tmp_path / "glow.csv").write_text("".join(f"{400 + i},{5 + i % 3}\n" for i in range(40)), encoding="utf-8")
    done = run(tmp_path, *words)
    assert done.returncode == 3
    assert "glowledger-example 1.0" in done.stderr
    assert "Traceback" not in done.stderr


def test_two_packages_that_read_one_format_are_a_question_to_the_user(tmp_path):
    install(tmp_path)
    install(tmp_path, name="glowledger-twin", entry_points={"glowledger.readers": {"twin": "glowledger_example.spx"}})
    spx(tmp_path / "glow.spx", *glow())
    done = run(tmp_path, "inspect", "glow.spx")
    assert done.returncode == 3
    assert "glowledger-example 1.0 and glowledger-twin 1.0" in done.stderr
