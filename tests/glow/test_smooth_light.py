"""Smooth light is no glow: a filament behind a detector's fringes, and light-emitting diodes of one colour."""

from dataclasses import replace

import numpy as np
import pytest

from glowledger.errors import FitError
from glowledger.glow.daylight import daylight
from glowledger.glow.identifying import identify, identify_frame
from glowledger.glow.one_hump import hump_width_nm
from glowledger.spectra.frames import frames_from_arrays

NM = np.linspace(380.0, 900.0, 2048)
PLANCK_NM_K = 1.4388e7  # second radiation constant (CODATA)
ELECTRONS_PER_COUNT = 2.0


def recorded(light, peak, seed):
    """Counts of a spectrum with photon and read noise, and a dark left in it."""
    rng = np.random.RandomState(seed)
    electrons = light / light.max() * peak * ELECTRONS_PER_COUNT
    return np.round((rng.poisson(electrons) + rng.normal(0.0, 10.0, light.size)) / ELECTRONS_PER_COUNT + 20.0)


def filament(kelvin, amplitude, chip_nm):
    """Photons of a filament as a thinned chip of silicon counts them (refractive index 3.7: from memory)."""
    planck = NM**-4.0 / np.expm1(PLANCK_NM_K / (NM * kelvin))
    response = np.exp(-(((NM - 620.0) / 190.0) ** 2)) + 0.02
    clear = 1.0 / (1.0 + np.exp(-(NM - 680.0) / 25.0))  # red light reaches the rear of the chip
    return planck * response * (1.0 + amplitude * clear * np.cos(4.0 * np.pi * 3.7 * chip_nm / NM))


def present_in(counts, said=""):
    """Names of the species called present, none where all is called smooth light; else a warning must say so."""
    try:
        fit = identify_frame(frames_from_arrays(NM, counts))
    except FitError as error:
        return [] if "smooth light" in error.paragraph() else [error.paragraph()]
    assert said in " ".join(fit.warnings)
    return [one.name for one in fit.species if one.verdict == "present"]


@pytest.mark.parametrize(
    ("kelvin", "chip_nm"), [(2200.0, 7600.0), (2200.0, 8900.0), (2200.0, 10200.0), (2600.0, 5500.0), (2900.0, 8900.0)]
)
def test_fringes_of_a_detector_on_the_light_of_a_filament_are_no_species(kelvin, chip_nm):
    assert present_in(recorded(filament(kelvin, 0.045, chip_nm), 40000.0, 7)) == []


@pytest.mark.parametrize(("centre_nm", "fwhm_nm"), [(470.0, 28.0), (525.0, 34.0), (590.0, 18.0), (632.0, 20.0)])
@pytest.mark.parametrize("peak", [6000.0, 45000.0])
def test_a_light_emitting_diode_of_one_colour_is_smooth_light(centre_nm, fwhm_nm, peak):
    x = (NM - centre_nm) / (fwhm_nm / 2.355)
    hump = np.where(x < 0, np.exp(-0.6 * x**2), 0.8 * np.exp(-0.45 * x**2) + 0.2 * np.exp(-np.abs(x)))
    with pytest.raises(FitError, match="smooth light"):
        identify_frame(frames_from_arrays(NM, recorded(hump, peak, 2)))


def line(place_nm, fwhm_nm):
    return np.exp(-4.0 * np.log(2.0) * ((NM - place_nm) / fwhm_nm) ** 2)


def test_a_hump_has_its_width_and_lines_much_narrower_than_it_are_a_glow():
    counts = recorded(line(500.0, 30.0), 30000.0, 3)
    assert hump_width_nm(NM, counts, 8.0) == pytest.approx(30.0, rel=0.05)
    assert hump_width_nm(NM, counts, 1.5) == 0.0
    assert hump_width_nm(NM, recorded(line(500.0, 30.0) + 0.5 * line(700.0, 30.0), 30000.0, 3), 8.0) == 0.0


def sunlight(fwhm_nm):
    """Light of 5800 K with its dark lines, in air (widths and depths by eye; H2O and O2 of the air: from memory)."""
    fine = np.arange(370.0, 910.0, 0.05)
    left = np.ones(fine.size)
    for at, share, width in (
        (393.4, 0.8, 1.3), (396.8, 0.8, 1.0), (410.2, 0.6, 0.3), (430.8, 0.7, 0.6), (434.0, 0.5, 0.3),
        (438.4, 0.5, 0.2), (486.1, 0.7, 0.3), (517.3, 0.6, 0.4), (518.4, 0.6, 0.2), (527.0, 0.5, 0.3),
        (589.0, 0.6, 0.1), (589.6, 0.6, 0.1), (656.3, 0.7, 0.3), (687.2, 0.35, 1.0), (718.0, 0.3, 5.0),
        (728.0, 0.2, 4.0), (760.5, 0.6, 1.2), (764.5, 0.4, 2.0), (816.0, 0.15, 5.0), (823.0, 0.15, 4.0),
        (854.2, 0.6, 0.3), (866.2, 0.6, 0.25),
    ):  # fmt: skip
        left *= 1.0 - share * np.exp(-0.5 * ((fine - at) / width) ** 2)
    kernel = np.exp(-4.0 * np.log(2.0) * (np.arange(-200, 201) * 0.05 / fwhm_nm) ** 2)
    seen = np.interp(NM, fine, np.convolve(left, kernel / kernel.sum(), mode="same"))
    planck = NM**-4.0 / np.expm1(PLANCK_NM_K / (NM * 5800.0))
    return seen * planck * (np.exp(-(((NM - 600.0) / 170.0) ** 2)) + 0.02)


@pytest.mark.parametrize("fwhm_nm", [0.8, 1.3, 2.5])
@pytest.mark.parametrize("seed", [1, 2])
def test_daylight_is_no_species(fwhm_nm, seed):
    assert present_in(recorded(sunlight(fwhm_nm), 40000.0, seed), said="daylight") == []


def test_a_glow_by_daylight_is_seen_and_daylight_is_named():
    places = ((585.25, 0.9), (614.31, 0.6), (640.22, 1.0), (703.24, 0.7), (724.52, 0.3))
    neon = sum(part * line(nm, 1.5) for nm, part in places)
    light = sunlight(1.5)
    fit = identify_frame(frames_from_arrays(NM, recorded(light / light.max() + 4.0 * neon, 50000.0, 5)))
    assert next(one.verdict for one in fit.species if one.name == "Ne I") == "present"


def test_gaps_between_bands_are_no_dark_lines_of_daylight():
    light = sunlight(1.5)
    counts = recorded(light / light.max() + 0.5 * line(640.2, 1.5) + 0.4 * line(585.2, 1.5), 40000.0, 1)
    scene, solution = identify(frames_from_arrays(NM, counts)).few
    assert daylight(scene, solution)
    assert not daylight(scene, replace(solution, lines=solution.model - 20.0))  # were all of it that of bands


@pytest.mark.parametrize(("filled", "said"), [(0.2, True), (0.9, False)])
def test_dark_lines_of_which_the_a_band_is_shallower_than_the_b_band_are_gaps(filled, said):
    light = sunlight(1.5)
    counts = recorded(light / light.max() + 0.5 * line(640.2, 1.5) + 0.4 * line(585.2, 1.5), 40000.0, 1)
    scene, solution = identify(frames_from_arrays(NM, counts)).few
    ends = np.array([752.0, 775.0])
    clear = np.maximum(scene.data, np.interp(scene.axis_nm, ends, np.interp(ends, scene.axis_nm, scene.data)))
    there = (scene.axis_nm > ends[0]) & (scene.axis_nm < ends[1])
    data = np.where(there, (1.0 - filled) * scene.data + filled * clear, scene.data)
    assert daylight(replace(scene, data=data), solution) == said
