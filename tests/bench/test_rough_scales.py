"""Scales that are sure though few lines tell the curve: accepted as roughly known, and compact fluorescent lamps."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from lamp_fleet import largest_error, make_case, spread_lines
from lamp_fleet_grating import make_case as make_grating_case
from lamp_spectra import MERCURY, NEON, axis, spectrum
from numpy.polynomial.chebyshev import chebfit, chebval

from glowledger.bench.calibration import calibrate
from glowledger.bench.cutting import as_ill_told
from glowledger.bench.linespread import of_lines
from glowledger.bench.placing import identify_peaks
from glowledger.bench.polynomial import fit_lines
from glowledger.bench.shots import prepare_shot, renamed
from glowledger.bench.solving import solve
from glowledger.bench.verdict import accuracy_nm
from glowledger.spectra.frames import frames_from_arrays

# phosphor bands, places and light from memory: cerium with terbium, europium
BANDS = {485.5: 8, 489.5: 14, 542.3: 90, 544.6: 60, 548.5: 25, 551.0: 12, 581.0: 12, 584.5: 18, 587.7: 22, 593.3: 14,
         599.5: 12, 611.5: 130, 613.9: 12, 620.0: 14, 625.5: 10, 631.1: 30, 650.8: 14, 662.8: 5, 687.5: 8, 693.5: 9,
         707.0: 16, 712.0: 10}  # fmt: skip


def frames_of(counts):
    return frames_from_arrays(np.arange(len(counts), dtype=float), counts, axis_kind="pixel")


def fluorescent(nm, fwhm_nm, seed=1, bands=BANDS, beside=0.0):
    """Counts of a compact fluorescent lamp behind glass; `beside` is the light of a wide blue band of no list."""
    rng = np.random.default_rng(seed)
    counts = spectrum({at: light for at, light in MERCURY.items() if at > 360.0}, nm, fwhm_nm, seed=seed)
    light = np.array([much * np.exp(rng.normal(0.0, 0.2)) for much in bands.values()])
    width = np.full(len(nm), np.hypot(fwhm_nm, 3.0))
    counts = counts + 2000.0 * spread_lines(nm, np.abs(np.gradient(nm)), width, np.array(list(bands)), light, 0.0, 0.0)
    return counts + beside * np.exp(-0.5 * ((nm - 452.0) / 24.0) ** 2)


@pytest.mark.parametrize(("start", "fwhm_nm", "seed"), [(395.0, 3.0, 1), (395.0, 3.0, 3), (420.0, 2.0, 1)])
def test_a_fluorescent_lamp_before_a_webcam_is_accepted_with_the_error_that_it_has(start, fwhm_nm, seed):
    nm = axis(1280, start, 700.0)
    counts = fluorescent(nm, fwhm_nm, seed=seed, beside=3000.0)
    result = solve([prepare_shot(frames_of(counts), "cfl")], np.arange(1280.0))
    assert result.accepted
    places = np.linspace(*result.solution.covered, 50)
    off = np.max(np.abs(result.solution.nm(places) - np.interp(places, np.arange(1280.0), nm)))
    assert off < min(accuracy_nm(result), fwhm_nm / 5)


@pytest.mark.parametrize("fwhm_nm", [2.0, 2.5])
def test_lines_of_a_fluorescent_lamp_are_as_wide_as_its_lines_and_not_as_its_bands(fwhm_nm):
    nm = axis(1280, 420.0, 700.0)
    shot = prepare_shot(frames_of(fluorescent(nm, fwhm_nm)), "cfl")
    assert np.median(shot.fwhm_px * np.abs(np.gradient(nm))) == pytest.approx(fwhm_nm, rel=0.12)


def test_a_lamp_that_turns_out_to_be_a_fluorescent_one_is_measured_as_such():
    frames = frames_of(fluorescent(axis(1280, 420.0, 700.0), 2.0))
    named = prepare_shot(frames, "cfl")
    found_out = renamed(prepare_shot(frames, "hg-ar"), "cfl")
    assert found_out.lamp == "cfl"
    assert np.median(found_out.fwhm_px) < 0.8 * np.median(prepare_shot(frames, "hg-ar").fwhm_px)
    assert np.array_equal(found_out.fwhm_px, named.fwhm_px)
    assert np.array_equal(found_out.peaks.pixel, named.peaks.pixel)
    back = renamed(found_out, "hg-ar")
    assert np.array_equal(back.fwhm_px, prepare_shot(frames, "hg-ar").fwhm_px)


@pytest.mark.parametrize(("light", "line"), [(1.0, False), (40.0, True)])
def test_a_faint_peak_that_alone_is_narrow_is_no_line_of_a_fluorescent_lamp(light, line):
    peaks = prepare_shot(frames_of(fluorescent(axis(1280, 420.0, 700.0), 2.0)), "hg").peaks
    place = int(np.nanargmin(peaks.fwhm_px))
    width, area = peaks.fwhm_px.copy(), peaks.area.copy()
    width[place], area[place] = 0.5 * width[place], light / 100.0 * np.max(area)
    chosen = of_lines(replace(peaks, fwhm_px=width, area=area, area_se=1e-3 * area))
    assert chosen[place] == line
    assert np.any(chosen)


def test_a_peak_as_bright_as_a_band_is_not_the_faint_line_beside_it():
    # the band at 487.7 nm lies up to 3 nm off, where mercury has a line a thirtieth as bright
    nm = axis(1280, 395.0, 700.0)
    bands = {at: light for at, light in BANDS.items() if not 485.0 < at < 490.0} | {490.6: 40}
    shot = prepare_shot(frames_of(fluorescent(nm, 3.0, bands=bands)), "cfl")
    found = identify_peaks(shot, chebfit(np.linspace(-1.0, 1.0, 1280), nm, 5), 0.6)
    at = np.interp(shot.peaks.pixel[found.peak], np.arange(1280.0), nm)
    row = int(np.argmin(np.abs(at - 490.6)))
    assert abs(at[row] - 490.6) < 0.5
    assert not found.sharp[row]


@pytest.mark.parametrize(("phosphors", "at_lines", "larger"), [(True, 2.0, 1.0), (True, 9.0, 2.0), (False, 2.0, 2.0)])
def test_light_of_phosphors_that_no_list_tells_makes_no_line_vague_that_is_told_well(phosphors, at_lines, larger):
    u = np.linspace(-0.8, 0.8, 9)
    fit = fit_lines(u, chebval(u, [550.0, 150.0, 3.0]), np.full(9, 0.1), 3, 300.0)
    whole = SimpleNamespace(
        trusted=False, chi2=9.0, few_strange=True, of_phosphors=phosphors, misfit_of_lines=at_lines
    )  # fmt: skip
    told = as_ill_told(fit, whole)
    assert told.standard_error_nm(u) == pytest.approx(larger * fit.standard_error_nm(u))


# neon, krypton and xenon, helium with neon and argon, xenon: lines 5 to 11 nm wide, each a blend
@pytest.mark.parametrize(
    ("make", "seed"), [(make_case, 831013), (make_case, 831154), (make_grating_case, 851432), (make_case, 851442)]
)
def test_a_sure_scale_of_vague_lines_is_accepted_and_said_to_be_rough(make, seed):
    case = make(seed)
    result = solve([prepare_shot(frames_of(case.counts), case.lamp)], case.pixel)
    assert result.accepted
    assert any("roughly" in warning for warning in result.warnings)
    assert largest_error(case, result.solution.nm(case.pixel), *result.solution.covered) < 1.0


def test_a_scale_that_many_lines_tell_is_not_said_to_be_rough():
    nm = axis()
    result = solve([prepare_shot(frames_of(spectrum(NEON, nm)), "ne")], np.arange(2048.0))
    assert result.accepted
    assert not any("roughly" in warning for warning in result.warnings)


def test_no_curve_is_roughly_known_by_no_more_lines_than_tell_a_stranger_from_them():
    # hydrogen: five lines, one of them pulled by a stranger
    case = make_case(621382)
    result = solve([prepare_shot(frames_of(case.counts), "h2")], case.pixel)
    assert not result.accepted


def test_a_lamp_that_nobody_named_is_not_taken_for_one_that_fits_no_better_than_chance():
    # mercury, cadmium and argon, 11 nm wide lines: as krypton four lines agreed, 86 limits off
    case = make_case(871284)
    for name in ("hg,cd,ar", "auto"):
        result = calibrate([(frames_of(case.counts), name)])
        assert not result.accepted
        assert not result.looks_like
        assert "try --lamp" not in result.mend


def test_two_lines_that_may_be_any_are_not_called_recognised():
    case = make_case(871541)
    result = calibrate([(frames_of(case.counts), case.lamp)])
    assert not result.accepted
    assert "recognised" not in result.mend


@pytest.mark.parametrize("fwhm_nm", [2.6, 3.3])
def test_a_band_beside_a_line_that_makes_a_peak_of_its_own_is_placed_without_it(fwhm_nm):
    # terbium's at 542.4 nm, beside the green line of mercury
    nm = axis(1280, 395.0, 700.0)
    shot = prepare_shot(frames_of(fluorescent(nm, fwhm_nm)), "cfl")
    found = identify_peaks(shot, chebfit(np.linspace(-1.0, 1.0, 1280), nm, 5), 0.6)
    placed = found.wavelength_nm[(found.wavelength_nm > 540.0) & (found.wavelength_nm < 548.0)]
    assert 546.075 in placed
    assert 542.4 in placed
