"""Cosmic rays in one of several frames, on frames made up here."""

import numpy as np
import pytest

from glowledger.spectra.cosmic_rays import cosmic_rays, without_cosmic_rays
from glowledger.spectra.frames import frames_from_arrays


def recorded(n, *, flicker=0.0, lines=(436.0, 520.0, 611.0, 655.0), pixels=900, seed=5):
    """Frames of a few lines with photon and read noise, each as bright as the source is just then."""
    rng = np.random.default_rng(seed)
    nm = np.linspace(350.0, 900.0, pixels)
    light = 300.0 + 9000.0 * sum(np.exp(-0.5 * ((nm - at) / 0.9) ** 2) for at in lines)
    bright = 1.0 + flicker * rng.standard_normal((n, 1))
    counts = rng.poisson(bright * np.tile(light, (n, 1))) + rng.normal(0.0, 8.0, (n, pixels))
    return nm, counts


@pytest.mark.parametrize("n", [3, 8, 40])
def test_a_ray_is_found_and_what_the_others_show_stands_in_its_place(n):
    nm, counts = recorded(n, flicker=0.15)
    clean = counts.copy()
    counts[1, 400:402] += 6000.0, 1500.0
    frames = frames_from_arrays(nm, counts)
    (ray,) = cosmic_rays(frames)
    assert (ray.frame, ray.first, ray.last) == (1, 400, 401)
    assert ray.counts == pytest.approx(7500.0, abs=200.0)
    mended = without_cosmic_rays(frames).counts.copy()
    assert np.abs(mended[1, 400:402] - clean[1, 400:402]).max() < 120.0  # noise of 20 a pixel, and flicker
    mended[1, 400:402] = counts[1, 400:402]
    assert np.array_equal(mended, counts)


def test_nothing_is_found_in_noise_and_flicker():
    for seed in range(20):
        assert not cosmic_rays(frames_from_arrays(*recorded(8, flicker=0.2, seed=seed)))


def test_light_of_two_frames_or_of_a_whole_line_is_no_ray():
    nm, counts = recorded(8)
    twice = counts.copy()
    twice[2:4, 300] += 4000.0
    assert not cosmic_rays(frames_from_arrays(nm, twice))
    line = counts.copy()
    line[5] += 4000.0 * np.exp(-0.5 * ((nm - 589.0) / 1.5) ** 2)
    assert not cosmic_rays(frames_from_arrays(nm, line))


def test_a_frame_of_another_glow_is_left_as_it_is():
    nm, counts = recorded(6)
    other = recorded(1, lines=(470.0, 501.0, 588.0, 668.0, 707.0), seed=6)[1]
    frames = frames_from_arrays(nm, np.concatenate([counts, other]))
    assert not cosmic_rays(frames)
    assert np.array_equal(without_cosmic_rays(frames).counts, frames.counts)
