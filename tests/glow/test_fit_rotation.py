"""Rotational temperatures of simulated glows; 50 to 100 K is common at 1-2 nm (common practice, no source)."""

import sys
from functools import cache
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "simulators"))

from glow_emission import Nature
from glow_instrument import Instrument
from glow_simulator import simulate

from glowledger.glow.identifying import identify_frame
from glowledger.spectra.frames import frames_from_arrays

NARROW = Instrument(pixels=1024, range_nm=(280.0, 460.0), bend=(2.0, 0.3), fwhm_nm=(0.7, 0.7))
CASES = [
    (name, kelvin) for name, temperatures in (("N2", (300, 600, 1000, 1500)), ("CN", (400, 1000)), ("OH", (400, 1000)))
    for kelvin in temperatures
]  # fmt: skip


@cache
def measured(name, kelvin):
    counts, nm, _ = simulate({name: 1e6}, NARROW, 30 + kelvin // 100, nature=Nature(t_rot_default=float(kelvin)))
    fit = identify_frame(frames_from_arrays(nm, counts), species=["N2", "N2+", "CN", "OH", "CH", "NH"])
    return next(t for t in fit.temperatures if t.name.removeprefix("T_rot ").startswith(name))


@pytest.mark.parametrize(("name", "kelvin"), CASES)
def test_the_interval_holds_the_truth(name, kelvin):
    # the simulated bands err by 10 % in strength and the line-spread is no pseudo-Voigt; OH alone, with a response
    # that nobody measured, tells little: the slope of the response bends its one band as temperature does
    found = measured(name, kelvin)
    low, high = found.interval_k
    assert low < found.kelvin < high
    assert abs(np.log(found.kelvin / kelvin)) < 2.5 * 0.5 * np.log(high / low)
    assert high / low < 3, "an interval that tells something"


@pytest.mark.parametrize("kelvin", [350, 1200])
def test_the_bands_at_another_temperature_do_not_stand_in_for_the_true_ones(kelvin):
    # the response is unknown and nothing but OH shines there: a bend of it must not paint OH at the temperature
    # assumed first (500 K); lines are wider in the red than in the blue
    wide = Instrument(range_nm=(200.0, 900.0), fwhm_nm=(1.2, 1.4))
    glow = {"Ar I": 1e7, "OH": 3e6, "H I": 5e5, "O I": 5e5}
    counts, nm, _ = simulate(glow, wide, 41, nature=Nature(t_rot_default=float(kelvin)))
    fit = identify_frame(frames_from_arrays(nm, counts))
    found = next(t for t in fit.temperatures if t.name == "T_rot OH")
    assert found.kelvin == pytest.approx(kelvin, rel=0.13)
    low, high = found.interval_k
    assert abs(np.log(found.kelvin / kelvin)) < 1.96 * 0.5 * np.log(high / low)


@pytest.mark.parametrize(("name", "kelvin"), CASES)
def test_bands_with_heads_give_the_temperature_within_a_sixth(name, kelvin):
    assert measured(name, kelvin).kelvin == pytest.approx(kelvin, rel=1 / 6, abs=75)


def test_temperatures_have_no_bias_on_average():
    ratios = np.log([measured(name, kelvin).kelvin / kelvin for name, kelvin in CASES])
    assert abs(ratios.mean()) < 0.08
    assert np.all(np.diff([measured("N2", k).kelvin for k in (300, 600, 1000, 1500)]) > 0)


def test_faint_bands_tell_no_temperature():
    counts, nm, _ = simulate({"N2": 3e3}, NARROW, 5)
    fit = identify_frame(frames_from_arrays(nm, counts), species=["N2", "OH"])
    for one in fit.temperatures:
        assert not np.isfinite(one.kelvin) or one.interval_k[1] - one.interval_k[0] > 100
        assert one.reason
