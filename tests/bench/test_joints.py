"""Two detectors joined with a small step: one curve bends through the lines of both, and must not be claimed."""

import numpy as np
import pytest
from lamp_spectra import ARGON, MERCURY, NEON, axis, spectrum

from glowledger.bench.calibration import calibrate
from glowledger.spectra.frames import frames_from_arrays

PIXELS = 2048
FWHM_NM = 1.1
LAMPS = {"hg,ar": MERCURY | ARGON, "ne,hg": MERCURY | NEON, "ne,ar": NEON | ARGON}
LINES_NM = {"ne,hg": (405.0, 744.0), "ne,ar": (586.0, 842.0)}  # between the outermost lines on the detector


def joined(lamp, joint_nm, step_nm, stretch=0.0, seed=0):
    """A lamp on a detector that jumps and whose pixels change at once, and the true wavelength of each pixel."""
    first = axis(PIXELS, 340.0, 960.0, 0.012, 0.003)
    at = int(np.searchsorted(first, joint_nm))
    true = np.where(np.arange(PIXELS) >= at, first + step_nm + stretch * (first - joint_nm), first)
    counts = spectrum(LAMPS[lamp], true, FWHM_NM, seed=seed)
    return frames_from_arrays(np.arange(float(PIXELS)), counts, axis_kind="pixel"), true


def largest_error(result, true):
    """The largest error between the outermost used lines, in line widths."""
    at = np.arange(float(PIXELS))
    low, high = result.solution.covered
    inside = (at >= low) & (at <= high)
    return float(np.max(np.abs(result.solution.nm(at) - true)[inside])) / FWHM_NM


@pytest.mark.parametrize(
    ("lamp", "joint_nm", "step_nm", "stretch"),
    [("ne,hg", 600.0, -1.0, 0.0), ("ne,hg", 670.0, 0.8, 0.0), ("ne,ar", 640.0, 0.6, 0.0), ("ne,ar", 700.0, -0.5, 0.0),
     ("ne,hg", 645.0, 0.0, -0.02), ("ne,ar", 670.0, 0.3, 0.015)],
)  # fmt: skip
def test_the_range_ends_at_a_small_step_and_it_is_told(lamp, joint_nm, step_nm, stretch):
    frames, true = joined(lamp, joint_nm, step_nm, stretch)
    result = calibrate([(frames, lamp)])
    assert result.accepted
    assert largest_error(result, true) < 0.1
    told = [text for text in result.warnings if "seems to break near" in text]
    assert len(told) == 1
    assert "calibrate each by itself" in told[0]
    low, high = result.range_nm
    assert ("beyond it" in told[0]) == (high < joint_nm)
    assert ("below it" in told[0]) == (low > joint_nm)
    beyond = (true > LINES_NM[lamp][0]) & (true < LINES_NM[lamp][1])
    displaced = np.max(np.abs(step_nm + stretch * (true[beyond] - joint_nm)))
    assert np.max(np.abs(result.solution.nm(np.arange(float(PIXELS))) - true)[beyond]) < 1.5 * displaced


@pytest.mark.parametrize("lamp", LAMPS)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_one_detector_keeps_its_whole_range(lamp, seed):
    frames, _ = joined(lamp, 640.0, 0.0, seed=seed)
    result = calibrate([(frames, lamp)])
    assert result.accepted
    assert not any("seems to break" in text for text in result.warnings)
    low, high = result.range_nm
    assert low < 600.0
    assert high > 740.0
