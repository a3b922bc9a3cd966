"""The colour of a recorded glow: how sure, and when it cannot be told."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from glowledger.bench.model import Response
from glowledger.diagnose.colour import recorded_colour, true_colour
from glowledger.diagnose.observer import chromaticity, line_tristimulus
from glowledger.errors import GlowledgerError

AXIS = np.linspace(350.0, 850.0, 800)


def lines(positions, powers, fwhm=1.5):
    return sum(
        power * np.exp(-4 * np.log(2) * (AXIS - nm) ** 2 / fwhm**2) for nm, power in zip(positions, powers, strict=True)
    )


def tilted_response(relative_error):
    at = np.linspace(350.0, 850.0, 26)
    value = np.exp(-((at - 600) ** 2) / (2 * 150**2))
    return Response(at_nm=at, value=value, relative_error=np.full(26, relative_error), usable_nm=(350.0, 850.0))


def test_true_colour_undoes_the_detector():
    # Lines of known radiant power seen by a detector of known photon response: the eye sees the lines' own
    # chromaticity (CIE 015:2018, sum over lines), whatever the detector did.
    nm, power = [447.15, 501.57, 587.56, 667.82], [1.0, 0.8, 3.0, 1.2]
    response = tilted_response(0.0)
    counts = lines(nm, power) * AXIS * response.at(AXIS)
    told = true_colour(AXIS, 1e4 * counts, response)
    assert_allclose(told.xy, chromaticity(line_tristimulus(nm, power)), atol=2e-3)
    assert told.told
    naive = recorded_colour(AXIS, 1e4 * counts)
    assert np.hypot(*(naive.xy - told.xy)) > 0.02  # without the response the colour is another


def test_interval_of_the_true_colour_covers_a_wrong_response():
    # 200 detectors whose real response differs from the stated one by smooth errors of the stated size:
    # the 95 % region (2 degrees of freedom) must hold the true chromaticity about 95 % of the time.
    generator = np.random.default_rng(5)
    nm, power = [447.15, 501.57, 587.56, 667.82], [1.0, 0.8, 3.0, 1.2]
    truth = chromaticity(line_tristimulus(nm, power))
    stated = tilted_response(0.10)
    spectrum = lines(nm, power) * AXIS * stated.at(AXIS)
    inside = 0
    for _ in range(200):
        knots = generator.normal(0, 0.10, 11)
        wrong = np.exp(np.interp(AXIS, np.arange(350.0, 851.0, 50.0), knots))
        told = true_colour(AXIS, 1e4 * spectrum * wrong, stated)
        away = told.xy - truth
        inside += away @ np.linalg.solve(told.xy_covariance, away) < 5.99
    assert 0.90 <= inside / 200 <= 0.99


def test_unknown_response_widens_the_answer_and_says_so():
    spectrum = 1e4 * lines([434.0, 486.1, 656.3], [0.3, 0.6, 2.0])
    assumed = true_colour(AXIS, spectrum)
    measured = true_colour(AXIS, spectrum, tilted_response(0.03))
    assert np.trace(assumed.xy_covariance) > 10 * np.trace(measured.xy_covariance)
    assert any("not known" in caution for caution in assumed.cautions)
    assert not any("not known" in caution for caution in measured.cautions)


def test_cannot_tell_is_said_when_many_names_fit():
    # A balanced mixture of red and violet light: near white every hue is a small error away.
    spectrum = 1e4 * lines([435.8, 546.1, 611.0], [1.0, 0.8, 0.9])
    answer = true_colour(AXIS, spectrum)
    assert not answer.told
    assert "cannot tell" in answer.description


def test_noise_alone_is_no_colour():
    noise = np.random.default_rng(3).normal(0, 5, AXIS.size)
    with pytest.raises(GlowledgerError, match="no visible light"):
        recorded_colour(AXIS, noise)


def test_noise_spreads_the_chromaticity_as_stated():
    generator = np.random.default_rng(11)
    clean = 1500 * lines([434.0, 486.1, 656.3], [0.3, 0.6, 2.0])
    answers = [recorded_colour(AXIS, clean + generator.normal(0, 4, AXIS.size)) for _ in range(150)]
    seen = np.cov(np.array([a.xy for a in answers]).T)
    stated = np.mean([a.xy_covariance for a in answers], axis=0)
    assert_allclose(np.sqrt(np.diag(stated)), np.sqrt(np.diag(seen)), rtol=0.2)


def test_ultraviolet_alone_is_refused():
    axis = np.linspace(200.0, 340.0, 500)
    with pytest.raises(GlowledgerError, match="no visible light"):
        recorded_colour(axis, np.ones(500))


def test_missing_dark_and_short_range_are_named():
    spectrum = 1000.0 * lines([546.1], [1.0]) + 200.0
    assert any("dark" in caution for caution in recorded_colour(AXIS, spectrum).cautions)
    keep = AXIS > 450
    short = recorded_colour(AXIS[keep], spectrum[keep] - 200.0)
    assert any("covers" in caution for caution in short.cautions)


def test_a_hot_pixel_is_bridged_and_a_saturated_line_makes_the_colour_untold():
    spectrum = 1e3 * lines([546.1, 611.0], [1.0, 0.5], fwhm=4.0)
    whole = recorded_colour(AXIS, spectrum)
    hot = spectrum.copy()
    hot[np.argmax(spectrum)] = np.nan
    assert_allclose(recorded_colour(AXIS, hot).xy, whole.xy, atol=3e-3)
    assert recorded_colour(AXIS, hot).told
    saturated = spectrum.copy()
    saturated[np.abs(AXIS - 546.1) < 3] = np.nan
    answer = recorded_colour(AXIS, saturated)
    assert not answer.told
    assert "missing" in answer.description
    ultraviolet = spectrum.copy()
    ultraviolet[AXIS < 370] = np.nan
    assert recorded_colour(AXIS, ultraviolet).told
