"""How wrong templates may be, and what follows: shapes of lines, bent responses, temperatures, levels that count."""

from dataclasses import replace

import numpy as np
import pytest
from glow_instrument import Instrument
from glow_simulator import simulate
from numpy.testing import assert_allclose
from scipy.interpolate import CubicSpline

from glowledger.glow.agreement import coherence, gone, rest_of_pattern, together
from glowledger.glow.case import Case
from glowledger.glow.features import FeatureTest
from glowledger.glow.identifying import identify
from glowledger.glow.instrument import error_shape, response_doubt, second_order
from glowledger.glow.likelihood import Drop, freedom
from glowledger.glow.noise_levels import FIRST_MISMATCH, FIRST_MISSHAPE, NoiseLevels, fitted_levels
from glowledger.glow.response_guess import bends, hats
from glowledger.glow.results import Feature, Temperature
from glowledger.glow.rotation import found_kelvin, log_doubt
from glowledger.glow.verdicts import _alone, _seen
from glowledger.spectra.frames import frames_from_arrays
from glowledger.tables import atoms

BENCH = Instrument(pixels=1024, fwhm_nm=(1.4, 1.5), second_order=0.0)


@pytest.fixture(scope="module")
def argon():
    counts, nm, truth = simulate({"Ar I": 3e6, "O I": 3e5}, BENCH, 11)
    return identify(frames_from_arrays(nm, counts)), truth


def lone_line(scene):
    fwhm = float(scene.line_spread.fwhm(600.0))
    return 1000.0 * np.exp(-4 * np.log(2) * ((scene.axis_nm - 600.0) / fwhm) ** 2), fwhm


def test_the_errors_at_the_top_of_a_lone_line_are_mismatch_and_misshape(argon):
    light, _ = lone_line(argon[0].scene)
    assert_allclose(error_shape(argon[0].scene, light)[:2].max(axis=1) / light.max(), 1.0, atol=0.08)


def test_wings_err_by_more_than_their_own_light(argon):
    # a line misshapen by a part of its height anywhere within a width: its wing must not be the surest part of it
    scene = argon[0].scene
    light, fwhm = lone_line(scene)
    error = error_shape(scene, light)[1]
    away = int(np.argmin(np.abs(scene.axis_nm - 600.0 - 1.5 * fwhm)))
    assert light[away] < 0.03 * light.max()
    assert error[away] > 3 * light[away]
    far = int(np.argmin(np.abs(scene.axis_nm - 600.0 - 5 * fwhm)))
    assert error[far] < 1e-3 * light.max()


@pytest.mark.parametrize(("height", "wing"), [(0.2, 0.0), (0.2, 0.05), (0.01, 0.05)])
def test_errors_of_height_and_of_shape_are_told_apart(argon, height, wing):
    # ten bright lines in a wide dark range: tops that misfit are few, pixels that fit are many
    scene, rng = argon[0].scene, np.random.default_rng(3)
    fwhm = float(scene.line_spread.fwhm(600.0))
    light, off = np.zeros(scene.axis_nm.size), np.zeros(scene.axis_nm.size)
    for k, at in enumerate(np.linspace(420.0, 820.0, 10)):
        line = 1e5 * np.exp(-4 * np.log(2) * ((scene.axis_nm - at) / fwhm) ** 2)
        skirt = 1e5 * np.exp(-0.5 * ((scene.axis_nm - at) / (0.9 * fwhm)) ** 2)
        light += line
        off += height * (-1) ** k * line + wing * rng.standard_normal(line.size) * skirt
    residual = off + 10.0 * rng.standard_normal(light.size)
    first = NoiseLevels(read_variance=100.0, gain=0.0, mismatch=FIRST_MISMATCH, misshape=FIRST_MISSHAPE)
    found = fitted_levels(
        residual, light, error_shape(scene, light), np.zeros(light.size), first, first,
        freedom=1.0, gain_known=True, least_mismatch=0.002,
    )  # fmt: skip
    assert 0.5 * height < max(found.mismatch, 0.02) < 2.0 * max(height, 0.02)
    assert 0.5 * wing < found.misshape < 2.0 * max(wing, 0.002)


def test_a_misshapen_line_keeps_its_counts():
    # a tail and a skew that the fitted shape does not have; counts by the simulator
    bench = replace(BENCH, tail=0.2, wing=0.05, broadening="skewed", fwhm_nm=(1.3, 1.7))
    counts, nm, truth = simulate({"Hg I": 3e6}, bench, 5)
    one = next(e for e in identify(frames_from_arrays(nm, counts)).fit.species if e.name == "Hg I")
    own = float(truth.expected["Hg I"].sum())
    assert abs(one.counts / own - 1) < 0.08
    assert abs(one.counts - own) < 2.5 * one.standard_error


def test_a_smooth_curve_leaves_straight_pieces_by_no_more_than_its_bend():
    # parabola: interpolation error of linear pieces is h²/8 f'' at most (Abramowitz & Stegun 25.2)
    nodes = np.array([300.0, 320.0, 340.0, 360.0, 380.0])
    nm = np.linspace(305.0, 375.0, 500)
    height = 0.001 * (nodes - 330.0) ** 2
    left = 0.001 * (nm - 330.0) ** 2 - hats(nm, nodes) @ height
    assert_allclose(np.abs(bends(nm, nodes) @ height), 20.0**2 / 8 * 0.002, rtol=1e-9)
    assert np.abs(left).max() <= 20.0**2 / 8 * 0.002 + 1e-12
    edge, inner = CubicSpline(nodes, [-4.0, -2.5, -0.6, 0.0, 0.1]), np.abs(nm - 340.0) < 20.0  # a window's edge
    off = np.abs(edge(nm) - hats(nm, nodes) @ edge(nodes))[inner]
    assert np.all(off <= np.abs(bends(nm, nodes) @ edge(nodes)).max())
    assert_allclose(bends(nm, nodes) @ (2.0 - 0.01 * nodes), 0.0, atol=1e-12)


def test_only_what_bends_the_response_adds_doubt(argon):
    scene, solution = argon[0].scene, argon[0].solution
    flat = replace(solution.adjustment, log_response=np.zeros(scene.hats.shape[1]))
    assert_allclose(response_doubt(scene, flat), 0.0)
    stepped = replace(flat, log_response=np.where(np.arange(scene.hats.shape[1]) < 5, -3.0, 0.0))
    assert response_doubt(scene, stepped).max() > 0


def test_levels_that_follow_a_bright_one_are_no_freedom(argon):
    scene, solution = argon[0].scene, argon[0].solution
    columns = scene.columns_of("O I")
    lit = int((solution.x[columns] > 0).sum())
    found = freedom(solution.normal, columns, solution.x)
    assert 1 <= found < lit
    loose = replace(solution.normal, tie=0.0 * solution.normal.tie)
    assert freedom(loose, columns, solution.x) == lit
    assert freedom(solution.normal, columns, 0.0 * solution.x) == 0


def temperature(name, kelvin, error):
    return Temperature(
        name=f"T_rot {name}", kelvin=kelvin, interval_k=(kelvin / np.exp(error), kelvin * np.exp(error)), reason="shape"
    )


def test_molecules_that_do_not_tell_are_as_hot_as_their_neighbours():
    told = (temperature("N2", 400.0, 0.1), temperature("N2+", 600.0, 0.2), temperature("CN", float("nan"), 0.1))
    found = found_kelvin(told)
    # mean of logarithms, weights 4 to 1
    assert_allclose(found[""], 400.0**0.8 * 600.0**0.2)
    assert set(found) == {"N2", "N2+", ""}
    assert_allclose(log_doubt("N2", told), 0.1)
    assert log_doubt("N2", told) < log_doubt("CN", told) < log_doubt("CN", ())
    assert found_kelvin(()) == {}


def band(label, sigma, expected, **more):
    feature = Feature(label=label, wavelength_nm=400.0, counts=100.0, standard_error=10.0, clean=True)
    usual = FeatureTest(
        feature=feature, sigma=sigma, standing_sigma=sigma, expected_sigma=expected, off_centre_nm=0.0,
        off_centre_se_nm=0.1, typical_part=1.0, typical_sigma=1.0, beside=0.0, share=0.9, centred=True, band=True,
        murky=False,
    )  # fmt: skip
    return replace(usual, **more)


def test_what_others_could_take_of_a_bright_band_does_not_speak_against_it():
    # OH at 309 nm stands 250 standard deviations high as fitted; dropped, AlO and N2 leave 54 of them to explain
    bright = band("OH A-X (0,0)", 54.0, 250.0, standing_sigma=248.0)
    assert coherence([bright]) == 1.0
    assert coherence([replace(bright, sigma=4.0)]) == 0.0  # hardly anything needs it
    assert coherence([replace(bright, standing_sigma=60.0)]) == 0.0  # what stands there is not what was fitted
    assert coherence([replace(bright, centred=False)]) == 0.0


def test_heads_that_are_faint_one_by_one_are_seen_together():
    # C2 471, 516, 558 nm among the unlisted lines of H2, each at about two standard deviations
    at = {471.4: 2.2, 516.1: 2.8, 558.2: 1.9}
    heads = [
        band(f"C2 {nm}", sigma, 2.5, feature=replace(band("", 0, 0).feature, wavelength_nm=nm))
        for nm, sigma in at.items()
    ]
    sigma, own = together(heads)
    assert sigma == pytest.approx(sum(at.values()) / np.sqrt(3))
    assert len(own) == 3
    # another top of the same head, and a head that lies under others, say nothing more
    near = band("tail", 2.0, 2.0, feature=replace(heads[1].feature, wavelength_nm=513.0))
    under = band("under", 9.0, 9.0, share=0.2, feature=replace(heads[1].feature, wavelength_nm=436.0))
    assert together([*heads, near, under])[0] == pytest.approx(sigma)
    # one that should be there as clearly and is not takes from the rest
    absent = band("absent", 0.0, 2.5, feature=replace(heads[1].feature, wavelength_nm=600.0))
    assert together([*heads, absent])[0] == pytest.approx(sum(at.values()) / 2)
    case = Case(
        name="C2", visible=1.0, blocked="", drop=Drop(
            loss=100.0, levels=3, significance=9.0, residual=np.zeros(1), residual_with=np.zeros(1),
            variance=np.ones(1),
        ), tests=heads, share=0.2, reach=None, total_counts=1e5, positions_uncertain=False, fit_failed=False,
        unexplained_anywhere=0.0, unexplained=0.0, chance=1.0,
    )  # fmt: skip
    verdict, reason = _seen(case)
    assert verdict == "possible"
    assert "together" in reason
    assert _seen(replace(case, tests=heads[:2]))[0] == "not seen"
    assert _seen(replace(case, drop=replace(case.drop, significance=4.0)))[0] == "not seen"


def test_a_line_under_much_brighter_light_says_nothing_of_the_pattern():
    best = band("O I 777.19", 900.0, 900.0)
    under = band("O I 844.64", 4.0, 4.0, typical_part=0.5, typical_sigma=20.0, beside=500.0)
    assert rest_of_pattern([best, under], best) == (1.0, float("inf"))
    # of fewer than twice its own 50 counts the others would have to give up most: then it is no line of theirs
    for beside in (0.0, 90.0):
        found, error = rest_of_pattern([best, replace(under, beside=beside)], best)
        assert found < 0.1
        assert error < 0.1


@pytest.mark.parametrize(("label", "sigma", "is_gone"), [("CN B-X (0,1)", 0.5, True), ("CN B-X (0,1)", 5.0, False),
                                                         ("CN B-X (1,1)", 0.5, False)])  # fmt: skip
def test_a_band_without_those_of_its_level_is_doubted(label, sigma, is_gone):
    # branching from one upper level is fixed, between levels populations are free
    best = band("CN B-X (0,0)", 30.0, 30.0)
    assert (gone([best, band(label, sigma, 6.0)], best) is not None) == is_gone


def test_bright_upper_levels_of_argon_pass_for_no_molecule():
    # 5p ten times as bright as at 0.5 eV beside 4p, as in NIST's relative intensities (420.07 to 811.53 nm: 1 in 90):
    # at 2.7 nm its lines from 415 to 420 nm look like a band
    lines = atoms.load().select("Ar I", (380.0, 900.0))
    known = np.isfinite(lines.ga_ki) & (lines.ga_ki > 0)
    ev, nm = lines.upper_ev()[known], lines.wavelength_nm[known]
    light = lines.ga_ki[known] * np.exp(-ev / 0.5) * np.where(ev > 14.4, 10.0, 1.0)
    axis = np.linspace(380.0, 900.0, 2048)
    counts = sum(part * np.exp(-4 * np.log(2) * ((axis - at) / 2.7) ** 2) for at, part in zip(nm, light, strict=True))
    counts = 5e4 * counts / counts.max()
    counts = 200.0 + counts + np.sqrt(4.0 + counts / 20.0) * np.random.default_rng(4).standard_normal(axis.size)
    found = {e.name: e.verdict for e in identify(frames_from_arrays(axis, counts)).fit.species}
    assert found["Ar I"] == "present"
    assert {name for name, verdict in found.items() if verdict == "present"} <= {"Ar I"}


def test_the_second_order_sees_the_window_that_the_fit_has_found(argon):
    # what a window stops at 380 nm cannot come again at 760 nm
    scene, solution = argon[0].scene, argon[0].solution
    amounts = np.where([e.species == "N2" for e in scene.emitters], 1e5, 0.0)
    clear = replace(solution.adjustment, log_response=np.zeros(scene.nodes_nm.size))
    blocked = replace(clear, log_response=np.where(scene.nodes_nm < 400.0, -5.0, 0.0))
    with_uv, without = (second_order(scene, one, amounts) for one in (clear, blocked))
    near = np.abs(scene.axis_nm - 2 * 380.5) < 4.0
    assert with_uv[near].sum() > 0
    assert without[near].sum() < 0.1 * with_uv[near].sum()


@pytest.mark.parametrize(
    ("pixels_per_line", "fwhm_nm", "verdict"), [(5.0, 1.5, "present"), (1.5, 1.5, "possible"), (5.0, 8.0, "possible")]
)
def test_one_line_on_few_pixels_or_as_wide_as_its_neighbours_are_far_proves_little(pixels_per_line, fwhm_nm, verdict):
    # below two pixels to a FWHM places are ambiguous (sampling theorem); Al I 394.40 and 396.15 beside N2 394.3 nm
    test = replace(band("Al I 396.15", 12.0, 12.0), band=False, share=0.95)
    case = Case(
        name="Al I", visible=1.0, blocked="", drop=None, tests=[test], share=0.01, reach=None, total_counts=1e5,
        positions_uncertain=False, fit_failed=False, unexplained_anywhere=0.0, unexplained=0.0, chance=1e-9,
        pixels_per_line=pixels_per_line, fwhm_nm=fwhm_nm,
    )  # fmt: skip
    assert _alone(case, test)[0] == verdict
