"""The whole lamp spectrum decides between curves that its peaks do not tell apart, and keeps silent where it cannot."""

import numpy as np
import pytest
from lamp_fleet import largest_error, make_case
from lamp_fleet_grating import make_case as make_grating_case
from lamp_spectra import ARGON, MERCURY, NEON, axis, spectrum
from numpy.polynomial.chebyshev import chebfit, chebval

from glowledger.bench.matching import refine, view_of
from glowledger.bench.nearby import LOCAL, TERMS
from glowledger.bench.shots import joined_lines, pattern_of, prepare_shot
from glowledger.bench.solving import solve
from glowledger.bench.whole_spectrum import WholeSpectrum
from glowledger.spectra.frames import frames_from_arrays

U = np.linspace(-1.0, 1.0, 2048)
SPAN = 800.0


def shot_of(lines, nm, lamp, fwhm_nm=1.4, seed=0):
    counts = spectrum(lines, nm, fwhm_nm, seed)
    return prepare_shot(frames_from_arrays(np.arange(len(nm), dtype=float), counts, axis_kind="pixel"), lamp)


def whole_of(shot):
    return WholeSpectrum([shot], LOCAL.spread(SPAN, TERMS))


def as_scale(nm):
    return chebfit(np.linspace(-1.0, 1.0, len(nm)), nm, TERMS - 1)


def test_a_scale_that_is_off_is_drawn_to_where_the_lines_are():
    nm = axis(bend=0.015)
    off = as_scale(nm) + np.array([0.3, 0.3, 0.15, 0.0, 0.0, 0.0])  # up to half a line width
    fit = whole_of(shot_of(NEON, nm, "ne")).fit(off, 4)
    among = (nm > 540.0) & (nm < 755.0)
    error = chebval(U, fit.scale) - nm
    assert np.max(np.abs(error[among])) < 0.1 * 1.4
    assert np.all(np.abs(error[among]) < 3.0 * fit.standard_error_nm(U[among]))
    assert fit.trusted


def test_lines_that_one_peak_hides_are_placed_together():
    # the mercury pair at 577 and 579 nm and the triplet at 313 and 365 nm are not resolved at 4 nm: their common
    # places and shapes still hold the curve
    nm = axis(bend=0.01)
    off = as_scale(nm) + np.array([0.6, -0.6, 0.3, 0.0, 0.0, 0.0])
    fit = whole_of(shot_of(MERCURY | ARGON, nm, "hg-ar", fwhm_nm=4.0)).fit(off, 4)
    among = (nm > 366.0) & (nm < 842.0)
    assert np.max(np.abs(chebval(U, fit.scale) - nm)[among]) < 0.1 * 4.0


@pytest.mark.parametrize("end", [-1.0, 1.0])
def test_a_curve_bent_by_a_line_width_at_one_end_is_far_less_likely(end):
    nm = axis(bend=0.015)
    whole = whole_of(shot_of(MERCURY | ARGON, nm, "hg-ar"))
    bent = as_scale(nm + 3.0 * np.clip(end * U, 0.0, None) ** 2)
    own = whole.fit(as_scale(nm), 2)
    assert own.log_odds(whole.fit(bent, 0)) > 10.0


def test_a_scale_that_leaves_bright_peaks_without_a_line_pays_for_each():
    nm = axis(bend=0.015)
    whole = whole_of(shot_of(MERCURY | ARGON, nm, "hg-ar"))
    own, moved = whole.fit(as_scale(nm), 2), whole.fit(as_scale(nm + 30.0), 0)
    assert own.strange == 0
    assert moved.strange >= 8


def test_it_keeps_silent_where_the_lines_of_the_lamp_do_not_describe_the_spectrum():
    nm = axis(bend=0.015)
    whole = whole_of(shot_of(NEON, nm, "hg"))
    other_lamp = whole.fit(as_scale(nm), 2)
    assert not other_lamp.trusted
    assert other_lamp.log_odds(whole.fit(as_scale(nm + 5.0), 0)) == 0.0
    case = make_grating_case(310047)  # strengths that differ from the table by any factor, at the true scale
    shot = prepare_shot(frames_from_arrays(case.pixel, case.counts, axis_kind="pixel"), case.lamp)
    assert not whole_of(shot).fit(as_scale(case.wavelength_nm), 3).trusted


def test_the_answer_does_not_hang_on_the_direction_of_the_axis():
    nm = axis(bend=0.015)
    counts = spectrum(NEON, nm)
    pixel = np.arange(len(nm), dtype=float)
    ahead = whole_of(prepare_shot(frames_from_arrays(pixel, counts, axis_kind="pixel"), "ne"))
    back = whole_of(prepare_shot(frames_from_arrays(pixel, counts[::-1], axis_kind="pixel"), "ne"))
    one, other = ahead.fit(as_scale(nm), 3), back.fit(as_scale(nm[::-1]), 3)
    assert other.loss == pytest.approx(one.loss, rel=0.05)
    among = (nm > 540.0) & (nm < 755.0)
    assert np.max(np.abs(chebval(U, one.scale) - chebval(-U, other.scale))[among]) < 0.05


def test_a_lamp_of_few_peaks_at_one_end_does_not_end_in_an_error():
    # scales may run away where few peaks hold them: this ended in 'singular matrix'
    nm = axis(pixels=500, start=450.0, end=800.0)
    shot = shot_of({585.2488: 45, 614.3063: 35, 640.2248: 75}, nm, "ne", fwhm_nm=3.0)
    view = view_of(pattern_of([shot]), joined_lines([shot]))
    scales = np.array([[600.0, 1e-9, 0.0, 0.0, 0.0, 0.0], [600.0, 100.0, 0.5, -0.2, 0.1, 0.05]])
    assert np.all(np.isfinite(refine(scales, view.pattern, view.lists[0], LOCAL)))


# blends on few pixels, which the peaks alone do not place surely enough; drawn by the two simulators
FOUND_BY_SPECTRUM = ((make_case, 300546), (make_case, 300245), (make_case, 300057), (make_grating_case, 300065))


@pytest.mark.parametrize(("simulator", "seed"), FOUND_BY_SPECTRUM)
def test_blends_on_few_pixels_are_solved_by_the_whole_spectrum(simulator, seed):
    case = simulator(seed)
    frames = frames_from_arrays(case.pixel, case.counts, axis_kind="pixel")
    result = solve([prepare_shot(frames, case.lamp)], frames.axis)
    assert result.accepted
    assert largest_error(case, result.solution.nm(case.pixel), *result.solution.covered) < 1.0


@pytest.mark.parametrize("seed", [310047, 300024])
def test_strengths_unlike_the_table_mislead_nobody(seed):
    # relative intensities of NIST's tables for strengths: the whole spectrum once led to a curve 1.3 line widths off
    case = make_grating_case(seed)
    frames = frames_from_arrays(case.pixel, case.counts, axis_kind="pixel")
    result = solve([prepare_shot(frames, case.lamp)], frames.axis)
    if result.accepted:
        assert largest_error(case, result.solution.nm(case.pixel), *result.solution.covered) < 1.0
