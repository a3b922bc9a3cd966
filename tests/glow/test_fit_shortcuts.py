"""What makes the fit fast must change nothing: each short cut against the long way round."""

from dataclasses import replace

import numpy as np
import pytest
from glow_instrument import Instrument
from glow_simulator import simulate
from numpy.testing import assert_allclose
from scipy.interpolate import BSpline
from scipy.optimize import minimize, nnls

from glowledger.bench.model import LineSpread
from glowledger.glow import likelihood
from glowledger.glow.background import background_basis
from glowledger.glow.binning import binned
from glowledger.glow.choosing import chosen_emitters
from glowledger.glow.coarse import carried_over, coarse_scene
from glowledger.glow.identifying import identify
from glowledger.glow.instrument import response_templates
from glowledger.glow.line_shape import LineShape
from glowledger.glow.noise_levels import FIRST_MISMATCH, FIRST_MISSHAPE, NoiseLevels, fitted_levels
from glowledger.glow.nonnegative import scaled_gram
from glowledger.glow.normal_equations import weighted_sums
from glowledger.glow.scene import build_scene
from glowledger.glow.second_order import SecondOrder
from glowledger.glow.significance import POSSIBLE_SIGMA
from glowledger.glow.start_search import best_offset
from glowledger.glow.templates import emission_grid, pixel_edges
from glowledger.glow.width_scale import pixel_sums, width_scale
from glowledger.spectra.frames import frames_from_arrays
from glowledger.tables.species import find_species

SPREAD = LineSpread(at_nm=np.array([600.0]), fwhm_nm=np.array([1.3]), fwhm_se_nm=np.array([0.02]))
AXIS = np.linspace(300.0, 900.0, 1500)


def scene_of(freed=frozenset({"Ar I", "N2"}), counts=None, axis=AXIS):
    emitters = chosen_emitters(find_species(("Ar I", "N2", "H I")), frozenset(freed), {}, axis[0], axis[-1])
    frames = frames_from_arrays(axis, np.full(axis.size, 100.0) if counts is None else counts)
    return build_scene(frames, emitters, SPREAD, None)


@pytest.fixture(scope="module")
def scene():
    return scene_of()


def amounts_of(scene, seed=0):
    rng = np.random.default_rng(seed)
    m = len(scene.emitters)
    x = rng.lognormal(0.0, 2.0, m + scene.background.shape[1] + 1) * 1e3
    x[:m][rng.random(m) < 0.3] = 0.0
    return x


@pytest.mark.parametrize("seed", range(4))
def test_noise_levels_are_as_likely_as_a_general_minimiser_finds(seed):
    # Student's t with 4 degrees of freedom and the log-normal priors of the module, written out
    rng = np.random.default_rng(seed)
    lines = np.where(rng.random(3000) < 0.5, rng.uniform(0, 3e4, 3000), 0.0)
    around, bands = (np.where(rng.random(3000) < 0.5, rng.uniform(0, 3e4, 3000), 0.0) for _ in range(2))
    model = lines + bands + 400.0
    sd = np.sqrt(300.0 + 0.3 * model + (0.06 * lines) ** 2 + (0.02 * around) ** 2 + (0.03 * bands) ** 2)
    residual = sd * rng.standard_t(5, 3000)
    first = NoiseLevels(read_variance=250.0, gain=0.0, mismatch=FIRST_MISMATCH, misshape=FIRST_MISSHAPE)
    found = fitted_levels(
        residual, model, np.stack([lines, around, bands]), np.zeros(3000), first, first,
        freedom=1.0, gain_known=False, least_mismatch=1e-4,
    )  # fmt: skip
    bright = np.quantile(model, 0.99) + np.sqrt(first.read_variance)

    def misfit(log):
        read, gain, mismatch, misshape, within = np.exp(log) * [250.0, 250.0 / bright, 1.0, 1.0, 1.0]
        v = read + gain * model + (mismatch * lines) ** 2 + (misshape * around) ** 2 + (within * bands) ** 2
        usual = np.log([0.03, 0.03, 0.015])
        prior = (log[0] / 1.5) ** 2 + (log[1] / 6.0) ** 2 + sum(((log[2:] - usual) / 1.5) ** 2)
        return 0.5 * np.sum(np.log(v) + 5 * np.log1p(residual**2 / (4 * v))) + 0.5 * prior

    theirs = minimize(misfit, [0.0, 0.0, np.log(0.05), np.log(0.05), np.log(0.03)], method="BFGS")
    levels = [found.read_variance / 250.0, found.gain * bright / 250.0, found.mismatch, found.misshape, found.within]
    assert misfit(np.log(levels)) < theirs.fun + 0.02


def test_light_moves_with_the_edges_as_the_closed_form_says():
    axis = np.arange(480.0, 520.0, 0.31)
    edges = pixel_edges(axis)
    spread = emission_grid([np.array([500.03])], [np.ones(1)], SPREAD, axis[0], axis[-1]).spread(LineShape())
    sigma = 1.3 / (2 * np.sqrt(2 * np.log(2)))
    gauss = np.exp(-0.5 * ((edges - 500.03) / sigma) ** 2) / (sigma * np.sqrt(2 * np.pi))
    exact = np.diff(gauss)
    assert_allclose(spread.slope(edges, 0), exact, atol=0.02 * np.abs(exact).max())


def test_second_order_stands_at_twice_the_wavelength():
    argon = chosen_emitters(find_species(("Ar I",)), frozenset({"Ar I"}), {}, 300.0, 700.0)
    two = [
        replace(argon[0], wavelength_nm=np.array([309.0, 600.0]), rate=np.array([0.4, 0.6])),
        replace(argon[1], wavelength_nm=np.array([330.0]), rate=np.array([1.0])),
    ]
    scale = width_scale(SPREAD, 560.0, 700.0)
    doubled = SecondOrder(scale, tuple(two), np.linspace(0.5, 1.0, scale.nodes))
    axis = np.arange(560.0, 700.0, 0.25)
    light = doubled.lit(np.array([3.0, 0.0])).on_pixels(LineShape(), pixel_edges(axis))[:, 0]
    seen = np.interp(618.0, scale.node_nm(), doubled.seen)
    assert_allclose(light.sum(), 3.0 * 0.4 * seen, rtol=1e-3)
    assert abs(light @ axis / light.sum() - 618.0) < 0.01
    halves = doubled.grouped(np.array([0, 0]), np.array([0.25, 0.75]))
    together = halves.lit(np.array([8.0])).density
    assert_allclose(together, doubled.lit(np.array([2.0, 6.0])).density, rtol=1e-12)


def test_many_lines_put_together_look_as_they_did_apart():
    (n2,) = find_species(("N2",))
    typical = chosen_emitters((n2,), frozenset(), {}, 300.0, 900.0)
    apart = chosen_emitters((n2,), frozenset({"N2"}), {}, 300.0, 900.0)
    for system in ("N2 C-B", "N2 B-A"):
        (together,) = [e for e in typical if e.label == f"{system} typical"]
        own = [e for e in apart if e.label.startswith(f"{system} ")]
        total = sum(e.weight for e in own)
        spread = replace(SPREAD, fwhm_nm=np.array([0.4]))
        edges = np.arange(300.0, 900.0, 0.1)

        def light(emitters, parts, spread=spread, edges=edges):
            grid = emission_grid([e.wavelength_nm for e in emitters], [e.rate for e in emitters], spread, 300.0, 900.0)
            return grid.on_pixels(LineShape(), edges) @ np.array(parts)

        whole = light(own, [e.weight / total for e in own])
        assert together.wavelength_nm.size < 0.6 * sum(e.wavelength_nm.size for e in own)
        assert_allclose(light([together], [1.0]), whole, atol=1e-3 * whole.max())


def test_every_node_within_the_pixels_is_counted_once():
    scale = width_scale(SPREAD, 300.0, 900.0)
    sums = pixel_sums(scale, pixel_edges(AXIS)).toarray()
    assert sums.min() >= 0.0
    inside = (scale.node_nm() > 301.0) & (scale.node_nm() < 899.0)
    assert_allclose(sums.sum(axis=0)[inside], 1.0, atol=1e-12)


def test_changed_rows_give_the_sums_of_the_changed_problem():
    rng = np.random.default_rng(1)
    a, f, y, w = rng.random((200, 9)), rng.random((200, 3)), rng.random(200), rng.random(200)
    rows = np.arange(20, 70)
    new_f, new_w = f.copy(), w.copy()
    new_f[rows] -= 0.3
    new_w[rows] *= np.where(rows % 3, 2.5, 0.4)
    short = weighted_sums(a, f, w, y).reweighted(a[rows], (f[rows], new_f[rows]), (w[rows], new_w[rows]), y[rows])
    full = weighted_sums(a, new_f, new_w, y)
    for name in ("gram", "cross", "free", "rhs", "free_rhs"):
        assert_allclose(getattr(short, name), getattr(full, name), rtol=1e-10)


@pytest.mark.parametrize("seed", range(8))
def test_barred_columns_are_as_if_they_were_not_there(seed):
    rng = np.random.default_rng(seed)
    a, y = rng.exponential(1.0, (60, 14)), rng.exponential(1.0, 60)
    barred = rng.random(14) < 0.3
    x = scaled_gram(a.T @ a).solve(a.T @ y, np.ones(14, dtype=bool), barred)
    assert np.all(x[barred] == 0.0)
    assert_allclose(x[~barred], nnls(a[:, ~barred], y)[0], atol=1e-6)


def test_grouped_emitters_give_the_light_they_gave_apart(scene):
    x = amounts_of(scene)
    coarse = coarse_scene(scene, x)
    assert len(coarse.scene.emitters) < len(scene.emitters)
    assert_allclose(coarse.split(coarse.merged(x)), x, rtol=1e-12)
    together = response_templates(coarse.scene, scene.start()) @ coarse.merged(x)[: len(coarse.scene.emitters)]
    apart = response_templates(scene, scene.start()) @ x[: len(scene.emitters)]
    assert_allclose(together, apart, rtol=0, atol=np.finfo(np.float32).eps * apart.max())  # as templates are kept


def test_amounts_carried_to_other_emitters_keep_what_each_species_has(scene):
    typical = scene_of(freed=frozenset({"Ar I"}))
    x = amounts_of(typical, 3)
    carried = carried_over(typical, x, scene)
    for name in ("Ar I", "N2", "H I"):
        assert_allclose(carried[scene.columns_of(name)].sum(), x[typical.columns_of(name)].sum(), rtol=1e-9)
    same = scene.columns_of("Ar I")
    assert_allclose(carried[same], x[typical.columns_of("Ar I")])
    assert_allclose(carried[len(scene.emitters) :], x[len(typical.emitters) :])


def test_binned_pixels_hold_the_counts_and_the_templates_of_theirs(scene):
    coarse = binned(scene, 1.3 * 2.0)
    many = round(scene.data.size / coarse.data.size)
    assert many > 1
    whole = coarse.data.size * many
    assert_allclose(coarse.data.sum(), scene.data[:whole].sum())
    fine = scene.grid.on_pixels(LineShape(), scene.edges_nm)[:whole].reshape(-1, many, len(scene.emitters)).sum(axis=1)
    assert_allclose(coarse.grid.on_pixels(LineShape(), coarse.edges_nm), fine, atol=1e-12)


@pytest.mark.parametrize("off_nm", [-1.7, -0.6, 0.0, 0.9, 1.8])
def test_an_axis_that_is_off_is_found(off_nm):
    true = scene_of()
    x = amounts_of(true, 5)[: len(true.emitters)]
    light = true.grid.on_pixels(LineShape(), true.edges_nm + off_nm) @ x
    rng = np.random.default_rng(2)
    shown = scene_of(counts=rng.poisson(2e4 * light / light.max() + 100.0).astype(float))
    steps = np.arange(-8, 9) * 0.35 * 1.3 * 0.6
    best = best_offset(binned(shown, 1.3), steps).adjustment
    assert abs(best.shift_nm[0] - off_nm) < 0.35


@pytest.mark.parametrize("fwhm_nm", [1.0, 12.0, 60.0])
def test_the_background_is_made_of_the_splines_of_the_library(fwhm_nm):
    ours = background_basis(AXIS, fwhm_nm)
    inner = np.linspace(AXIS[0], AXIS[-1], ours.shape[1] - 2)
    knots = np.concatenate([[AXIS[0]] * 3, inner, [AXIS[-1]] * 3])
    assert_allclose(ours, BSpline.design_matrix(AXIS, knots, 3).toarray(), atol=1e-12)


def test_what_is_dismissed_without_the_whole_test_would_be_next_to_nothing_in_it_too(monkeypatch):
    """A single faint line of silicon, its pattern a guess: what its own template may err by must not dismiss it."""
    bench = Instrument(pixels=2048, range_nm=(300.0, 900.0), fwhm_nm=(1.4, 1.4), window="soda lime")
    limit, missed = likelihood.CLEARLY_NOTHING, []
    for seed in (3, 5, 7, 9):
        counts, nm, _ = simulate({"Ar I": 1e6, "Si I": 5e4}, bench, seed)
        scene, solution = identify(frames_from_arrays(nm, counts)).few
        columns = [scene.columns_of(name) for name in scene.species_of_emitters()[0]]
        found = []
        for least in (limit, 0.0):
            monkeypatch.setattr(likelihood, "CLEARLY_NOTHING", least)
            found.append(np.array([likelihood.drop_species(scene, solution, c).significance for c in columns]))
        quick, whole = found
        dismissed = np.abs(whole - quick) > 1e-6 * (1.0 + whole)
        assert dismissed.sum() > 10, "or nothing is saved"
        missed.extend(whole[dismissed])
    assert np.mean(np.array(missed) > limit) < 0.02
    assert max(missed) < POSSIBLE_SIGMA, "or a verdict would depend on it"
