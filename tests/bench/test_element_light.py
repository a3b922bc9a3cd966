"""Lines as bright as each lamp burns its elements: what is dark in a lamp does not blur the lines of the others."""

import numpy as np
import pytest
from lamp_fleet import largest_error, make_case
from lamp_fleet_grating import make_case as make_grating_case
from lamp_spectra import axis, spectrum

from glowledger.bench.calibration import calibrate
from glowledger.bench.element_light import as_it_burns
from glowledger.bench.expected import lines_of
from glowledger.bench.shots import prepare_shot
from glowledger.bench.solving import solve
from glowledger.spectra.frames import frames_from_arrays

NM = axis(2048, 350.0, 900.0, 0.01, 0.002)


def burning(lamp, light, faint_light=1.0):
    """A lamp of the table whose elements burn so bright, and those lines that it only may show so much of that."""
    lines = lines_of(lamp)
    much = lines.strength * np.array([light[name] for name in lines.species]) * np.where(lines.bright, 1.0, faint_light)
    counts = spectrum(dict(zip(lines.wavelength_nm.tolist(), (60.0 * much).tolist(), strict=True)), NM, fwhm_nm=2.0)
    shot = prepare_shot(frames_from_arrays(np.arange(2048.0), counts, axis_kind="pixel"), lamp)
    return shot, np.interp(lines.wavelength_nm, NM, np.arange(2048.0), left=np.nan, right=np.nan)


def told(shot, line_px, name, bright):
    """Factor by which lines of a kind are made fainter."""
    rows = (np.array(shot.lines.species) == name) & (shot.lines.bright == bright)
    factor = as_it_burns(shot, line_px).strength[rows] / shot.lines.strength[rows]
    assert np.ptp(factor) < 1e-9 * np.max(factor)
    return float(factor[0])


@pytest.mark.parametrize("light", [1.0, 0.1, 0.02])
def test_an_element_is_as_bright_beside_another_as_its_lines_are(light):
    shot, line_px = burning("kr,xe", {"Kr I": 1.0, "Xe I": light})
    ratio = told(shot, line_px, "Xe I", True) / told(shot, line_px, "Kr I", True)
    assert light / 2.0 < ratio < 2.0 * light


@pytest.mark.parametrize("faint_light", [1.0, 0.02])
def test_lines_that_a_lamp_only_may_show_are_as_bright_as_it_shows_them(faint_light):
    shot, line_px = burning("kr", {"Kr I": 1.0}, faint_light)
    assert told(shot, line_px, "Kr I", True) == 1.0
    assert faint_light / 2.0 < told(shot, line_px, "Kr I", False) < max(3.0 * faint_light, 0.2)


def test_nothing_is_told_of_lines_that_are_not_recorded():
    shot, line_px = burning("kr,xe", {"Kr I": 1.0, "Xe I": 1.0})
    listed = as_it_burns(shot, np.full(len(line_px), np.nan))
    np.testing.assert_array_equal(listed.strength, shot.lines.strength)


def test_sure_lines_of_an_element_that_is_dark_make_no_peak_beside_brighter_ones_that_may_show():
    # under one of the scales that are tried here faint lines outshine all sure ones of a peak
    frames = []
    for lamp in (None, "cfl"):
        case = make_case(732014, lamp)
        frames.append(frames_from_arrays(case.pixel, case.counts, axis_kind="pixel"))
    result = calibrate([(frames[0], "he,ne,ar"), (frames[1], "cfl")])
    assert result.peaks_found > 20


# krypton without the faint lines that it may have, undersampled: they had blurred all others
@pytest.mark.parametrize("seed", [732198, 732861])
def test_lamps_whose_lines_were_blurred_by_what_they_do_not_show_are_solved(seed):
    case = make_grating_case(seed)
    frames = frames_from_arrays(case.pixel, case.counts, axis_kind="pixel")
    result = solve([prepare_shot(frames, case.lamp)], frames.axis)
    assert result.accepted
    assert largest_error(case, result.solution.nm(case.pixel), *result.solution.covered) < 1.0
