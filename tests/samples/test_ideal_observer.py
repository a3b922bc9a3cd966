"""The ideal observer of the simulator, against what can be said without him."""

from dataclasses import replace

import pytest
from glow_instrument import Instrument
from glow_simulator import simulate
from glow_visibility import DETECTION_LIMIT, visible

BENCH = Instrument(range_nm=(300.0, 800.0), pixels=1024, second_order=0.0)


def seen(name, mixture, bench=BENCH, rivals=None):
    return visible(simulate(mixture, bench, 5)[2], bench, name, rivals)


def test_a_lone_line_keeps_nearly_all_of_its_signal_to_noise():
    # Cauchy-Schwarz: nobody does better than the matched filter; Na 589 has next to no neighbour in argon.
    truth = simulate({"Ar I": 1e6, "Na I": 3e4}, BENCH, 5)[2]
    found = visible(truth, BENCH, "Na I", ("Fe I",))
    assert 0.5 * truth.matched_snr("Na I") < found.alone <= truth.matched_snr("Na I")
    assert found.distance > 0.8 * found.alone


def test_a_species_out_of_range_is_not_seen():
    assert seen("NO", {"Ar I": 1e6, "NO": 1e5}, replace(BENCH, range_nm=(400.0, 800.0)), ()).alone < 1.0


def test_a_neighbour_takes_its_place_at_coarse_resolution_only():
    # H 656.28 and He II 656.01 nm (NIST ASD): 0.3 nm apart.
    fine = seen("H I", {"Ne I": 1e3, "H I": 2e4}, replace(BENCH, pixels=8192, fwhm_nm=(0.1, 0.1)), ("He II",))
    coarse = seen("H I", {"Ne I": 1e3, "H I": 2e4}, replace(BENCH, fwhm_nm=(6.0, 6.0)), ("He II",))
    assert fine.distance > 0.9 * fine.alone
    assert coarse.distance < 0.7 * coarse.alone
    assert coarse.rival == "He II"


def test_a_rival_must_show_its_other_lines_too():
    # He 587.56 is 1.5 nm beside Na 589, but He without 667.8, 501.6 and 447.1 nm is no helium (NIST ASD).
    coarse = replace(BENCH, fwhm_nm=(6.0, 6.0))
    found = seen("Na I", {"Ne I": 1e3, "Na I": 2e4}, coarse, ("He I",))
    assert found.distance > 0.7 * found.alone  # axis and line shape, which are free, take the rest


def test_what_nobody_tells_of_the_spectrometer_costs_sight():
    # In helium a wing of He 587.56 and a skew of all lines look alike, so that sodium beside it is told less surely
    # than by one who knows the line shape; the limit is that of Currie, 3.54 + 1.645 (normal quantiles).
    truth = simulate({"He I": 1e7, "Na I": 1e5}, BENCH, 5)[2]
    assert visible(truth, BENCH, "Na I", ()).alone < 0.8 * truth.matched_snr("Na I")
    assert pytest.approx(3.540 + 1.645, abs=2e-3) == DETECTION_LIMIT


def test_lines_at_invented_places_hide_a_band_from_who_does_not_know_them():
    # C2 amid the many lines of H2: ten times the light helps who knows them, while to others they are noise that grows
    # with it
    known, unknown = [], []
    for much in (1.0, 10.0):
        truth = simulate({"H I": 6e5 * much, "H2": 4e5 * much, "C2": 3e4 * much}, BENCH, 5)[2]
        known.append(visible(truth, BENCH, "C2", ()).distance)
        unknown.append(visible(truth, BENCH, "C2", (), untabled=True).distance)
    assert unknown[0] < known[0]
    assert unknown[1] < known[1]
    assert known[1] / known[0] > 1.3 * unknown[1] / unknown[0]
    without = simulate({"Ar I": 1e6, "C2": 3e4}, BENCH, 5)[2]
    assert visible(without, BENCH, "C2", (), untabled=True) == visible(without, BENCH, "C2", ())
