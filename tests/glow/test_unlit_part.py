"""Dark ultraviolet behind a window that nobody stated."""

import numpy as np
from glow_instrument import Instrument
from glow_simulator import simulate

from glowledger.glow.axis_freedom import LOOSE_BEND_SD_NM, axis_freedom
from glowledger.glow.identifying import identify, identify_frame
from glowledger.glow.visibility import unlit, visibility
from glowledger.spectra.frames import frames_from_arrays

ACRYLIC = Instrument(pixels=1024, range_nm=(250.0, 850.0), window="acrylic", stray=2e-3)


def test_copper_is_seen_by_its_green_lines_through_acrylic():
    # Cu 324.75 and 510.55 nm share their upper level, branching 70 to 1 (A 1.40e8 and 2.0e6 1/s, NIST ASD): that
    # nothing is seen at 325 nm must not count against copper where acrylic passes nothing below some 380 nm.
    counts, nm, truth = simulate({"Ar I": 4e6, "Cu I": 2e6}, ACRYLIC, 3)
    green = np.abs(truth.true_nm - 510.55) < 2
    assert 10 < np.max(truth.expected["Cu I"][green] / truth.noise_sd[green]) < 60
    (copper,) = [s for s in identify_frame(frames_from_arrays(nm, counts)).species if s.name == "Cu I"]
    assert copper.verdict in ("present", "possible")
    assert any(500 < feature.wavelength_nm < 580 for feature in copper.features if feature.clean)


def test_stray_light_does_not_open_a_window():
    counts, nm, _ = simulate({"Ar I": 1e7, "N2": 1e6}, ACRYLIC, 4)
    found = identify(frames_from_arrays(nm, counts))
    seen = visibility(found.scene, found.solution, None)
    assert 370 < unlit(found.scene, seen) < 410  # the simulator's acrylic passes half at 382 nm
    counts, nm, _ = simulate({"Ar I": 1e7, "N2": 1e6}, Instrument(pixels=1024, range_nm=(280.0, 850.0)), 4)
    found = identify(frames_from_arrays(nm, counts))
    assert unlit(found.scene, visibility(found.scene, found.solution, None)) == 0.0


def test_an_axis_bends_as_far_as_said_and_smoothly():
    axis = np.linspace(200.0, 900.0, 2048)
    basis, sd, _ = axis_freedom(axis, None)
    covariance = (basis * sd**2) @ basis.T
    bend = covariance - sd[0] ** 2
    spread = np.sqrt(np.diag(bend))
    np.testing.assert_allclose(spread, LOOSE_BEND_SD_NM, rtol=0.15)
    correlation = bend / np.outer(spread, spread)
    middle, step = axis.size // 2, (axis[-1] - axis[0]) / (axis.size - 1)
    assert correlation[middle, middle + round(40 / step)] > 0.9
    assert correlation[middle, middle + round(300 / step)] < 0.4
