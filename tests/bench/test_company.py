"""Lines with company: wider than the others, pulled by a line of no list in the same peak."""

import numpy as np
import pytest
from lamp_fleet import largest_error, make_case
from lamp_fleet_grating import make_case as make_grating_case
from lamp_spectra import axis, spectrum
from numpy.polynomial.chebyshev import chebfit, chebval

from glowledger.bench.calibration import calibrate
from glowledger.bench.company import company, wider
from glowledger.bench.cutting import as_ill_told
from glowledger.bench.placing import placed
from glowledger.bench.polynomial import fit_lines
from glowledger.bench.shots import prepare_shot
from glowledger.bench.solving import HIDDEN, solve
from glowledger.bench.whole_spectrum import WholeFit
from glowledger.spectra.frames import frames_from_arrays

# hydrogen, air: NIST Atomic Spectra Database (doi 10.18434/T4W30F), from memory
HYDROGEN = {410.174: 30.0, 434.047: 60.0, 486.135: 80.0, 656.279: 100.0}
FWHM = 2.4
RED = 700.0  # a stranger far from all of them


def shot_of(lines, nm, fwhm_nm=FWHM, lamp="h2"):
    frames = frames_from_arrays(np.arange(len(nm)), spectrum(lines, nm, fwhm_nm)[None, :], axis_kind="pixel")
    return prepare_shot(frames, lamp)


def blue_axis():
    return axis(3000, 400.0, 800.0)


def placed_under_the_truth(lines):
    """Errors of the hydrogen lines and how far each is placed off, both over the FWHM, by published wavelength."""
    nm = blue_axis()
    shot = shot_of({**lines, RED: 40.0}, nm)
    true = chebfit(shot.u, nm, 5)
    found, _ = placed([shot], true, 0.6)
    off = found.wavelength_nm - chebval(found.u, true)
    rows = zip(found.wavelength_nm, found.error_nm / FWHM, np.abs(off) / FWHM, strict=True)
    return {round(float(w)): (float(error), float(pull)) for w, error, pull in rows}


@pytest.mark.parametrize("gap", [0.35, 0.45])
@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_a_line_that_a_hidden_one_pulls_is_in_doubt_by_as_much_and_no_other_is(gap, side):
    alone = placed_under_the_truth(HYDROGEN)
    beside = placed_under_the_truth({**HYDROGEN, 434.047 + side * gap * FWHM: 50.0})
    assert beside[434][1] > 0.14
    assert beside[434][0] > beside[434][1] / 2.0
    assert alone[434][0] < 0.03
    for line in (410, 486, 656):
        assert beside[line][0] == pytest.approx(alone[line][0], abs=0.01)


def test_the_chance_of_company_is_that_of_the_width():
    nm = blue_axis()
    shot = shot_of({**HYDROGEN, RED: 40.0, 434.047 + 0.45 * FWHM: 50.0}, nm)
    excess, chance = company(shot)
    pulled = int(np.argmin(np.abs(np.interp(shot.peaks.pixel, np.arange(len(nm)), nm) - 434.5)))
    # FWHM^2 + 8 ln 2 r d^2 / (1 + r)^2: the peak of two Gaussians by their moments, wider than its half maximum tells
    ratio = 50.0 / 60.0
    by_moments = 0.5 * np.log1p(8.0 * np.log(2.0) * ratio * 0.45**2 / (1.0 + ratio) ** 2)
    assert excess[pulled] == pytest.approx(by_moments, abs=0.03)
    assert chance[pulled] > 0.9
    assert np.max(np.delete(chance, pulled)) < 0.05


def test_widths_that_rise_over_the_axis_are_no_company():
    u = np.array([-0.9, -0.6, -0.1, 0.3, 0.9])
    excess, sd = wider(u, 0.15 * u, np.full(5, 0.003))
    assert np.all(np.abs(excess) < 2.0 * sd)


def test_where_widths_scatter_a_wide_line_says_less():
    rng = np.random.default_rng(3)
    u, error = np.linspace(-1.0, 1.0, 30), np.full(30, 0.003)
    width = rng.normal(0.0, 1.0, 30)
    width[12] = 0.0
    even, uneven = 0.005 * width, 0.06 * width
    even[12] = uneven[12] = 0.12
    (one, one_sd), (other, other_sd) = wider(u, even, error), wider(u, uneven, error)
    assert one[12] == pytest.approx(0.12, abs=0.02)
    assert one[12] > 4.0 * one_sd[12]
    assert other[12] < 3.0 * other_sd[12]


# a line of hydrogen was pulled by a fifth and by a quarter of the line width: both had been accepted
@pytest.mark.parametrize(("make", "seed", "line"), [(make_grating_case, 541016, "434.0"), (make_case, 542082, "954.6")])
def test_a_curve_that_hangs_on_a_line_with_company_is_refused_and_says_so(make, seed, line):
    case = make(seed)
    result = calibrate([(frames_from_arrays(case.pixel, case.counts, axis_kind="pixel"), case.lamp)])
    assert not result.accepted
    reason = next(reason for reason in result.reasons if reason.startswith(HIDDEN))
    assert f"{line} nm, which is wider than the others" in reason
    assert "second lamp" in result.mend


# krypton and xenon on few pixels, krypton with lines of no list, a lamp a third of whose peaks are strangers': lines of
# these were further off than they said, and curves through them had been accepted wrong
@pytest.mark.parametrize(
    ("make", "seed"), [(make_case, 542151), (make_grating_case, 541105), (make_grating_case, 516109)]
)
def test_where_the_lamp_does_not_tell_the_spectrum_a_curve_claims_no_more_than_holds(make, seed):
    case = make(seed)
    frames = frames_from_arrays(case.pixel, case.counts, axis_kind="pixel")
    result = solve([prepare_shot(frames, case.lamp)], frames.axis)
    assert not result.accepted or largest_error(case, result.solution.nm(case.pixel), *result.solution.covered) < 1.0


@pytest.mark.parametrize(
    ("chi2", "strange", "worse"), [(9.0, 0, 2.0), (2.25, 8, 1.5), (0.4, 8, 1.0), (3.0, 0, 1.0)]
)
def test_errors_grow_with_the_misfit_of_a_spectrum_that_the_lamp_does_not_tell(chi2, strange, worse):
    u = np.linspace(-0.9, 0.9, 12)
    fit = fit_lines(u, 600.0 + 200.0 * u, np.full(12, 0.05), 3, 400.0)
    whole = WholeFit(
        scale=fit.coefficients, loss=100.0, strange=strange, peaks=20, chi2=chi2, covariance=fit.covariance, states=(),
        freed=(),
    )  # fmt: skip
    told = as_ill_told(fit, whole)
    assert told.standard_error_nm(u) == pytest.approx(worse * fit.standard_error_nm(u))
    assert told.rate(np.full(12, 0.05)) == pytest.approx(fit.rate(np.full(12, 0.05)) / worse**2)
