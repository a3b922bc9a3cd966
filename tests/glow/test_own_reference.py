"""The discharge as its own reference, on simulated runs of a spectrometer that warms up; truth is known."""

from dataclasses import replace

import numpy as np
import pytest
from glow_emission import Nature, species_photons
from glow_instrument import Instrument, detect, record
from glow_simulator import continuum
from numpy.testing import assert_allclose

from glowledger.bench.applying import calibrated
from glowledger.bench.model import Bench, LineSpread, WavelengthSolution
from glowledger.glow.bench_misfit import bench_misfit
from glowledger.glow.own_reference import drift_curve
from glowledger.glow.series import learn_series
from glowledger.spectra.frames import frames_from_arrays

NATURE = Nature(level=0.25, excitation_ev=0.42)
MIXTURE = {"Ar I": 6e6, "N2": 1.5e6, "O I": 6e5, "H I": 1.5e5}
INSTRUMENT = Instrument(range_nm=(300.0, 900.0), pixels=1024, averages=4, hot_pixels=0)
FRAMES = 24


def recorded(warm_up_nm, seed=1, mixture=MIXTURE, instrument=INSTRUMENT, count=FRAMES):
    """Counts of a run whose spectrometer moves by `warm_up_nm`, and the shift of each frame."""
    rng = np.random.RandomState(seed)
    photons = sum(species_photons(name, rng, NATURE)[0] * amount for name, amount in mixture.items())
    photons = photons + continuum(rng, "flat") * 3e5
    shift = warm_up_nm * (1 - np.exp(-np.arange(count) / 8.0))
    light = [photons * (1 + 0.02 * rng.standard_normal()) for _ in range(count)]
    shots = zip(light, shift, strict=True)
    return np.array([record(instrument, detect(instrument, p, s), rng)[0] for p, s in shots]), shift


def run(warm_up_nm, seed=1):
    counts, shift = recorded(warm_up_nm, seed)
    return frames_from_arrays(INSTRUMENT.believed_nm(), counts, time_s=5.0 * np.arange(FRAMES)), shift


@pytest.fixture(scope="module")
def warming():
    """A run that drifts by half a nanometre, what was learned of it, and its truth."""
    frames, shift = run(0.5)
    model = learn_series(frames)
    return frames, shift, model, drift_curve(frames, identified=model.identified, blocks=8)


def test_the_drift_is_followed_within_its_error(warming):
    frames, shift, _, curve = warming
    ends = [*curve.first_frame[1:], len(frames)]
    truth = np.array([shift[a:b].mean() for a, b in zip(curve.first_frame, ends, strict=True)])
    # the sign is that of the alarm of a run and of `check_bench`: what to add to the axis
    error = (curve.shift_nm - curve.shift_nm.mean(axis=0)) - (truth - truth.mean())[:, None]
    assert np.sqrt(np.mean(error**2)) < 0.02
    assert np.mean((error / curve.shift_se_nm) ** 2) < 2.5**2
    assert_allclose(curve.drift_nm(), np.ptp(truth), atol=0.03)
    assert f"drifted by {np.sign(truth[-1] - truth[0]):+.0f}"[:-1] in curve.sentences[0]


def test_the_line_width_is_that_of_the_instrument(warming):
    curve = warming[3]
    assert_allclose(curve.fwhm_nm, 1.3, rtol=0.1)
    assert np.ptp(curve.fwhm_nm) < 0.06  # the instrument does not widen


def test_half_a_nanometre_moves_no_ratio(warming):
    frames, _, model, _ = warming
    series = model.measure(frames)
    names = series.species_names
    reference = series.counts[:, names.index("Ar I")]
    for name in ("N2", "O I", "H I"):
        ratio = series.counts[:, names.index(name)] / reference
        error = series.standard_error[:, names.index(name)] / reference
        early, late = ratio[:6].mean(), ratio[-6:].mean()
        spread = np.sqrt(2 / 6) * np.median(error) / early
        assert abs(late / early - 1) < 3.5 * spread + 0.015, name


def test_a_spectrometer_at_rest_is_said_to_be_at_rest():
    frames, _ = run(0.0, seed=3)
    curve = drift_curve(frames, blocks=6)
    assert curve.drift_nm() < 0.04
    assert "stood still" in curve.sentences[0]
    assert np.all(np.abs(curve.stretch_nm()) < 0.04)


# --- is it the bench of this spectrometer? ----------------------------------------------------------------


def bench_of(off_nm=0.0, stretch_nm=0.0, wider=1.0):
    """The true bench of the instrument, or a wrong one."""
    pixel = np.arange(INSTRUMENT.pixels)
    last = INSTRUMENT.pixels - 1.0
    nm = INSTRUMENT.true_nm(pixel) + off_nm + stretch_nm * np.linspace(-1, 1, pixel.size)
    series = np.polynomial.Chebyshev.fit(pixel, nm, 5, domain=(0, last))
    return Bench(
        pixels=INSTRUMENT.pixels,
        solution=WavelengthSolution(
            coefficients=series.coef, domain=(0.0, last), covariance=1e-5 * np.eye(6), scatter_nm=0.01,
            covered=(60.0, last - 60.0),
        ),
        line_spread=LineSpread(
            at_nm=np.array([300.0, 900.0]), fwhm_nm=wider * np.array([1.2, 1.4]), fwhm_se_nm=np.array([0.05, 0.05])
        ),
    )  # fmt: skip


@pytest.fixture(scope="module")
def glow():
    counts, _ = recorded(0.0, seed=5, count=4)
    return frames_from_arrays(np.arange(INSTRUMENT.pixels, dtype=float), counts, axis_kind="pixel")


@pytest.mark.parametrize("off_nm", [0.0, 0.25, -0.25])
def test_the_right_bench_is_not_complained_of(glow, off_nm):
    bench = bench_of(off_nm)  # warming up by some kelvin moves an axis by as much
    assert bench_misfit(calibrated(glow, bench), bench).warning == ""


@pytest.mark.parametrize("off_nm", [1.2, -2.5, 5.0])
def test_a_shifted_axis_is_noticed_and_measured(glow, off_nm):
    bench = bench_of(off_nm)
    found = bench_misfit(calibrated(glow, bench), bench)
    assert "do not fit this bench" in found.warning
    # asymmetric lines of the simulator: their centre of gravity lies off their top by up to 0.06 nm
    assert_allclose(found.off_nm, off_nm, atol=0.1)


@pytest.mark.parametrize("wrong", [bench_of(30.0), bench_of(0.5, 1.5), bench_of(wider=1.7)])
def test_another_spectrometer_is_noticed(glow, wrong):
    assert bench_misfit(calibrated(glow, wrong), wrong).warning


OTHERS = ({"O I": 5e6, "O2+": 3e5}, {"H I": 3e6, "H2": 2e6}, {"Kr I": 5e6}, {"N2": 6e6, "CN": 5e5})


@pytest.mark.parametrize("mixture", OTHERS)
def test_other_gases_are_no_other_bench(mixture):
    counts, _ = recorded(0.0, seed=7, mixture=mixture, count=2)
    bench = bench_of()
    raw = frames_from_arrays(np.arange(INSTRUMENT.pixels, dtype=float), counts, axis_kind="pixel")
    assert bench_misfit(calibrated(raw, bench), bench).warning == ""


def test_a_bench_without_line_width_is_judged_by_its_axis(glow):
    bench = replace(bench_of(1.5), line_spread=None)
    assert "off by +1." in bench_misfit(calibrated(glow, bench), bench).warning
