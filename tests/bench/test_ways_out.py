"""What to do about a refused lamp: more lines, less light, a rough axis; and that this works."""

import numpy as np
import pytest
from lamp_fleet_grating import make_case
from lamp_spectra import MERCURY, NEON, axis, spectrum

from glowledger.bench.calibration import bounds_of, calibrate
from glowledger.spectra.frames import frames_from_arrays

WIDTH = 0.4


def calibrated(nm, lamp, places, kind, lines=NEON):
    counts = spectrum(lines, nm, fwhm_nm=WIDTH)
    return calibrate([(frames_from_arrays(places, counts, axis_kind=kind), lamp)])


@pytest.mark.parametrize(("start", "end"), [(580.0, 760.0), (690.0, 850.0)])
def test_a_spectrometer_of_a_short_range_is_solved_with_a_rough_axis_and_else_told_to_give_one(start, end):
    nm, pixel = axis(start=start, end=end), np.arange(2048.0)
    blind = calibrated(nm, "ne", pixel, "pixel")
    assert not blind.accepted
    assert "give a file whose axis is in nm" in blind.mend
    rough = nm + 12.0 + 0.03 * (nm - start)
    result = calibrated(nm, "ne", rough, "nm_air", NEON)
    assert result.accepted
    at = np.linspace(*result.solution.covered, 50)
    assert np.max(np.abs(result.solution.nm(at) - np.interp(at, rough, nm))) < WIDTH / 5
    assert any("nm axis of the file is wrong" in text for text in result.warnings)


@pytest.mark.parametrize("lamp", ["ar", "kr", "hg-ar"])
def test_a_rough_axis_makes_no_wrong_lamp_right(lamp):
    nm = axis(start=580.0, end=760.0)
    assert not calibrated(nm, lamp, nm + 12.0, "nm_air", NEON).accepted


def test_an_axis_within_the_usual_bounds_bounds_nothing():
    # it may be off by any amount: two lines taken for others when somebody made it
    frames = frames_from_arrays(axis(), spectrum(NEON | MERCURY, axis()), axis_kind="nm_air")
    assert bounds_of(frames) is None
    assert bounds_of(frames_from_arrays(np.arange(600.0, 2648.0), frames.counts[0], axis_kind="pixel")) is None


@pytest.mark.parametrize("cut_off", [False, True])
def test_a_lamp_that_is_recognised_but_not_held_is_not_told_to_check_its_name(cut_off):
    # a compact fluorescent lamp of which two lines of mercury stand alone
    case = make_case(851084)
    assert case.lamp == "cfl"
    counts = np.minimum(case.counts, np.quantile(case.counts, 0.985)) if cut_off else case.counts
    frames = frames_from_arrays(case.pixel, counts, axis_kind="pixel")
    result = calibrate([(frames, "cfl")])
    assert not result.accepted
    assert "recognised as those of 'cfl'" in result.mend
    assert ("shorten the exposure" in result.mend) == cut_off
    assert ("second lamp" in result.mend) != cut_off
    assert calibrate([(frames, "auto")]).mend == result.mend
