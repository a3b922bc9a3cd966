"""A bench put to spectra: the right axis in rising order, and the wrong bench noticed."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.polynomial import Chebyshev
from numpy.testing import assert_allclose, assert_array_equal

from glowledger.bench.applying import calibrated, extrapolated, standard_error_nm
from glowledger.bench.model import Bench, WavelengthSolution
from glowledger.bench.updating import moved
from glowledger.errors import CalibrationError
from glowledger.spectra.frames import frames_from_arrays


def solution(shift=0.0):
    return WavelengthSolution(
        coefficients=np.array([600.1 + shift, 301.2, 6.5, -1.25]),
        domain=(0.0, 2047.0),
        covariance=np.diag([1e-4, 2e-4, 1e-4, 5e-5]),
        scatter_nm=0.02,
        covered=(101.5, 1999.25),
    )


def frames(pixels=2048, first=0.0, kind="pixel"):
    counts = np.arange(2.0 * pixels).reshape(2, pixels)
    return frames_from_arrays(np.arange(pixels) + first, counts, axis_kind=kind, time_s=np.array([0.0, 3.0]))


@pytest.mark.parametrize("first", [0.0, 1.0])
def test_the_axis_is_the_polynomial_whether_pixels_count_from_0_or_1(first):
    bench = Bench(pixels=2048, solution=solution())
    result = calibrated(frames(first=first), bench)
    theirs = Chebyshev([600.1, 301.2, 6.5, -1.25], domain=[0, 2047])(np.arange(2048))  # numpy.polynomial
    assert_allclose(result.axis, theirs, rtol=0, atol=1e-9)
    assert result.axis_kind == "nm_air"
    assert_array_equal(result.time_s, [0.0, 3.0])


def test_an_instrument_that_runs_from_red_to_blue_is_turned_round():
    plain = solution()
    coefficients = plain.coefficients * np.array([1, -1, 1, -1])
    bench = Bench(pixels=2048, solution=WavelengthSolution(
        coefficients=coefficients, domain=plain.domain, covariance=plain.covariance, scatter_nm=0.02,
        covered=(48.0, 1900.0),
    ))  # fmt: skip
    source = frames()
    result = calibrated(source, bench)
    assert np.all(np.diff(result.axis) > 0)
    assert_array_equal(result.counts, source.counts[:, ::-1])
    outside = extrapolated(source, bench)
    assert_array_equal(np.flatnonzero(~outside)[[0, -1]], [2047 - 1900, 2047 - 48])


def test_beyond_the_lines_the_axis_is_marked_and_less_sure():
    bench = Bench(pixels=2048, solution=solution())
    outside = extrapolated(frames(), bench)
    assert_array_equal(np.flatnonzero(~outside)[[0, -1]], [102, 1999])
    error = standard_error_nm(frames(), bench)
    assert error[0] > error[1024]


def test_a_bench_of_another_instrument_is_noticed():
    bench = Bench(pixels=2048, solution=solution())
    with pytest.raises(CalibrationError, match="1024 points"):
        calibrated(frames(1024), bench)
    with pytest.raises(CalibrationError, match="already in nm"):
        calibrated(frames(kind="nm_air", first=300.0), bench)
    with pytest.raises(CalibrationError, match="no wavelength solution"):
        calibrated(frames(), Bench(pixels=2048))


def test_a_bench_made_for_a_rough_nm_axis_takes_only_that_axis():
    rough = np.linspace(310.0, 890.0, 2048)
    made_for = WavelengthSolution(
        coefficients=np.array([605.0, 288.0]), domain=(310.0, 890.0), covariance=np.eye(2) * 1e-4, scatter_nm=0.0,
        covered=(400.0, 800.0),
    )  # fmt: skip
    bench = Bench(pixels=2048, solution=made_for)
    same = frames_from_arrays(rough + 1e-4, np.ones(2048), axis_kind="nm_air")
    assert_allclose(calibrated(same, bench).axis[[0, -1]], [317.0, 893.0], atol=0.01)
    with pytest.raises(CalibrationError, match="310 to 890"):
        calibrated(frames_from_arrays(rough + 5.0, np.ones(2048), axis_kind="nm_air"), bench)


def test_whether_the_instrument_moved_is_judged_by_the_errors():
    said = moved(solution(), solution(0.005))
    assert "has not moved by more" in said
    assert "+0.005 ± 0." in said
    assert "+0.400 nm" in moved(solution(), solution(0.4))
    assert "has moved" in moved(solution(), solution(0.4))


@pytest.mark.parametrize("change", [[57.0], [0.0, -13.0], [0.0, -602.4], [0.0, 0.0, 9.0]])
def test_a_scale_further_off_than_one_instrument_moves_is_told_as_of_another(change):
    other = replace(solution(), coefficients=solution().coefficients + np.pad(change, (0, 4 - len(change))))
    said = moved(solution(), other)
    assert "another instrument" in said
    assert "response, window and detector" in said
    assert "moved" not in said


def test_a_knock_and_a_warm_day_make_no_other_instrument():
    warm = replace(solution(1.5), coefficients=solution(1.5).coefficients + np.array([0.0, 0.6, 0.2, 0.0]))
    assert "has moved by +1." in moved(solution(), warm)


def test_what_is_known_badly_makes_no_other_instrument():
    vague = replace(solution(10.0), covariance=np.diag([4.0, 4.0, 4.0, 4.0]))
    assert "another instrument" not in moved(solution(), vague)


def test_scales_that_share_no_lines_are_told_apart_where_they_are_known():
    blue, red = replace(solution(), covered=(100.0, 700.0)), replace(solution(57.0), covered=(900.0, 1900.0))
    assert "another instrument" in moved(blue, red)
    assert "share no range" in moved(blue, replace(red, coefficients=solution(0.2).coefficients))
