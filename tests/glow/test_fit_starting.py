"""Where a fit begins: the line width found from simulated glows of known line-spread, and the offsets tried."""

import sys
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

sys.path.insert(0, str(Path(__file__).parents[1] / "simulators"))

from glow_instrument import Instrument
from glow_simulator import simulate

from glowledger.glow.starting import first_line_spread, peak_widths, shift_steps


@pytest.mark.parametrize(
    ("pixels", "fwhm", "photons"),
    [(512, 2.5, 3e6), (1024, 1.2, 3e6), (2048, 0.8, 3e6), (2048, 2.5, 3e6), (3648, 2.5, 3e6), (3648, 2.5, 6e5)],
)
def test_the_width_of_argon_lines_is_found_however_finely_they_are_sampled(pixels, fwhm, photons):
    # noise on the top of a line sampled by 14 pixels must not pass for a narrow line
    instrument = Instrument(pixels=pixels, fwhm_nm=(fwhm, fwhm))
    counts, nm, _ = simulate({"Ar I": photons}, instrument, 4)
    found = first_line_spread(nm, np.nan_to_num(counts), instrument.read_noise_e * instrument.counts_per_e)
    assert_allclose(found.fwhm_nm[0], fwhm, rtol=0.25)  # a fit takes it from there: its prior is 20 % wide


def test_gaussians_give_their_width_exactly_with_the_pixels_taken_out():
    # pixel-integrated Gaussians by scipy: the parabola in the logarithm is exact for them (textbook)
    from scipy.stats import norm

    axis = np.arange(400.0, 700.0, 0.5)
    edges = np.append(axis - 0.25, axis[-1] + 0.25)
    centres = np.arange(420.0, 690.0, 30.0)[:, None]
    counts = 1e4 * np.diff(norm.cdf(edges, centres, 1.2 / 2.3548), axis=1).sum(axis=0)
    assert_allclose(peak_widths(axis, counts, 1.0), 1.2, rtol=0.03)


def test_without_peaks_the_width_is_three_pixels():
    axis = np.linspace(300.0, 900.0, 1201)
    spread = first_line_spread(axis, np.random.default_rng(1).normal(100.0, 5.0, axis.size), 5.0)
    assert_allclose(spread.fwhm_nm, [1.5])


def test_offsets_cover_two_standard_deviations_nearest_first():
    steps = shift_steps(1.2, 1.0)
    assert steps[0] == 0.0
    assert steps.min() <= -2.0
    assert steps.max() >= 2.0
    assert np.all(np.diff(np.abs(steps)) >= -1e-12)
    assert np.diff(np.sort(steps)).max() < 0.5 * 1.2
    assert_allclose(shift_steps(1.2, 0.1), [0.0])
