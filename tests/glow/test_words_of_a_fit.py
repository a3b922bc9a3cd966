"""What is said of spectra that hold no glow, and reasons that name what was found."""

from dataclasses import replace

import numpy as np
import pytest
from glow_instrument import Instrument
from glow_simulator import simulate
from scipy.stats import norm

from glowledger.errors import FitError
from glowledger.glow.case import Case
from glowledger.glow.features import FeatureTest
from glowledger.glow.identifying import identify_frame
from glowledger.glow.likelihood import Drop
from glowledger.glow.no_light import NO_LIGHT, without_single_pixels
from glowledger.glow.reach import Reach
from glowledger.glow.results import Feature
from glowledger.glow.verdicts import judge_all
from glowledger.report.sentences import fit_sentences, identify_summary
from glowledger.spectra.frames import frames_from_arrays

BENCH = Instrument(pixels=1024, fwhm_nm=(1.4, 1.5), second_order=0.0)
AXIS = np.linspace(300.0, 800.0, 2048)


def noise(seed, sd=5.0):
    return sd * np.random.default_rng(seed).standard_normal(AXIS.size)


@pytest.mark.parametrize("drift", [0.0, 3.0], ids=["flat", "the dark has drifted"])
@pytest.mark.parametrize("seed", range(2))
def test_a_dark_frame_is_called_that_and_nothing_else(seed, drift):
    fit = identify_frame(frames_from_arrays(AXIS, noise(seed) - 7.0 + drift * (AXIS - 550.0) / 250.0))
    assert NO_LIGHT in fit.warnings
    said = [*identify_summary(fit), *fit_sentences(fit)]
    assert len(said) == 1
    assert said[0].startswith("There is no light in it above the noise")
    assert not any("window" in one or "axis" in one for one in fit.warnings)


@pytest.mark.parametrize("seed", range(3))
def test_hot_pixels_of_a_dark_frame_are_no_light(seed):
    rng = np.random.default_rng(50 + seed)
    counts = noise(seed) + 900.0
    counts[rng.choice(AXIS.size, 8, replace=False)] += 60.0 + rng.exponential(400.0, 8)
    fit = identify_frame(frames_from_arrays(AXIS, counts))
    assert NO_LIGHT in fit.warnings
    assert "8 pixels were left out (saturated, hot, dead or missing)" in fit.warnings
    assert not {one.verdict for one in fit.species} & {"present", "possible"}


@pytest.mark.parametrize("offset", [-0.5, -0.2, 0.0, 0.4])
def test_a_line_as_narrow_as_one_pixel_is_no_hot_pixel(offset):
    # a Gaussian of one pixel at half height, summed over each pixel
    edges = np.arange(AXIS.size + 1) - 0.5
    counts = noise(7) + 900.0
    for at in (300, 301 + 700, 1500):
        counts += 2000.0 * np.diff(norm.cdf(edges, at + offset, 1 / 2.3548))
    one = frames_from_arrays(AXIS, counts)
    assert not without_single_pixels(one).mask.any()


def test_faint_light_is_no_dark_frame():
    line = np.exp(-4 * np.log(2) * ((AXIS - 587.56) / 1.5) ** 2)
    for light in (30.0 * line, np.where(AXIS < 500.0, 0.0, 15.0 * (AXIS - 500.0) / 300.0)):  # a lone line; a lamp
        assert NO_LIGHT not in identify_frame(frames_from_arrays(AXIS, noise(1) + light)).warnings
    counts, nm, _ = simulate({"Ar I": 3e4}, BENCH, 3)
    assert NO_LIGHT not in identify_frame(frames_from_arrays(nm, counts)).warnings


def test_smooth_light_is_not_called_a_coarse_spectrometer_alone():
    lamp = AXIS**-4.0 / np.expm1(1.438777e7 / (AXIS * 2900.0))  # Planck, per photon
    counts = 2e4 * lamp / lamp.max() * np.exp(-(((AXIS - 650.0) / 120.0) ** 2))
    counts += np.sqrt(25.0 + counts) * noise(2, 1.0)
    with pytest.raises(FitError, match="smooth light"):
        identify_frame(frames_from_arrays(AXIS, counts))


def test_an_axis_is_not_called_off_where_little_is_found_on_it():
    # lines of no species at random places: some shift brings one or two of them onto listed ones
    rng, shifts = np.random.default_rng(0), []
    for seed in range(4):
        at = rng.uniform(320.0, 780.0, 2 + seed % 5)
        lines = 300.0 * np.exp(-4 * np.log(2) * ((AXIS[:, None] - at) / 1.5) ** 2) @ rng.uniform(0.2, 3.0, at.size)
        fit = identify_frame(frames_from_arrays(AXIS, lines + noise(seed)))
        shifts.append(abs(fit.shift_nm))
        assert not any("wavelength axis is off by" in one for one in fit.warnings)
    assert max(shifts) > 3.0


def feature(label, sigma, **more):
    one = Feature(label=label, wavelength_nm=400.0, counts=100.0, standard_error=10.0, clean=True)
    usual = FeatureTest(
        feature=one, sigma=sigma, standing_sigma=sigma, expected_sigma=sigma, off_centre_nm=0.0, off_centre_se_nm=0.1,
        typical_part=1.0, typical_sigma=1.0, beside=0.0, share=0.9, centred=True, band=True, murky=False,
    )  # fmt: skip
    return replace(usual, **more)


def case(name, sigma, tests):
    none = np.zeros(0)
    return Case(
        name=name, visible=1.0, blocked="", tests=tests, share=0.01, total_counts=1e6, chance=1e-12,
        drop=Drop(loss=sigma**2, levels=1, significance=sigma, residual=none, residual_with=none, variance=none),
        reach=Reach(counts=1e3, standard_error=10.0, alone_error=5.0), positions_uncertain=False, fit_failed=False,
        unexplained_anywhere=0.0, unexplained=0.0,
    )  # fmt: skip


def test_no_reason_names_a_feature_twice():
    tops = [feature("Ar I 763.51", 30.0, band=False), feature("Ar I 763.51", 20.0, band=False)]
    tops[1] = replace(tops[1], feature=replace(tops[1].feature, wavelength_nm=402.0))
    said = judge_all([case("Ar I", 40.0, tops)])[0].reason
    assert said.startswith("Ar I 763.51 stands out by itself")


def test_what_nothing_agrees_with_is_not_counted_among_what_agrees():
    alone = feature("N2+ B-X (0,0)", 10.0, expected_sigma=90.0, standing_sigma=10.0)
    one = judge_all([case("N2+", 12.0, [alone])])[0]
    assert one.verdict == "possible"
    assert "0 %" not in one.reason
    assert "among them" not in one.reason


def test_what_is_not_seen_hides_nothing():
    under = feature("CO B-A (0,0)", 4.0, share=0.1)
    under = replace(under, feature=replace(under.feature, clean=False, overlaps=("N2", "Ne I")))
    said = {one.name: one for one in judge_all([case("CO", 9.0, [under]), case("Ne I", 0.5, [])])}
    assert said["Ne I"].verdict == "not seen"
    assert said["CO"].verdict == "cannot tell"
    assert said["CO"].reason.endswith("that of N2")


def test_what_lies_outside_the_range_is_not_said_to_be_hidden_by_a_window():
    """Hydroxyl alone between 250 and 400 nm: below 280 nm there is nothing to see, but xenon's lines lie above 450."""
    bench = Instrument(pixels=1024, range_nm=(250.0, 400.0), fwhm_nm=(0.6, 0.6), bend=(0.0, 0.0))
    counts, nm, _ = simulate({"OH": 3e7}, bench, 1, background_share=0.02)
    found = {one.name: one for one in identify_frame(frames_from_arrays(nm, counts)).species}
    assert "outside the measured range" in found["Xe I"].reason


def test_the_brightest_top_of_a_band_stands_for_it():
    """All tops of a sequence hold the same pixels, so that a faint one may be the most significant by a hair."""
    main, faint = feature("N2+ B-X (0,0)", 90.1), feature("N2+ B-X (1,1) tail", 90.6, typical_part=0.05)
    faint = replace(faint, feature=replace(faint.feature, wavelength_nm=397.0))
    one = judge_all([case("N2+", 100.0, [main, faint])])[0]
    assert one.verdict == "present", one.reason
    assert "should not be its strongest" not in one.reason


def test_a_band_that_nothing_confirms_has_to_stand_where_it_should_as_well_as_a_line():
    """Iron's lines at 387 nm, 2.5 nm wide, stood 0.9 nm off CN 388.3 nm, whose other bands lay under argon."""
    alone = feature("CN B-X (0,0)", 15.0, off_centre_nm=0.9)
    assert judge_all([case("CN", 15.0, [alone])])[0].verdict == "present"
    one = judge_all([case("CN", 15.0, [replace(alone, well_centred=False)])])[0]
    assert one.verdict == "possible"
    assert "0.9 nm off its place" in one.reason


def test_no_limit_is_narrower_than_light_that_stands_there_unexplained():
    clear, covered = case("Hg I", 0.5, []), replace(case("Hg I", 0.5, []), left=0.05)
    assert judge_all([clear])[0].verdict == "not seen"
    said = judge_all([covered])[0]
    assert said.verdict == "cannot tell"
    assert said.reason.startswith("5 % of the light fits nothing listed")


def test_light_of_another_shape_is_named_as_that():
    odd = feature("K I 404.41", 30.0, band=False, doubt="the light near K I 404.41 has not its shape")
    odd = replace(odd, feature=replace(odd.feature, clean=False))
    said = judge_all([case("K I", 30.0, [odd])])[0]
    assert (said.verdict, said.reason) == ("cannot tell", odd.doubt)


@pytest.mark.parametrize(("counts", "verdict"), [(7e4, "cannot tell"), (4e4, "not seen"), (5e3, "not seen")])
def test_what_the_fit_gives_much_light_is_not_called_unseen(counts, verdict):
    # 7 ± 2.5 % of the light: nought is outside of its 95 % interval, even if others would explain it nearly as well
    faint = case("H I", 2.7, [])
    error = 2.5e4 if counts > 1e4 else 1e3  # 0.5 ± 0.1 % is little, and 'less than 0.7 %' tells enough
    faint = replace(faint, reach=Reach(counts=counts, standard_error=error, alone_error=error))
    one = judge_all([faint])[0]
    assert one.verdict == verdict
    assert ("7 % of the line light" in one.reason) == (verdict == "cannot tell")


def test_two_parts_of_one_band_are_one_place():
    # the tail of OH stood for the wing of copper's lines, which lay outside of the range
    tops = [feature("OH A-X (2,2) tail", 6.0), feature("OH A-X (2,2) tail", 5.0)]
    tops[1] = replace(tops[1], feature=replace(tops[1].feature, wavelength_nm=420.0))
    assert judge_all([case("OH", 8.0, tops)])[0].verdict == "possible"
    tops[1] = replace(tops[1], feature=replace(tops[1].feature, label="OH A-X (0,0)"))
    assert judge_all([case("OH", 8.0, tops)])[0].verdict == "present"


@pytest.mark.parametrize("pixels", [(400, 401), (400, 401, 620, 621, 777)], ids=["one", "three"])
def test_light_in_a_few_pixels_speaks_of_those_and_not_of_the_axis(pixels):
    counts, nm, _ = simulate({"He I": 2e7}, BENCH, 3, background_share=0.02)
    spoilt = np.asarray(counts, dtype=float).reshape(-1).copy()
    spoilt[list(pixels)] += 0.5 * np.ptp(spoilt)
    said = " ".join(identify_frame(frames_from_arrays(nm, spoilt)).warnings)
    assert "a hot pixel, a cosmic ray" in said
    assert "wavelength axis may be far off" not in said


def test_light_that_went_to_species_which_may_not_be_there_speaks_against_others():
    # xenon behind a filter: most light went to what was possible at most, and an ion of nitrogen was present
    alone = replace(feature("CN B-X (0,0)", 15.0, off_centre_nm=0.9), well_centred=False)
    doubtful = [replace(case(name, 15.0, [alone]), share=0.15) for name in ("CN", "CH", "NH", "C2")]
    two = [feature("N II 463.05", 7.0, band=False), feature("N II 500.52", 7.0, band=False)]
    two[1] = replace(two[1], feature=replace(two[1].feature, wavelength_nm=500.5))
    ion = replace(case("N II", 9.0, two), chance=1e-7)
    assert judge_all([ion])[0].verdict == "present"
    said = {one.name: one for one in judge_all([*doubtful, ion])}
    assert {said[one.name].verdict for one in doubtful} == {"possible"}
    assert said["N II"].verdict == "possible"
    assert said["N II"].reason.startswith("60 % of the light went to species that may not be there")
    assert {one.name: one for one in judge_all([*doubtful[:3], ion])}["N II"].verdict == "present"
