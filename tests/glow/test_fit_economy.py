"""What the fit leaves out, sums up or takes over: it must tell the same as with everything in full."""

import numpy as np
import pytest
from glow_instrument import Instrument
from glow_simulator import simulate
from numpy.testing import assert_allclose

from glowledger.glow.binning import enough_pixels, summed_pixels
from glowledger.glow.coarse import coarse_scene
from glowledger.glow.emitters import atomic_emitters
from glowledger.glow.faint_levels import UNTOLD, light_of
from glowledger.glow.final_templates import with_response
from glowledger.glow.fitting import _on_other_pixels, fit_scene
from glowledger.glow.identifying import identify
from glowledger.glow.normal_equations import weighted_sums
from glowledger.glow.quantiles import quantile
from glowledger.glow.scene import with_emitters
from glowledger.glow.species_light import pattern_light, species_light
from glowledger.spectra.frames import frames_from_arrays
from glowledger.tables.species import find_species

FINE = Instrument(pixels=2048, range_nm=(300.0, 900.0), fwhm_nm=(1.4, 1.7), second_order=0.0)


@pytest.fixture(scope="module")
def found():
    counts, nm, _ = simulate({"Ar I": 4e6, "H I": 4e5, "N2": 4e5}, FINE, 5)
    return identify(frames_from_arrays(nm, counts))


def test_half_the_pixels_find_the_same_axis_width_and_amounts(found):
    scene = found.scene
    few = summed_pixels(scene, enough_pixels(scene))
    assert 2 * few.data.size <= scene.data.size
    whole, half = fit_scene(scene), fit_scene(few)
    middle = scene.data.size // 2
    error = np.hypot(whole.shift_error_at(scene, middle), half.shift_error_at(few, middle // few.summed_pixels))
    apart = whole.shift_at(scene, middle) - half.shift_at(few, middle // few.summed_pixels)
    assert abs(apart) < max(3 * error, 0.02 * found.fit.fwhm_nm)
    assert_allclose(half.adjustment.shape.width, whole.adjustment.shape.width, rtol=0.03)
    m = len(scene.emitters)
    sigma = np.sqrt(np.diag(whole.normal.covariance(whole.x))[:m])
    bright = (whole.x[:m] > 3 * sigma) & (sigma > 0)
    assert bright.sum() > 8
    assert np.median(np.abs(half.x[:m] - whole.x[:m])[bright] / sigma[bright]) < 1.0


def test_a_fit_goes_on_from_summed_pixels_to_all_of_them(found):
    scene = found.scene
    few = summed_pixels(scene, 2)
    half = fit_scene(few)
    seen, amounts = _on_other_pixels(coarse_scene(scene, half.x), half.adjustment, (few, half), half.x)
    pairs = seen.model[: 2 * few.data.size].reshape(-1, 2).sum(axis=1)
    moved = half.columns @ half.x + half.free_values[-1]  # increments of the instrument are no part of what is seen
    assert np.sqrt(np.mean((pairs - moved) ** 2 / half.variance)) < 0.1
    background = scene.background @ amounts[len(scene.emitters) : -1]
    assert_allclose(background.mean(), (few.background @ half.x[len(scene.emitters) : -1]).mean() / 2, rtol=1e-2)
    straight, over = fit_scene(scene, half.adjustment), fit_scene(scene, rounds=3, before=(few, half))
    assert np.sqrt(np.mean((over.model - straight.model) ** 2 / straight.variance)) < 0.2


def test_levels_are_left_summed_only_where_noise_hides_them(found):
    scene, solution = found.scene, found.solution
    argon = atomic_emitters(find_species(("Ar I",))[0])
    everything = with_emitters(scene, argon, None)
    light = light_of(scene, solution)
    told = light.told(argon)
    assert 20 < told.sum() < len(argon)
    templates = fit_scene(everything, solution.adjustment, 1).templates
    weight = np.where(scene.used, 1 / solution.variance, 0.0)
    typical = light.brightness["Ar I"] * np.array([e.weight for e in argon])
    sigma = typical * np.sqrt(weight @ templates**2)
    assert np.all(sigma[~told] < 4 * UNTOLD), "what lines that blend add up to included"
    assert np.all(told[sigma > 4 * UNTOLD])
    assert not np.any(told[sigma < UNTOLD / 4])


def test_light_of_all_species_at_once_is_that_of_each(found):
    scene, solution = found.scene, found.solution
    for name in ("Ar I", "N2", "He I"):
        columns = scene.columns_of(name)
        own = solution.templates[:, columns]
        assert_allclose(species_light(scene, solution, columns), own @ solution.x[columns], rtol=1e-9, atol=1e-9)
        weights = np.array([scene.emitters[i].weight for i in columns])
        assert_allclose(pattern_light(scene, solution, columns), own @ weights, rtol=1e-9)
    two = np.concatenate([scene.columns_of("Ar I"), scene.columns_of("N2")])
    assert_allclose(species_light(scene, solution, two), solution.templates[:, two] @ solution.x[two], rtol=1e-9)


def test_sums_with_the_instrument_held_are_those_of_what_it_leaves():
    rng = np.random.default_rng(3)
    a, f, y, w = rng.random((150, 6)), rng.random((150, 4)), rng.random(150), rng.random(150)
    moved = rng.normal(size=4)
    held = weighted_sums(a, f, w, y).held(moved)
    direct = weighted_sums(a, f[:, -1:], w, y - f[:, :-1] @ moved[:-1])
    for name in ("gram", "cross", "free", "rhs", "free_rhs"):
        assert_allclose(getattr(held, name), getattr(direct, name), rtol=1e-9, atol=1e-9)


def test_response_taken_into_the_templates_leaves_the_model(found):
    scene = found.scene
    fitted = fit_scene(scene)
    risen = with_response(scene, fitted)
    model = risen.columns @ risen.x + risen.free @ risen.free_values
    assert np.sqrt(np.mean((model - fitted.model) ** 2 / fitted.variance)) < 0.1


def test_covariance_is_the_inverse_of_what_is_told(found):
    normal, x = found.solution.normal, found.solution.x
    lit = np.flatnonzero(x > 0)
    gram = normal.gram[np.ix_(lit, lit)] + np.diag(normal.tie[lit])
    covariance = normal.covariance(x)
    unit = np.sqrt(np.diag(gram))
    product = (covariance[np.ix_(lit, lit)] * np.outer(unit, unit)) @ (gram / np.outer(unit, unit))
    assert_allclose(product, np.eye(lit.size), atol=1e-5)
    assert not covariance[x <= 0].any()


@pytest.mark.parametrize("size", [1, 2, 7, 100])
def test_quantiles_are_those_of_numpy(size):
    sample = np.random.default_rng(size).normal(size=size)
    for part in (0.0, 0.31, 0.8, 1.0):
        assert_allclose(quantile(sample, part), np.quantile(sample, part))
