"""The noise model, estimated from spectra of known noise."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from glowledger.errors import ReadError
from glowledger.spectra.darks import subtract_dark
from glowledger.spectra.frames import Detector, frames_from_arrays
from glowledger.spectra.noise import coarse_warning, estimate_noise, rounding_variance, variance, variance_of

P = 2048


def light(seed, fwhm_px=5.0, background=300.0):
    rng = np.random.default_rng(seed)
    found = np.full(P, background)
    for centre in rng.uniform(0, P, 60):
        height = 10 ** rng.uniform(2, 4.5)
        found += height * np.exp(-4 * np.log(2) * ((np.arange(P) - centre) / fwhm_px) ** 2)
    return found


def record(seed, n, gain, read, offset, flicker=0.0, fwhm_px=5.0, averages=1):
    rng = np.random.default_rng(seed)
    mean = light(seed, fwhm_px) * (1 + flicker * rng.standard_normal((n, 1)))
    scans = gain * rng.poisson(mean / gain, (averages, n, P)) + rng.normal(0, read, (averages, n, P))
    counts = offset + np.round(scans).mean(axis=0)
    frames = frames_from_arrays(np.linspace(300, 900, P), counts, exposure_s=0.1)
    truth = (read**2 + 1 / 12 + gain * mean) / averages
    return replace(frames, averages=np.full(n, float(averages))), truth


@pytest.mark.parametrize("n", [8, 60])
@pytest.mark.parametrize(
    ("gain", "read", "offset"), [(1.0, 10.0, 0.0), (0.5, 3.0, 1000.0), (4.0, 20.0, 200.0)]
)
@pytest.mark.parametrize("flicker", [0.0, 0.03])
def test_repeated_frames_tell_gain_and_read_noise(n, gain, read, offset, flicker):
    frames, truth = record(11, n, gain, read, offset, flicker)
    found = estimate_noise(frames)
    assert not found.gain_assumed
    assert abs(found.detector.counts_per_electron - gain) < 3.5 * found.counts_per_electron_se
    assert found.counts_per_electron_se < 0.25 * gain
    ratio = variance(frames) / truth
    dark = truth < np.quantile(truth, 0.5)
    # the read noise of the model is that of the darkest pixels; its standard error is given
    expected = 2.5 * 2 * found.read_noise_se / found.detector.read_noise_counts
    assert abs(np.mean(ratio[dark]) - 1) < max(expected, 0.04)


def test_standard_errors_cover_the_truth():
    pulls = []
    for seed in range(40):
        frames, _ = record(seed, 12, 1.0, 8.0, 100.0, flicker=0.02)
        found = estimate_noise(frames)
        pulls.append((found.detector.counts_per_electron - 1.0) / found.counts_per_electron_se)
    assert 0.4 < np.std(pulls) < 1.6
    assert abs(np.mean(pulls)) < 0.8


def test_one_spectrum_of_resolved_lines_tells_its_noise_within_a_third():
    for seed in range(5):
        frames, truth = record(seed, 1, 1.0, 10.0, 500.0)
        ratio = variance(frames)[0] / truth[0]
        assert 0.67 < np.median(ratio) < 1.5
        assert 0.4 < np.median(ratio[truth[0] > 5000]) < 2.5


def test_one_spectrum_of_unresolved_lines_says_that_the_gain_is_assumed():
    frames, _ = record(3, 1, 1.0, 10.0, 500.0, fwhm_px=1.5)
    found = estimate_noise(frames)
    assert found.gain_assumed
    assert np.isnan(found.counts_per_electron_se)
    assert any("is assumed" in s for s in found.sentences)


def test_averages_lower_the_variance_not_the_detector():
    frames, truth = record(5, 30, 1.0, 12.0, 0.0, averages=10)
    found = estimate_noise(frames)
    assert abs(found.detector.counts_per_electron - 1.0) < 4 * found.counts_per_electron_se
    assert_allclose(np.median(variance(frames) / truth), 1.0, atol=0.1)


def test_flashes_do_not_raise_the_noise():
    frames, _ = record(6, 60, 1.0, 8.0, 0.0)
    counts = frames.counts.copy()
    counts[[7, 30, 31, 50], 500:700] += 2000.0
    flashed = replace(frames, counts=counts)
    assert_allclose(np.median(variance(flashed) / variance(frames)), 1.0, atol=0.03)


def test_smoothed_spectra_are_noticed():
    frames, _ = record(8, 20, 1.0, 10.0, 0.0)
    assert abs(estimate_noise(frames).neighbour_correlation) < 0.1
    kernel = np.ones(3) / 3
    counts = np.stack([np.convolve(row, kernel, mode="same") for row in frames.counts])
    found = estimate_noise(replace(frames, counts=counts))
    assert_allclose(found.neighbour_correlation, 2 / 3, atol=0.1)  # of a running mean of three
    assert any("smoothed" in s for s in found.sentences)


def test_the_noise_of_smoothed_spectra_is_that_of_their_pixels():
    frames, _ = record(8, 20, 1.0, 10.0, 0.0)
    kernel = np.ones(5) / 5
    counts = np.stack([np.convolve(row, kernel, mode="same") for row in frames.counts])
    smoothed = replace(frames, counts=counts)
    inner = slice(10, -10)
    change = np.diff(counts, axis=0)[:, inner]  # of frames alike but for noise: twice their variance
    expected = np.median(change**2, axis=0) / 0.4549 / 2
    assert_allclose(np.median(variance(smoothed)[0, inner] / expected), 1.0, atol=0.12)


def test_what_is_known_is_kept():
    frames, _ = record(1, 20, 1.0, 10.0, 100.0)
    known = Detector(
        read_noise_counts=7.0, counts_per_electron=0.5, offset_counts=90.0, ceiling_counts=65535.0
    )
    assert estimate_noise(replace(frames, detector=known)).detector == known


def test_variance_of_is_the_photon_transfer_line():
    detector = Detector(read_noise_counts=6.0, counts_per_electron=0.5, offset_counts=100.0)
    # read² + g (counts - offset), over the scans averaged; below the offset only the read noise is left
    assert_allclose(variance_of([50.0, 100.0, 1100.0], detector, [1.0, 1.0, 4.0]), [36.0, 36.0, 134.0])
    with pytest.raises(ValueError, match="estimate_noise"):
        variance_of(1.0, Detector())


def test_masked_values_and_tiny_or_constant_input_do_no_harm():
    frames, _ = record(2, 20, 1.0, 10.0, 0.0)
    mask = np.random.default_rng(0).random(frames.mask.shape) < 0.2
    broken = replace(frames, counts=np.where(mask, 1e9, frames.counts), mask=mask)
    assert_allclose(np.median(variance(broken)[~mask] / variance(frames)[~mask]), 1.0, atol=0.15)
    for n, p in ((1, 1), (1, 2), (3, 5), (20, 3)):
        found = variance(frames_from_arrays(np.arange(p) + 400.0, np.full((n, p), 7.0)))
        assert np.all(np.isfinite(found))
        assert np.all(found > 0)
    every = replace(frames, mask=np.ones_like(frames.mask))
    assert np.all(np.isfinite(variance(every)))


def test_a_dark_is_subtracted_with_its_variance():
    rng = np.random.default_rng(4)
    pattern = 1000 + 30 * rng.random(P)
    axis = np.linspace(300, 900, P)
    dark = frames_from_arrays(axis, np.round(pattern + rng.normal(0, 8, (16, P))), exposure_s=0.1)
    counts = np.round(pattern + rng.poisson(200, (40, P)) + rng.normal(0, 8, (40, P)))
    frames = frames_from_arrays(axis, counts, exposure_s=0.1)
    found = subtract_dark(frames, dark)
    assert_allclose(found.counts.mean(), 200, atol=0.5)
    assert_allclose(np.mean(found.added_variance), 64 / 16, rtol=0.15)
    # what the mean over frames really scatters by: its own noise and that of the dark
    scatter = np.var(found.counts.mean(axis=0) - 200)
    assert_allclose(
        np.mean(variance_of(found.counts, estimate_noise(found).detector)) / 40
        + np.mean(found.added_variance),
        scatter,
        rtol=0.15,
    )


def test_a_dark_of_another_exposure_is_scaled_above_its_pedestal():
    axis = np.arange(100.0)
    current = np.where(axis == 40, 50.0, np.where(axis % 10 == 5, 5.0, 0.0))  # counts per second
    dark = frames_from_arrays(axis, 900 + 2.0 * current, axis_kind="pixel", exposure_s=2.0)
    frames = frames_from_arrays(axis, 900 + 0.5 * current + 70.0, axis_kind="pixel", exposure_s=0.5)
    found = subtract_dark(frames, dark)
    assert_allclose(found.counts, 70.0)
    assert found.mask[0, 40]  # a hot pixel
    several = frames_from_arrays(axis, 900 + np.outer([1.0, 2.0, 4.0], current), axis_kind="pixel")
    several = replace(several, exposure_s=np.array([1.0, 2.0, 4.0]))
    assert_allclose(subtract_dark(frames, several).counts, 70.0)


def test_a_dark_on_another_axis_is_refused():
    frames = frames_from_arrays(np.arange(50.0), np.ones(50), axis_kind="pixel")
    for other in (np.arange(49.0), np.arange(50.0) + 0.5):
        with pytest.raises(ReadError, match="the dark has"):
            subtract_dark(frames, frames_from_arrays(other, np.ones(other.size), axis_kind="pixel"))
    assert_array_equal(subtract_dark(frames, frames).counts, 0)


def stepped(step, *, frames=20, noise=5.0):
    """Frames of a few lines that fade slowly, written in steps."""
    rng = np.random.default_rng(8)
    nm = np.linspace(300, 800, 600)
    lines = 100 + 4000 * sum(np.exp(-0.5 * ((nm - at) / 8.0) ** 2) for at in (380.0, 520.0, 700.0))
    light = lines * (1 - 0.002 * np.arange(frames)[:, None])
    return frames_from_arrays(nm, step * np.round((light + noise * rng.standard_normal(light.shape)) / step))


def test_steps_wider_than_the_noise_are_told_and_finer_ones_are_not():
    assert "steps" in coarse_warning(stepped(16.0, noise=3.0))
    assert coarse_warning(stepped(1.0)) == ""
    assert coarse_warning(stepped(4.0)) == ""


def test_frames_written_twice_are_no_coarse_steps():
    once = stepped(1.0)
    assert coarse_warning(frames_from_arrays(once.axis, np.repeat(once.counts, 2, axis=0))) == ""


def test_darkness_cut_off_at_zero_is_no_coarse_step():
    dark = stepped(1.0)
    assert coarse_warning(frames_from_arrays(dark.axis, np.clip(dark.counts - 130.0, 0.0, None))) == ""


def test_steps_are_found_behind_a_dark_that_was_subtracted():
    coarse = stepped(16.0, noise=3.0)
    dark = np.round(np.random.default_rng(1).normal(900.0, 8.0, coarse.axis.size), 1)
    subtracted = frames_from_arrays(coarse.axis, coarse.counts - dark)
    assert rounding_variance(subtracted.counts) == pytest.approx(rounding_variance(coarse.counts), rel=1e-6)
    assert "steps" in coarse_warning(subtracted)


@pytest.mark.parametrize("unit", [1e-12, 3e-9, 1.0 / 65535.0, 0.37])
def test_rounding_is_found_in_any_unit(unit):
    """Watts per square metre and nm are tiny numbers; the steps of the converter in them are as wide as before."""
    rng = np.random.default_rng(11)
    counts = np.round(500.0 + 300.0 * np.sin(np.arange(400) / 30.0) + rng.normal(0.0, 4.0, 400))
    written = np.array([float(f"{value:.8g}") for value in counts * unit])[None, :]
    assert rounding_variance(written) == pytest.approx(unit**2 / 12.0, rel=1e-3)
