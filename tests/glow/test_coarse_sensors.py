"""Boards with a few hundred pixels and lines some 12 nm wide: coarse, but a glow is no smooth light to them."""

import numpy as np
import pytest
from glow_emission import Nature
from glow_instrument import Instrument
from glow_simulator import simulate

from glowledger.glow.identifying import identify_frame
from glowledger.glow.one_hump import smooth_over_nm
from glowledger.glow.second_start import COARSEST_FWHM_NM
from glowledger.glow.starting import guessed_line_spread
from glowledger.spectra.frames import frames_from_arrays


def board(fwhm_nm):
    return Instrument(
        pixels=288, range_nm=(340.0, 850.0), fwhm_nm=(fwhm_nm, fwhm_nm), second_order=0.0, hot_pixels=0, tail=0.05,
        wing=0.01, dark_pattern=0.0,
    )  # fmt: skip


@pytest.mark.parametrize(("mixture", "fwhm_nm"), [({"Ne I": 6e6}, 11.0), ({"N2": 1e7, "N2+": 2e6}, 10.0)])
@pytest.mark.parametrize("seed", range(3))
def test_gases_are_seen_through_lines_six_coarse_pixels_wide(mixture, fwhm_nm, seed):
    # from one pixel to the next such lines change more than any noise does
    counts, nm, _ = simulate(mixture, board(fwhm_nm), seed, background_share=0.02)
    names = {one.name for one in identify_frame(frames_from_arrays(nm, counts)).species if one.verdict == "present"}
    assert next(iter(mixture)) in names
    assert names <= set(mixture)


def test_lines_of_a_few_coarse_pixels_are_not_smooth_and_a_filament_is():
    nm, rng = np.linspace(340.0, 850.0, 288), np.random.RandomState(4)
    glow = sum(
        part * np.exp(-4.0 * np.log(2.0) * ((nm - at) / 12.0) ** 2)
        for at, part in ((585.2, 0.7), (594.5, 0.3), (609.6, 0.5), (614.3, 0.6), (626.6, 0.4), (633.4, 0.5),
                         (640.2, 1.0), (650.7, 0.7), (667.8, 0.6), (692.9, 0.5), (703.2, 0.7))
    )
    noise = rng.standard_normal(nm.size)
    assert smooth_over_nm(nm, 2000.0 * glow + noise) == 0.0
    planck = nm**-4.0 / np.expm1(1.4388e7 / (nm * 2600.0))  # second radiation constant (CODATA)
    assert smooth_over_nm(nm, 200.0 * planck / planck.max() + noise) > 0


def interpolated(nm, counts):
    """The same written at every nm."""
    at = np.arange(np.ceil(nm[0]), nm[-1])
    return at, np.interp(at, nm, counts)


@pytest.mark.parametrize("seed", range(4))
def test_ripples_of_interpolated_noise_do_not_keep_lines_narrow(seed):
    # noise between interpolated pixels is small, and its ripples over two or three of them pass for narrow lines
    rng = np.random.RandomState(seed)
    counts, nm, _ = simulate(
        {"Ar I": 6.0e5, "Zn I": 7.2e5}, board(13.0), rng, background_share=0.0, nature=Nature(excitation_ev=0.5)
    )
    fit = identify_frame(frames_from_arrays(*interpolated(nm, counts)))
    assert fit.fwhm_nm > 8.0
    assert {one.name for one in fit.species if one.verdict == "present"} <= {"Ar I", "Zn I"}


@pytest.mark.parametrize("seed", range(3))
def test_lines_that_look_wider_among_others_than_they_are_can_still_be_fitted(seed):
    # of neon's crowded lines none stands alone: all look wider than 15 nm
    counts, nm, _ = simulate({"Ne I": 6e6}, board(13.5), seed, background_share=0.02)
    assert guessed_line_spread(frames_from_arrays(nm, counts)).fwhm_nm[0] > COARSEST_FWHM_NM
    fit = identify_frame(frames_from_arrays(nm, counts))
    assert fit.fwhm_nm < COARSEST_FWHM_NM
    assert {one.name for one in fit.species if one.verdict == "present"} <= {"Ne I"}
