"""The figure of an identified spectrum, measured as drawn."""

import io
import itertools

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from glowledger.errors import WriteError
from glowledger.report import style
from glowledger.report.figures_identify import overlapped, ranked_marks, spectrum_figure, stretches


def drawn(figure):
    """Return the label texts of the upper panel and the poles."""
    figure.draw_without_rendering()
    axes = figure.axes[0]
    texts = [t for t in axes.texts if t.get_visible() and t.get_transform() != axes.transAxes and t.get_text()]
    poles = [line for line in axes.lines if len(line.get_xdata()) == 2]
    return axes, texts, poles


@pytest.mark.parametrize("scale", ["sqrt", "linear", "log"])
@pytest.mark.parametrize(("low", "high", "pixels"), [(300, 860, 2048), (680, 860, 700), (200, 1050, 3648)])
def test_no_label_touches_another_label_or_a_foreign_pole(make_fit, scale, low, high, pixels):
    figure = spectrum_figure(make_fit(low, high, pixels), "invented", scale=scale)
    axes, texts, poles = drawn(figure)
    boxes = [t.get_window_extent() for t in texts]
    assert len(boxes) > 8
    for one, other in itertools.combinations(boxes, 2):
        assert not one.overlaps(other)
    for pole in poles:
        ends = axes.get_xaxis_transform().transform(pole.get_xydata())
        for box in boxes:
            inside = box.x0 < ends[0, 0] < box.x1
            assert not (inside and ends[:, 1].max() > box.y0 + 1)


@pytest.mark.parametrize("scale", ["sqrt", "linear", "log"])
def test_labels_stay_inside_the_figure_and_above_the_data(make_fit, scale):
    fit = make_fit()
    figure = spectrum_figure(fit, "invented", scale=scale)
    axes, texts, _ = drawn(figure)
    peak = axes.transData.transform([[500, np.max(fit.data[fit.used])]])[0, 1]
    for text in texts:
        box = text.get_window_extent()
        assert box.x1 <= figure.bbox.x1
        assert axes.bbox.y0 <= box.y0
        assert box.y0 >= peak
        assert box.y1 <= axes.bbox.y1 + 1


def test_every_species_found_has_a_label_and_the_rest_are_counted(make_fit):
    fit = make_fit()
    figure = spectrum_figure(fit, "invented")
    _, texts, _ = drawn(figure)
    said = [t.get_text() for t in texts]
    for species in fit.species:
        if species.verdict in ("present", "possible"):
            assert any(text.startswith(species.name) for text in said), species.name
    left_out = len(ranked_marks(fit)) - len(said)
    title = figure.legends[0].get_title().get_text()
    assert left_out == 0 or f"{left_out} weaker features have no label here" in title


def test_a_species_that_is_not_certain_is_marked_by_more_than_colour(make_fit):
    _, texts, _ = drawn(spectrum_figure(make_fit(), "invented"))
    doubtful = [t for t in texts if t.get_text().startswith("CN")]
    assert doubtful
    assert all(t.get_text().endswith("?") and t.get_fontstyle() == "italic" for t in doubtful)


def test_a_spectrum_without_any_species_is_drawn(make_fit):
    figure = spectrum_figure(make_fit(names=()), "nothing")
    assert "No species" in style.alt_text(figure)


def test_stretches_are_bounded_by_pixel_edges():
    axis = np.array([0.0, 1.0, 2.0, 3.0, 5.0])
    where = np.array([True, False, True, True, True])
    assert stretches(axis, where) == [(0.0, 0.5), (1.5, 5.0)]
    assert stretches(axis, np.zeros(5, dtype=bool)) == []


def test_overlap_is_where_two_species_share_light_above_the_noise(make_fit):
    fit = make_fit(names=("H I", "CO"))  # 486.1 and 483.5 nm come within reach of each other
    nm = fit.axis_nm[overlapped(fit)]
    assert nm.size
    assert np.all((nm > 483.5) & (nm < 486.2))
    assert_array_equal(overlapped(make_fit(names=("H I",))), False)


def test_the_notice_stands_on_the_figure_and_in_its_alternative(make_fit):
    figure = spectrum_figure(make_fit(), "invented", notice=style.INVENTED)
    assert any(t.get_text() == style.INVENTED for t in figure.texts)
    assert style.INVENTED in style.alt_text(figure)


@pytest.mark.parametrize(("kind", "start"), [("png", b"\x89PNG"), ("svg", b"<?xml"), ("pdf", b"%PDF")])
def test_figures_are_saved_with_their_alternative_and_the_same_each_time(make_fit, tmp_path, kind, start):
    figure = spectrum_figure(make_fit(pixels=300), "invented")
    path = style.save_figure(figure, tmp_path / f"spectrum.{kind}")
    content = path.read_bytes()
    assert content.startswith(start)
    assert content == style.figure_bytes(figure, kind)
    assert [p.name for p in tmp_path.iterdir()] == [path.name]
    if kind == "svg":
        assert style.alt_text(figure) in content.decode("utf-8")
    if kind == "png":
        from matplotlib.image import imread

        assert imread(io.BytesIO(content)).shape[2] == 4
        assert b"Description" in content


def test_an_unknown_format_or_folder_is_a_write_error(make_fit, tmp_path):
    figure = spectrum_figure(make_fit(pixels=300), "invented")
    with pytest.raises(WriteError, match=r"\.png"):
        style.save_figure(figure, tmp_path / "spectrum.bmp")
    with pytest.raises(WriteError, match="folder does not exist"):
        style.save_figure(figure, tmp_path / "missing" / "spectrum.png")


def test_drawing_leaves_the_settings_of_the_caller_alone(make_fit):
    import matplotlib

    matplotlib.rcParams["lines.linewidth"] = 7.5
    try:
        before = dict(matplotlib.rcParams)
        style.figure_bytes(spectrum_figure(make_fit(pixels=300), "invented"))
        assert dict(matplotlib.rcParams) == before
    finally:
        matplotlib.rcdefaults()
