"""Lines on pixels: light, place, width and shape against the closed forms of the line profiles."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import cauchy, norm

from glowledger.bench.model import LineSpread
from glowledger.glow.emitters import atomic_emitters
from glowledger.glow.line_shape import LineShape
from glowledger.glow.templates import emission_grid, pixel_edges
from glowledger.glow.width_scale import FEW_LINES, width_scale
from glowledger.tables.species import find_species

GAUSS = 2 * np.sqrt(2 * np.log(2))  # FWHM over standard deviation


def spread_of(fwhm_nm, at_nm=(500.0,), **shape):
    fwhm = np.broadcast_to(np.asarray(fwhm_nm, dtype=float), len(at_nm)).copy()
    return LineSpread(at_nm=np.array(at_nm), fwhm_nm=fwhm, fwhm_se_nm=0.01 * fwhm, **shape)


def on_pixels(line_nm, axis, fwhm_nm=1.0, shape=None, rate=1.0, at_nm=(500.0,)):
    """Return the template of one line, shape (p,)."""
    grid = emission_grid(
        [np.atleast_1d(line_nm).astype(float)], [np.atleast_1d(rate).astype(float)], spread_of(fwhm_nm, at_nm),
        axis[0], axis[-1],
    )  # fmt: skip
    return grid.spread(shape or LineShape()).on_pixels(pixel_edges(axis))[:, 0]


def voigt_like(edges, centre, fwhm, eta):
    """Return the pseudo-Voigt integrated over pixels, from scipy's distribution functions."""
    gauss = norm.cdf(edges, centre, fwhm / GAUSS)
    lorentz = cauchy.cdf(edges, centre, fwhm / 2)
    return np.diff((1 - eta) * gauss + eta * lorentz)


FINE = np.arange(450.0, 550.0, 0.05)
COARSE = np.arange(450.0, 550.0, 0.8)


@pytest.mark.parametrize("axis", [FINE, COARSE], ids=["fine", "coarse"])
@pytest.mark.parametrize("line", [487.03, 500.0, 512.3456])
def test_a_line_keeps_all_its_light(axis, line):
    assert_allclose(on_pixels(line, axis, rate=7.0).sum(), 7.0, rtol=1e-6)


def test_light_beyond_the_range_is_not_counted():
    # half of a symmetric line that stands on the outer edge of the first pixel falls inside
    first = pixel_edges(FINE)[0]
    assert_allclose(on_pixels(first, FINE).sum(), 0.5, atol=0.01)
    assert on_pixels(first - 30.0, FINE).sum() == 0.0


@pytest.mark.parametrize("axis", [FINE, np.arange(450.0, 550.0, 0.31)], ids=["fine", "pixels"])
@pytest.mark.parametrize("line", 500.0 + np.array([0.0, 0.013, 0.037, 0.071, 0.5]))
def test_a_line_is_centred_within_a_hundredth_of_a_nanometre(axis, line):
    light = on_pixels(line, axis)
    assert abs((light @ axis) / light.sum() - line) < 0.01


@pytest.mark.parametrize("line", [500.0, 500.03, 500.05])
@pytest.mark.parametrize("eta", [0.0, 0.3, 1.0])
@pytest.mark.parametrize("axis", [FINE, COARSE], ids=["fine", "coarse"])
def test_the_profile_is_the_closed_form_integrated_over_pixels(axis, eta, line):
    # Gaussian and Lorentzian by scipy.stats. A line half-way between nodes h = 0.1 FWHM apart loses f'' h²/8 of
    # its peak: 0.7 % of a Gaussian, 1 % of a Lorentzian; half of it is taken out on average
    exact = voigt_like(pixel_edges(axis), line, 1.0, eta)
    ours = on_pixels(line, axis, shape=LineShape(lorentz_fraction=eta))
    near = np.abs(axis - line) < 6
    cut = exact[near].sum()  # the wings are cut at eight widths, so the rest holds a little more
    assert_allclose(ours[near] * cut / ours[near].sum(), exact[near], atol=0.015 * exact.max())


def moments(light, axis):
    """Return centre of gravity and standard deviation."""
    centre = light @ axis / light.sum()
    return centre, np.sqrt(light @ (axis - centre) ** 2 / light.sum())


@pytest.mark.parametrize("pixel_nm", [0.05, 0.31])
@pytest.mark.parametrize(("fwhm", "factor"), [(0.8, 1.0), (1.0, 1.0), (2.5, 1.0), (1.0, 1.6), (1.0, 0.7)])
def test_the_width_is_the_one_asked_for_and_the_pixels_own(fwhm, factor, pixel_nm):
    # variances add: a Gaussian of this FWHM and a pixel, pixel² / 12
    axis = np.arange(480.0, 520.0, pixel_nm)
    _, deviation = moments(on_pixels(500.013, axis, fwhm, LineShape(width=factor)), axis)
    assert_allclose(deviation, np.hypot(fwhm * factor / GAUSS, pixel_nm / np.sqrt(12)), rtol=0.01)


@pytest.mark.parametrize("asymmetry", [-0.4, -0.1, 0.25])
def test_asymmetry_is_two_half_gaussians_with_the_line_midway_between_the_half_heights(asymmetry):
    axis = np.arange(480.0, 520.0, 0.25)
    right, left = 1.2 * (1 + asymmetry) / GAUSS, 1.2 * (1 - asymmetry) / GAUSS
    x = pixel_edges(axis) - (500.0 - asymmetry * 1.2 / 2)
    total = np.where(x < 0, left * norm.cdf(x / left), left / 2 + right * (norm.cdf(x / right) - 0.5))
    exact = np.diff(total) / (0.5 * (left + right))
    ours = on_pixels(500.0, axis, 1.2, LineShape(asymmetry=asymmetry))
    assert_allclose(ours, exact, atol=0.02 * exact.max())
    assert abs(moments(ours, axis)[0] - moments(exact, axis)[0]) < 0.01


@pytest.mark.parametrize("line", [350.0, 600.0, 850.0])
def test_the_width_follows_the_line_spread_over_the_range(line):
    axis = np.arange(300.0, 900.0, 0.2)
    light = on_pixels(line, axis, [0.8, 2.0], at_nm=(300.0, 900.0))
    centre, deviation = moments(light, axis)
    fwhm = np.interp(line, [300, 900], [0.8, 2.0])
    assert_allclose(deviation, np.hypot(fwhm / GAUSS, 0.2 / np.sqrt(12)), rtol=0.02)
    assert abs(centre - line) < 0.01
    assert_allclose(light.sum(), 1.0, rtol=1e-6)


def test_a_sum_of_emitters_is_the_sum_of_their_templates():
    lines = [np.array([470.0, 500.0]), np.array([500.4, 531.0])]
    rates = [np.array([0.3, 0.7]), np.array([0.5, 0.5])]
    grid = emission_grid(lines, rates, spread_of(1.0), FINE[0], FINE[-1])
    shapes = (LineShape(), LineShape(width=1.3, lorentz_fraction=0.2, asymmetry=0.1))
    amounts = np.array([3.0, 5.0])
    edges = pixel_edges(FINE)
    for k, shape in enumerate(shapes):
        apart = grid.spread(shape).on_pixels(edges) @ amounts
        assert_allclose(grid.spread_sum(amounts, shapes).on_pixels(edges)[:, k], apart, atol=1e-9)


def test_pixels_twice_as_wide_hold_the_sum_of_two():
    edges = np.arange(480.0, 520.1, 0.25)
    grid = emission_grid([np.array([500.1])], [np.ones(1)], spread_of(1.0), 480.0, 520.0)
    spread = grid.spread(LineShape(lorentz_fraction=0.2))
    fine, wide = spread.on_pixels(edges)[:, 0], spread.on_pixels(edges[::2])[:, 0]
    assert_allclose(fine.reshape(-1, 2).sum(axis=1), wide, atol=1e-12)


def test_edges_lie_between_pixel_centres():
    assert_allclose(pixel_edges(np.array([1.0, 2.0, 4.0])), [0.5, 1.5, 3.0, 5.0])


def test_few_lines_shared_out_at_once_stand_where_each_alone_stands():
    """Levels of atoms, bands of many lines, and some beyond the range."""
    rng = np.random.default_rng(8)
    sizes = (1, 3, 40, 2 * FEW_LINES, 17, 4 * FEW_LINES, 5)
    lines = [np.sort(rng.uniform(380.0, 620.0, size)) for size in sizes]
    rates = [rng.uniform(0.1, 2.0, size) for size in sizes]
    scale = width_scale(spread_of(1.1), 400.0, 600.0)
    alone = np.stack([scale.density(nm, rate) for nm, rate in zip(lines, rates, strict=True)])
    assert_allclose(scale.densities(lines, rates), alone, rtol=1e-12, atol=1e-12)


def test_lines_out_of_order_are_refused():
    level = max(atomic_emitters(find_species(("Ar I",))[0]), key=lambda e: e.wavelength_nm.size)
    with pytest.raises(ValueError, match="order of wavelength"):
        replace(level, wavelength_nm=level.wavelength_nm[::-1])
