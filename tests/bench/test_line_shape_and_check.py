"""The measured line-spread, and whether the lines of a spectrum fit a bench."""

import numpy as np
import pytest
from lamp_fleet import spread_lines
from lamp_spectra import ARGON, MERCURY, NEON, axis, spectrum
from numpy.testing import assert_allclose

from glowledger.bench.calibration import calibrate
from glowledger.bench.checking import check_bench
from glowledger.bench.model import Bench
from glowledger.spectra.frames import frames_from_arrays


def solved(nm, fwhm, lorentz, skew, lines, lamp):
    light = spread_lines(
        nm,
        np.abs(np.gradient(nm)),
        fwhm,
        np.array(list(lines)),
        np.array(list(lines.values())),
        lorentz,
        skew,
    )
    rng = np.random.default_rng(1)
    counts = rng.poisson(3000 * light + 50.0) + rng.normal(900.0, 8.0, len(nm))
    return calibrate([(frames_from_arrays(np.arange(len(nm), dtype=float), counts, axis_kind="pixel"), lamp)])


@pytest.mark.parametrize(("lorentz", "skew"), [(0.0, 0.0), (0.3, 0.0), (0.0, 0.08), (0.15, -0.06)])
def test_width_and_shape_are_recovered(lorentz, skew):
    # truth from the independent simulator: width rising along the axis, pseudo-Voigt share, lopsidedness
    nm = axis(3000, bend=0.01)
    fwhm = 1.6 + 0.4 * np.linspace(-1, 1, 3000)
    result = solved(nm, fwhm, lorentz, skew, MERCURY | ARGON, "hg-ar")
    assert result.accepted
    spread = result.line_spread
    places = np.array([440.0, 760.0])
    assert_allclose(spread.fwhm(places), np.interp(places, nm, fwhm), rtol=0.12)
    assert abs(spread.lorentz_fraction - lorentz) < 0.1
    assert abs(spread.asymmetry - skew) < 0.03


def bench_and_frames(shift_nm=0.0, lines=NEON):
    nm = axis()
    made = solved(nm, np.full(len(nm), 1.4), 0.0, 0.0, MERCURY | ARGON | NEON, "hg,ne,ar")
    bench = Bench(pixels=len(nm), solution=made.solution, line_spread=made.line_spread)
    later = spectrum(lines, nm + shift_nm, seed=4)
    return bench, frames_from_arrays(np.arange(len(nm), dtype=float), later, axis_kind="pixel")


def test_lines_in_their_places_fit():
    bench, frames = bench_and_frames()
    assert check_bench(frames, bench).verdict == "fits"


@pytest.mark.parametrize("shift", [-3.0, 1.5, 5.0])
def test_a_moved_spectrometer_is_noticed(shift):
    bench, frames = bench_and_frames(shift)
    check = check_bench(frames, bench)
    assert check.verdict == "moved"
    assert_allclose(check.shift_nm, shift, atol=0.3)


def test_another_spectrometer_does_not_fit():
    bench, _ = bench_and_frames()
    counts = spectrum(NEON | ARGON, axis(2048, 320.0, 1090.0, -0.02, 0.0), seed=5)
    other = frames_from_arrays(np.arange(2048.0), counts, axis_kind="pixel")
    assert check_bench(other, bench).verdict in ("does not fit", "cannot tell")


def test_a_dark_spectrum_cannot_tell():
    bench, frames = bench_and_frames()
    dark = frames_from_arrays(frames.axis, np.random.default_rng(1).normal(900, 9, 2048), axis_kind="pixel")
    check = check_bench(dark, bench)
    assert check.verdict == "cannot tell"
    assert check.reason
