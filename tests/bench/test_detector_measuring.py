"""The detector from frames, against detectors whose truth is known, and published relations."""

import numpy as np
import pytest
from glow_instrument import Instrument
from numpy.testing import assert_allclose

from glowledger.bench.detector_darks import dark_report, persistent_hot_pixels
from glowledger.bench.detector_gain import transfer_gain
from glowledger.bench.detector_linearity import linearity
from glowledger.bench.detector_measuring import in_bench, measure_detector
from glowledger.bench.laboratory_air import air_shift_nm
from glowledger.bench.model import Bench, LineSpread, Window
from glowledger.bench.stray_light import blocked_to_nm, second_order, stray_fraction
from glowledger.errors import ReadError
from glowledger.spectra.frames import Detector, frames_from_arrays
from glowledger.spectra.noise import variance_of

PIXELS = 1200
GAIN, READ, BIAS, RATE = 0.35, 9.0, 500.0, 40.0  # counts per electron, counts, counts, counts per second
DICE = np.random.RandomState(11)
PATTERN = 6.0 * DICE.standard_normal(PIXELS)
HOT = np.array([70, 411, 900])
HUMP = np.exp(-(((np.arange(PIXELS) - 600) / 260.0) ** 2))


def frames(light_e, exposure_s, count, seed, bend=0.0, ceiling=None):
    """Raw frames of a detector of our own making; `bend` is the part of counts lost at 50 000."""
    rng = np.random.RandomState(seed)
    current = RATE * exposure_s * np.ones(PIXELS)
    current[HOT] += 4000.0 * exposure_s
    electrons = rng.poisson(light_e * exposure_s + current / GAIN, (count, PIXELS))
    counts = electrons * GAIN
    counts = counts * (1.0 - bend * (counts / 50000.0) ** 4)
    counts = np.round(counts + BIAS + PATTERN + READ * rng.standard_normal(counts.shape))
    top = 65535.0 if ceiling is None else ceiling
    known = Detector(ceiling_counts=ceiling)
    return frames_from_arrays(
        np.arange(PIXELS, dtype=float),
        np.minimum(counts, top),
        axis_kind="pixel",
        exposure_s=exposure_s,
        detector=known,
    )


def darks(exposure_s=0.25, count=16, seed=1):
    return frames(np.zeros(PIXELS), exposure_s, count, seed)


def joined(parts):
    from dataclasses import replace

    names = ("counts", "mask", "time_s", "exposure_s", "averages")
    arrays = {name: np.concatenate([getattr(part, name) for part in parts]) for name in names}
    return replace(parts[0], origins=(), **arrays)


def test_darks_tell_bias_current_pattern_and_hot_pixels():
    report = dark_report(joined([darks(0.1, 8, 2), darks(1.0, 8, 3)]))
    assert abs(report.bias_counts - BIAS) < 4 * report.bias_se_counts + 0.5  # the pattern has a mean of its own
    assert abs(report.rate_per_s - RATE) < 4 * report.rate_se_per_s
    assert report.rate_se_per_s < 2.0
    assert_allclose(report.pattern_counts, 6.0, rtol=0.12)
    assert report.hot == tuple(HOT)


def test_read_noise_is_that_of_the_detector():
    report = dark_report(darks(0.001))
    # rounding to whole counts adds 1/12: Widrow & Kollar, Quantization Noise (2008), from memory
    assert abs(report.read_noise_counts - np.sqrt(READ**2 + 1 / 12)) < 4 * report.read_noise_se
    assert report.read_noise_se < 0.1


def test_one_exposure_cannot_tell_bias_from_current():
    report = dark_report(darks())
    assert np.isnan(report.bias_counts)
    assert any("not told apart" in text for text in report.sentences())


def test_a_particle_is_no_hot_pixel():
    one = darks()
    counts = np.array(one.counts)
    counts[3, 200] += 3000.0
    hit = frames_from_arrays(one.axis, counts, axis_kind="pixel", exposure_s=0.25)
    assert persistent_hot_pixels(hit) == tuple(HOT)
    assert persistent_hot_pixels(hit[3:4]) == ()


@pytest.mark.parametrize("seed", range(4))
def test_gain_by_photon_transfer(seed):
    # Janesick, Photon Transfer (2007), from memory: variance = read² + gain · counts
    light = frames(80000.0 / GAIN * HUMP, 0.5, 10, 20 + seed)
    dark = darks(0.5, 16, 40 + seed)
    gain, error = transfer_gain(light, light.counts - dark.counts.mean(axis=0), READ)
    assert abs(gain - GAIN) < 3.5 * error
    # of sqrt(2 / 5 / 1200) = 1.8 % by a straight line; that it may be bent costs as much again at most
    assert error < 0.036 * GAIN


def test_counts_that_fall_short_of_light_are_no_error_of_the_gain():
    # counts q (1 - c q) of light q: noise falls as 1 - 2 c q, so a straight line gives a gain too low by some 2 c q
    off, errors = [], []
    for seed in range(12):
        rng = np.random.RandomState(seed)
        light = 45000.0 * HUMP
        q = rng.poisson(light / GAIN, (20, PIXELS)) * GAIN
        counts = q * (1.0 - 0.05 * q / 50000.0) + READ * rng.standard_normal(q.shape)
        gain, error = transfer_gain(frames_from_arrays(np.arange(PIXELS), counts, axis_kind="pixel"), counts, READ)
        off.append(gain / GAIN - 1.0)
        errors.append(error / GAIN)
    assert abs(np.mean(off)) < 0.02
    assert np.sqrt(np.mean((np.array(off) / errors) ** 2)) < 1.4


def lit(level, count=20, seed=5):
    """Frames with light in the darkest pixels too."""
    return frames(level / GAIN * (0.3 + HUMP), 1.0, count, seed)


def test_photon_noise_of_the_darkest_pixels_is_not_told_as_read_noise():
    for dark in (None, darks(1.0, 1)):
        report = measure_detector((lit(40000.0),), dark)
        assert report.detector.read_noise_counts is None
        told = next(text for text in report.sentences if text.startswith("Read noise is at most"))
        assert float(told.split()[5]) > READ


def test_light_frames_tell_the_read_noise_where_a_dark_says_how_dark_they_get():
    report = measure_detector((lit(60.0, 60),), darks(1.0, 1))
    dark_noise = np.sqrt(READ**2 + GAIN * RATE)  # of the dark current as well
    assert report.detector.read_noise_counts is not None
    assert abs(report.detector.read_noise_counts - dark_noise) < 3.5 * report.read_noise_se


def test_flicker_of_the_lamp_is_no_photon_noise():
    parts = [frames(80000.0 / GAIN * HUMP * (1 + 0.1 * (-1) ** k), 0.5, 1, 60 + k) for k in range(10)]
    light = joined(parts)
    gain, error = transfer_gain(light, light.counts - darks(0.5).counts.mean(axis=0), READ)
    assert abs(gain - GAIN) < 4 * error


def test_the_report_agrees_with_the_noise_of_new_frames():
    report = measure_detector((frames(80000.0 / GAIN * HUMP, 0.5, 10, 5),), darks(0.5, 16, 6))
    new = frames(80000.0 / GAIN * HUMP, 0.5, 200, 7).counts
    predicted = variance_of(new.mean(axis=0) - darks(0.5, 16, 6).counts.mean(axis=0), report.detector)
    calm = np.setdiff1d(np.arange(PIXELS), HOT)
    # dark current has photon noise too; it is counted with the read noise of the darks
    assert_allclose(np.mean(new.var(axis=0, ddof=1)[calm] / predicted[calm]), 1.0, atol=0.04)


def series(bend, lamp=1.0, seed=100):
    times = (0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6)
    factor = np.linspace(1.0, lamp, len(times))
    light = 50000.0 / 0.6 / GAIN * HUMP
    shots = zip(times, factor, range(seed, seed + len(times)), strict=True)
    return joined([frames(light * part, time, 3, dice, bend, 65535.0) for time, part, dice in shots])


def test_departure_from_proportion_is_found_where_it_is():
    shot = series(bend=0.08)
    found = linearity(shot, BIAS + PATTERN + RATE * shot.exposure_s[:, None], 65535.0)
    ideal = np.linspace(1.0, 70000.0, 70000)  # counts of a straight detector, and what this one makes of them
    truth = np.interp(found.counts, ideal * (1 - 0.08 * (ideal / 50000.0) ** 4), -0.08 * (ideal / 50000.0) ** 4)
    assert np.max(np.abs(found.departure - truth)) < 0.006
    # 3 % are lost where 0.08 (c / 50000)^4 = 0.03; the levels are a sixteenth of the range apart
    assert_allclose(found.linear_to_counts, 0.97 * 50000.0 * (0.03 / 0.08) ** 0.25 + BIAS, atol=50000.0 / 16)


def test_a_drifting_lamp_is_no_bend():
    shot = series(bend=0.0, lamp=0.9)
    found = linearity(shot, BIAS + PATTERN + RATE * shot.exposure_s[:, None], 65535.0)
    assert found.linear_to_counts is None
    assert np.max(np.abs(found.departure)) < 0.01


def test_too_few_exposures_tell_nothing_of_linearity():
    assert linearity(frames(1000.0 * HUMP, 0.1, 5, 1), BIAS) is None


def test_what_is_not_measured_is_said_to_be_assumed():
    report = measure_detector((), darks())
    text = " ".join(report.assumed)
    assert "Gain is not measured" in text
    assert "Linear up to the ceiling is assumed" in text
    assert "Scattered light" in text
    assert report.detector.counts_per_electron is None


def test_only_what_was_measured_goes_into_the_bench():
    old = Bench(pixels=PIXELS, detector=Detector(ceiling_counts=60000.0, counts_per_electron=0.5))
    new = in_bench(old, measure_detector((), darks()))
    assert new.detector.ceiling_counts == 60000.0
    assert new.detector.counts_per_electron == 0.5
    assert new.hot_pixels == tuple(HOT)
    assert new.detector.read_noise_counts is not None


def test_a_dark_of_another_detector_is_refused():
    other = frames_from_arrays(np.arange(100.0), np.full((3, 100), 500.0), axis_kind="pixel")
    with pytest.raises(ReadError):
        measure_detector((frames(50000.0 * HUMP, 0.5, 4, 3),), other)


# --- light where none can be ------------------------------------------------------------------------------


def lines_spectrum(instrument, lines, seed, photons=1e6):
    from glow_instrument import GRID_NM, detect, record

    light = np.zeros(GRID_NM.size)
    for nm in lines:
        light[int(np.argmin(np.abs(GRID_NM - nm)))] += photons
    light += photons * 1e-4 * np.exp(-(((GRID_NM - 600) / 150) ** 2))
    electrons = detect(instrument, light)
    return record(instrument, electrons, np.random.RandomState(seed))[0], instrument.believed_nm()


@pytest.mark.parametrize(("stray", "seed"), [(3e-3, 1), (6e-4, 2)])
def test_scattered_light_below_the_window(stray, seed):
    instrument = Instrument(
        window="acrylic", stray=stray, second_order=0.0, hot_pixels=0, read_noise_e=10.0, averages=20
    )
    counts, nm = lines_spectrum(instrument, range(430, 800, 15), seed)
    bench = Bench(pixels=nm.size, window=Window(material="acrylic", thickness_mm=3.0))
    edge = blocked_to_nm(nm, bench)
    assert 330.0 < edge < 360.0  # makers of acrylic: near nothing passes below 345 nm
    value, error = stray_fraction(nm, counts, np.full(nm.size, 6.4), edge)  # read 8 counts, 20 scans, and dark
    assert abs(value - stray) < 2 * error  # the simulator scatters 1.2 times the mean at the blue end
    assert error < 0.5 * stray


def test_unknown_windows_tell_no_scattered_light():
    assert blocked_to_nm(np.linspace(200, 900, 500), Bench(pixels=500)) is None


@pytest.mark.parametrize(("fraction", "seed"), [(0.01, 3), (0.004, 4)])
def test_second_order_of_strong_lines(fraction, seed):
    instrument = Instrument(second_order=fraction, hot_pixels=0, averages=20, range_nm=(280.0, 900.0))
    counts, nm = lines_spectrum(instrument, (310.0, 350.0, 405.0, 436.0), seed)
    spread = LineSpread(at_nm=np.array([600.0]), fwhm_nm=np.array([1.3]), fwhm_se_nm=np.array([0.05]))
    noise = variance_of(np.maximum(counts, 0), Detector(counts_per_electron=0.8, read_noise_counts=30.0), 20)
    value, error, count = second_order(nm, counts, noise, spread.fwhm(nm))
    assert count >= 2
    assert abs(value - fraction) < 4 * error + 0.05 * fraction  # the window of ±1 FWHM cuts wings alike
    assert error < 0.2 * fraction


# --- air of the laboratory ---------------------------------------------------------------------------------


def test_room_air_matters_less_than_three_hundredths_of_a_nanometre():
    # n - 1 of air is 2.77e-4 at 600 nm (Ciddor 1996) and goes as p/T: 600 · 2.77e-4 · 10/293 = 0.0057 nm for 10 K
    nm = np.array([250.0, 400.0, 600.0, 900.0])
    warmer = air_shift_nm(nm, calibrated=(20.0, 101325.0), used=(30.0, 101325.0))
    assert_allclose(warmer[2], 600 * 2.72e-4 * 10 / 303, rtol=0.03)
    weather = air_shift_nm(nm, calibrated=(20.0, 103000.0), used=(25.0, 98000.0))
    mountain = air_shift_nm(nm, calibrated=(20.0, 101325.0), used=(20.0, 84500.0))
    assert np.all(np.abs(warmer) < 0.01)
    assert np.all(np.abs(weather) < 0.02)
    assert np.all(np.abs(mountain[:3]) < 0.03)
    assert_allclose(air_shift_nm(nm, calibrated=(25.0, 99000.0), used=(25.0, 99000.0)), 0.0, atol=1e-12)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_straight_detector_is_straight_within_its_error_whatever_of_the_dark_grows(seed):
    # 12 bit, 12 electrons per count; pixels differ by a pattern of 1.5 counts that does not grow. One dark
    # exposure does not tell that, and taken to grow, the pattern bent a detector without any bend by 1 %, "± 0.0 %"
    rng = np.random.default_rng(seed)
    pattern = 1.5 * rng.standard_normal(PIXELS)

    def taken(exposure_s, rate, count):
        counts = rng.poisson(12.0 * rate * exposure_s, (count, PIXELS)) / 12.0
        counts = np.round(counts + 120.0 + pattern + 3.2 * rng.standard_normal(counts.shape))
        return frames_from_arrays(np.arange(float(PIXELS)), counts, axis_kind="pixel", exposure_s=exposure_s)

    light = tuple(taken(time, 3700.0 / 0.16 * (0.02 + 0.98 * HUMP), 8) for time in (0.02, 0.04, 0.08, 0.12, 0.16))
    found = measure_detector(light, taken(0.1, np.zeros(PIXELS), 12)).linearity
    assert found.linear_to_counts is None
    assert np.all(np.abs(found.departure) < 3.0 * found.standard_error + 0.002)
    assert np.max(found.standard_error) < 0.02  # and the error says no more than that
