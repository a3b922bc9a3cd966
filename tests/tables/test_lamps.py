"""Lamp lists: what an operator needs for calibration, and that the lines are those of the atoms."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from glowledger.errors import TableError
from glowledger.tables import atoms, lamps

ELEMENT_LAMPS = {
    "ar": "Ar I", "cd": "Cd I", "h2": "H I", "he": "He I", "hg": "Hg I", "kr": "Kr I", "na": "Na I",
    "ne": "Ne I", "xe": "Xe I", "zn": "Zn I",
}  # fmt: skip


def test_the_lamps_of_the_trade_are_there():
    assert {*ELEMENT_LAMPS, "cfl", "hg-ar"} <= set(lamps.lamp_names())


@pytest.mark.parametrize(
    ("lamp", "wavelengths"),
    [
        # Lines printed on lamp data sheets and in ASTM practice for wavelength calibration; wavelengths NIST
        # ASD, from memory (half a unit of the last digit).
        ("hg", (253.652, 296.728, 365.015, 404.656, 435.833, 546.075, 576.960, 579.066)),
        ("ne", (540.056, 585.249, 614.306, 640.225, 650.653, 692.947, 703.241, 724.517, 743.890)),
        ("ar", (696.543, 706.722, 738.398, 750.387, 763.511, 794.818, 811.531, 826.452, 842.465, 912.297)),
        ("kr", (557.029, 587.092, 758.741, 760.155, 769.454, 785.482, 811.290, 829.811, 877.675)),
        ("xe", (467.123, 823.163, 828.012, 881.941, 895.225, 904.545, 979.970, 992.319)),
        ("he", (388.865, 447.150, 501.568, 587.562, 667.815, 706.519, 728.135)),
        ("cd", (361.051, 467.815, 479.991, 508.582, 643.847)),
        ("zn", (468.014, 472.215, 481.053, 636.234)),
        ("na", (588.995, 589.592)),
        ("h2", (434.047, 486.134, 656.280)),
    ],
)
def test_well_known_lines_are_anchors(lamp, wavelengths):
    lines = lamps.lamp_lines(lamp)
    anchors = lines.wavelength_nm[lines.role == "anchor"]
    nearest = np.abs(anchors[:, None] - np.array(wavelengths)).min(axis=0)
    assert_allclose(nearest, 0.0, atol=0.0016)


@pytest.mark.parametrize(("lamp", "species"), ELEMENT_LAMPS.items())
def test_every_lamp_line_is_a_line_of_the_atom(lamp, species):
    lines = lamps.lamp_lines(lamp, secondary=True)
    assert set(lines.species.tolist()) == {species}
    table = atoms.load().select(species).wavelength_nm
    nearest = np.abs(lines.wavelength_nm[:, None] - table).min(axis=1)
    assert np.all(nearest < 0.012)  # means of components closer than 0.02 nm lie between them
    assert np.all((lines.strength > 0) & (lines.strength <= 1.0))


def test_secondary_lines_only_on_request_and_weaker_in_the_main():
    for lamp in ELEMENT_LAMPS:
        plain, full = lamps.lamp_lines(lamp), lamps.lamp_lines(lamp, secondary=True)
        assert set(plain.role.tolist()) <= {"anchor", "band"}
        assert len(full) > len(plain)
        secondary = full.strength[full.role == "secondary"]
        assert np.median(secondary) < np.median(plain.strength)


def test_high_resolution_neighbours_are_listed():
    # NIST ASD, from memory: real neighbours that a spectrometer of 0.3 nm or better begins to part.
    full = lamps.lamp_lines("hg,ar", secondary=True)
    for species, nm in (("Ar I", 772.4207), ("Hg I", 365.4842), ("Hg I", 366.3283), ("Hg I", 313.1844)):
        found = np.abs(full.wavelength_nm - nm) < 0.001
        assert full.species[found].tolist() == [species]
    row = int(np.argmin(np.abs(full.wavelength_nm - 772.3761)))
    assert "Ar I 772.421" in full.blend[row]


def test_a_line_that_was_seen_is_not_lost_to_a_rate_that_cannot_be_its_own():
    # NIST ASD: Xe I 482.971 nm has a listed intensity of 400, 484.329 nm beside it 300
    full = lamps.lamp_lines("xe", secondary=True)
    strength = {nm: full.strength[np.abs(full.wavelength_nm - nm) < 0.01] for nm in (482.971, 484.329)}
    assert all(one.size == 1 for one in strength.values())
    assert 0.1 < float(strength[482.971][0] / strength[484.329][0]) < 10


def test_phosphor_bands_are_marked_and_mercury_lines_are_not():
    lines = lamps.lamp_lines("cfl")
    assert np.array_equal(lines.approximate, lines.role == "band")
    mercury = lines.species == "Hg I"
    assert not np.any(lines.approximate[mercury])
    assert np.all(lines.error_nm[lines.approximate] >= 0.3)
    # The europium line near 611 nm is the strongest of a tri-phosphor lamp (common practice, no source).
    assert 610 < lines.wavelength_nm[lines.approximate][np.argmax(lines.strength[lines.approximate])] < 613


def test_tube_glass_stops_the_deep_ultraviolet():
    # Common practice, no source: a compact fluorescent lamp shows no 253.65 nm through its glass.
    assert lamps.lamp_lines("cfl", secondary=True).wavelength_nm.min() > 310


def test_several_elements_make_one_sorted_list_without_repeats():
    mixed = lamps.lamp_lines(" Hg, cd,AR ")
    assert np.all(np.diff(mixed.wavelength_nm) > 0)
    assert len(mixed) == sum(len(lamps.lamp_lines(one)) for one in ("hg", "cd", "ar"))
    assert len(lamps.lamp_lines("hg,hg")) == len(lamps.lamp_lines("hg"))


@pytest.mark.parametrize(("asked", "hint"), [("neo", "'ne'"), ("hg,x", "'xe'"), ("", "Known lamps")])
def test_unknown_lamps_are_refused_with_what_helps(asked, hint):
    with pytest.raises(TableError) as caught:
        lamps.lamp_lines(asked)
    assert hint in caught.value.mend


def test_full_names_are_understood():
    assert len(lamps.lamp_lines("Mercury, neon")) == len(lamps.lamp_lines("hg,ne"))


@pytest.mark.parametrize("name", ["d2", "Deuterium", "hg,d2"])
def test_deuterium_is_not_taken_for_hydrogen(name):
    with pytest.raises(TableError, match="deuterium") as told:
        lamps.lamp_lines(name)
    hydrogen, deuterium = (1.0 + 1.0 / ratio for ratio in (1836.15267, 3670.48297))  # CODATA 2018
    shift_nm = 656.28 * (1.0 - deuterium / hydrogen)
    assert f"{shift_nm:.2f} nm" in told.value.mend
    assert "neon" in told.value.mend


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("Neon lamp", ("ne",)), ("mercury-argon", ("hg-ar",)), ("HgAr", ("hg-ar",)), ("hg ar", ("hg-ar",)),
        ("hg,ar", ("hg", "ar")), ("Hg + Cd", ("hg", "cd")), ("energy-saving lamp", ("cfl",)),
        ("fluorescent tube", ("cfl",)), ("helium/neon/argon", ("he", "ne", "ar")),
    ],
)  # fmt: skip
def test_lamps_are_understood_as_people_write_them(written, meant):
    assert lamps.lamp_parts(written) == meant


@pytest.mark.parametrize("written", ["mercury-", "xenon arc", "hg-1", "laser"])
def test_half_a_lamp_is_none(written):
    with pytest.raises(TableError, match="no lamp is called"):
        lamps.lamp_parts(written)
