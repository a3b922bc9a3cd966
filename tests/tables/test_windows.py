"""Window transmission against published indices, makers' figures and the optics of plates."""

from __future__ import annotations

import re

import numpy as np
import pytest
from numpy.testing import assert_allclose

from glowledger.errors import TableError
from glowledger.tables import windows

MATERIALS = [name for name in windows.window_names() if name != "unknown"]


@pytest.mark.parametrize(
    ("material", "nm", "index", "tolerance"),
    [
        # Malitson, J. Opt. Soc. Am. 55, 1205 (1965), table of computed indices at 20 °C, from memory.
        ("fused silica", 587.5618, 1.45846, 1e-5),
        ("fused silica", 632.8, 1.45702, 1e-5),
        ("fused silica", 404.656, 1.46962, 1e-5),
        ("fused silica", 253.652, 1.50550, 3e-5),
        # Malitson & Dodge 1972 (ordinary ray), from memory.
        ("sapphire", 589.3, 1.7681, 1e-4),
        # Handbook values of n_d, from memory.
        ("borosilicate", 587.56, 1.4714, 5e-4),
        ("acrylic", 587.56, 1.4917, 5e-4),
        ("polycarbonate", 587.56, 1.5855, 1e-3),
        ("soda-lime", 589.3, 1.523, 2e-3),
    ],
)
def test_refractive_indices_are_the_published_ones(material, nm, index, tolerance):
    assert_allclose(windows.refractive_index(material, nm), index, rtol=0, atol=tolerance)


def test_clear_plate_passes_what_fresnel_leaves():
    # Two faces without absorption pass 2n / (n² + 1), all internal reflections added up (Hecht, Optics).
    n = windows.refractive_index("fused silica", 600.0)
    value, error = windows.transmission("fused silica", 3.0, 600.0)
    assert_allclose(value, 2 * n / (n**2 + 1), rtol=1e-3)
    assert 0 < error < 0.02


def test_acrylic_follows_the_makers_figures():
    # Maker's data sheet of general-purpose sheet: 92 % from 395 to 1000 nm, near nothing below 345 nm.
    value, error = windows.transmission("acrylic", 3.0, [300.0, 340.0, 420.0, 600.0, 900.0])
    assert np.all(value[:2] < 0.01)
    assert_allclose(value[2:], 0.92, atol=0.02)
    edge, edge_error = windows.transmission("acrylic", 3.0, np.linspace(360, 390, 7))
    assert np.all(edge_error > 0.05), "some sheets cut 20 nm further to the red"
    assert np.all(np.diff(edge) > 0)
    assert np.all(error >= 0)


@pytest.mark.parametrize(
    ("material", "low", "high"),
    [
        # Wavelength of half transmission at 3 to 5 mm, common practice, no source.
        ("uv-transmitting acrylic", 268.0, 292.0),
        ("borosilicate", 298.0, 327.0),
        ("soda-lime", 318.0, 342.0),
        ("acrylic", 370.0, 395.0),
        ("polycarbonate", 388.0, 405.0),
    ],
)
def test_edges_lie_where_practice_has_them(material, low, high):
    nm = np.arange(200.0, 600.0, 0.5)
    for thickness in (3.0, 5.0):
        value, _ = windows.transmission(material, thickness, nm)
        assert low <= nm[np.argmax(value > 0.5)] <= high


def test_deep_ultraviolet_needs_silica_or_sapphire():
    # Common practice: OH 306-309, NO 248 and C 247.9 nm need fused silica or sapphire.
    for material in MATERIALS:
        value, _ = windows.transmission(material, 4.0, 247.9)
        assert (value > 0.5) == (material in {"fused silica", "sapphire"})


def test_absorption_grows_as_bouguer_says():
    # T with the faces divided out squares when the thickness doubles.
    nm = np.array([365.0, 380.0])
    n = windows.refractive_index("acrylic", nm)
    faces = (1 - ((n - 1) / (n + 1)) ** 2) ** 2
    once, twice = (windows.transmission("acrylic", d, nm)[0] / faces for d in (3.0, 6.0))
    assert_allclose(twice, once**2, rtol=3e-3)


@pytest.mark.parametrize("material", MATERIALS)
def test_values_and_errors_are_sane_everywhere(material):
    value, error = windows.transmission(material, 3.0, np.linspace(150.0, 1500.0, 400).reshape(2, 200))
    assert value.shape == error.shape == (2, 200)
    assert np.all((value >= 0) & (value <= 1))
    assert np.all(np.isfinite(error) & (error >= 0) & (error < 0.5))
    thin, _ = windows.transmission(material, 1.0, 400.0)
    thick, _ = windows.transmission(material, 10.0, 400.0)
    assert thick <= thin
    assert windows.window_material(material).sources[0]
    assert windows.window_note(material).endswith(".")


def test_unknown_window_changes_nothing_and_says_so():
    value, error = windows.transmission("unknown", 3.0, [200.0, 500.0])
    assert value.tolist() == [1.0, 1.0]
    assert error.tolist() == [0.0, 0.0]
    assert "may be blocked" in windows.window_note("unknown")


def test_names_and_thickness_are_checked():
    assert windows.window_material("Quartz").name == "fused silica"
    with pytest.raises(TableError) as caught:
        windows.transmission("glass", 3.0, 500.0)
    assert "soda-lime" in caught.value.mend
    for thickness in (0.0, -1.0, float("nan")):
        with pytest.raises(TableError):
            windows.transmission("acrylic", thickness, 500.0)


def test_what_is_suggested_for_a_wrong_name_is_among_the_known_ones():
    with pytest.raises(TableError) as raised:
        windows.window_material("lime glass")
    suggested, known = str(raised.value.mend).split("Known:")
    names = re.findall(r"'([^']+)'", suggested)
    assert names
    assert set(names) <= {name.strip(" .") for name in known.split(",")}


def test_glass_is_asked_for_by_kind_with_where_each_lets_light_through():
    with pytest.raises(TableError, match="one of several") as caught:
        windows.window_material("Glass")
    assert "borosilicate" in caught.value.mend
    for material, half_nm in (("borosilicate", 305.0), ("soda-lime", 330.0)):
        passed, _ = windows.transmission(material, 3.0, np.array([half_nm - 10.0, half_nm + 10.0]))
        assert passed[0] < 0.5 < passed[1]
        assert f"{half_nm:.0f} nm" in caught.value.mend
