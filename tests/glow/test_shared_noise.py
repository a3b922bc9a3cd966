"""Noise that neighbours share, against the scatter of fitted lines themselves: plain simulation with numpy alone."""

import numpy as np
import pytest
from glow_instrument import Instrument
from glow_simulator import simulate

from glowledger.glow.identifying import identify
from glowledger.glow.shared_noise import shared_in_time, shared_pixels
from glowledger.spectra.frames import frames_from_arrays

PIXELS = 1500


def _running_mean(values: np.ndarray, width: int) -> np.ndarray:
    return np.apply_along_axis(lambda row: np.convolve(row, np.ones(width) / width, "same"), -1, values)


def _resampled(values: np.ndarray, factor: float) -> np.ndarray:
    places = np.arange(0, values.shape[-1] - 1, 1 / factor)
    return np.array([np.interp(places, np.arange(row.size), row) for row in values])


def _scatter_of_lines(noise: np.ndarray, fwhm_px: float) -> float:
    """Variance of least-squares amounts of single lines over that of independent pixels of the same variance."""
    x = np.arange(-60, 61)
    line = np.exp(-4 * np.log(2) * (x / fwhm_px) ** 2)
    line = line / np.sqrt(np.sum(line**2))
    amounts = np.concatenate([np.convolve(row, line, "valid")[::29] for row in noise])
    return float(np.var(amounts) / np.var(noise))


@pytest.mark.parametrize(
    ("written", "fwhm_px"),
    [
        (lambda v: _running_mean(v, 3), 4.0),
        (lambda v: _running_mean(v, 5), 6.0),
        (lambda v: _running_mean(v, 5), 12.0),
        (lambda v: _resampled(v, 3.0), 9.0),
    ],
    ids=["mean of 3", "mean of 5", "mean of 5, wide lines", "three points for one"],
)  # fmt: skip
def test_the_factor_is_how_much_more_fitted_lines_scatter(written, fwhm_px):
    noise = written(np.random.default_rng(8).standard_normal((160, PIXELS)))
    noisy = np.ones(noise.shape[1], dtype=bool)
    told = np.array([shared_pixels(row / noise.std(), noisy, fwhm_px) for row in noise[:40]])
    expected = _scatter_of_lines(noise, fwhm_px)
    assert expected > 1.5
    assert np.mean(told) == pytest.approx(expected, rel=0.12)


def test_independent_pixels_share_nothing():
    noise = np.random.default_rng(9).standard_normal((100, PIXELS))
    told = np.array([shared_pixels(row, np.ones(PIXELS, dtype=bool), 5.0) for row in noise])
    assert np.mean(told > 1.0) < 0.08  # two standard errors: 2.3 % expected
    assert told.max() < 1.6


def test_a_smooth_remainder_is_no_shared_noise():
    noise = np.random.default_rng(10).standard_normal(PIXELS)
    broad = 0.8 * np.sin(np.arange(PIXELS) / 90.0)
    assert shared_pixels(noise + broad, np.ones(PIXELS, dtype=bool), 5.0) < 1.35


def test_bright_pixels_are_not_asked():
    rng = np.random.default_rng(11)
    noise, noisy = rng.standard_normal(PIXELS), np.ones(PIXELS, dtype=bool)
    lines = sum(40 * np.exp(-0.5 * ((np.arange(PIXELS) - at) / 3.0) ** 2) for at in range(100, PIXELS, 200))
    noisy[lines > 0.05] = False
    assert shared_pixels(noise + lines, noisy, 7.0) == shared_pixels(np.where(noisy, noise, 0.0), noisy, 7.0) < 1.6


def test_too_few_pixels_tell_nothing():
    noise = _running_mean(np.random.default_rng(12).standard_normal((1, PIXELS)), 5)[0]
    few = np.zeros(PIXELS, dtype=bool)
    few[:50] = True
    assert shared_pixels(noise, few, 5.0) == 1.0


def test_a_run_tells_its_sharing_by_the_change_between_frames():
    white = 5.0 * np.random.default_rng(13).standard_normal((60, PIXELS))
    lines = sum(900 * np.exp(-0.5 * ((np.arange(PIXELS) - at) / 3.0) ** 2) for at in range(100, PIXELS, 200))
    flicker = 1 + 0.05 * np.random.default_rng(14).standard_normal((60, 1))
    used = np.ones(PIXELS, dtype=bool)
    assert shared_in_time(lines * flicker + white, used, 6.0) < 1.2
    smoothed = _running_mean(white, 5)
    told = shared_in_time(lines * flicker + smoothed, used, 6.0)
    assert told == pytest.approx(_scatter_of_lines(smoothed, 6.0), rel=0.12)


def test_two_frames_tell_nothing_of_sharing():
    smoothed = _running_mean(np.random.default_rng(15).standard_normal((2, PIXELS)), 5)
    assert shared_in_time(smoothed, np.ones(PIXELS, dtype=bool), 6.0) == 1.0


def test_a_smoothed_spectrum_claims_no_more_than_the_same_one_unsmoothed():
    # a running mean of five pixels, as the software of many spectrometers writes it: bumps of noise look like lines
    counts, nm, _ = simulate({"O I": 3e5}, Instrument(pixels=2048, range_nm=(300.0, 900.0), window="acrylic"), 61)
    smoothed = np.convolve(np.pad(counts, 2, mode="edge"), np.ones(5) / 5, "valid")
    plain, after = (identify(frames_from_arrays(nm, y)) for y in (counts, smoothed))
    assert plain.solution.levels.shared < 1.3
    assert after.solution.levels.shared > 2.5
    claimed = [sum(e.verdict in ("present", "possible") for e in one.fit.species) for one in (plain, after)]
    assert claimed[1] <= claimed[0] + 1
    assert any("smoothed" in text for text in after.fit.warnings)
    assert not any("smoothed" in text for text in plain.fit.warnings)
