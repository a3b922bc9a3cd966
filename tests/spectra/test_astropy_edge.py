"""To and from specutils and astropy, and files that they wrote."""

from dataclasses import replace

import astropy.units as u
import numpy as np
import pytest
from astropy.io import fits
from astropy.nddata import InverseVariance, StdDevUncertainty
from astropy.table import QTable
from numpy.testing import assert_allclose, assert_array_equal
from specutils import Spectrum, SpectrumCollection
from specutils.utils.wcs_utils import vac_to_air

from glowledger.errors import ReadError
from glowledger.spectra.astropy_edge import from_quantities, from_specutils, to_specutils
from glowledger.spectra.frames import frames_from_arrays
from glowledger.spectra.noise import variance
from glowledger.spectra.reading import read_spectra

NM = np.linspace(350, 900, 80)
RNG = np.random.default_rng(0)


def frames_of(n, kind="nm_air"):
    axis = NM if kind == "nm_air" else np.arange(80.0)
    frames = frames_from_arrays(
        axis, RNG.normal(500, 20, (n, 80)), axis_kind=kind, time_s=np.arange(n) * 0.5, exposure_s=0.2
    )
    mask = frames.mask.copy()
    mask[0, 7] = True
    return replace(frames, mask=mask)


@pytest.mark.parametrize("kind", ["nm_air", "pixel"])
@pytest.mark.parametrize("n", [1, 4])
def test_there_and_back(n, kind):
    frames = frames_of(n, kind)
    theirs = to_specutils(frames)
    assert isinstance(theirs, SpectrumCollection if n > 1 and kind == "nm_air" else Spectrum)
    assert theirs.flux.unit == u.ct
    assert theirs.spectral_axis.unit == (u.nm if kind == "nm_air" else u.pix)
    found = from_specutils(theirs)
    assert found.axis_kind == kind
    assert_array_equal(found.axis, frames.axis)
    assert_array_equal(found.counts[~found.mask], frames.counts[~frames.mask])
    assert_array_equal(found.mask, frames.mask)
    assert_array_equal(found.time_s, frames.time_s)
    assert_array_equal(found.exposure_s, frames.exposure_s)
    assert_allclose(variance(found), variance(frames), rtol=1e-12)


@pytest.mark.parametrize("unit", [u.nm, u.AA, u.um, u.m, u.eV, u.cm**-1, u.THz])
def test_axes_in_any_unit(unit):
    axis = (NM * u.nm).to(unit, u.spectral())
    spectrum = Spectrum(flux=np.arange(80) * u.ct, spectral_axis=axis)
    found = from_specutils(spectrum)
    in_air = unit.is_equivalent(u.nm)
    expected = NM if in_air else vac_to_air(NM * u.nm, method="Ciddor1996").to_value(u.nm)
    assert_allclose(found.axis, expected, rtol=0, atol=1e-6)
    assert_array_equal(found.counts[0], np.arange(80))


def test_vacuum_wavelengths_where_stated():
    spectrum = Spectrum(flux=np.arange(80) * u.ct, spectral_axis=NM * u.nm)
    expected = vac_to_air(NM * u.nm, method="Ciddor1996").to_value(u.nm)
    assert_allclose(from_specutils(spectrum, medium="vacuum").axis, expected, rtol=0, atol=1e-6)
    assert_array_equal(from_quantities(NM * u.nm, np.ones(80)).axis, NM)


@pytest.mark.parametrize("kind", [StdDevUncertainty, InverseVariance])
def test_uncertainties_become_the_variance(kind):
    sigma = RNG.uniform(1, 5, 80)
    given = sigma if kind is StdDevUncertainty else 1 / sigma**2
    spectrum = Spectrum(flux=np.ones(80) * u.ct, spectral_axis=NM * u.nm, uncertainty=kind(given))
    assert_allclose(variance(from_specutils(spectrum))[0], sigma**2, rtol=1e-12)
    assert_allclose(variance(from_specutils(spectrum)[0])[0], sigma**2, rtol=1e-12)


def test_a_collection_whose_axes_differ_is_refused():
    axes = np.stack([NM, NM + 0.1]) * u.nm
    with pytest.raises(ReadError, match="axes of the collection differ"):
        from_specutils(SpectrumCollection(flux=np.ones((2, 80)) * u.ct, spectral_axis=axes))


def test_a_unit_that_is_none_of_light_is_refused():
    with pytest.raises(ReadError, match="no unit of light"):
        from_quantities(NM * u.kg, np.ones(80))


def test_a_fits_table_of_others(tmp_path):
    table = QTable({"WAVELENGTH": NM * 10 * u.AA, "FLUX": np.arange(80.0) * u.ct})
    table.write(tmp_path / "a.fits")
    frames = read_spectra(tmp_path / "a.fits")
    assert_allclose(frames.axis, NM, rtol=1e-14)
    assert_array_equal(frames.counts[0], np.arange(80))
    assert "read by astropy" in frames.origins[0].understood[0]


def test_an_ecsv_table_of_others(tmp_path):
    QTable({"energy": (NM * u.nm).to(u.eV, u.spectral()), "counts": np.arange(80.0)}).write(
        tmp_path / "a.ecsv"
    )
    frames = read_spectra(tmp_path / "a.ecsv")
    assert_allclose(frames.axis, vac_to_air(NM * u.nm, method="Ciddor1996").to_value(u.nm), atol=1e-6)
    assert_array_equal(frames.counts[0], np.arange(80))


def test_a_fits_image_with_a_wavelength_scale(tmp_path):
    header = fits.Header(
        {"CTYPE1": "WAVE", "CUNIT1": "nm", "CRVAL1": 400.0, "CDELT1": 0.5, "CRPIX1": 1.0, "BUNIT": "ct"}
    )
    fits.PrimaryHDU(np.arange(60.0), header=header).writeto(tmp_path / "a.fits")
    frames = read_spectra(tmp_path / "a.fits")
    assert_allclose(frames.axis, 400 + 0.5 * np.arange(60))


@pytest.mark.parametrize(
    "raw", [b"SIMPLE  =                    T / broken", b"# %ECSV 1.0\n# nonsense\n1 2\n"]
)
def test_broken_standard_files(tmp_path, raw):
    (tmp_path / "a.fits").write_bytes(raw)
    with pytest.raises(ReadError) as caught:
        read_spectra(tmp_path / "a.fits")
    assert caught.value.file == tmp_path / "a.fits"


def test_a_fits_table_without_spectrum(tmp_path):
    QTable({"x": [1, 2], "y": [3, 4]}).write(tmp_path / "a.fits")
    with pytest.raises(ReadError, match="expected an axis"):
        read_spectra(tmp_path / "a.fits")
