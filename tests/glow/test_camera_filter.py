"""A spectrometer made of a camera: its filter stops the infrared, where argon has its brightest lines."""

from dataclasses import replace

import numpy as np
import pytest
from glow_emission import GRID_NM, Nature, species_photons
from glow_instrument import Instrument, detect, record

from glowledger.errors import FitError
from glowledger.glow.identifying import identify_frame
from glowledger.glow.one_hump import smooth_over_nm
from glowledger.spectra.frames import frames_from_arrays

CAMERA = Instrument(
    pixels=1280, range_nm=(380.0, 900.0), fwhm_nm=(2.5, 3.0), best_nm=550.0, breadth=0.35, second_order=0.0,
    hot_pixels=0, window="borosilicate",
)  # fmt: skip


def behind_filter(gases, seed, half_nm=700.0):
    """Identify a glow behind a filter that passes half at a wavelength and a hundredth some 40 nm on."""
    rng = np.random.RandomState([seed, 7])
    nature = Nature(t_rot_default=400.0, excitation_ev=0.4)
    light = sum(weight * species_photons(name, rng, nature)[0] for name, weight in gases.items())
    passed = 1.0 / (1.0 + np.exp((GRID_NM - half_nm) / 9.0))
    counts = record(CAMERA, detect(CAMERA, light[None] * passed * 6e7), rng)[0]
    return identify_frame(frames_from_arrays(CAMERA.believed_nm(), counts))


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_argon_is_seen_by_what_a_camera_passes_of_it(seed):
    # 4p levels give 750-812 nm and 696, 707 nm alike (A values of NIST ASD): here the first are stopped
    fit = behind_filter({"Ar I": 1.0, "H I": 0.05}, seed)
    found = {one.name: one for one in fit.species}
    assert found["Ar I"].verdict == "present"
    assert {one.name for one in fit.species if one.verdict == "present"} <= {"Ar I", "H I"}
    assert any("no light is seen above 7" in said and "filter" in said for said in fit.warnings)
    assert found["O I"].verdict == "cannot tell"  # 777 and 845 nm
    assert "above 7" in found["O I"].reason


def argon_with_hydrogen(seed):
    """Identify argon with some hydrogen by a camera of any resolution and range, behind a steep filter."""
    rng = np.random.RandomState([seed, 7])
    high, fwhm = float(rng.choice([750.0, 800.0, 900.0])), rng.uniform(2.5, 4.5)
    camera = replace(
        CAMERA, pixels=int(rng.choice([400, 800, 1280])), range_nm=(380.0, high), fwhm_nm=(fwhm, 1.1 * fwhm)
    )
    half_nm, steep_nm = rng.uniform(660.0, 690.0), rng.uniform(5.0, 8.0)
    hydrogen, nature = 10 ** rng.uniform(-1.3, -0.3), Nature(t_rot_default=400.0, excitation_ev=rng.uniform(0.3, 0.6))
    light = species_photons("Ar I", rng, nature)[0] + hydrogen * species_photons("H I", rng, nature)[0]
    passed = 1.0 / (1.0 + np.exp((GRID_NM - half_nm) / steep_nm))
    counts = record(camera, detect(camera, light[None] * passed * 10 ** rng.uniform(7.2, 8.2)), rng)[0]
    return {one.name: one.verdict for one in identify_frame(frames_from_arrays(camera.believed_nm(), counts)).species}


@pytest.mark.parametrize("seed", [58, 63, 77, 97, 99, 104, 116, 130])
def test_violet_argon_behind_a_filter_is_no_silicon_hydride_and_no_molecule_of_hydrogen(seed):
    """Without room for a fall before the last light seen these were 'present' in a quarter of such spectra."""
    found = argon_with_hydrogen(seed)
    assert found["H I"] == "present"
    assert found["Ar I"] != "not seen"
    assert {name for name, verdict in found.items() if verdict == "present"} <= {"Ar I", "H I"}


def test_where_the_red_is_dark_for_want_of_lines_nothing_is_said_of_a_filter():
    fit = behind_filter({"H I": 1.0}, 5, half_nm=2000.0)  # H alpha at 656 nm is its last line
    found = {one.name: one.verdict for one in fit.species}
    assert found["H I"] == "present"
    assert found["Ar I"] == "not seen"
    assert not any("filter, as in most cameras" in said for said in fit.warnings)


def colours(nm):
    """What the three filters of a camera pass together (by eye), up to where the infrared is stopped."""
    blue, green = np.exp(-0.5 * ((nm - 460.0) / 30.0) ** 2), np.exp(-0.5 * ((nm - 535.0) / 35.0) ** 2)
    red = np.exp(-np.maximum(nm - 605.0, 0.0) / 150.0) / (1.0 + np.exp(-(nm - 595.0) / 8.0))
    return (blue + green + red) / (1.0 + np.exp((nm - 680.0) / 9.0))


def claimed(nm, counts):
    """Names of the species called present or possible; none where the spectrum is refused."""
    try:
        fit = identify_frame(frames_from_arrays(nm, counts))
    except FitError:
        return []
    return [one.name for one in fit.species if one.verdict in ("present", "possible")]


@pytest.mark.parametrize("seed", [2, 5, 9, 11])
def test_in_a_filament_seen_by_a_camera_nothing_glows(seed):
    nm = np.linspace(390.0, 690.0, 1280)
    light = nm**-4.0 / np.expm1(1.4388e7 / (nm * 2000.0)) * colours(nm)  # second radiation constant (CODATA)
    rng = np.random.RandomState(seed)
    counts = np.round(120.0 * (light / light.max()) ** (1 / 2.2) + 32.0 + 1.5 * rng.standard_normal(nm.size), 1)
    assert smooth_over_nm(nm, counts) > 0
    assert claimed(nm, counts) == []


@pytest.mark.parametrize("fwhm_nm", [1.0, 2.5, 4.5])
def test_a_line_or_a_band_head_is_not_smooth(fwhm_nm):
    nm, rng = np.linspace(390.0, 690.0, 1280), np.random.RandomState(3)
    noise = 5.0 * rng.standard_normal(nm.size)
    line = np.exp(-4.0 * np.log(2.0) * ((nm - 550.0) / fwhm_nm) ** 2)
    head = np.where(nm < 516.5, np.exp((nm - 516.5) / 6.0), np.exp(-0.5 * ((nm - 516.5) / (fwhm_nm / 2.355)) ** 2))
    for light in (line, head):
        assert smooth_over_nm(nm, 500.0 + 60.0 * light + noise) == 0.0
    assert smooth_over_nm(nm, 500.0 + noise) > 0


@pytest.mark.parametrize("seed", range(3))
def test_hydrogen_in_wide_lines_of_many_noisy_pixels_is_nothing_else(seed):
    # C II 657.8, 658.3 nm stood for the red half of each H alpha while lines were held to be three pixels wide
    nm, rng = np.linspace(380.0, 720.0, 1920), np.random.RandomState(seed)
    light = sum(
        height * np.exp(-4.0 * np.log(2.0) * ((nm - at) / 4.0) ** 2) for at, height in ((656.28, 1.0), (486.14, 0.3))
    )
    counts = np.round(32.0 + 50.0 * light + 4.0 * rng.standard_normal(nm.size))
    found = {one.name: one.verdict for one in identify_frame(frames_from_arrays(nm, counts)).species}
    assert [name for name, verdict in found.items() if verdict == "present"] == ["H I"]
