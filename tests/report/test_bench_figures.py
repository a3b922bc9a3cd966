"""Figures of the bench say in their text alternative what they show, and draw what they were given."""

import numpy as np
from numpy.testing import assert_allclose

from glowledger.bench.model import Response
from glowledger.glow.own_reference import DriftCurve
from glowledger.report.figures_bench import drift_figure, response_figure
from glowledger.report.style import INVENTED, alt_text

NM = np.linspace(350.0, 850.0, 51)
RESPONSE = Response(
    at_nm=NM,
    value=np.exp(-(((NM - 600.0) / 150.0) ** 2)),
    relative_error=np.full(51, 0.1),
    usable_nm=(360.0, 840.0),
)


def texts(figure):
    figure.canvas.draw()
    return [label.get_text() for axes in figure.axes for label in axes.get_yticklabels()]


def test_a_response_is_drawn_with_its_range():
    figure = response_figure(RESPONSE, invented=True)
    assert "360 to 840 nm" in alt_text(figure)
    assert INVENTED in alt_text(figure)
    assert not any("$" in text for text in texts(figure))
    line = figure.axes[0].lines[0]
    assert_allclose(np.interp(600.0, *line.get_data()), 1.0, rtol=1e-3)


def test_a_response_to_compare_with_is_scaled_where_both_are_known():
    other = Response(
        at_nm=NM, value=0.2 * RESPONSE.value, relative_error=RESPONSE.relative_error, usable_nm=(350.0, 850.0)
    )
    ours, theirs = response_figure(RESPONSE, other).axes[0].lines[:2]
    assert_allclose(theirs.get_ydata(), ours.get_ydata(), rtol=1e-6)


def test_a_drift_is_drawn_with_or_without_times():
    shift = np.array([[0.0, 0.01], [0.2, 0.25]])
    curve = DriftCurve(
        time_s=np.array([10.0, 60.0]), first_frame=np.array([0, 5]), at_nm=np.array([400.0, 800.0]), shift_nm=shift,
        shift_se_nm=np.full((2, 2), 0.01), fwhm_nm=np.array([1.2, 1.3]), fwhm_se_nm=np.array([0.01, 0.01]),
        sentences=("The axis drifted.",),
    )  # fmt: skip
    figure = drift_figure(curve)
    assert "The axis drifted." in alt_text(figure)
    assert figure.axes[1].get_xlabel() == "Time (s)"
    assert_allclose(curve.stretch_nm(), [0.0, 0.04], atol=1e-12)
