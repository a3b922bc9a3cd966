"""What holds for every figure: no label touches another, all lies inside, all is named; and how it looks.

The pictures in `baseline` were drawn by this code and looked at; they catch what breaks, not what is wrong. After a
change that is meant: `pytest tests/report/test_every_figure.py --mpl-generate-path=tests/report/baseline`, and look.
"""

import itertools

import matplotlib
import pytest
from every_figure import FIGURES
from matplotlib.text import Annotation
from packaging.version import Version

from glowledger.report import style

# Letters are set differently before this version, which moves every label by a pixel or two.
SAME_LETTERS = Version(matplotlib.__version__) >= Version("3.11")
TOLERANCE = 2.0  # rms of 0 to 255; a series, a label or an axis that is lost gives more, see the test below


class Shown:
    """A figure that saves itself small and in our style, as the comparison asks."""

    def __init__(self, figure):
        self.figure = figure

    def savefig(self, path, **_):
        with style.styled():
            self.figure.savefig(path, dpi=36, format="png", metadata={"Software": None})


def lettering(figure):
    """Return all visible texts of a figure."""
    figure.canvas.draw()
    texts = [*figure.texts]
    for axes in figure.axes:
        texts += [*axes.texts, axes.title, axes._left_title, axes.xaxis.label, axes.yaxis.label]
        if axes.axison:
            texts += [
                label for axis in (axes.xaxis, axes.yaxis) for tick, label in ticks(axis) if label.get_visible()
            ]
    for legend in [*figure.legends, *(axes.get_legend() for axes in figure.axes if axes.get_legend())]:
        texts += [*legend.get_texts(), legend.get_title()]
    return [text for text in texts if text.get_visible() and text.get_text().strip()]


def ticks(axis):
    low, high = sorted(axis.get_view_interval())
    inside = [tick for tick in axis.get_major_ticks() if low <= tick.get_loc() <= high]
    return [(tick, tick.label1) for tick in inside if tick.label1.get_visible()]


def box(text):
    """Return the place of a text without its leader line, in pixels."""
    if isinstance(text, Annotation):
        from matplotlib.text import Text

        return Text.get_window_extent(text)
    return text.get_window_extent()


@pytest.fixture(params=FIGURES)
def figure(request):
    return FIGURES[request.param]()


def test_no_two_labels_overlap(figure):
    found = [(text.get_text(), box(text)) for text in lettering(figure)]
    assert len(found) > 4
    for (one, a), (other, b) in itertools.combinations(found, 2):
        wide = min(a.x1, b.x1) - max(a.x0, b.x0)
        high = min(a.y1, b.y1) - max(a.y0, b.y0)
        assert wide <= 0.5 or high <= 0.5, (one, other, wide, high)


def test_all_lettering_lies_inside_the_figure(figure):
    edge = figure.bbox.padded(1.0)
    for text in lettering(figure):
        a = box(text)
        assert edge.x0 <= a.x0, text.get_text()
        assert a.x1 <= edge.x1, text.get_text()
        assert edge.y0 <= a.y0, text.get_text()
        assert a.y1 <= edge.y1, text.get_text()


def test_every_axis_with_numbers_is_named_with_its_unit(figure):
    shared = {axes for axes in figure.axes for other in figure.axes if axes.get_shared_x_axes().joined(axes, other)}
    named = {axes.get_xlabel() for axes in shared}
    for axes in figure.axes:
        if not axes.axison:
            continue
        for axis, label in ((axes.xaxis, axes.get_xlabel()), (axes.yaxis, axes.get_ylabel())):
            texts = [text for _, text in ticks(axis) if text.get_text()]
            if not texts or not any(text.get_text()[-1].isdigit() for text in texts):
                continue
            assert label or (axis is axes.xaxis and axes in shared and any(named)), figure.get_label()
            if "nm" in label or "Time" in label or "Wavelength" in label:
                assert label.endswith((")", "interval")), label


def test_every_figure_has_an_alternative_that_says_more_than_its_title(figure):
    assert len(style.alt_text(figure)) > 60


def image(name):
    @pytest.mark.skipif(not SAME_LETTERS, reason="the pictures were drawn with the lettering of matplotlib 3.11")
    @pytest.mark.mpl_image_compare(baseline_dir="baseline", filename=f"{name}.png", tolerance=TOLERANCE)
    def test():
        return Shown(FIGURES[name]())

    return test


for _name in FIGURES:
    globals()[f"test_{_name}_looks_as_before"] = image(_name)


def test_the_tolerance_catches_what_is_lost(tmp_path):
    from matplotlib.testing.compare import compare_images

    def picture(name, change=lambda figure: None):
        figure = FIGURES["run"]()
        change(figure)
        Shown(figure).savefig(tmp_path / name)
        return tmp_path / name

    def without(artist):
        return lambda figure: artist(figure).remove()

    whole = picture("whole.png")
    assert compare_images(whole, picture("same.png"), tol=0.0) is None
    losses = {
        "series": without(lambda f: f.axes[0].lines[0]),
        "legend": without(lambda f: f.legends[0]),
        "title": lambda f: f.axes[0].set_title("", loc="left"),
        "axis label": lambda f: f.axes[0].set_xlabel(""),
        "limits": lambda f: f.axes[0].set_xlim(0, 30),
    }
    for name, change in losses.items():
        lost = compare_images(whole, picture(f"{name}.png", change), tol=TOLERANCE, in_decorator=True)
        assert lost is not None, name
