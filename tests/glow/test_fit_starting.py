"""Where a fit begins: the line width found from simulated glows of known line-spread, and the offsets tried."""

import sys
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

sys.path.insert(0, str(Path(__file__).parents[1] / "simulators"))

from glow_instrument import Instrument
from glow_simulator import simulate

from glowledger.glow.identifying import identify_frame
from glowledger.glow.starting import bridged, first_line_spread, guessed_line_spread, peak_widths, shift_steps
from glowledger.spectra.frames import frames_from_arrays


@pytest.mark.parametrize(
    ("pixels", "fwhm", "photons"),
    [(512, 2.5, 3e6), (1024, 1.2, 3e6), (2048, 0.8, 3e6), (2048, 2.5, 3e6), (3648, 2.5, 3e6), (3648, 2.5, 6e5)],
)
def test_the_width_of_argon_lines_is_found_however_finely_they_are_sampled(pixels, fwhm, photons):
    # noise on the top of a line sampled by 14 pixels must not pass for a narrow line
    instrument = Instrument(pixels=pixels, fwhm_nm=(fwhm, fwhm))
    counts, nm, _ = simulate({"Ar I": photons}, instrument, 4)
    found = guessed_line_spread(frames_from_arrays(nm, np.nan_to_num(counts)))
    assert_allclose(found.fwhm_nm[0], fwhm, rtol=0.25)  # a fit takes it from there: its prior is 20 % wide


@pytest.mark.parametrize(("pixels", "fwhm"), [(2048, 2.0), (3648, 1.3)])
def test_ripples_of_photon_noise_on_a_bright_background_do_not_pass_for_narrow_lines(pixels, fwhm):
    # Balmer lines (NIST ASD) on daylight as bright as a tenth of them: the narrowest bumps are those of noise
    axis = np.linspace(340.0, 950.0, pixels)
    light = 4e3 * np.exp(-(((axis - 600.0) / 250.0) ** 2))
    for place, height in ((656.28, 4e4), (486.14, 9e3), (434.05, 3e3)):
        light += height * np.exp(-4 * np.log(2) * ((axis - place) / fwhm) ** 2)
    rng = np.random.default_rng(5)
    frames = frames_from_arrays(axis, rng.poisson(light) + rng.normal(300.0, 12.0, pixels))
    assert_allclose(guessed_line_spread(frames).fwhm_nm[0], fwhm, rtol=0.15)
    fit = identify_frame(frames)
    assert_allclose(fit.fwhm_nm, fwhm, rtol=0.05)
    assert [one.name for one in fit.species if one.verdict in ("present", "possible")] == ["H I"]


def test_saturated_lines_do_not_pass_for_narrow_ones():
    # the pixels at the ceiling are masked; the flanks left on either side are no lines of their own
    instrument = Instrument(fwhm_nm=(1.3, 1.3))
    counts, nm, truth = simulate({"Ar I": 4e7}, instrument, 6)
    assert truth.saturated.sum() > 10
    fit = identify_frame(frames_from_arrays(nm, counts), species=["Ar I", "Ar II", "O I", "H I"])
    assert_allclose(fit.fwhm_nm, 1.3, rtol=0.2)


def test_gaussians_give_their_width_exactly_with_the_pixels_taken_out():
    # pixel-integrated Gaussians by scipy: the parabola in the logarithm is exact for them (textbook)
    from scipy.stats import norm

    axis = np.arange(400.0, 700.0, 0.5)
    edges = np.append(axis - 0.25, axis[-1] + 0.25)
    centres = np.arange(420.0, 690.0, 30.0)[:, None]
    counts = 1e4 * np.diff(norm.cdf(edges, centres, 1.2 / 2.3548), axis=1).sum(axis=0)
    assert_allclose(peak_widths(axis, counts, np.ones_like), 1.2, rtol=0.03)


def test_without_peaks_the_width_is_three_pixels():
    axis = np.linspace(300.0, 900.0, 1201)
    counts = np.random.default_rng(1).normal(100.0, 5.0, axis.size)
    spread = first_line_spread(axis, counts, partial(np.full_like, fill_value=5.0))
    assert_allclose(spread.fwhm_nm, [1.5])


def test_offsets_cover_two_standard_deviations_nearest_first():
    steps = shift_steps(1.2, 1.0)
    assert steps[0] == 0.0
    assert steps.min() <= -2.0
    assert steps.max() >= 2.0
    assert np.all(np.diff(np.abs(steps)) >= -1e-12)
    assert np.diff(np.sort(steps)).max() < 0.5 * 1.2
    assert_allclose(shift_steps(1.2, 0.1), [0.0])


@pytest.mark.parametrize(("photons", "seed", "read_noise"), [(1.3e7, 692758498, 43.0), (1.5e7, 1222657561, 47.0)])
def test_the_few_lines_of_helium_are_not_put_beside_those_of_other_elements(photons, seed, read_noise):
    # 587.6, 667.8, 388.9 nm lie 1.4, 3.0, 1.7 nm from Na 589.0, Li 670.8, Si 390.6 nm (NIST ASD): an axis that is
    # 3 nm off makes sodium, lithium and silicon of helium, if one linear fit decides
    instrument = Instrument(
        pixels=1024, range_nm=(300.0, 1000.0), bend=(-0.65, 1.35), fwhm_nm=(1.64, 1.87), slit_share=0.87, tail=0.01,
        wing=0.036, best_nm=662.0, breadth=0.40, ripple=0.01, ripple_nm=21.7, second_order=0.0, stray=3e-4,
        dark_pattern=14.3, read_noise_e=read_noise, counts_per_e=1.0, averages=10, axis_error_nm=(0.13, 0.06, 0.06),
    )  # fmt: skip
    counts, nm, _ = simulate({"He I": photons}, instrument, seed)
    fit = identify_frame(frames_from_arrays(nm, counts))
    assert abs(fit.shift_nm) < 0.5
    assert [one.name for one in fit.species if one.verdict == "present"] == ["He I"]


def test_a_saturated_line_does_not_pass_for_two_narrow_ones():
    rng = np.random.default_rng(3)
    axis = np.arange(300.0, 900.0, 0.3)
    centres = rng.permutation(np.arange(320.0, 890.0, 30.0))
    heights = np.geomspace(300.0, 2e5, centres.size)
    counts = np.exp(-0.5 * ((axis[:, None] - centres) / 0.6) ** 2) @ heights + rng.normal(0.0, 5.0, axis.size)
    masked = counts > 5e3
    assert masked.sum() > 20
    guess = first_line_spread(axis, bridged(counts, masked), partial(np.full_like, fill_value=5.0))
    assert guess.fwhm_nm[0] == pytest.approx(0.6 * np.sqrt(8 * np.log(2)), rel=0.15)


@pytest.mark.parametrize("places", [(656.28,), (656.28, 486.14)])
@pytest.mark.parametrize("fwhm_nm", [2.5, 4.5])
def test_one_or_two_wide_lines_of_many_pixels_tell_their_width(places, fwhm_nm):
    # three pixels, taken for want of more peaks, are too far from twenty for a fit to find: it put two lines in each
    axis, rng = np.linspace(380.0, 720.0, 1920), np.random.RandomState(4)
    lines = sum(np.exp(-4 * np.log(2) * ((axis - at) / fwhm_nm) ** 2) for at in places)
    counts = 32.0 + 50.0 * lines + 3.0 * rng.standard_normal(axis.size)
    spread = first_line_spread(axis, counts, partial(np.full_like, fill_value=3.0))
    assert 0.6 * fwhm_nm < spread.fwhm(550.0) < 1.3 * fwhm_nm


def test_one_or_two_hot_pixels_tell_no_width():
    axis, rng = np.linspace(380.0, 720.0, 1920), np.random.RandomState(5)
    counts = 32.0 + 3.0 * rng.standard_normal(axis.size)
    counts[[700, 1400]] += 400.0
    spread = first_line_spread(axis, counts, partial(np.full_like, fill_value=3.0))
    assert spread.fwhm(550.0) == pytest.approx(3 * (axis[1] - axis[0]))
