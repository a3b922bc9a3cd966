"""What unexplained light could pass for: unlisted lines, faint branches, ions without their neutral."""

from dataclasses import replace

import numpy as np
import pytest
from glow_instrument import Instrument
from glow_simulator import simulate
from numpy.testing import assert_allclose

from glowledger.glow.coincidence import _line_over_slope
from glowledger.glow.identifying import identify, identify_frame
from glowledger.glow.instrument import SUMMED_ERROR, branching_doubt
from glowledger.glow.loose_bands import FAINT_DOUBT
from glowledger.spectra.frames import frames_from_arrays

BENCH = Instrument(pixels=1024, fwhm_nm=(1.4, 1.5), second_order=0.0)


def with_forest(counts, nm, brightness, seed):
    """Add lines that no table knows, all over the range, brightnesses spread as in a crowded spectrum."""
    rng = np.random.RandomState(seed)
    centres = rng.uniform(nm[0], nm[-1], 100)
    heights = brightness * np.exp(rng.standard_normal(100))
    light = np.exp(-4 * np.log(2) * ((nm[:, None] - centres) / 1.45) ** 2) @ heights
    return counts + light + np.sqrt(light) * rng.standard_normal(nm.size)


def test_a_line_over_level_and_slope_has_the_significance_of_least_squares():
    rng = np.random.RandomState(3)
    x = np.linspace(-3, 3, 25)
    line = np.exp(-(x**2))
    w = rng.uniform(0.5, 2.0, x.size)
    y = 4.0 * line + 2.0 - 0.3 * x + rng.standard_normal(x.size) / np.sqrt(w)
    root = np.sqrt(w)[:, None]
    design = np.stack([line, np.ones(x.size), x], axis=1)
    amounts = np.linalg.lstsq(design * root, y * root[:, 0], rcond=None)[0]
    covariance = np.linalg.inv((design * root).T @ (design * root))
    found = _line_over_slope(w[None], x[None], line[None], y[None])
    assert_allclose(found, amounts[0] / np.sqrt(covariance[0, 0]), rtol=1e-9)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_species_of_one_line_is_not_claimed_in_a_forest_of_unlisted_lines(seed):
    counts, nm, truth = simulate({"Ar I": 3e6, "Na I": 3e4}, BENCH, 40 + seed)
    clean = {e.name: e for e in identify_frame(frames_from_arrays(nm, counts)).species}
    assert clean["Na I"].verdict == "present"
    crowded = with_forest(counts, nm, 0.5 * float(truth.expected["Na I"].max()), seed)
    found = {e.name: e for e in identify_frame(frames_from_arrays(nm, crowded)).species}
    assert {name for name, one in found.items() if one.verdict == "present"} == {"Ar I"}


def test_what_outshines_a_forest_is_still_claimed():
    counts, nm, truth = simulate({"Ar I": 3e6, "H I": 1e6}, BENCH, 50)
    crowded = with_forest(counts, nm, 0.003 * float(truth.expected["Ar I"].max()), 5)
    found = {e.name: e for e in identify_frame(frames_from_arrays(nm, crowded)).species}
    assert found["Ar I"].verdict == "present"
    assert found["H I"].verdict == "present"


def test_faint_branches_and_sums_of_levels_are_doubted():
    counts, nm, _ = simulate({"N2": 1e6, "Ar I": 1e6}, BENCH, 60)
    got = identify(frames_from_arrays(nm, counts))
    scene = replace(got.scene, loose=None)  # those with a factor of their own are in no doubt beside it
    single = next(i for i, e in enumerate(scene.emitters) if e.label == "N2 C-B v'=0")
    several = next(i for i, e in enumerate(scene.emitters) if e.summed)
    m = len(scene.emitters)
    for column, summed in ((single, False), (several, True)):
        amounts = np.zeros(m)
        amounts[column] = 7.0
        light = got.solution.templates[:, column] * 7.0
        relative, absolute, _ = branching_doubt(scene, got.solution.templates, amounts)
        assert_allclose(absolute, (SUMMED_ERROR * light) ** 2 if summed else 0.0, atol=1e-12 * light.max() ** 2)
        top = int(light.argmax())
        assert_allclose(relative[top], FAINT_DOUBT * light[top] ** 2, rtol=1e-9)


def test_a_band_a_tenth_as_bright_errs_by_the_root_of_ten_more():
    counts, nm, _ = simulate({"N2": 1e6, "Ar I": 1e6}, BENCH, 60)
    got = identify(frames_from_arrays(nm, counts))
    column = next(i for i, e in enumerate(got.scene.emitters) if e.label == "N2 C-B v'=0")
    amounts = np.eye(len(got.scene.emitters))[column]
    light = got.solution.templates[:, column]
    relative = branching_doubt(replace(got.scene, loose=None), got.solution.templates, amounts)[0]
    tops = [int(np.where(np.abs(nm - head) < 3, light, 0).argmax()) for head in (337.1, 405.9)]
    ratio = np.sqrt(relative[tops]) / light[tops]
    assert ratio[1] / ratio[0] == pytest.approx(np.sqrt(light[tops[0]] / light[tops[1]]), rel=0.02)


def ion_alone(photons):
    """What is said of O II beside argon, by three records of it."""
    said = []
    for seed in (70, 71, 72):
        counts, nm, _ = simulate({"Ar I": 3e6, "O II": photons}, BENCH, seed)
        fit = identify_frame(frames_from_arrays(nm, counts))
        said.append(next(e.verdict for e in fit.species if e.name == "O II"))
    return said


def test_an_ion_without_its_neutral_must_be_unmistakable():
    # a glow with the energy to make O II shows O I at 777 nm more brightly (common practice, no source)
    assert set(ion_alone(2e4)) <= {"possible", "cannot tell"}
    assert ion_alone(1e5).count("present") >= 2


def test_an_ion_beside_its_neutral_is_claimed():
    counts, nm, _ = simulate({"Ar I": 3e6, "N2": 3e5, "N2+": 3e5}, BENCH, 70)
    one = next(e for e in identify_frame(frames_from_arrays(nm, counts)).species if e.name == "N2+")
    assert one.verdict == "present", one.reason
