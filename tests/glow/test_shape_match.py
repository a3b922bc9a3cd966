"""Light at a feature that has not the feature's shape, and light that no template holds."""

from dataclasses import replace

import numpy as np
import pytest
from glow_instrument import Instrument
from glow_simulator import simulate
from scipy.stats import norm

from glowledger.glow.identifying import identify
from glowledger.glow.noise_levels import LARGEST_MISMATCH
from glowledger.glow.shape_match import doubt_of_shape, left_light, unmatched
from glowledger.spectra.frames import frames_from_arrays

BENCH = Instrument(pixels=1200, range_nm=(400.0, 800.0), fwhm_nm=(1.6, 1.6), bend=(0.0, 0.0), wing=0.0, tail=0.0)


@pytest.fixture(scope="module")
def helium():
    counts, nm, _ = simulate({"He I": 2e7}, BENCH, 4, background_share=0.02)
    return identify(frames_from_arrays(nm, counts)).few


def around(scene, nm, reach):
    return np.flatnonzero(np.abs(scene.axis_nm - nm) < reach)


def test_a_line_matches_itself_and_light_of_another_shape_does_not(helium):
    scene, solution = helium
    near, wide = around(scene, 587.6, 1.5), around(scene, 587.6, 3.6)
    assert unmatched(scene, solution, solution.lines, near, wide) < 0.15
    box = np.where(np.abs(scene.axis_nm - 587.6) < 2.4, solution.lines[near].max(), 0.0)  # three times as wide
    other = replace(scene, data=solution.model - solution.lines + box)
    assert unmatched(other, solution, solution.lines, near, wide) > 0.35


def test_noise_and_a_slope_are_no_other_shape(helium):
    scene, solution = helium
    rng = np.random.RandomState(1)
    noise = rng.normal(size=scene.data.size) * np.sqrt(solution.levels.random_variance(solution.model))
    slope = 0.2 * solution.lines.max() * (scene.axis_nm - 587.6) / 10.0
    other = replace(scene, data=solution.model + noise + slope)
    near, wide = around(scene, 587.6, 1.5), around(scene, 587.6, 3.6)
    assert unmatched(other, solution, solution.lines, near, wide) < 0.02


def test_light_that_no_template_holds_is_counted_and_errors_of_bright_lines_are_not(helium):
    scene, solution = helium
    dark = around(scene, 435.8, 1.0)
    added = np.zeros(scene.data.size)
    added[dark] = 0.2 * solution.lines.max()  # far above noise, of which twice the standard deviation is taken off
    found = left_light(replace(scene, data=solution.model + added), solution)
    assert found.sum() == pytest.approx(added.sum(), rel=0.25)
    assert left_light(replace(scene, data=solution.model + 0.3 * solution.lines), solution).sum() == 0.0


def test_flanks_of_a_line_that_is_cut_off_need_not_look_like_a_line():
    """At five times the exposure 777 and 844 nm are cut off; what is left of them is oxygen all the same."""
    bench = Instrument(range_nm=(250.0, 900.0), fwhm_nm=(1.2, 1.4))
    light = 1e8 / bench.counts_per_e
    counts, nm, _ = simulate({"O I": 0.85 * light, "O2+": 0.15 * light}, bench, 4)
    fit = identify(frames_from_arrays(nm, counts)).fit
    oxygen = next(e for e in fit.species if e.name == "O I")
    assert oxygen.verdict == "present", oxygen.reason


def test_the_misfit_in_the_wing_of_a_bright_line_is_not_that_of_its_neighbour(helium):
    scene, solution = helium
    near, wide = around(scene, 587.6, 1.5), around(scene, 587.6, 3.6)
    own = np.where(scene.axis_nm > 587.6, solution.lines, 0.01 * solution.lines)  # to the left nearly all is another's
    wing = np.where(scene.axis_nm < 587.0, solution.lines, 0.0)
    other = replace(scene, data=solution.model + wing)
    assert unmatched(other, solution, solution.lines, near, wide) > 2 * unmatched(other, solution, own, near, wide)


def coarse_hydrogen(off_nm, spread_nm=1.3):
    """Balmer lines (NIST ASD) on pixels of 2 nm, which are wider than the lines; all off their place, without noise."""
    nm = np.arange(380.0, 951.0, 2.0)
    edges = np.append(nm - 1.0, nm[-1] + 1.0)
    lines = ((656.28, 70000.0), (486.13, 20000.0), (434.05, 2500.0), (410.17, 500.0))
    sd = spread_nm / 2.3548
    return nm, 100.0 + sum(part * np.diff(norm.cdf(edges, at + off_nm, sd)) for at, part in lines)


@pytest.mark.parametrize(
    ("off_nm", "spread_nm", "matched"), [(0.45, 1.3, True), (-0.45, 1.3, True), (0.0, 5.0, False)]
)
def test_a_part_of_a_pixel_off_is_no_other_shape_where_pixels_are_wider_than_lines(off_nm, spread_nm, matched):
    nm, counts = coarse_hydrogen(0.0)
    counts = np.round(counts + np.random.RandomState(3).normal(0.0, 3.0, nm.size))
    scene, solution = identify(frames_from_arrays(nm, counts)).few
    top = int(np.argmin(np.abs(nm - 656.28)))
    near, beside = np.arange(top - 2, top + 3), np.r_[top - 6 : top - 2, top + 3 : top + 7]
    other = replace(scene, data=coarse_hydrogen(off_nm, spread_nm)[1])
    assert (unmatched(other, solution, solution.lines, near, beside) < LARGEST_MISMATCH) == matched


def test_the_last_pixel_of_a_range_is_no_line_where_lines_are_hardly_wider():
    """Converters and resampling often spoil the first or last pixel; where lines are wider, half of one has a shape."""
    nm, counts = coarse_hydrogen(0.0)
    counts = np.round(counts + np.random.RandomState(3).normal(0.0, 3.0, nm.size))
    scene, solution = identify(frames_from_arrays(nm, counts)).few
    light, last = np.ones(nm.size), nm.size - 1

    def doubt(top):
        near, beside = (np.arange(max(top - n, 0), min(top + n, last) + 1) for n in (3, 9))
        return doubt_of_shape(scene, solution, light, (top, near, beside), 0.1)

    assert ["last pixel" in doubt(top) for top in (0, 1, last - 1, last)] == [True, False, False, True]


@pytest.mark.parametrize("seed", [4, 13])
def test_hydrogen_is_told_though_the_detector_counts_its_brightest_line_too_low(seed):
    """H alpha, flattened below any ceiling, is no line that is missing: H beta was 'the only one'."""
    rng, nm = np.random.RandomState(seed), np.arange(380.0, 951.0, 2.0)
    edges = np.append(nm - 1.0, nm[-1] + 1.0)
    fwhm, off, bright = rng.uniform(1.8, 2.6), rng.uniform(-0.6, 0.6), rng.uniform(2.0, 8.0)
    lines = ((656.28, bright), (486.13, 0.8), (434.05, 0.06), (410.17, 0.01))  # NIST ASD; bright as in a tube
    light = 1e-3 + sum(part * np.diff(norm.cdf((edges - at - off) / (fwhm / 2.3548))) for at, part in lines)
    light = np.where(light > 0.5, 1.0 - 0.5 * np.exp(1.0 - 2.0 * light), light)
    mean = 1e5 * light * np.exp(rng.uniform(-1.5, 1.5) * (nm - 560.0) / 200.0)
    counts = rng.poisson(mean) + rng.normal(0.0, 8.0, nm.size)
    found = {one.name: one.verdict for one in identify(frames_from_arrays(nm, counts)).fit.species}
    assert found["H I"] == "present"
    assert "present" not in {verdict for name, verdict in found.items() if name != "H I"}
