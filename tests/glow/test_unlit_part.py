"""Dark ultraviolet behind a window that nobody stated."""

import numpy as np
import pytest
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


@pytest.mark.parametrize(("seed", "photons"), [(11, 6e5), (13, 6e5), (12, 5e5), (17, 6e5)])
def test_a_spectrometer_of_few_pixels_sees_copper_through_acrylic_too(seed, photons):
    # argon has lines near 515.1 and 522.1 nm of its own (NIST ASD), whose levels may not take those of copper
    bench = Instrument(pixels=1024, range_nm=(250.0, 900.0), fwhm_nm=(1.5, 1.8), window="acrylic", second_order=0.002)
    counts, nm, truth = simulate({"Ar I": 4e6, "Cu I": photons}, bench, seed)
    assert np.max(truth.expected["Cu I"] / truth.noise_sd) > 15
    (copper,) = [s for s in identify_frame(frames_from_arrays(nm, counts)).species if s.name == "Cu I"]
    assert copper.verdict in ("present", "possible")


@pytest.mark.parametrize("seed", [21, 22])
def test_nitrogen_is_seen_beside_the_beta_bands_of_nitric_oxide(seed):
    # a leak into oxygen seen through glass: NO gamma is stopped, NO beta stands amid the bands of N2 and N2+
    bench = Instrument(range_nm=(300.0, 900.0), fwhm_nm=(1.3, 1.6), window="borosilicate")
    mixture = {"O I": 8e6, "O2+": 8e5, "N2": 4e5, "N2+": 1.2e5, "NO": 5e6}
    counts, nm, _ = simulate(mixture, bench, seed)
    found = {s.name: s for s in identify_frame(frames_from_arrays(nm, counts)).species}
    assert found["NO"].verdict == "present"
    assert any("NO B-X" in feature.label for feature in found["NO"].features if feature.clean)
    assert found["N2"].verdict in ("present", "possible")


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
