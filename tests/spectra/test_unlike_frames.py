"""Whether several frames are of one glow; invented counts, numpy only."""

import numpy as np
import pytest

from glowledger.spectra.frames import frames_from_arrays
from glowledger.spectra.unlike_frames import unlike_frames

AXIS = np.linspace(300.0, 900.0, 1024)


def lines(*at_nm):
    return sum(np.exp(-(((AXIS - nm) / 1.0) ** 2)) for nm in at_nm)


ARGON, NITROGEN = lines(696.5, 750.4, 763.5, 811.5), lines(337.1, 357.7, 380.5, 391.4)


def frames(*spectra, noise=3.0, seed=1):
    rng = np.random.default_rng(seed)
    counts = [50.0 + one + noise * rng.standard_normal(AXIS.size) for one in spectra]
    return frames_from_arrays(AXIS, np.array(counts))


def test_two_glows_in_one_file_are_told():
    assert unlike_frames(frames(1000 * ARGON, 800 * NITROGEN)).size == 1
    assert unlike_frames(frames(*[1000 * ARGON] * 9, *[800 * NITROGEN] * 3)).tolist() == [9, 10, 11]


@pytest.mark.parametrize("seed", range(6))
def test_frames_of_one_glow_are_not_whatever_their_power_and_noise(seed):
    power = np.random.default_rng(seed).uniform(0.05, 1.0, 12)
    for noise in (0.5, 20.0, 300.0):
        assert unlike_frames(frames(*(1000 * p * ARGON for p in power), noise=noise, seed=seed)).size == 0


def test_a_contaminant_that_fades_and_rare_flashes_are_one_run():
    fading = [1000 * ARGON + 300 * np.exp(-k / 10) * NITROGEN for k in range(40)]
    assert unlike_frames(frames(*fading)).size == 0
    fading[7] = fading[30] = 3000 * lines(589.3)
    assert unlike_frames(frames(*fading)).size == 0


def test_one_frame_and_dark_frames_say_nothing():
    assert unlike_frames(frames(1000 * ARGON)).size == 0
    assert unlike_frames(frames(*[0.0 * ARGON] * 5)).size == 0
