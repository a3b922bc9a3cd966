"""Two detectors joined: a line of the other one that fits by chance must not carry the range over the joint."""

import numpy as np
import pytest
from lamp_spectra import ARGON, MERCURY, NEON, axis, spectrum

from glowledger.bench.calibration import calibrate
from glowledger.bench.seams import bend_of_axis
from glowledger.spectra.frames import frames_from_arrays

PIXELS = 1024


def neon_on_two_detectors(joint_nm, gap_nm, lines=NEON):
    """A neon lamp on an axis that jumps by `gap_nm` at a wavelength, and the true wavelength of each pixel."""
    first = axis(PIXELS, 400.0, 900.0, 0.01, 0.002)
    beyond = np.arange(PIXELS) >= np.searchsorted(first, joint_nm)
    second = first + gap_nm
    counts = np.where(beyond, spectrum(lines, second, seed=joint_nm + 1), spectrum(lines, first, seed=joint_nm))
    return frames_from_arrays(np.arange(float(PIXELS)), counts, axis_kind="pixel"), np.where(beyond, second, first)


# joints at which a single line beyond them lies where the other detector's scale has a line: 14 and 20 nm off
@pytest.mark.parametrize(("joint_nm", "gap_nm"), [(600, 20.0), (700, 14.0), (640, 8.0), (680, -15.0)])
def test_the_range_ends_before_the_joint(joint_nm, gap_nm):
    frames, true = neon_on_two_detectors(joint_nm, gap_nm)
    result = calibrate([(frames, "ne")])
    if not result.accepted:  # to refuse it is right as well
        return
    low, high = result.solution.covered
    places = np.arange(np.ceil(low), high)
    off = np.abs(result.solution.nm(places) - np.interp(places, np.arange(PIXELS), true))
    assert np.max(off) < 0.2 * 1.4


# joints beside which main lines of the other detector lay on lines of the list, and others did not or were missing
@pytest.mark.parametrize(
    ("lamp", "lines", "joint_nm", "gap_nm"),
    [("ne", NEON, 655, 5.0), ("ne", NEON, 700, 5.0), ("ne,ar", NEON | ARGON, 600, 20.0)],
)
def test_an_end_that_the_curve_misses_or_before_which_bright_lines_are_missing_is_none(lamp, lines, joint_nm, gap_nm):
    frames, true = neon_on_two_detectors(joint_nm, gap_nm, lines)
    result = calibrate([(frames, lamp)])
    if not result.accepted:
        return
    places = np.arange(np.ceil(result.solution.covered[0]), result.solution.covered[1])
    off = np.abs(result.solution.nm(places) - np.interp(places, np.arange(PIXELS), true))
    assert np.max(off) < 0.2 * 1.4


def test_a_whole_neon_lamp_keeps_its_range():
    frames, _ = neon_on_two_detectors(640, 0.0)
    result = calibrate([(frames, "ne")])
    assert result.range_nm[0] < 590.0
    assert result.range_nm[1] > 740.0


def test_lines_of_an_unnamed_gas_end_no_range():
    # argon beside neon is light of another kind on the same scale
    nm = axis(PIXELS, 400.0, 900.0, 0.01, 0.002)
    counts = spectrum(NEON | ARGON, nm, seed=3)
    result = calibrate([(frames_from_arrays(np.arange(float(PIXELS)), counts, axis_kind="pixel"), "ne")])
    assert result.accepted
    assert result.range_nm[0] < 590.0
    assert result.range_nm[1] > 700.0


@pytest.mark.parametrize("moved_nm", [3.0, -6.0, 45.0])
def test_files_between_which_the_instrument_was_moved_are_not_combined(moved_nm):
    nm = axis(PIXELS, 330.0, 880.0, 0.01, 0.002)
    files = [
        frames_from_arrays(np.arange(float(PIXELS)), spectrum(lines, place, seed=seed), axis_kind="pixel")
        for lines, place, seed in ((MERCURY, nm, 4), (NEON, nm + moved_nm, 5))
    ]
    result = calibrate([(files[0], "hg"), (files[1], "ne")])
    assert not result.accepted
    assert "follow another scale than those of the other file" in result.reasons[0]
    assert calibrate([(files[0], "hg"), (frames_from_arrays(
        np.arange(float(PIXELS)), spectrum(NEON, nm, seed=5), axis_kind="pixel"), "ne")]).accepted  # fmt: skip


@pytest.mark.parametrize("digits", [2, 4])
def test_an_nm_axis_of_two_pieces_is_told(digits):
    true = axis(PIXELS, 400.0, 900.0, 0.01, 0.002)
    counts = spectrum(NEON, true, seed=3)
    pieces = np.where(true > 640.0, true + 0.04 * (true - 640.0), true)  # the second part stretched by 4 %
    for written, bent in ((true + 3.0, False), (pieces, True)):
        made = calibrate([(frames_from_arrays(np.round(written, digits), counts, axis_kind="nm_air"), "ne")])
        if made.accepted:
            assert any("bends at 64" in text or "bends at 63" in text for text in made.warnings) == bent
        assert (bend_of_axis(np.round(written, digits)) is not None) == bent


@pytest.mark.parametrize(
    ("lamp", "lines", "bend_nm", "stretch"),
    [("hg", MERCURY, 500.0, 0.03), ("hg", MERCURY, 420.0, -0.06), ("hg-ar", MERCURY | ARGON, 640.0, -0.06),
     ("ne", NEON, 640.0, 0.06)],
)  # fmt: skip
def test_a_bend_of_the_axis_that_lines_would_not_show_is_refused_with_what_to_do(lamp, lines, bend_nm, stretch):
    true = axis(PIXELS, 300.0, 900.0, 0.01, 0.002)
    counts = spectrum(lines, true, seed=6)
    bent = np.where(true > bend_nm, true + stretch * (true - bend_nm), true)
    result = calibrate([(frames_from_arrays(bent, counts, axis_kind="nm_air"), lamp)])
    assert not result.accepted
    assert f"bends at {bend_nm:.0f} nm" in result.reasons[0]
    assert "Export pixel numbers" in result.mend
    assert calibrate([(frames_from_arrays(np.arange(float(PIXELS)), counts, axis_kind="pixel"), lamp)]).accepted


def test_a_bend_that_many_lines_follow_is_only_told():
    true = axis(PIXELS, 400.0, 900.0, 0.01, 0.002)
    counts = spectrum(NEON, true, seed=3)
    bent = np.where(true > 640.0, true + 0.012 * (true - 640.0), true)
    result = calibrate([(frames_from_arrays(bent, counts, axis_kind="nm_air"), "ne")])
    assert result.accepted
    assert any("bends at 6" in text for text in result.warnings)
    low, high = result.solution.covered
    inside = (bent > low) & (bent < high)
    assert np.max(np.abs(result.solution.nm(bent) - true)[inside]) < 0.2 * 1.4
