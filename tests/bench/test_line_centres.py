"""Peaks: centres without bias, errors at the Cramér-Rao bound, and what is not a line left out."""

import numpy as np
import pytest
from lamp_fleet import make_case
from numpy.testing import assert_allclose
from scipy.stats import norm

from glowledger.bench import shifts
from glowledger.bench.line_fits import LineWindow, fit_group, fit_groups
from glowledger.bench.peaks import find_peaks
from glowledger.bench.shifts import Window, fit_shifts

FWHM_PER_SD = 2.0 * np.sqrt(2.0 * np.log(2.0))  # definition of the FWHM of a normal curve


def pixel_light(pixels, centre, fwhm_px):
    """Light of a unit line in each pixel, by scipy's normal distribution."""
    edges = np.arange(pixels + 1) - 0.5
    return np.diff(norm.cdf(edges, loc=centre, scale=fwhm_px / FWHM_PER_SD))


def centre_bound(pixels, centre, fwhm_px, area, sd):
    """Cramér-Rao bound of the centre with area and a straight background unknown (Kay 1993, section 3.7)."""
    step = 1e-4
    by_centre = area * (
        pixel_light(pixels, centre + step, fwhm_px) - pixel_light(pixels, centre - step, fwhm_px)
    ) / (2 * step)  # fmt: skip
    x = np.arange(pixels) - pixels / 2
    design = np.column_stack([np.ones(pixels), x, pixel_light(pixels, centre, fwhm_px), by_centre]) / sd
    return np.sqrt(np.linalg.inv(design.T @ design)[3, 3])


@pytest.mark.parametrize("fwhm_px", [1.5, 2.0, 3.0, 6.0])
def test_centres_reach_the_cramer_rao_bound_without_bias(fwhm_px):
    # bound: Fisher information of the model; tolerance from the number of trials (sd of an sd: 1/sqrt(2 n))
    rng = np.random.default_rng(11)
    pixels, trials, area, sd = 25, 600, 3000.0 * fwhm_px, 30.0
    x = np.arange(pixels, dtype=float)
    pull, error = np.empty(trials), np.empty(trials)
    for k in range(trials):
        centre = 12.0 + rng.uniform(-0.5, 0.5)
        y = 500.0 + 2.0 * x + area * pixel_light(pixels, centre, fwhm_px) + rng.normal(0.0, sd, pixels)
        fit = fit_group(x, y, np.full(pixels, sd), np.array([centre + 0.3]), fwhm_px, free_width=False)
        error[k] = fit.centre[0] - centre
        pull[k] = error[k] / centre_bound(pixels, centre, fwhm_px, area, sd)
    assert abs(np.mean(error)) < 0.02
    assert abs(np.mean(pull)) < 4.0 / np.sqrt(trials)
    assert_allclose(np.std(pull), 1.0, atol=4.0 / np.sqrt(2 * trials))


@pytest.mark.parametrize("free_width", [True, False])
def test_windows_side_by_side_do_not_touch_each_other(free_width):
    # windows of different lengths with one to three lines: each fit is what it is alone, in any order
    rng = np.random.default_rng(23)
    windows = []
    for k in range(24):
        pixels, fwhm = int(rng.integers(18, 40)), rng.uniform(2.0, 4.0)
        centres = 7.0 + 1.3 * fwhm * np.arange(1 + k % 3)
        light = sum(10 ** rng.uniform(3.0, 4.5) * pixel_light(pixels, c, fwhm) for c in centres)
        y = 200.0 + light + rng.normal(0.0, 10.0, pixels)
        windows.append(LineWindow(np.arange(pixels) + 100.0 * k, y, np.full(pixels, 10.0), centres + 100.0 * k, fwhm))
    together = fit_groups(windows[::-1], free_width=free_width)[::-1]
    assert len(together) == 24
    for window, fit in zip(windows, together, strict=True):
        alone = fit_group(window.x, window.y, window.noise, window.centres, window.fwhm, free_width=free_width)
        assert (fit is None) == (alone is None)
        if fit is not None:
            assert_allclose(fit.centre, alone.centre, atol=1e-6)
            assert_allclose([fit.fwhm, fit.chi2], [alone.fwhm, alone.chi2], rtol=1e-6)
            assert_allclose(fit.centre_se, alone.centre_se, rtol=1e-6)
    assert sum(fit is not None for fit in together) > 18


def wide_window(rng, keep=slice(None), sd=30.0, bump=0.0):
    """A pair of lines over 80 pixels each that lie 6 pixels to the right of where they are expected, and their noise.

    `bump` is light of no line in the flank, as part of the height.
    """
    pixels, width = 170, 80.0
    light = 4e5 * pixel_light(pixels, 76.0, width) + 2e5 * pixel_light(pixels, 106.0, width)
    stranger = bump * np.max(light) * np.exp(-0.5 * ((np.arange(pixels) - 30.0) / 8.0) ** 2)
    y = 300.0 + light + stranger + rng.normal(0.0, sd, pixels)
    none = np.zeros(0)
    return Window(
        x=np.arange(pixels, dtype=float)[keep] + 400.0, y=y[keep], noise=np.full(pixels, sd)[keep],
        centre_px=np.array([470.0, 500.0]), share=np.array([2.0, 1.0]), spread=np.array([0.2, 0.2]), width_px=width,
        loose_px=none, loose_width_px=none, loose_sd_px=none, loose_width_sd_px=none,
    )  # fmt: skip


HOT = np.setdiff1d(np.arange(170), [33, 90, 91])  # pixels that are no hot ones


@pytest.mark.parametrize(
    ("keep", "sd", "bump"), [(slice(None), 30.0, 0.0), (HOT, 30.0, 0.0), (HOT, 400.0, 0.0), (slice(None), 60.0, 0.03)]
)
def test_lines_over_many_pixels_are_placed_as_well_and_as_surely_with_pixels_joined(keep, sd, bump, monkeypatch):
    # the same windows, pixels joined and single: scatter, stated errors and misfits are those of single ones
    rng = np.random.default_rng(9)
    windows = [wide_window(rng, keep, sd, bump) for _ in range(300)]
    assert all(window.coarser().joined == 5 for window in windows)
    joined = fit_shifts(windows)
    monkeypatch.setattr(shifts, "PIXELS_PER_WIDTH", np.inf)
    one, other = (
        np.array([[fit.shift_px, fit.standard_error_px, fit.misfit, *fit.area] for fit in fits])
        for fits in (joined, fit_shifts(windows))
    )
    assert_allclose(np.mean(one, axis=0), np.mean(other, axis=0), rtol=0.03)
    assert_allclose(np.std(one[:, 0]), np.std(other[:, 0]), rtol=0.03)
    if bump == 0.0:
        assert abs(np.mean(one[:, 0]) - 6.0) < 0.2  # of 80
        assert np.std((one[:, 0] - 6.0) / one[:, 1]) < 1.0 + 4.0 / np.sqrt(600)


def test_windows_of_few_lines_and_of_crowds_are_placed_side_by_side_as_each_alone():
    rng = np.random.default_rng(31)
    windows, none, width = [], np.zeros(0), 9.0
    for k, count in enumerate([2, 30, 1, 3, 2, 26, 1, 4]):
        centres = np.sort(rng.uniform(10.0, 24.0, count))
        share = rng.uniform(0.2, 1.0, count)
        light = sum(2e4 * part * pixel_light(34, c + 0.7, width) for part, c in zip(share, centres, strict=True))
        windows.append(Window(
            x=np.arange(34.0) + 50.0 * k, y=200.0 + light + rng.normal(0.0, 5.0, 34), noise=np.full(34, 5.0),
            centre_px=centres + 50.0 * k, share=share, spread=np.full(count, 0.3), width_px=width,
            loose_px=none, loose_width_px=none, loose_sd_px=none, loose_width_sd_px=none,
        ))  # fmt: skip
    for window, fit in zip(windows, fit_shifts(windows), strict=True):
        (alone,) = fit_shifts([window])
        assert_allclose(fit.area, alone.area, rtol=1e-4, atol=1.0)
        assert_allclose(fit.shift_px, alone.shift_px, atol=1e-5)
        assert_allclose(fit.standard_error_px, alone.standard_error_px, rtol=1e-4)
        assert abs(fit.shift_px - 0.7) < 5.0 * fit.standard_error_px


def test_pixels_are_not_joined_where_too_few_groups_are_whole():
    window = wide_window(np.random.default_rng(1), np.setdiff1d(np.arange(170), np.arange(2, 170, 11)))
    assert window.coarser() is window


def test_stated_errors_of_the_whole_search_are_honest():
    # the spread of (found - true) / stated must be 1 within the sampling error; 40 lines x 8 spectra
    rng = np.random.default_rng(3)
    pulls, missed = [], 0
    for _ in range(8):
        pixels, fwhm = 1600, 3.2
        centres = 20.0 + 39.0 * np.arange(40) + rng.uniform(-3, 3, 40)
        areas = 10 ** rng.uniform(3.3, 5.0, 40)
        light = sum(a * pixel_light(pixels, c, fwhm) for a, c in zip(areas, centres, strict=True))
        counts = rng.poisson(light + 400.0) + rng.normal(0.0, 10.0, pixels)
        peaks, _ = find_peaks(counts)
        for centre in centres:
            near = np.argmin(np.abs(peaks.pixel - centre))
            if abs(peaks.pixel[near] - centre) > 1.0:
                missed += 1
                continue
            pulls.append((peaks.pixel[near] - centre) / peaks.standard_error_px[near])
    assert missed == 0
    assert abs(np.median(pulls)) < 0.2
    # a few per cent of over-estimate is on the safe side: the search does not know the gain
    assert 0.75 < np.std(pulls) < 1.25


def test_two_lines_within_a_width_are_told_apart():
    # two lines 1.1 widths apart, ratio 1:0.6: each within four bounds of its place
    rng = np.random.default_rng(5)
    pixels, fwhm = 400, 5.0
    light = 20000 * pixel_light(pixels, 150.3, fwhm) + 12000 * pixel_light(pixels, 155.8, fwhm)
    light += 30000 * pixel_light(pixels, 60.0, fwhm) + 30000 * pixel_light(pixels, 300.4, fwhm)
    peaks, _ = find_peaks(light + 300.0 + rng.normal(0.0, 8.0, pixels))
    assert_allclose(peaks.pixel, [60.0, 150.3, 155.8, 300.4], atol=0.06)
    assert list(peaks.blended) == [False, True, True, False]


def test_flat_topped_lines_are_centred_on_their_flanks():
    rng = np.random.default_rng(6)
    pixels, fwhm = 500, 6.0
    centres = [80.27, 200.0, 330.4]
    light = sum(a * pixel_light(pixels, c, fwhm) for a, c in zip([1.2e6, 2e5, 9e5], centres, strict=True))
    counts = np.minimum(light + 500.0 + rng.normal(0.0, 20.0, pixels), 65535.0)
    peaks, _ = find_peaks(counts)
    assert_allclose(peaks.pixel, centres, atol=0.15)
    assert list(peaks.saturated) == [True, False, True]


@pytest.mark.parametrize(("fwhm_px", "gap_px"), [(1.5, 4.0), (1.7, 4.0), (2.5, 5.0)])
def test_crowded_narrow_lines_are_all_found_and_centred(fwhm_px, gap_px):
    # a row of lines, each in the window of the next: the light of neighbours is part of the fit
    rng = np.random.default_rng(12)
    off = []
    for _ in range(12):
        centres = 20.0 + gap_px * np.arange(14) + rng.uniform(-0.4, 0.4, 14)
        areas = 10 ** rng.uniform(4.3, 5.0, 14)
        light = sum(a * pixel_light(220, c, fwhm_px) for a, c in zip(areas, centres, strict=True))
        light = light + 60000 * pixel_light(220, 150.0, fwhm_px)  # one line alone, that tells the width
        peaks, _ = find_peaks(light + 300.0 + rng.normal(0.0, 10.0, 220))
        near = np.argmin(np.abs(peaks.pixel[:, None] - centres[None, :]), axis=0)
        off.append(peaks.pixel[near] - centres)
    found = np.abs(np.concatenate(off)) < 0.5
    assert np.mean(found) > 0.94
    assert abs(np.mean(np.concatenate(off)[found])) < 0.02
    assert np.median(np.abs(np.concatenate(off))) < 0.05


def test_blended_lines_are_centred_without_bias():
    # pairs 1.2 to 2 widths apart, any ratio up to 1:3, anywhere on the pixels: on the mean less than 0.02 px off
    rng = np.random.default_rng(13)
    off = []
    for _ in range(150):
        gap = rng.uniform(1.2, 2.0) * 4.0
        centres = np.array([60.0, 120.0 + rng.uniform(-0.5, 0.5), 0.0])
        centres[2] = centres[1] + gap
        areas = np.array([40000.0, 20000.0, 20000.0 * 3.0 ** rng.uniform(-1.0, 1.0)])
        light = sum(a * pixel_light(200, c, 4.0) for a, c in zip(areas, centres, strict=True))
        peaks, _ = find_peaks(light + 300.0 + rng.normal(0.0, 8.0, 200))
        off.append([peaks.pixel[np.argmin(np.abs(peaks.pixel - c))] - c for c in centres[1:]])
    assert np.max(np.abs(off)) < 0.5
    assert np.all(np.abs(np.mean(off, axis=0)) < 0.02)


def test_a_ceiling_that_one_line_shows_holds_for_every_line():
    # undersampled: the brighter line has three pixels at the ceiling, the other two, which alone would prove nothing
    light = 2.4e5 * pixel_light(80, 30.0, 2.2) + 1.5e5 * pixel_light(80, 50.5, 2.2) + 3e4 * pixel_light(80, 65.2, 2.2)
    peaks, scene = find_peaks(np.minimum(np.rint(light + 500.0), 50000.0))
    assert np.count_nonzero(scene.saturated[28:33]) == 3
    assert np.flatnonzero(scene.saturated[40:]).tolist() == [10, 11]
    assert peaks.saturated[[int(np.argmin(np.abs(peaks.pixel - c))) for c in (30.0, 50.5, 65.2)]].tolist() == [
        True, True, False,
    ]  # fmt: skip


def test_hot_pixels_are_no_lines_even_beside_undersampled_ones():
    # a line of 1.5 px FWHM puts a quarter of its top pixel or more into a neighbour; a hot pixel puts nothing
    rng = np.random.default_rng(7)
    pixels = 600
    centres = 30.0 + 45.0 * np.arange(12) + rng.uniform(-0.5, 0.5, 12)
    light = sum(20000 * pixel_light(pixels, c, 1.5) for c in centres)
    counts = light + 800.0 + rng.normal(0.0, 15.0, pixels)
    hot = [55, 190, 415, 588]
    counts[hot] += [20000, 3000, 9000, 500]
    peaks, scene = find_peaks(counts)
    assert_allclose(peaks.pixel, centres, atol=0.03)
    assert set(hot) <= set(scene.hot.tolist())


def test_smooth_light_and_noise_hold_no_lines():
    rng = np.random.default_rng(8)
    x = np.linspace(0, 1, 1500)
    bump = 20000 * np.exp(-(((x - 0.5) / 0.2) ** 2))
    for counts in (
        np.full(1500, 1000.0),
        rng.normal(1000.0, 20.0, 1500),
        rng.poisson(bump + 500.0).astype(float),
    ):
        peaks, _ = find_peaks(counts)
        assert len(peaks) <= 1  # five sigma, 1500 pixels


def test_masked_and_missing_values_do_no_harm():
    pixels = 300
    counts = 100.0 + 50000 * pixel_light(pixels, 100.0, 4.0) + 50000 * pixel_light(pixels, 220.0, 4.0)
    counts += np.random.default_rng(9).normal(0.0, 5.0, pixels)
    mask = np.zeros(pixels, dtype=bool)
    mask[[98, 150, 151]] = True
    counts[98], counts[150:152] = np.nan, 60000.0
    peaks, _ = find_peaks(counts, mask)
    assert_allclose(peaks.pixel, [100.0, 220.0], atol=0.05)


@pytest.mark.parametrize("skew", [-0.08, 0.04, 0.08])
def test_a_lopsided_line_lies_in_the_middle_of_its_half_maximum(skew):
    # two half normal curves by scipy, (1 + skew) and (1 - skew) times as wide: their half maxima lie at
    # top + (1 + skew) FWHM / 2 and top - (1 - skew) FWHM / 2. Tolerance: a tenth of the way from top to middle.
    fwhm, top = 8.0, 60.3
    middle = top + 0.5 * skew * fwhm
    edges = np.arange(122) - 0.5 - top
    side = np.where(edges > 0, 1.0 + skew, 1.0 - skew)
    light = np.diff(side * (norm.cdf(edges / side, scale=fwhm / FWHM_PER_SD) - 0.5))
    x = np.arange(121.0)
    fit = fit_group(x, 500.0 + 1e5 * light, np.full(121, 30.0), np.array([60.0]), fwhm, free_width=True)
    assert_allclose(fit.centre[0], middle, rtol=0, atol=0.1 * abs(middle - top))


def spectrum(pixels, lines, fwhm_px, seed=3):
    """Counts of lines (centre, area) over 1000 counts, with photon and read noise."""
    rng = np.random.default_rng(seed)
    light = 1000.0 + sum(area * pixel_light(pixels, centre, fwhm_px) for centre, area in lines)
    return rng.poisson(light) + rng.normal(0.0, 15.0, pixels)


def test_a_hot_pixel_in_the_flank_of_a_line_is_told_by_the_width_of_the_others():
    # the flank gives it a neighbour that would do for a narrower line, but no line here is half as narrow
    lines = [(60.0, 4e4), (140.3, 9e4), (220.6, 6e4), (300.2, 3e4), (380.5, 8e4), (460.4, 8e4), (540.1, 7e4)]
    counts = spectrum(600, lines, 4.0)
    counts[[136, 224]] += 40000.0
    peaks, scene = find_peaks(counts)
    assert scene.hot.tolist() == [136, 224]
    assert_allclose(peaks.pixel, [centre for centre, _ in lines], atol=0.05)


@pytest.mark.parametrize("fwhm_px", [3.0, 5.0, 12.0])
def test_lines_are_never_hot_however_bright(fwhm_px):
    rng = np.random.default_rng(8)
    for seed in range(20):
        lines = [(60.0 * k + 60.0 + rng.uniform(), 10 ** rng.uniform(4.0, 5.0) * fwhm_px) for k in range(9)]
        lines += [(centre + 1.5 * fwhm_px, 0.3 * area) for centre, area in lines[::3]]
        assert find_peaks(spectrum(660, lines, fwhm_px, seed))[1].hot.size == 0


def test_the_full_scale_of_a_converter_is_a_flat_top_even_of_one_or_two_pixels():
    lines = [(50.5, 2.2e5), (120.0, 1.6e5), (200.3, 4e4)]
    counts = np.minimum(np.round(spectrum(260, lines, 2.1)), 65535.0)
    assert np.count_nonzero(counts == 65535.0) == 3
    peaks, scene = find_peaks(counts)
    assert np.flatnonzero(scene.saturated).tolist() == np.flatnonzero(counts == 65535.0).tolist()
    assert_allclose(peaks.pixel, [50.5, 120.0, 200.3], atol=0.1)


def test_the_brightest_peak_is_kept_where_a_neighbour_leaves_its_width_open():
    # neon at 614 nm, a blend of three lines with a faint bump beside, two pixels to a line width: drawn by the fleet
    case = make_case(470259)
    peaks, _ = find_peaks(case.counts)
    place = np.interp(614.4, case.wavelength_nm, case.pixel)
    near = int(np.argmin(np.abs(peaks.pixel - place)))
    assert abs(peaks.pixel[near] - place) < 0.6
    assert np.sum(peaks.area > peaks.area[near]) < 3


def test_two_bumps_on_one_flat_top_are_one_line():
    for gap in np.linspace(1.5, 4.0, 26):
        lines = [(80.0, 9e5), (80.0 + gap, 4e5), (160.0, 5e4), (220.0, 8e4)]
        peaks, _ = find_peaks(np.minimum(spectrum(300, lines, 1.8), 60000.0), ceiling=60000.0)
        flat = peaks.saturated & (peaks.pixel < 100.0)
        assert np.any(np.abs(peaks.pixel[flat] - 80.0 - 0.25 * gap) < 0.3 * gap + 0.5), gap
        assert np.all(np.diff(peaks.pixel[flat]) > 0.5)
        assert np.all(peaks.area[flat] > np.max(peaks.area[~flat])), gap


def test_hot_pixels_beside_the_brightest_lines_do_not_tell_how_wide_lines_are():
    # undersampled lines leave a hot pixel beside a top a neighbour that would do: it is told by the others
    lines = [(30.1, 6e4), (75.4, 2e4), (110.3, 2e4), (160.2, 2e4), (205.4, 2e4), (250.3, 1.5e4)]
    counts = spectrum(300, lines, 2.1)
    counts[[31, 76]] += [90000.0, 60000.0]
    peaks, scene = find_peaks(counts)
    assert_allclose(scene.fwhm_px, 2.1, rtol=0.15)
    assert not np.any(peaks.broad[np.argmin(np.abs(peaks.pixel[:, None] - [160.2, 205.4, 250.3]), axis=0)])
