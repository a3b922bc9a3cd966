"""Colorimetry against CIE values and against the general-purpose package colour-science."""

import colour
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from glowledger.diagnose.hue import hue_of
from glowledger.diagnose.observer import chromaticity, line_tristimulus, observer_at, tristimulus
from glowledger.diagnose.srgb import (
    D65_XY,
    decode,
    encode,
    from_hex,
    into_gamut,
    linear_rgb,
    oklab,
    oklab_to_xyz,
    to_hex,
)
from glowledger.errors import GlowledgerError

NM = np.arange(360.0, 831.0)


def planck(nm, kelvin, c2=1.4388e7):
    return nm**-5.0 / np.expm1(c2 / (nm * kelvin))


def test_bundled_observer_is_the_published_one():
    # CIE 015:2018 table T.4 through colour-science: every value of the bundled table, rebuilt here.
    theirs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    assert_allclose(observer_at(theirs.wavelengths), theirs.values, rtol=1e-11)
    # printed sums over 360-830 nm at 1 nm (CIE 015:2018, from memory): 106.8655, 106.8569, 106.8923
    assert_allclose(observer_at(NM).sum(axis=0), [106.8655, 106.8569, 106.8923], atol=2e-4)


def test_illuminants_have_the_chromaticities_of_the_cie():
    # E by definition; A: CIE S 014-2, Planck formula with 2848 K and c2 = 1.435e-2 m K; xy CIE 15 table T.3.
    assert_allclose(chromaticity(tristimulus(NM, np.ones_like(NM))), [1 / 3, 1 / 3], atol=1e-4)
    a = 100 * (560 / NM) ** 5 * np.expm1(1.435e7 / (2848 * 560)) / np.expm1(1.435e7 / (2848 * NM))
    assert_allclose(chromaticity(tristimulus(NM, a)), [0.44758, 0.40745], atol=1e-4)


@pytest.mark.parametrize(("name", "x", "y"), [("D65", 0.31272, 0.32903), ("D50", 0.34567, 0.35851)])
def test_daylight_has_the_chromaticity_of_the_cie(name, x, y):
    # CIE 15:2004 table T.3 (from memory); the 5 nm spectrum through colour-science.
    sd = colour.SDS_ILLUMINANTS[name]
    keep = (sd.wavelengths >= 360) & (sd.wavelengths <= 830)
    assert_allclose(chromaticity(tristimulus(sd.wavelengths[keep], sd.values[keep])), [x, y], atol=1e-4)


@pytest.mark.parametrize("kelvin", [1500.0, 2000.0, 2856.0, 4000.0, 6500.0, 10000.0, 20000.0])
def test_planck_locus_agrees_with_colour_science(kelvin):
    sd = colour.SpectralDistribution(planck(NM, kelvin), NM)
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    theirs = colour.XYZ_to_xy(colour.sd_to_XYZ(sd, cmfs=observer, method="Integration"))
    assert_allclose(chromaticity(tristimulus(NM, planck(NM, kelvin))), theirs, atol=2e-5)


@pytest.mark.parametrize(
    ("nm", "x", "y"),
    [
        # CIE 015:2018 table of spectral chromaticity coordinates (whole nm), through colour-science 0.4.7
        (450.0, 0.15664, 0.01770),
        (500.0, 0.00817, 0.53842),
        (520.0, 0.07430, 0.83380),
        (550.0, 0.30160, 0.69231),
        (589.0, 0.56926, 0.43010),
        (600.0, 0.62704, 0.37249),
        (700.0, 0.73469, 0.26531),
        (780.0, 0.73469, 0.26531),
    ],
)
def test_monochromatic_light_lies_on_the_spectrum_locus(nm, x, y):
    assert_allclose(chromaticity(line_tristimulus([nm], [3.0])), [x, y], atol=1e-4)
    # the same line, recorded by a spectrometer with 0.25 nm pixels and 1 nm FWHM
    axis = np.arange(nm - 5, nm + 5, 0.25)
    line = np.exp(-4 * np.log(2) * (axis - nm) ** 2)
    assert_allclose(chromaticity(tristimulus(axis, line)), [x, y], atol=1.5e-3)


def test_narrow_lines_keep_their_area_on_a_coarse_axis():
    # Two lines of known power on 2 nm pixels: XYZ is the sum of the lines' own, so nothing is resampled away.
    axis = np.arange(380.0, 780.0, 2.0)
    values = np.zeros_like(axis)
    values[[83, 138]] = [1.0, 2.0]  # 546 and 656 nm, one pixel each
    expected = line_tristimulus([546.0, 656.0], [2.0, 4.0])
    assert_allclose(tristimulus(axis, values), expected, rtol=1e-12)


def test_photon_units_are_power_times_wavelength():
    power = planck(NM, 3000.0)
    as_power = tristimulus(NM, power)
    as_photons = tristimulus(NM, power * NM, units="photons")
    assert_allclose(chromaticity(as_photons), chromaticity(as_power), rtol=1e-12)


def test_light_per_pixel_needs_no_pixel_width():
    # The same smooth spectrum on a stretched axis, once as density and once collected per pixel.
    axis = 350 + 500 * np.linspace(0, 1, 3000) ** 1.3
    density = planck(axis, 4000.0)
    per_pixel = density * np.gradient(axis)
    assert_allclose(
        chromaticity(tristimulus(axis, per_pixel, per="pixel")),
        chromaticity(tristimulus(axis, density, per="nm")),
        rtol=1e-12,
    )


@pytest.mark.parametrize("shape", [(3,), (5, 3), (2, 4, 3)])
def test_srgb_agrees_with_colour_science(shape):
    xyz = np.random.default_rng(1).uniform(0.05, 0.9, shape)
    theirs = colour.XYZ_to_sRGB(xyz, apply_cctf_encoding=False)
    assert_allclose(linear_rgb(xyz), theirs, atol=3e-4)  # IEC's matrix is rounded to four decimals
    assert_allclose(oklab(xyz), colour.XYZ_to_Oklab(xyz), atol=1e-7)
    assert_allclose(oklab_to_xyz(oklab(xyz)), xyz, atol=1e-9)


def test_transfer_curve_agrees_with_colour_science():
    linear = np.linspace(0, 1, 501)
    assert_allclose(encode(linear), colour.cctf_encoding(linear, function="sRGB"), atol=1e-7)
    assert_allclose(decode(encode(linear)), linear, atol=1e-7)


@given(st.floats(0.05, 0.7), st.floats(0.05, 0.8), st.floats(0.01, 1e4))
def test_every_real_colour_becomes_showable_with_its_hue(x, y, luminance):
    if x + y > 0.95 or hue_of([x, y]).purity > 0.999:
        return  # no real light
    xyz = np.array([x / y, 1.0, (1 - x - y) / y]) * luminance
    linear, outside = into_gamut(xyz)
    assert linear.min() >= 0
    assert linear.max() == pytest.approx(1.0)
    if not outside:
        from_srgb = colour.RGB_to_XYZ(linear, "sRGB", apply_cctf_decoding=False)
        assert_allclose(colour.XYZ_to_xy(from_srgb), [x, y], atol=1e-3)
        return
    before = colour.XYZ_to_Oklab(xyz / luminance)
    after = colour.XYZ_to_Oklab(colour.RGB_to_XYZ(linear, "sRGB", apply_cctf_decoding=False))
    turn = np.angle(complex(*before[1:]) / complex(*after[1:]), deg=True)
    assert abs(turn) < 1.0
    assert np.hypot(*after[1:]) / after[0] <= np.hypot(*before[1:]) / before[0] + 1e-3


def test_far_red_lines_do_not_tint():
    # O 777 and Ar 750-850 carry next to no luminance: white plus a strong 777 nm line stays white.
    white = tristimulus(NM, np.ones_like(NM))
    both = white + line_tristimulus([777.4], [100.0])
    assert_allclose(chromaticity(both), chromaticity(white), atol=1e-3)


@pytest.mark.parametrize("xy", [(0.25, 0.45), (0.5, 0.4), (0.2, 0.2), (0.3, 0.2), (0.4, 0.3), (0.6, 0.33)])
def test_dominant_wavelength_and_purity_agree_with_colour_science(xy):
    hue = hue_of(xy)
    theirs = float(colour.dominant_wavelength(np.array(xy), D65_XY)[0])
    ours = hue.dominant_nm if theirs > 0 else -hue.complementary_nm
    assert ours == pytest.approx(theirs, abs=1.0)  # theirs is rounded to 1 nm
    assert hue.purity == pytest.approx(float(colour.excitation_purity(np.array(xy), D65_XY)), abs=2e-3)


@pytest.mark.parametrize(
    ("nm", "word"),
    [
        (405.0, "violet"),
        (470.0, "blue"),
        (520.0, "green"),
        (578.0, "yellow"),
        (590.0, "orange"),
        (650.0, "red"),
    ],
)
def test_spectral_lights_have_their_everyday_names(nm, word):
    # Hues of spectral lights: Kelly, J. Opt. Soc. Am. 33, 627 (1943), from memory.
    assert hue_of(chromaticity(line_tristimulus([nm], [1.0]))).name == f"pure {word}"


def test_white_is_called_white():
    assert hue_of(D65_XY).name == "white"
    assert hue_of(D65_XY + 0.002).name == "white"


def test_hex_round_trip_and_refusal():
    assert to_hex(from_hex("#d070c8")) == "#d070c8"
    assert to_hex(from_hex("#fff")) == "#ffffff"
    for bad in ("", "#12345", "red", "#gggggg"):
        with pytest.raises(GlowledgerError, match="not a colour"):
            from_hex(bad)


def test_bundled_colour_tables_are_what_their_script_builds():
    import importlib.util
    from pathlib import Path

    folder = Path(__file__).parents[2] / "line_tables"
    spec = importlib.util.spec_from_file_location("build_colour", folder / "build_colour.py")
    build = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(build)
    for name, text in (
        ("cie_1931_2deg.csv", build.observer_text()),
        ("glow_recipes.csv", build.recipes_text()),
    ):
        rows = [[line for line in one.splitlines() if not line.startswith("#")]
                for one in ((folder / name).read_text(encoding="utf-8"), text)]  # fmt: skip
        assert rows[0] == rows[1]
