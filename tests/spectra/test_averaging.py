"""The mean of frames and its noise."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from glowledger.spectra.averaging import mean_frame
from glowledger.spectra.frames import Detector, frames_from_arrays
from glowledger.spectra.noise import variance_of


def noisy_frames(n=200, p=300, read=5.0, gain=0.5):
    rng = np.random.default_rng(8)
    light = np.linspace(0, 4000, p)
    detector = Detector(read_noise_counts=read, counts_per_electron=gain, offset_counts=0.0)
    counts = light + np.sqrt(variance_of(light, detector)) * rng.standard_normal((n, p))
    return frames_from_arrays(np.arange(p, dtype=float), counts, axis_kind="pixel", detector=detector), light


def test_the_mean_scatters_as_its_averages_say():
    frames, light = noisy_frames()
    mean = mean_frame(frames)
    expected = variance_of(light, mean.detector, mean.averages[0])
    pull = (mean.counts[0] - light) / np.sqrt(expected)
    # the mean square of p unit normals has standard deviation sqrt(2/p): 0.082 for 300; 4 of them
    assert_allclose(np.mean(pull**2), 1.0, atol=4 * np.sqrt(2 / pull.size))


def test_masked_arrays_of_numpy_give_the_same_mean():
    frames, _ = noisy_frames(n=30)
    mask = np.zeros(frames.counts.shape, dtype=bool)
    mask[3, 10] = mask[7, 11] = mask[8, 11] = True
    mean = mean_frame(replace(frames, mask=mask))
    assert_allclose(mean.counts[0], np.ma.array(frames.counts, mask=mask).mean(axis=0), rtol=1e-13)
    assert not mean.mask.any()


def test_a_pixel_often_saturated_is_not_used():
    frames, _ = noisy_frames(n=20)
    mask = np.zeros(frames.counts.shape, dtype=bool)
    mask[:3, 5] = True
    assert_array_equal(np.flatnonzero(mean_frame(replace(frames, mask=mask)).mask), [5])


def test_the_noise_of_a_common_dark_does_not_average_away_but_stated_noise_does():
    frames, _ = noisy_frames(n=25)
    p = frames.axis.size
    frames = replace(frames, added_variance=np.full(p, 3.0), known_variance=np.full((25, p), 50.0))
    mean = mean_frame(frames)
    assert_allclose(mean.added_variance, 3.0)
    assert_allclose(mean.known_variance, 2.0)


def test_one_frame_stays_as_it_is_and_none_is_refused():
    frames, _ = noisy_frames(n=1)
    assert_array_equal(mean_frame(frames).counts, frames.counts)
    with pytest.raises(ValueError, match="no frame"):
        mean_frame(frames[np.zeros(1, dtype=bool)])
