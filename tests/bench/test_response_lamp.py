"""The tungsten lamp and the response from it, against published values, astropy and a simulator."""

import glow_instrument
import numpy as np
import pytest
from astropy import units as u
from astropy.modeling.physical_models import BlackBody
from glow_instrument import GRID_NM, Instrument, detect, record
from numpy.testing import assert_allclose

from glowledger.bench.applying import as_detected
from glowledger.bench.bench_file import bench_text, read_bench
from glowledger.bench.model import Bench, LineSpread, Response, Window
from glowledger.bench.response_lamp import lamp_response, refuse_saturated
from glowledger.bench.tungsten import (
    C2_NM_K,
    filament_temperature,
    lamp_photons,
    lamp_relative_error,
    planck_photons,
)  # fmt: skip
from glowledger.bench.window_measuring import measured_window
from glowledger.errors import CalibrationError, TableError
from glowledger.spectra.frames import Detector, frames_from_arrays
from glowledger.tables.tungsten import emissivity
from glowledger.tables.windows import transmission

NM = np.linspace(300.0, 1100.0, 33)


# --- light of the lamp -----------------------------------------------------------------------------------


@pytest.mark.parametrize("kelvin", [2600.0, 2856.0, 3000.0])
def test_photons_of_a_black_body_agree_with_astropy(kelvin):
    # astropy.modeling.physical_models.BlackBody, per wavelength, over the energy of a photon
    scale = 1.0 * u.W / (u.m**2 * u.nm * u.sr)
    energy = BlackBody(temperature=kelvin * u.K, scale=scale)(NM * u.nm)
    theirs = (energy * NM).to_value(energy.unit)
    ours = planck_photons(NM, kelvin)
    assert_allclose(ours / ours[-1], theirs / theirs[-1], rtol=1e-7)


def test_wien_displacement_of_photons():
    # λ T of the peak of the photon form: 3669.70287 µm K, from CODATA 2018 constants (root of x = 4 (1 - e^-x))
    fine = np.linspace(1000.0, 1500.0, 500001)
    peak = fine[np.argmax(planck_photons(fine, 3000.0))]
    assert_allclose(peak * 3000.0 * 1e-3, 3669.70287, atol=0.02)


def test_planck_energy_ratios():
    # ratio of energy per wavelength 400 to 700 nm at 2856 K, 450 to 650 nm at 2800 and 3000 K, by exact constants
    def ratio(a, b, kelvin):
        energy = planck_photons(np.array([a, b]), kelvin) / np.array([a, b])
        return energy[0] / energy[1]

    found = [ratio(400, 700, 2856), ratio(450, 650, 2800), ratio(450, 650, 3000)]
    assert_allclose(found, [0.07426, 0.18726, 0.23663], rtol=2e-4)


def test_second_radiation_constant():
    # CODATA 2018: hc/k = 1.438776877...e-2 m K, exact
    assert_allclose(C2_NM_K, 1.438776877e7, rtol=1e-9)


def test_emissivity_of_tungsten_within_its_error():
    # de Vos, Physica 20, 690 (1954), read off by another hand, from memory: 2600 to 2800 K
    for nm, value in ((400, 0.465), (500, 0.45), (600, 0.435), (700, 0.42)):
        ours, error = emissivity(nm, 2700.0)
        assert abs(ours - value) < error


@pytest.mark.parametrize(("true_k", "colour_k"), [(2000, 2033), (2500, 2557), (3000, 3094)])
def test_filament_temperature_agrees_with_the_handbook(true_k, colour_k):
    # Forsythe & Adams, J. Opt. Soc. Am. 35, 108 (1945), from memory. Emissivities of the authors differ by 0.01 at
    # either colour, sqrt(2) 0.01 / 0.44 = 3.2 % of their ratio: dT = T² dln / (c2 (1/467 - 1/655 nm)).
    tolerance = true_k**2 * 0.032 / (1.4388e7 * (1 / 467 - 1 / 655))
    found = filament_temperature(colour_k)
    assert true_k - tolerance < found < colour_k
    assert abs(found - true_k) < tolerance


def test_fifty_kelvin_tilt_the_lamp_by_a_tenth():
    # Wien: d ln(400/700) = c2 dT/T² (1/400 - 1/700 nm) = 0.098 for 50 K at 2800 K; the emissivity adds its own
    both = lamp_relative_error(np.array([400.0]), 700.0, 2800.0, 50.0)
    alone = lamp_relative_error(np.array([400.0]), 700.0, 2800.0, 0.0)
    assert_allclose(np.sqrt(both**2 - alone**2), 0.0983, rtol=0.01)


@pytest.mark.parametrize("kelvin", [500.0, 6000.0])
def test_no_tungsten_lamp_has_every_colour(kelvin):
    with pytest.raises((CalibrationError, TableError)):
        filament_temperature(kelvin)


# --- response --------------------------------------------------------------------------------------------


def simulated_lamp(instrument, kelvin, seed, frames=6, level=0.7):
    """A lamp as the simulator sees it: its own Planck's law, the emissivity as a straight line through de Vos."""
    slope = np.interp(GRID_NM, [300.0, 400.0, 500.0, 600.0, 700.0, 1000.0], [0.458, 0.463, 0.45, 0.436, 0.421, 0.368])
    photons = slope * GRID_NM**-4.0 / np.expm1(1.438776877e7 / (GRID_NM * kelvin))
    electrons = detect(instrument, photons)
    electrons *= level * instrument.full_scale / instrument.counts_per_e / electrons.max()
    rng = np.random.RandomState(seed)
    counts = [record(instrument, electrons, rng)[0] for _ in range(frames)]
    return frames_from_arrays(instrument.believed_nm(), np.array(counts))


@pytest.mark.parametrize("seed", range(6))
def test_a_simulated_response_is_recovered_within_its_error(seed):
    instrument = glow_instrument.random_instrument(np.random.RandomState(seed), hot_pixels=0)
    rng = np.random.RandomState(seed)
    told = 2740.0 + 50.0 * rng.standard_normal()  # what is printed is not quite true
    found = lamp_response(simulated_lamp(instrument, 2740.0, seed), Bench(pixels=instrument.pixels), told, colour=False)
    low, high = found.response.usable_nm
    nm = np.linspace(low, high, 150)
    log_ratio = np.log(found.response.at(nm) / instrument.response(nm))
    error = np.interp(nm, found.response.at_nm, found.response.relative_error)
    log_ratio -= np.average(log_ratio, weights=error**-2)  # relative response: one factor is free
    assert np.mean((log_ratio / error) ** 2) < 2.0**2
    assert np.max(np.abs(log_ratio) / error) < 3.5
    assert high - low > 400.0


def test_ripple_of_a_thinned_chip_is_followed():
    instrument = Instrument(ripple=0.05, ripple_nm=14.0, hot_pixels=0)
    found = lamp_response(simulated_lamp(instrument, 2740.0, 1, frames=20), Bench(pixels=2048), 2740.0, colour=False)
    nm = np.linspace(780.0, 880.0, 400)
    ratio = found.response.at(nm) / instrument.response(nm)
    assert np.std(ratio / np.polyval(np.polyfit(nm, ratio, 2), nm)) < 0.012  # of 0.035 if it were smoothed away


def test_nothing_is_claimed_where_the_lamp_is_dark():
    instrument = Instrument(range_nm=(200.0, 900.0), hot_pixels=0)
    found = lamp_response(simulated_lamp(instrument, 2740.0, 3), Bench(pixels=2048), 2800.0)
    low, _ = found.response.usable_nm
    assert 280.0 < low < 400.0  # no tungsten lamp is a lamp for the ultraviolet: common practice, no source
    assert np.interp(low - 30.0, found.response.at_nm, found.response.relative_error) >= 1.0
    assert any("nothing is claimed" in text for text in found.sentences)


def test_a_dark_lamp_and_a_pixel_axis_are_refused():
    noise = np.random.RandomState(0).standard_normal((4, 500))
    with pytest.raises(CalibrationError, match="too little light"):
        lamp_response(frames_from_arrays(np.linspace(300, 900, 500), noise), Bench(pixels=500), 2800.0)
    with pytest.raises(CalibrationError, match="pixel axis"):
        lamp_response(frames_from_arrays(np.arange(500.0), noise, axis_kind="pixel"), Bench(pixels=500), 2800.0)


def test_a_discharge_lamp_is_no_tungsten_lamp():
    from glow_lamps import lamp_photons as discharge

    instrument = Instrument(range_nm=(300.0, 900.0), pixels=1024, hot_pixels=0)
    electrons = detect(instrument, 7e5 * discharge("cfl"))
    counts = [record(instrument, electrons, np.random.RandomState(k))[0] for k in range(4)]
    frames = frames_from_arrays(instrument.believed_nm(), np.array(counts))
    with pytest.raises(CalibrationError, match="no tungsten lamp"):
        lamp_response(frames, Bench(pixels=1024), 2800.0)


def test_saturated_lamps_are_refused():
    counts = np.minimum(90000.0 * np.exp(-(((np.arange(500.0) - 250) / 90) ** 2)), 65535.0)
    raw = frames_from_arrays(np.linspace(300, 900, 500), counts, detector=Detector(ceiling_counts=65535.0))
    with pytest.raises(CalibrationError, match="saturated"):
        refuse_saturated(raw)


# --- window ----------------------------------------------------------------------------------------------


def test_a_window_is_measured_as_the_ratio():
    nm = np.linspace(330.0, 800.0, 1000)
    lamp = 40000.0 * np.exp(-(((nm - 620.0) / 190.0) ** 2))
    truth = 0.92 / (1.0 + np.exp(-(nm - 390.0) / 4.0))
    rng = np.random.RandomState(4)

    def shots(light):
        return frames_from_arrays(nm, rng.poisson(light, (10, nm.size)) + 5.0 * rng.standard_normal((10, nm.size)))

    window = measured_window(shots(lamp * truth), shots(lamp))
    value, error = window.measured_at(nm)
    inside = (nm > window.at_nm[0]) & (nm < window.at_nm[-1])
    assert np.max(np.abs(value - truth)[inside] / error[inside]) < 4.0
    assert np.median(error[inside]) < 0.03
    beyond = window.measured_at(np.array([250.0, 1000.0]))[1]
    assert np.all(beyond >= 0.5)  # where the lamp gave nothing, nothing is known


def test_exchanged_window_files_are_noticed():
    nm = np.linspace(400.0, 800.0, 400)
    noise = np.random.RandomState(1).standard_normal((3, 400))
    dim, bright = (frames_from_arrays(nm, counts + noise) for counts in (800.0, 1000.0))
    with pytest.raises(CalibrationError, match="Exchange"):
        measured_window(bright, dim)


# --- in the bench ----------------------------------------------------------------------------------------


def test_parts_survive_the_bench_file(tmp_path):
    bench = Bench(
        pixels=4, response=Response(
            at_nm=np.array([400.0, 500.0]), value=np.array([0.5, 1.0]), relative_error=np.array([0.1, 0.05]),
            usable_nm=(400.0, 500.0), includes_window=False,
        ),
        line_spread=LineSpread(at_nm=np.array([500.0]), fwhm_nm=np.array([1.0]), fwhm_se_nm=np.array([0.1])),
        window=Window(
            material="my port", thickness_mm=4.0, at_nm=(400.0, 500.0), transmittance=(0.1, 0.9),
            standard_error=(0.02, 0.01),
        ),
        hot_pixels=(1, 3), stray_fraction=8e-4, detector=Detector(ceiling_counts=4000.0, read_noise_counts=3.0),
    )  # fmt: skip
    (tmp_path / "bench.toml").write_text(bench_text(bench), encoding="utf-8")
    back = read_bench(tmp_path / "bench.toml")
    assert back.window == bench.window
    assert back.hot_pixels == (1, 3)
    assert back.stray_fraction == 8e-4
    assert back.detector == bench.detector
    assert back.response is not None
    assert not back.response.includes_window


def test_a_damaged_measured_window_names_the_file(tmp_path):
    text = bench_text(Bench(pixels=4)) + "\n"
    broken = text.replace('material = "unknown"', 'material = "port"\nat_nm = [400.0, 500.0]\ntransmittance = [0.5]')
    (tmp_path / "bench.toml").write_text(broken, encoding="utf-8")
    with pytest.raises(CalibrationError, match="window"):
        read_bench(tmp_path / "bench.toml")


def test_hot_pixels_and_ceiling_of_the_bench_mask_spectra():
    counts = np.full((2, 5), 100.0)
    counts[1, 4] = 4000.0
    bench = Bench(pixels=5, hot_pixels=(2,), detector=Detector(ceiling_counts=4000.0))
    masked = as_detected(frames_from_arrays(np.arange(5.0), counts, axis_kind="pixel"), bench)
    assert masked.mask.tolist() == [[False, False, True, False, False], [False, False, True, False, True]]


def test_the_response_of_a_bare_lamp_meets_the_window_once():
    from glowledger.glow.response_guess import expected_response

    nm = np.array([420.0, 600.0, 800.0])
    flat = Response(
        at_nm=np.array([300.0, 900.0]), value=np.ones(2), relative_error=np.full(2, 0.05), usable_nm=(300.0, 900.0),
        includes_window=False,
    )  # fmt: skip
    bench = Bench(pixels=10, response=flat, window=Window(material="acrylic", thickness_mm=3.0))
    assert_allclose(expected_response(nm, bench), transmission("acrylic", 3.0, nm)[0])


def test_tungsten_light_is_bluer_than_a_black_body_of_its_temperature():
    grey = lamp_photons(np.array([450.0, 650.0]), 2700.0) / planck_photons(np.array([450.0, 650.0]), 2700.0)
    assert grey[0] > grey[1]  # de Vos 1954: the emissivity falls from blue to red
