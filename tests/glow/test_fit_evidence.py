"""What may pass for light and what may not: background, noise levels, significance, limits, false discoveries."""

from dataclasses import replace
from math import comb

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import nnls
from scipy.stats import chi2, false_discovery_control, norm

from glowledger.bench.model import LineSpread
from glowledger.glow.background import background_basis
from glowledger.glow.bands import photon_rates, upper_level_lines
from glowledger.glow.likelihood import significance
from glowledger.glow.line_shape import LineShape
from glowledger.glow.noise_levels import FIRST_MISMATCH, NoiseLevels, first_levels, fitted_levels
from glowledger.glow.significance import FALSE_DISCOVERY, POSSIBLE_SIGMA, significance_needed
from glowledger.glow.templates import emission_grid, pixel_edges
from glowledger.glow.verdicts import CURRIE, ONE_SIDED_95
from glowledger.spectra.frames import Detector, frames_from_arrays

AXIS = np.linspace(250.0, 900.0, 2048)


def band(system, v_upper, v_lower, fwhm_nm, t_rot_k=500.0):
    """Return one band on AXIS."""
    lines = upper_level_lines(system, v_upper)
    here = lines.v_lower == v_lower
    spread = LineSpread(at_nm=np.array([500.0]), fwhm_nm=np.array([fwhm_nm]), fwhm_se_nm=np.array([0.05]))
    grid = emission_grid(
        [lines.wavelength_nm[here]], [photon_rates(lines, t_rot_k)[here]], spread, AXIS[0], AXIS[-1]
    )
    return grid.spread(LineShape()).on_pixels(pixel_edges(AXIS))[:, 0]


BANDS = [
    ("N2 C-B", 0, 0), ("N2 C-B", 0, 2), ("CO B-A", 0, 1), ("CO B-A", 0, 2), ("CN B-X", 0, 0), ("OH A-X", 0, 0),
    ("CH A-X", 0, 0), ("N2+ B-X", 0, 0),
]  # fmt: skip


@pytest.mark.parametrize("fwhm", [0.6, 1.3, 2.0])
@pytest.mark.parametrize("name", BANDS, ids=lambda n: f"{n[0]} {n[1]}-{n[2]}")
def test_the_background_cannot_swallow_a_band(name, fwhm):
    # what of the band's light is left to tell it by, once the background has taken what it can
    light = band(*name, fwhm)
    columns = np.column_stack([background_basis(AXIS, fwhm), np.ones(AXIS.size)])
    left = light - columns @ np.linalg.lstsq(columns, light, rcond=None)[0]
    assert (left @ left) / (light @ light) > 0.9


@pytest.mark.parametrize("name", BANDS[:5], ids=lambda n: f"{n[0]} {n[1]}-{n[2]}")
@pytest.mark.parametrize("shape", ["hot wall", "hump", "slope"])
def test_a_band_on_a_continuum_keeps_its_amount(name, shape):
    light = band(*name, 1.3)
    continuum = {
        "hot wall": AXIS**-4 / np.expm1(1.4387769e7 / (AXIS * 2200)),  # photons per nm of a black body (Planck)
        "hump": np.exp(-0.5 * ((AXIS - 430) / 90) ** 2),
        "slope": AXIS - 200,
    }[shape]
    continuum = continuum * light.max() / continuum.max()
    basis = background_basis(AXIS, 1.3)
    found, _ = nnls(np.column_stack([light, basis]), light + continuum)
    assert_allclose(found[0], 1.0, atol=0.03)
    assert_allclose(basis @ found[1:], continuum, atol=0.05 * continuum.max())


def test_the_background_is_positive_and_never_empty():
    basis = background_basis(AXIS, 1.0)
    assert basis.min() >= 0
    assert basis.sum(axis=1).min() > 0.99
    assert background_basis(AXIS[:120], 1.0).shape[1] >= 1


def simulated(rng, levels, pixels=4000):
    """Return residual, model and where template errors are expected, with the noise of given levels."""
    lines = np.where(rng.random(pixels) < 0.5, rng.uniform(0, 4e4, pixels), 0.0)
    model = lines + 500.0
    sd = np.sqrt(levels.read_variance + levels.gain * model + (levels.mismatch * lines) ** 2)
    return sd * rng.standard_normal(pixels), model, np.stack([lines, *np.zeros((2, pixels))])


@pytest.mark.parametrize("mismatch", [0.02, 0.05, 0.15])
def test_mismatch_and_read_noise_come_back_from_residuals(mismatch):
    rng = np.random.default_rng(4)
    truth = NoiseLevels(read_variance=400.0, gain=0.5, mismatch=mismatch)
    residual, model, errors = simulated(rng, truth)
    first = NoiseLevels(read_variance=300.0, gain=0.5, mismatch=FIRST_MISMATCH)
    found = fitted_levels(
        residual, model, errors, np.zeros(model.size), first, first, freedom=1.0, gain_known=True, least_mismatch=0.001
    )
    # Student's t with four degrees of freedom reads Gaussian scatter some 15 % low at most (from memory: its scale
    # for Gaussian data is 0.87 sd); a tenth on top for the scatter of 2000 pixels
    assert 0.75 * mismatch < found.mismatch < 1.1 * mismatch
    assert 0.6**2 < found.read_variance / truth.read_variance < 1.2
    assert found.gain == 0.5


def test_unlisted_lines_do_not_pass_for_noise():
    rng = np.random.default_rng(6)
    truth = NoiseLevels(read_variance=400.0, gain=0.5, mismatch=0.03)
    residual, model, errors = simulated(rng, truth)
    first = NoiseLevels(read_variance=400.0, gain=0.5, mismatch=FIRST_MISMATCH)

    def fitted(values):
        return fitted_levels(
            values, model, errors, np.zeros(model.size), first, first,
            freedom=1.0, gain_known=True, least_mismatch=0.001,
        )  # fmt: skip

    spoilt = residual.copy()
    spoilt[::50] += 30_000.0
    assert fitted(spoilt).mismatch < 1.3 * fitted(residual).mismatch
    assert fitted(spoilt).read_variance < 1.5 * fitted(residual).read_variance


def test_stated_variance_is_not_counted_twice():
    rng = np.random.default_rng(8)
    truth = NoiseLevels(read_variance=400.0, gain=0.0, mismatch=0.03)
    residual, model, errors = simulated(rng, truth)
    stated = np.full(model.size, 900.0)
    residual = residual + 30.0 * rng.standard_normal(model.size)
    first = NoiseLevels(read_variance=400.0, gain=0.0, mismatch=FIRST_MISMATCH)
    found = fitted_levels(
        residual, model, errors, stated, first, first, freedom=1.0, gain_known=True, least_mismatch=0.001
    )
    assert found.read_variance < 1.3 * truth.read_variance


def test_a_known_detector_is_believed_and_scans_divide_its_noise():
    counts = np.random.default_rng(1).normal(1000.0, 20.0, 2048)
    detector = Detector(read_noise_counts=20.0, counts_per_electron=0.4)
    one = frames_from_arrays(AXIS, counts, detector=detector)
    levels, known = first_levels(one)
    assert known
    assert_allclose([levels.read_variance, levels.gain], [400.0, 0.4])
    mean, _ = first_levels(replace(one, averages=np.array([10.0])))
    assert_allclose([mean.read_variance, mean.gain], [40.0, 0.04])


def test_read_noise_is_found_between_lines():
    found = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        counts = rng.normal(50.0, 12.0, 2048)
        for centre in rng.uniform(260, 890, 15):
            counts = counts + 2e4 * np.exp(-0.5 * ((AXIS - centre) / 0.5) ** 2)
        found.append(np.sqrt(first_levels(frames_from_arrays(AXIS, counts))[0].read_variance))
    assert_allclose(np.mean(found), 12.0, rtol=0.1)


def test_one_amount_at_its_bound_is_one_sided_gaussian():
    # loss of one bounded amount: half zero, half chi-square of one degree (Self & Liang 1987): z = sqrt(loss)
    for z in (0.5, 1.0, 2.0, 3.0, 5.0, 8.0, 20.0, 40.0, 300.0):
        assert_allclose(significance(z**2, 1), z, rtol=1e-3, atol=1e-6)


@pytest.mark.parametrize("levels", [2, 5, 18])
@pytest.mark.parametrize("loss", [3.0, 10.0, 40.0, 200.0, 900.0])
def test_several_amounts_follow_the_chi_bar_square(levels, loss):
    # weights of independent bounded amounts are binomial; tails by scipy.stats
    tail = sum(comb(levels, k) * 0.5**levels * chi2.sf(loss, k) for k in range(1, levels + 1))
    assert_allclose(significance(loss, levels), max(norm.isf(tail), 0.0), rtol=1e-6, atol=1e-9)


def test_significance_rises_with_loss_and_falls_with_freedom_and_stays_finite():
    losses = np.concatenate([np.linspace(0, 60, 61), np.geomspace(70, 1e9, 300)])
    for levels in (1, 3, 30):
        values = np.array([significance(float(loss), levels) for loss in losses])
        assert np.all(np.isfinite(values))
        assert np.all(np.diff(values) >= 0)
        assert_allclose(values[-1], np.sqrt(losses[-1]), rtol=1e-3)
    assert significance(30.0, 10) < significance(30.0, 2) < significance(30.0, 1)
    assert significance(0.0, 3) == 0.0
    assert significance(5.0, 0) == 0.0


def test_significance_of_nothing_is_nothing_too_often_by_no_more_than_chance():
    # the amount of pure noise, held at or above zero, exceeds z with probability norm.sf(z)
    rng = np.random.default_rng(12)
    noise = np.maximum(rng.standard_normal((20_000, 4)), 0.0)
    values = np.array([significance(float(loss), 4) for loss in (noise**2).sum(axis=1)])
    for z in (1.0, 2.0):
        assert_allclose(np.mean(values > z), norm.sf(z), atol=4 * np.sqrt(norm.sf(z) / values.size))


def test_limits_are_curries():
    # Currie, Anal. Chem. 40, 586 (1968), table II: paired blank of B = 100 counts: critical level 23.3, detection
    # limit 49.2 = 2.71 + 46.5; blank known: 35.6 = 2.71 + 32.9 (from memory). The 2.71 is the counts' own noise.
    paired = np.sqrt(2 * 100.0)
    assert_allclose(ONE_SIDED_95 * paired, 23.3, atol=0.05)
    assert_allclose(CURRIE * paired, 49.2 - 2.71, atol=0.05)
    assert_allclose(CURRIE * np.sqrt(100.0), 35.6 - 2.71, atol=0.05)
    assert_allclose(ONE_SIDED_95, norm.isf(0.05))


@pytest.mark.parametrize("seed", range(6))
def test_claims_are_those_of_benjamini_and_hochberg(seed):
    rng = np.random.default_rng(seed)
    z = np.concatenate([rng.standard_normal(40), rng.uniform(2.0, 8.0, 8)])
    adjusted = false_discovery_control(norm.sf(z), method="bh")
    theirs = (adjusted <= FALSE_DISCOVERY) & (z >= POSSIBLE_SIGMA)
    assert np.array_equal(z >= significance_needed(z) - 1e-9, theirs)


def test_claims_need_more_the_more_is_looked_for():
    lone = np.array([3.5])
    many = np.concatenate([lone, np.zeros(49)])
    assert significance_needed(lone) <= 3.5 < significance_needed(many)
    assert significance_needed(np.zeros(0)) >= POSSIBLE_SIGMA
