"""Light beside the lines: its shape against closed forms, and that no trace species is made of it."""

from dataclasses import replace

import numpy as np
import pytest
from glow_instrument import Instrument
from glow_simulator import simulate
from numpy.testing import assert_allclose
from scipy.stats import cauchy, norm

from glowledger.bench.model import LineSpread
from glowledger.glow.identifying import identify, identify_frame
from glowledger.glow.line_shape import BESIDE_WIDTHS, LineShape
from glowledger.glow.templates import emission_grid, pixel_edges
from glowledger.spectra.frames import frames_from_arrays

FWHM = 1.2
SPREAD = LineSpread(at_nm=np.array([500.0]), fwhm_nm=np.array([FWHM]), fwhm_se_nm=np.array([0.01]))
SIGMA = FWHM / (2 * np.sqrt(2 * np.log(2)))
# a coma tail of 15 % on the red side and wings of 3 %, in a shape that is no pseudo-Voigt
COMA = Instrument(pixels=1024, range_nm=(280.0, 900.0), fwhm_nm=(1.2, 1.4), tail=0.15)


@pytest.mark.parametrize("which", range(len(BESIDE_WIDTHS)))
def test_light_beside_a_line_is_a_gaussian_at_its_distance_and_taken_from_the_line(which):
    axis = np.arange(480.0, 520.0, 0.25)
    beside = tuple(0.04 * (k == which) for k in range(len(BESIDE_WIDTHS)))
    grid = emission_grid([np.array([500.0])], [np.ones(1)], SPREAD, axis[0], axis[-1])
    light = grid.spread(LineShape(beside=beside)).on_pixels(pixel_edges(axis))[:, 0]
    exact = 0.96 * norm.cdf(pixel_edges(axis), 500.0, SIGMA)
    exact += 0.04 * norm.cdf(pixel_edges(axis), 500.0 + FWHM * BESIDE_WIDTHS[which], SIGMA)
    assert_allclose(light, np.diff(exact), atol=0.003 * light.max())


def test_light_around_a_line_is_a_wide_lorentzian_that_ends_in_nothing():
    axis = np.arange(440.0, 560.0, 0.25)
    grid = emission_grid([np.array([500.0])], [np.ones(1)], SPREAD, axis[0], axis[-1])
    light = grid.spread(LineShape(skirt=0.2)).on_pixels(pixel_edges(axis))[:, 0]
    edges = pixel_edges(axis)
    exact = np.diff(0.8 * norm.cdf(edges, 500.0, SIGMA) + 0.2 * cauchy.cdf(edges, 500.0, 2 * FWHM))
    near = np.abs(axis - 500.0) < 12.0
    # what a Lorentzian of four widths has beyond some twenty widths, 2/pi atan(1/11), is put into the rest of it
    assert_allclose(light[near], exact[near], rtol=0.08)
    steps = np.diff(light[axis > 503.0])
    assert steps.max() < 1e-6 * light.max()
    assert steps.min() > -0.01 * light.max()
    assert light[-1] < 1e-6 * light.max()  # 50 widths away


@pytest.mark.parametrize("seed", [0, 1, 2, 3])
def test_scattered_light_around_bright_lines_is_no_nitrogen(seed):
    """Argon at 0.5 nm: wings that a tenth of all light makes stand where the first positive system has its bands."""
    fine = Instrument(pixels=2048, range_nm=(550.0, 900.0), fwhm_nm=(0.5, 0.6), wing=0.12)
    counts, nm, _ = simulate({"Ar I": 3e8, "H I": 3e7}, fine, seed, background_share=0.0)
    fit = identify_frame(frames_from_arrays(nm, counts))
    assert {one.name for one in fit.species if one.verdict in ("present", "possible")} == {"Ar I", "H I"}
    assert next(one for one in fit.species if one.name == "N2").significance < 5


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_foot_of_lines_with_a_coma_tail_is_fitted(seed):
    """Of argon lines brighter than a tenth of the brightest, two widths away on the side of the tail."""
    counts, nm, truth = simulate({"Ar I": 1e7}, COMA, seed, background_share=0.0)
    found = identify(frames_from_arrays(nm, counts))
    scene, solution = found.scene, found.solution
    fitted, true = solution.lines, truth.expected["Ar I"]
    around = [fitted[k - 9 : k + 10] for k in range(9, fitted.size - 9)]
    tops = [k for k, near in enumerate(around, 9) if near.max() == fitted[k] > 0.1 * fitted.max() and scene.used[k]]
    apart = [k for k in tops if true[k + 4 : k + 9].max() < 0.05 * true[k]]
    off = [np.sum((true - fitted)[k + 3 : k + 7]) / np.sum(fitted[k - 2 : k + 3]) for k in apart]
    assert len(apart) >= 3
    assert abs(np.median(off)) < 0.005


def test_a_trace_in_the_foot_of_a_bright_line_keeps_its_counts():
    """O I 844.6 nm stands two widths from Ar I 842.5 nm, which is a hundred times as bright."""
    errors = []
    for seed in range(8):
        counts, nm, truth = simulate({"Ar I": 1e7, "O I": 5e4}, replace(COMA, tail=0.12), seed)
        fit = identify_frame(frames_from_arrays(nm, counts))
        oxygen = next(one for one in fit.species if one.name == "O I")
        assert oxygen.verdict in ("present", "possible")
        true = truth.expected["O I"][np.asarray(fit.used)].sum()
        errors.append((oxygen.counts - true) / oxygen.standard_error)
    assert abs(np.mean(errors)) < 1.0
    assert np.mean(np.abs(errors) < 1.0) > 0.6
