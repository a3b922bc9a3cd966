"""The measured line-spread, and whether the lines of a spectrum fit a bench."""

import numpy as np
import pytest
from lamp_fleet import spread_lines
from lamp_spectra import ARGON, MERCURY, NEON, axis, spectrum
from numpy.testing import assert_allclose

from glowledger.bench.calibration import calibrate
from glowledger.bench.checking import check_bench
from glowledger.bench.linespread import measured_linespread
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
    assert abs(check.shift_nm - shift) < 4 * check.shift_se_nm
    assert 0.0 < check.shift_se_nm < 0.05


@pytest.mark.parametrize("lines", [NEON, MERCURY | ARGON])
@pytest.mark.parametrize("shift", [-0.5, 0.45, 0.6])
def test_a_spectrometer_moved_by_a_third_of_a_line_width_does_not_fit(lines, shift):
    # 0.45 to 0.6 nm at lines 1.4 nm wide: small for the eye, many standard errors for ten lines
    bench, frames = bench_and_frames(shift, lines)
    check = check_bench(frames, bench)
    assert check.verdict == "moved"
    assert abs(check.shift_nm - shift) < 4 * check.shift_se_nm


def test_phosphor_bands_do_not_hide_that_a_fluorescent_lamp_fits():
    # bands about as in compact fluorescent lamps (common practice, no source)
    bands = {450.0: (60, 50.0), 487.5: (25, 6.0), 492.0: (10, 6.0), 542.5: (60, 3.0), 548.5: (15, 4.0),
             584.5: (15, 4.0), 588.0: (18, 2.5), 593.6: (17, 3.0), 599.7: (12, 2.5), 611.4: (140, 2.2),
             620.6: (10, 5.0), 630.2: (15, 4.0), 650.5: (8, 3.5), 662.5: (6, 3.0), 687.5: (5, 3.0),
             693.5: (5, 3.0), 707.5: (15, 4.0), 712.0: (9, 3.5)}  # fmt: skip
    bench, _ = bench_and_frames()
    for shift in (0.0, 1.0):
        nm = axis() + shift
        counts = spectrum({k: v for k, v in MERCURY.items() if k > 380}, nm, seed=6)
        for centre, (height, fwhm) in bands.items():
            counts = counts + 300.0 * height * np.exp(-4 * np.log(2) * ((nm - centre) / fwhm) ** 2)
        frames = frames_from_arrays(np.arange(len(nm), dtype=float), np.rint(counts), axis_kind="pixel")
        check = check_bench(frames, bench)
        assert check.verdict == ("moved" if shift else "fits")
        assert abs(check.shift_nm - shift) < 4 * check.shift_se_nm


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


def test_the_width_is_told_over_the_whole_range_with_an_error_that_holds():
    # lines that widen by half from one end to the other, and neon and argon lines that crowd each other
    off, nodes_reach = [], []
    shapes = [(0.2, 0.0), (-0.2, 0.05), (0.1, 0.1), (-0.15, -0.05), (0.0, 0.0), (0.22, 0.08)]
    for seed, (rise, bend) in enumerate(shapes):
        nm = axis(2048, 380.0, 930.0, 0.012, 0.003)
        u = np.linspace(-1.0, 1.0, 2048)
        fwhm = 1.5 * (1.0 + rise * u + bend * u**2)
        lines = MERCURY | (ARGON if seed % 2 else NEON)
        light = spread_lines(
            nm, np.abs(np.gradient(nm)), fwhm, np.array(list(lines)), np.array(list(lines.values())), 0.0, 0.0
        )
        rng = np.random.default_rng(seed)
        counts = np.rint(rng.poisson(2000.0 * light + 50.0) + rng.normal(900.0, 8.0, 2048))
        frames = frames_from_arrays(np.arange(2048.0), counts, axis_kind="pixel")
        result = calibrate([(frames, "hg,ar" if seed % 2 else "hg,ne")])
        assert result.accepted
        told = result.line_spread
        nodes_reach.append(np.allclose(told.at_nm[[0, -1]], result.range_nm, atol=0.3))
        off += ((told.fwhm_nm - np.interp(told.at_nm, nm, fwhm)) / told.fwhm_se_nm).tolist()
    assert all(nodes_reach)
    assert np.max(np.abs(off)) < 3.0
    assert np.sqrt(np.mean(np.square(off))) < 1.2


def test_the_error_of_the_curve_holds_that_lopsided_lines_are_all_shifted_alike():
    # what photon noise shifts the places of such lines by is the same for all of them, so that their scatter hides it
    off, lines = [], MERCURY | NEON | ARGON
    nm = axis(2048, 380.0, 930.0, 0.012, 0.003)
    for skew in (0.2, -0.2, 0.15, -0.15):
        light = spread_lines(
            nm, np.abs(np.gradient(nm)), np.full(2048, 2.5), np.array(list(lines)), np.array(list(lines.values())),
            0.2, skew,
        )  # fmt: skip
        counts = np.random.default_rng(1).poisson(30000.0 * light + 50.0)
        result = calibrate([(frames_from_arrays(np.arange(2048.0), counts, axis_kind="pixel"), "hg,ne,ar")])
        assert result.accepted
        at = np.arange(*np.round(result.solution.covered))
        error = result.solution.standard_error_nm(at)
        off += ((result.solution.nm(at) - np.interp(at, np.arange(2048), nm)) / error).tolist()
    assert np.sqrt(np.mean(np.square(off))) < 1.8


@pytest.mark.parametrize(
    ("at_nm", "range_nm"),
    [([656.284], (656.272, 656.272)), ([546.07, 576.96, 763.51], (540.0, 560.0)), ([404.66, 811.53], (400.0, 700.0))],
)
def test_line_widths_may_be_told_of_a_range_without_extent_and_of_lines_beyond_it(at_nm, range_nm):
    # a solution that is refused may rest on one line: the matrix was singular
    count = len(at_nm)
    spread = measured_linespread(np.array(at_nm), np.full(count, 1.4), np.full(count, 0.01), range_nm)
    assert_allclose(spread.fwhm_nm, 1.4, rtol=1e-6)
    assert np.all(np.isfinite(spread.fwhm_se_nm))
    assert len(spread.at_nm) == (1 if range_nm[0] == range_nm[1] else 5)
