"""Spectra as the cheapest detectors write them: eight bits, cut off at zero; and a wavelength axis far off."""

import numpy as np
import pytest
from glow_instrument import Instrument
from glow_simulator import simulate

from glowledger.bench.model import Bench, WavelengthSolution
from glowledger.glow.identifying import identify_frame
from glowledger.spectra.frames import frames_from_arrays

AIR = {"N2": 8e6, "N2+": 6e5, "O I": 5e5, "H I": 1.3e5}
INSTRUMENT = Instrument(pixels=1024, fwhm_nm=(1.2, 1.3), second_order=0.0)


def dark_level(counts):
    return np.quantile(counts, 0.35)  # what some software takes for zero


@pytest.mark.parametrize("seed", [3, 4])
def test_eight_bits_cut_off_at_zero_still_show_what_a_glow_of_air_is_made_of(seed):
    # most pixels are exactly zero: no noise is left to be measured there, but rounding errs by a step over root 12
    counts, nm, _ = simulate(AIR, INSTRUMENT, seed)
    light = np.clip(counts - dark_level(counts), 0.0, None)
    eight = np.round(light * 250.0 / light.max())
    assert np.mean(eight == 0) > 0.3
    fit = identify_frame(frames_from_arrays(nm, eight))
    verdicts = {one.name: one.verdict for one in fit.species}
    assert verdicts["N2"] == verdicts["N2+"] == "present"
    assert [name for name, verdict in verdicts.items() if verdict == "present" and name not in AIR] == []
    assert 0.3 < fit.chi2_reduced < 3.0


def test_what_rounding_hides_is_no_light():
    counts, nm, _ = simulate(AIR, INSTRUMENT, 5)
    light = np.clip(counts - dark_level(counts), 0.0, None)
    fit = identify_frame(frames_from_arrays(nm, np.round(light * 12.0 / light.max())))  # less than four bits
    for one in fit.species:
        assert one.verdict != "present" or one.name in AIR


@pytest.mark.parametrize(("mixture", "off_nm"), [({"Ar I": 1e7}, 4.0), ({"H I": 2e6}, 6.0), ({"He I": 4e6}, -5.0)])
def test_a_gas_is_found_on_an_axis_that_is_ten_line_widths_off(mixture, off_nm):
    # nobody has calibrated it: the fit looks farther where nothing fits, and says so
    instrument = Instrument(
        pixels=2048, fwhm_nm=(0.6, 0.6), range_nm=(340.0, 950.0), axis_error_nm=(off_nm, 0.5, 0.0), second_order=0.0
    )
    counts, nm, _ = simulate(mixture, instrument, 2)
    fit = identify_frame(frames_from_arrays(nm, counts))
    assert [one.name for one in fit.species if one.verdict == "present"] == list(mixture)
    assert fit.shift_nm == pytest.approx(-off_nm, abs=0.3)
    assert any("wavelength axis is off by" in one for one in fit.warnings)
    for one in fit.species:  # features are named by where they really stand
        for feature in one.features:
            label = feature.label.removesuffix(" tail").split()
            if one.name in mixture and feature.clean:
                assert abs(float(label[-1]) - feature.wavelength_nm) < 1.5


def test_an_axis_that_fits_nowhere_makes_no_species_absent():
    # a spectrum with its axis the wrong way round: no line is where it is looked for, which says nothing of what glows
    instrument = Instrument(pixels=2048, fwhm_nm=(0.6, 0.6), range_nm=(340.0, 950.0), second_order=0.0)
    counts, nm, _ = simulate({"Ar I": 2e7}, instrument, 2)
    fit = identify_frame(frames_from_arrays(nm, counts[::-1].copy()))
    assert not any(one.verdict in ("present", "not seen") for one in fit.species)
    assert any("may be far off" in one for one in fit.warnings)


@pytest.mark.parametrize("calibrated", [False, True])
def test_light_of_nothing_listed_is_named_by_its_place_and_a_calibrated_axis_not_blamed_for_it(calibrated):
    # ghosts of a real spectrograph (second order of cadmium 326 nm) stood where no line is, on an axis right to 0.02 nm
    counts, nm, _ = simulate({"Ar I": 1e7}, INSTRUMENT, 3)
    ghost = 0.2 * (counts.max() - dark_level(counts)) * np.exp(-(((nm - 543.0) / 0.6) ** 2))
    solution = None
    if calibrated:
        domain = (float(nm[0]), float(nm[-1]))
        solution = WavelengthSolution(
            coefficients=np.polynomial.Chebyshev.fit(nm, nm, 1, domain=domain).coef, domain=domain,
            covariance=1e-5 * np.eye(2), scatter_nm=0.01, covered=domain,
        )  # fmt: skip
    bench = Bench(pixels=nm.size, solution=solution)
    fit = identify_frame(frames_from_arrays(nm, counts + ghost), bench=bench)
    said = next(one for one in fit.warnings if "nothing listed has any" in one)
    assert float(said.split(" nm")[0].split()[-1]) == pytest.approx(543.0, abs=1.0)
    assert ("calibrate" in said) != calibrated
