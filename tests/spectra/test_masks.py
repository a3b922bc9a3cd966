"""Saturation, stuck and hot pixels, spikes; and that narrow lines are left alone."""

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal
from scipy.ndimage import median_filter

from glowledger.spectra.frames import frames_from_arrays
from glowledger.spectra.masks import find_ceiling, hot_pixels, piled_up, spikes, stuck_pixels, with_ceiling
from glowledger.spectra.reading import read_spectra

P = 600
PIXEL = np.arange(P)


def lines(fwhm, seed=0, count=25, frames=1, noise=8.0, top=20000.0):
    """Return counts of shape (frames, P): Gaussian lines integrated over pixels, Poisson and read noise."""
    from scipy.special import erf

    rng = np.random.default_rng(seed)
    sigma = fwhm / 2.3548200450309493
    centres = rng.uniform(20, P - 20, count)
    heights = top * rng.uniform(0.05, 1, count)
    edges = np.arange(P + 1) - 0.5
    cdf = 0.5 * (1 + erf((edges[None] - centres[:, None]) / (np.sqrt(2) * sigma)))
    light = 300 + (np.diff(cdf, axis=1) * (heights * sigma * 2.5066)[:, None]).sum(axis=0)
    return np.round(rng.poisson(light, (frames, P)) + rng.normal(0, noise, (frames, P)))


@pytest.mark.parametrize("full", [1023, 4095, 16383, 65535])
def test_full_scale_of_a_converter_is_a_ceiling(full):
    counts = np.minimum(lines(3.0) * full / 10000, full)
    assert find_ceiling(counts)[0] == full


@pytest.mark.parametrize("clip", [4000.0, 15000.5, 60000.0])
def test_a_pile_up_at_the_maximum_is_a_ceiling(clip):
    counts = np.minimum(lines(5.0, top=4 * clip), clip)
    assert find_ceiling(counts)[0] == clip


@settings(max_examples=30, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    fwhm=st.floats(1.0, 8.0),
    frames=st.sampled_from([1, 5]),
    top=st.floats(300, 50000),
)
def test_an_unclipped_spectrum_has_no_ceiling(seed, fwhm, frames, top):
    counts = lines(fwhm, seed, frames=frames, top=top)
    if counts.max() not in (1023, 4095, 16383, 65535):
        assert find_ceiling(counts)[0] is None


def test_a_dim_or_coarse_spectrum_has_no_ceiling():
    rng = np.random.default_rng(0)
    assert find_ceiling(rng.poisson(0.3, (1, 2000)).astype(float))[0] is None
    plateau = np.round(200 * np.exp(-(((PIXEL - 300) / 150) ** 2)))  # a continuum in 8 bits, flat at its top
    assert find_ceiling(plateau[None])[0] is None
    assert find_ceiling(np.zeros((1, 50)))[0] is None
    assert find_ceiling(np.full((1, 50), np.nan))[0] is None


def test_the_median_filter_that_noise_is_taken_from_returns_medians():
    """Two releases of SciPy (1.15.0, 1.15.1) did not, and lines were taken for spikes; here against sorted windows."""
    values = np.random.default_rng(0).normal(size=500) ** 2
    padded = np.pad(values, 25, mode="symmetric")
    exact = np.median(np.lib.stride_tricks.sliding_window_view(padded, 51), axis=1)
    assert_array_equal(median_filter(values, 51), exact)


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10**6), fwhm=st.floats(1.0, 6.0), frames=st.sampled_from([1, 4]))
@example(seed=391989, fwhm=1.9000501705603943, frames=4)  # faint lines between bright ones
@example(seed=308651, fwhm=2.2484737745270946, frames=4)
def test_lines_are_never_taken_for_spikes(seed, fwhm, frames):
    assert not spikes(lines(fwhm, seed, frames=frames)).any()


@pytest.mark.parametrize("fwhm", [2.0, 3.0, 6.0])
def test_single_pixels_narrower_than_the_lines_are_found(fwhm):
    counts = lines(fwhm, 7, frames=2)
    dark = np.flatnonzero((counts[0] < 400) & (np.roll(counts[0], 1) < 400) & (np.roll(counts[0], -1) < 400))
    chosen = dark[[10, 40, 90]]
    counts[0, chosen] += [3000, 9000, 30000]
    assert_array_equal(np.flatnonzero(spikes(counts)[0]), chosen)
    assert not spikes(counts)[1].any()


@pytest.mark.parametrize("fwhm", [2.5, 5.0, 9.0])
def test_many_single_pixels_among_few_wide_lines_are_found(fwhm):
    counts = lines(fwhm, 11, count=9)
    dark = np.flatnonzero((counts[0] < 400) & (np.roll(counts[0], 1) < 400) & (np.roll(counts[0], -1) < 400))
    chosen = dark[np.linspace(5, dark.size - 5, 8).astype(int)]
    counts[0, chosen] += np.geomspace(900, 15000, 8)
    assert_array_equal(np.flatnonzero(spikes(counts)[0]), chosen)


@pytest.mark.parametrize("fwhm", [3.0, 6.0, 13.0])
@pytest.mark.parametrize("spoilt", [1, 3, 8])
def test_as_many_single_pixels_as_wide_lines_are_found_even_on_a_flank(fwhm, spoilt):
    from scipy.special import erf

    edges, centres = np.arange(P + 1) - 0.5, np.array([[90.3], [255.8], [400.4], [521.0]])
    cdf = 0.5 * (1 + erf((edges - centres) * 2.3548 / fwhm / np.sqrt(2)))
    light = 300 + np.diff(cdf, axis=1).T @ (fwhm * np.array([900.0, 4000.0, 7000.0, 1500.0]))
    counts = np.random.default_rng(spoilt).poisson(light).astype(float)[None]
    flank = 256 + round(0.6 * fwhm) if fwhm > 4 else 220  # of narrower lines a pixel on it is hardly apart
    chosen = np.array([flank, 30, 140, 180, 320, 450, 570, 590])[:spoilt]
    counts[0, chosen] += np.geomspace(9000, 1500, 8)[:spoilt]
    assert_array_equal(np.flatnonzero(spikes(counts)[0]), np.sort(chosen))


@pytest.mark.parametrize("fwhm", [0.3, 0.5, 0.7, 0.9, 1.2, 1.5, 2.0])
def test_few_lines_of_few_pixels_are_never_taken_for_spikes(fwhm):
    for seed in range(200):
        assert not spikes(lines(fwhm, seed, count=1 + seed % 10)).any()


@pytest.mark.parametrize("fwhm", [0.5, 0.7, 0.9, 1.3, 2.0])
def test_lines_of_few_pixels_on_a_bright_continuum_are_hardly_ever_taken_for_spikes(fwhm):
    # ripples of the continuum look like wide lines, beside which the true ones look too narrow
    daylight = 9000 * np.exp(-(((PIXEL - 300) / 90) ** 2))
    taken = 0
    for seed in range(100):
        bright = np.random.default_rng(seed).poisson(daylight)
        taken += bool(spikes(lines(fwhm, seed, count=3 + seed % 38) + bright).any())
    assert taken <= 1  # by chance all other lines may stand between two pixels


def test_a_spectrum_of_few_lines_shows_no_width_and_nothing_is_refused():
    rng = np.random.default_rng(3)
    counts = rng.normal(100, 5, (1, P))
    counts[0, [100, 300, 500]] += 5000  # may be lines of an undersampled instrument
    assert not spikes(counts).any()


def test_stuck_pixels_stand_still_while_others_move():
    counts = lines(3.0, frames=20)
    counts[:, 77] = 812
    assert_array_equal(np.flatnonzero(stuck_pixels(counts)), [77])
    assert not stuck_pixels(counts[:5]).any()
    assert not stuck_pixels(np.tile(counts[:1], (20, 1))).any()  # copies of one frame say nothing


def test_hot_pixels_of_a_dark():
    rng = np.random.default_rng(1)
    pattern = np.where(PIXEL % 2, 4.0, 0.0)  # odd and even pixels read differently, as on some sensors
    dark = 900 + 0.02 * PIXEL + pattern + rng.normal(0, 1, P)
    dark[[50, 51, 400]] += [200, 150, 90]
    assert_array_equal(np.flatnonzero(hot_pixels(dark)), [50, 51, 400])


def test_the_reader_masks_counts_and_says_so(tmp_path):
    counts = np.minimum(lines(3.0, frames=12, top=60000), 50000)
    counts[:, 33] = 411
    file = tmp_path / "run.csv"
    head = "pixel," + ",".join(f"t={k} s" for k in range(12))
    np.savetxt(file, np.column_stack([PIXEL, counts.T]), fmt="%g", delimiter=",", header=head, comments="")
    frames = read_spectra(file)
    expected = counts >= 50000
    expected[:, 33] = True
    assert_array_equal(frames.mask, expected)
    said = " ".join(frames.origins[0].understood)
    assert "Saturation at 50000 counts" in said
    assert f": {np.count_nonzero(counts >= 50000)} masked" in said
    assert "Stuck pixels, the same in every frame; masked: 33." in said
    assert_array_equal(read_spectra(file, ceiling=30000.0).mask, (counts >= 30000) | (PIXEL == 33))


def test_negative_counts_are_kept(tmp_path):
    counts = np.random.default_rng(0).normal(0, 5, P).round(2)
    file = tmp_path / "a.csv"
    file.write_text("pixel,counts\n" + "".join(f"{i},{c}\n" for i, c in enumerate(counts)))
    frames = read_spectra(file)
    assert_array_equal(frames.counts[0], counts)
    assert not frames.mask.any()


def test_a_ceiling_in_arrays_is_found_where_a_line_is_cut_off_and_nowhere_else():
    nm = np.linspace(400, 800, 800)
    lines = 100 + 5000 * np.exp(-0.5 * ((nm - 600.0) / 2.0) ** 2) + 1500 * np.exp(-0.5 * ((nm - 500.0) / 2.0) ** 2)
    noisy = lines + np.random.default_rng(2).normal(0, 5, (6, 800))
    assert piled_up(np.minimum(noisy, 3000.5)) == 3000.5
    cut = with_ceiling(frames_from_arrays(nm, np.minimum(noisy, 3000.5)), 3000.5)
    assert_array_equal(cut.mask, noisy >= 3000.5)
    assert cut.detector.ceiling_counts == 3000.5
    even = np.exp(-0.5 * ((np.arange(800) - 399.5) / 3) ** 2)  # two pixels alike at the top of a symmetric line
    for whole in (noisy, lines, even, np.round(noisy), np.ones((5, 800)), np.zeros((1, 800))):
        assert piled_up(np.tile(whole, (9, 1))) is None
