"""Axis units against the conversions of astropy and specutils."""

import astropy.units as u
import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from specutils.utils.wcs_utils import vac_to_air

from glowledger.errors import ReadError
from glowledger.spectra.reading import read_spectra

NM = np.linspace(380.0, 900.0, 200)
COUNTS = np.random.default_rng(0).integers(100, 999, NM.size)


def file_of(tmp_path, name, values, order=1):
    file = tmp_path / "a.csv"
    rows = [f"{v!r},{c}" for v, c in zip(np.asarray(values).tolist(), COUNTS, strict=True)]
    file.write_text(f"{name},counts\n" + "\n".join(rows[::order]) + "\n")
    return file


# Ciddor 1996 as in specutils; 1e-6 nm is far below the last digit of any line table
def air(vacuum_nm):
    return vac_to_air(vacuum_nm * u.nm, method="Ciddor1996").to_value(u.nm)


@pytest.mark.parametrize(
    ("name", "values", "expected"),
    [
        ("Wavelength (nm)", NM, NM),
        ("wavelength_nm", NM, NM),
        ("Wellenlänge [nm, Vakuum]", NM, air(NM)),
        ("wavelength (nm vac)", NM, air(NM)),
        ("Wavelength (Å)", NM * 10, NM),
        ("lambda/angstrom", NM * 10, NM),
        ("wavelength (angstrom, vacuum)", NM * 10, air(NM)),
        ("Wavelength (µm)", NM / 1000, NM),
        ("Wavenumber (cm-1)", (NM * u.nm).to_value(1 / u.cm, u.spectral()), air(NM)),
        ("Wellenzahl [1/cm]", (NM * u.nm).to_value(1 / u.cm, u.spectral()), air(NM)),
        ("Photon energy (eV)", (NM * u.nm).to_value(u.eV, u.spectral()), air(NM)),
        ("wavelength", NM * 10, NM),
        ("Wavelength", NM, NM),
    ],
)
@pytest.mark.parametrize("order", [1, -1])
def test_named_units(tmp_path, name, values, expected, order):
    frames = read_spectra(file_of(tmp_path, f'"{name}"', values, order))
    assert frames.axis_kind == "nm_air"
    assert_allclose(frames.axis, np.sort(expected), rtol=0, atol=1e-6)
    rising = np.argsort(expected)
    assert_array_equal(frames.counts[0], COUNTS[rising])
    assert any(s.startswith("The axis is") for s in frames.origins[0].understood)


@pytest.mark.parametrize(
    ("unit", "values", "expected"),
    [
        ("nm_vacuum", NM, air(NM)),
        ("angstrom_vacuum", NM * 10, air(NM)),
        ("um", NM / 1000, NM),
        ("cm-1", 1e7 / NM, air(NM)),
        ("nm", NM, NM),
    ],
)
def test_stated_units_win_over_names(tmp_path, unit, values, expected):
    frames = read_spectra(file_of(tmp_path, "x", values), axis_unit=unit)
    assert_allclose(frames.axis, np.sort(expected), rtol=0, atol=1e-6)


def test_a_units_row_names_the_unit(tmp_path):
    file = tmp_path / "a.csv"
    file.write_text(
        "Wavelength;Counts\n[Å];[a.u.]\n"
        + "".join(f"{v};{c}\n" for v, c in zip(NM * 10, COUNTS, strict=True))
    )
    assert_allclose(read_spectra(file).axis, NM, rtol=1e-14)


@pytest.mark.parametrize("first", [0, 1])
def test_whole_numbers_from_0_or_1_are_pixels_even_if_called_wavelength(tmp_path, first):
    frames = read_spectra(file_of(tmp_path, "wavelength", np.arange(first, first + NM.size)))
    assert frames.axis_kind == "pixel"
    assert frames.axis[0] == first


def test_pixel_column_is_taken_when_pixels_are_asked_for(tmp_path):
    file = tmp_path / "a.csv"
    file.write_text(
        "Pixel,Wavelength (nm),Counts\n"
        + "".join(f"{i},{v},{c}\n" for i, (v, c) in enumerate(zip(NM, COUNTS, strict=True)))
    )
    assert_array_equal(read_spectra(file).axis, NM)
    assert_array_equal(read_spectra(file, axis_unit="pixel").axis, np.arange(NM.size))


def test_an_energy_of_zero_is_refused(tmp_path):
    with pytest.raises(ReadError, match="no light"):
        read_spectra(file_of(tmp_path, "Energy (eV)", np.linspace(0, 3, NM.size)))


@pytest.mark.parametrize(
    ("line", "vacuum"),
    [
        ("# wavelength medium: vacuum", True),
        ("# Wavelengths: in vacuum", True),
        ("# note: vacuum chamber", False),
    ],
)
def test_the_preamble_may_state_vacuum_wavelengths(tmp_path, line, vacuum):
    file = file_of(tmp_path, "wavelength_nm", NM)
    file.write_text(line + "\n" + file.read_text())
    assert_allclose(read_spectra(file).axis, air(NM) if vacuum else NM, rtol=0, atol=1e-6)


def _cubic_axis(pixels, low, high, bend):
    """Return the axis of a grating spectrometer, nm: a cubic of the pixel number."""
    x = np.linspace(-1.0, 1.0, pixels)
    return low + (high - low) * ((x + 1) / 2 + bend * (1 - x**2) + 0.3 * bend * x * (1 - x**2))


def _written(tmp_path, axis, decimals, counts, name="a.csv"):
    file = tmp_path / name
    rows = [f"{nm:.{decimals}f},{c}" for nm, c in zip(axis, counts, strict=True)]
    file.write_text("Wavelength (nm),counts\n" + "\n".join(rows) + "\n")
    return file


@pytest.mark.parametrize("bend", [0.0, 0.02, -0.03])
@pytest.mark.parametrize(
    ("pixels", "low", "high", "decimals"),
    [(2048, 250.0, 900.0, 1), (3648, 350.0, 700.0, 1), (2048, 250.0, 900.0, 0), (288, 340.0, 850.0, 0)],
)
def test_axis_with_few_decimals_is_where_the_pixels_are(tmp_path, pixels, low, high, decimals, bend):
    axis = _cubic_axis(pixels, low, high, bend)
    counts = np.random.default_rng(1).integers(100, 999, pixels)
    frames = read_spectra(_written(tmp_path, axis, decimals, counts))
    assert_array_equal(frames.counts[0], counts)
    # a cubic has four unknowns: its error from rounding by up to half a unit, at the ends, where it is largest
    assert_allclose(frames.axis, axis, rtol=0, atol=4 * 4 * 10.0**-decimals / np.sqrt(12 * pixels))
    assert any("smooth curve" in sentence for sentence in frames.origins[0].understood)


def test_axis_is_left_as_written_where_rounding_does_not_explain_its_steps(tmp_path):
    rng = np.random.default_rng(2)
    axis = np.round(np.cumsum(rng.uniform(0.2, 0.5, 900)) + 300.0, 1)
    frames = read_spectra(_written(tmp_path, axis, 1, rng.integers(100, 999, 900)))
    assert_array_equal(frames.axis, axis)


def test_fine_axis_is_left_as_written(tmp_path):
    axis = np.round(_cubic_axis(2048, 250.0, 900.0, 0.02), 3)
    frames = read_spectra(_written(tmp_path, axis, 3, np.random.default_rng(3).integers(100, 999, 2048)))
    assert_array_equal(frames.axis, axis)


def test_pixels_closer_than_a_decimal_are_kept_where_some_counts_are_equal(tmp_path):
    axis = _cubic_axis(3648, 350.0, 600.0, 0.02)
    counts = np.random.default_rng(4).integers(0, 3, axis.size)  # a dark record: neighbours are often equal
    frames = read_spectra(_written(tmp_path, axis, 1, counts))
    assert frames.axis.size == axis.size
    assert not any("left out" in sentence for sentence in frames.origins[0].understood)


def test_axis_that_turns_back_is_refused_with_few_decimals_too(tmp_path):
    axis = _cubic_axis(2048, 250.0, 900.0, 0.02)
    axis[1000:1010] = axis[1010:1000:-1]
    with pytest.raises(ReadError, match="turns back"):
        read_spectra(_written(tmp_path, axis, 1, np.arange(2048)))


def test_two_spectra_below_each_other_are_refused_with_few_decimals_too(tmp_path):
    axis = np.tile(_cubic_axis(1024, 250.0, 900.0, 0.02), 2)
    with pytest.raises(ReadError, match="turns back"):
        read_spectra(_written(tmp_path, axis, 1, np.random.default_rng(5).integers(0, 999, 2048)))


def test_file_still_written_is_left_out_with_few_decimals_too(tmp_path):
    axis, rng = _cubic_axis(2048, 250.0, 900.0, 0.02), np.random.default_rng(6)
    for number, points in enumerate((2048, 2048, 1500)):
        _written(tmp_path, axis[:points], 1, rng.integers(100, 999, points), f"frame_{number:03}.csv")
    frames = read_spectra(tmp_path)
    assert len(frames) == 2
