"""What a spectrometer would record: counts, noise, limits against closed forms and against many exposures."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import norm

from glowledger.bench.model import Bench, LineSpread, Window
from glowledger.errors import FitError
from glowledger.glow.recording import Exposure, record_glow
from glowledger.tables.species import find_species

AXIS = np.linspace(250.0, 900.0, 1024)
SPREAD = LineSpread(at_nm=np.array([500.0]), fwhm_nm=np.array([1.5]), fwhm_se_nm=np.array([0.05]))
BENCH = Bench(pixels=1024)


def mixture(**shares):
    return tuple((find_species((name.replace("_", " "),))[0], share) for name, share in shares.items())


def outlooks(recording):
    return {one.name: one for one in recording.outlooks}


def test_the_brightest_pixel_has_the_counts_asked_for_and_exposure_multiplies_them():
    one = record_glow(mixture(Ar_I=1), AXIS, SPREAD, BENCH, Exposure(peak_counts=10_000))
    half = record_glow(mixture(Ar_I=1), AXIS, SPREAD, BENCH, Exposure(peak_counts=10_000, factor=0.5))
    assert_allclose(one.expected.max(), 10_000)
    assert_allclose(half.expected, 0.5 * one.expected)


def test_noise_is_photon_and_read_noise():
    # photon transfer: variance = read² + gain · counts, over the scans averaged (common practice)
    exposure = Exposure(peak_counts=20_000, counts_per_electron=2.0, read_noise_counts=30.0, averages=4)
    drawn = np.array([
        record_glow(mixture(Ar_I=1, N2=0.3), AXIS, SPREAD, BENCH, exposure, seed=seed).counts for seed in range(150)
    ])  # fmt: skip
    expected = record_glow(mixture(Ar_I=1, N2=0.3), AXIS, SPREAD, BENCH, exposure).expected
    variance = (30.0**2 + 2.0 * expected) / 4
    assert_allclose(np.mean((drawn - expected) ** 2 / variance), 1.0, atol=0.02)
    bright = expected > 5000
    assert_allclose(np.mean((drawn - expected)[:, bright] ** 2 / variance[bright]), 1.0, atol=0.1)


def test_one_lone_line_is_told_by_the_closed_form():
    # matched filter of a line known but for its height, over noise of equal variance: height² Σ shape² / variance;
    # a Gaussian of standard deviation s on pixels d: Σ shape² = d / (2 √π s) (textbook integral)
    axis = np.linspace(560.0, 620.0, 600)
    exposure = Exposure(peak_counts=100.0, counts_per_electron=1e-4, read_noise_counts=50.0, continuum=0.0)
    spread = LineSpread(at_nm=np.array([590.0]), fwhm_nm=np.array([1.5]), fwhm_se_nm=np.array([0.05]))
    one = outlooks(record_glow(mixture(He_I=1), axis, spread, BENCH, exposure))["He I"]  # 587.56 nm alone
    s, d = 1.5 / (2 * np.sqrt(2 * np.log(2))), axis[1] - axis[0]
    ideal = one.counts * np.sqrt(d / (2 * np.sqrt(np.pi) * s)) / 50.0
    assert 0.85 * ideal < one.sigma < 1.02 * ideal, "the background, free too, takes a little"
    assert_allclose(one.standard_error, one.counts / one.sigma)


def test_the_smallest_share_is_found_in_95_of_100_cases():
    # Currie 1968: a share at the limit exceeds 1.645 standard errors of nothing in 95 % of exposures
    exposure = Exposure(peak_counts=20_000)
    probe = outlooks(record_glow(mixture(Ar_I=1, OH=1e-3), AXIS, SPREAD, BENCH, exposure))["OH"]
    at_limit = record_glow(mixture(Ar_I=1, OH=probe.smallest_share), AXIS, SPREAD, BENCH, exposure)
    sigma = outlooks(at_limit)["OH"].sigma
    assert_allclose(sigma, 2 * norm.isf(0.05), rtol=0.05)


def test_a_window_hides_what_it_stops():
    # acrylic passes near nothing below 345 nm (makers' data); OH lies at 306-309 nm
    acrylic = Bench(pixels=1024, window=Window(material="acrylic", thickness_mm=3.0))
    silica = Bench(pixels=1024, window=Window(material="fused silica", thickness_mm=3.0))
    light = mixture(Ar_I=1, OH=0.05, CO=0.05)
    hidden = outlooks(record_glow(light, AXIS, SPREAD, acrylic, Exposure()))
    shown = outlooks(record_glow(light, AXIS, SPREAD, silica, Exposure()))
    assert hidden["OH"].visible == "hidden by the window"
    assert all(feature.blocked for feature in hidden["OH"].features)
    assert shown["OH"].visible == "visible"
    assert hidden["CO"].visible == "visible"
    heads = [feature.wavelength_nm for feature in hidden["CO"].features]
    assert min(abs(nm - 519.8) for nm in heads) < 1.5, "CO Å (0,2), Pearse & Gaydon, from memory"


def test_out_of_range_and_too_faint_are_said():
    red = np.linspace(500.0, 900.0, 1024)
    light = mixture(Ar_I=1, OH=0.1, Na_I=1e-7)
    found = outlooks(record_glow(light, red, SPREAD, BENCH, Exposure()))
    assert found["OH"].visible == "outside the range"
    assert found["Na I"].visible == "too faint"
    assert found["Na I"].sigma < 3


def test_longer_exposure_and_averaging_help_as_noise_allows():
    light = mixture(Ar_I=1, CO=1e-3)
    plain = outlooks(record_glow(light, AXIS, SPREAD, BENCH, Exposure()))["CO"].sigma
    hundred = outlooks(record_glow(light, AXIS, SPREAD, BENCH, Exposure(averages=100)))["CO"].sigma
    assert_allclose(hundred, 10 * plain, rtol=1e-6)
    half = outlooks(record_glow(light, AXIS, SPREAD, BENCH, Exposure(factor=0.5)))["CO"].sigma
    assert plain / 2 < half < plain


def test_saturation_is_cut_and_counted():
    recording = record_glow(mixture(Ar_I=1), AXIS, SPREAD, BENCH, Exposure(factor=10.0))
    assert recording.saturated.any()
    assert recording.counts.max() == 65_535.0
    assert record_glow(mixture(Ar_I=1), AXIS, SPREAD, BENCH, Exposure()).saturated.sum() == 0


def test_the_seed_decides_the_noise_and_nothing_else():
    one, again, other = (record_glow(mixture(N2=1), AXIS, SPREAD, BENCH, Exposure(), seed=s) for s in (1, 1, 2))
    assert np.array_equal(one.counts, again.counts)
    assert not np.array_equal(one.counts, other.counts)
    assert np.array_equal(one.expected, other.expected)


def test_a_mixture_that_cannot_be_seen_at_all_is_refused():
    with pytest.raises(FitError, match="no light") as caught:
        record_glow(mixture(OH=1), np.linspace(700.0, 900.0, 512), SPREAD, BENCH, Exposure())
    assert caught.value.mend
