"""Figures inside a page: every point of the data is there, and the script is told what it needs to move them."""

import re
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
from numpy.testing import assert_allclose

from glowledger.report import page, style
from glowledger.report.figures_identify import spectrum_figure
from glowledger.report.figures_run import run_figure
from glowledger.report.inline_svg import inline_svg
from glowledger.report.page_figures import picture_html

SVG = "{http://www.w3.org/2000/svg}"


def ids(root):
    return {element.get("id"): element for element in root.iter() if element.get("id")}


def values(path, panel):
    """Return the data that a path stands for, found from the box and the limits alone."""
    x, y = np.array(re.findall(r"-?[\d.]+", path.get("d")), dtype=float).reshape(-1, 2).T
    x0, x1, y0, y1 = panel["box"]
    to = {"linear": lambda v: v, "sqrt": lambda v: np.sign(v) * np.sqrt(np.abs(v))}
    back = {"linear": lambda v: v, "sqrt": lambda v: np.sign(v) * v**2}
    found = []
    for place, (first, last), told in ((x, (x0, x1), panel["x"]), (y, (y1, y0), panel["y"])):
        low, high = (to[told["scale"]](v) for v in told["limits"])
        found.append(back[told["scale"]](low + (place - first) / (last - first) * (high - low)))
    return found


def test_every_pixel_of_the_fit_is_in_the_drawing(make_fit):
    fit = make_fit(pixels=1024)
    svg, told = inline_svg(spectrum_figure(fit, "invented"), "a-")
    panel, elements = told["panels"][0], ids(ElementTree.fromstring(svg))
    lines = [elements[part[0]] for part in panel["parts"] if part[1:3] == [1, 1]]
    background = next(
        found for line in lines for path in line.iter(f"{SVG}path")
        if len((found := values(path, panel))[0]) == 1024
    )  # fmt: skip
    assert_allclose(background[0], fit.axis_nm, atol=2e-3)
    assert_allclose(background[1], fit.background, rtol=5e-3)


def test_what_is_told_to_move_is_in_the_drawing(make_fit, make_run):
    for figure in (spectrum_figure(make_fit(), "a"), run_figure(make_run(), "b", notice=style.INVENTED)):
        svg, told = inline_svg(figure, "p-")
        elements = ids(ElementTree.fromstring(svg))
        assert told["panels"]
        for panel in told["panels"]:
            assert panel["parts"]
            named = [part[0] for part in panel["parts"]] + [panel["x"]["axis"], panel["y"]["axis"]]
            named += [flag["id"] for flag in panel["flags"] if flag["shown"]]
            assert set(named) <= set(elements)


def test_panels_with_a_common_axis_move_together(make_fit):
    _, told = inline_svg(spectrum_figure(make_fit(), "a"), "p-")
    assert [panel["group"] for panel in told["panels"]] == [0, 0]
    assert told["panels"][0]["x"]["limits"] == told["panels"][1]["x"]["limits"]


def test_labels_without_room_are_told_too_the_important_first(make_fit):
    figure = spectrum_figure(make_fit(), "a")
    _, told = inline_svg(figure, "p-")
    flags = told["panels"][0]["flags"]
    assert {flag["shown"] for flag in flags} == {True, False}
    hidden = [text.get_text() for text in figure.axes[0].texts if not text.get_visible()]
    assert sorted(hidden) == sorted(flag["text"] for flag in flags if not flag["shown"])


def test_two_figures_of_a_page_share_no_id_and_lead_only_to_what_is_there(make_fit):
    pictures = [page.Picture(figure=spectrum_figure(make_fit(pixels=300), name), caption="c") for name in "ab"]
    text = page.page_html(
        page.Report(title="t", answer="a", command="c", sections=[page.Section(heading="h", pictures=pictures)])
    )
    named = re.findall(r'\bid="([^"]*)"', text)
    assert len(named) == len(set(named))
    assert set(re.findall(r'href="#([^"]*)"', text)) <= set(named)
    assert set(re.findall(r"url\(#([^)]*)\)", text)) <= set(named)


def test_curves_keep_their_commands(make_run):
    svg, _ = inline_svg(run_figure(make_run(), "b", notice=style.INVENTED), "p-")  # the notice has round corners
    curved = [d for d in re.findall(r' d="([^"]*)"', svg) if "Q" in d or "C" in d]
    assert curved
    for d in curved:
        for command, numbers in re.findall(r"([A-Za-z])([^A-Za-z]*)", d):
            count = len(re.findall(r"-?[\d.]+", numbers))
            assert count == {"M": 2, "L": 2, "Q": 4, "C": 6, "z": 0, "Z": 0}[command]


def test_the_drawing_takes_its_colours_from_the_page(make_fit):
    svg, _ = inline_svg(spectrum_figure(make_fit(), "a"), "p-")
    css = style.variables_css()
    used = set(re.findall(r"var\((--[\w-]+)\)", svg))
    assert {"--figure-ink", "--figure-fit", "--figure-paper"} <= used
    assert all(css.count(f"{name}:") == 2 for name in used)
    assert not re.search(r"(fill|stroke): #", svg)


@pytest.mark.parametrize("pixels", [300, 3000])
def test_drawing_changes_nothing_in_the_figure(make_fit, pixels):
    figure = spectrum_figure(make_fit(pixels=pixels), "a")
    before = style.figure_bytes(figure)
    inline_svg(figure, "p-")
    assert style.figure_bytes(figure) == before


def test_filled_areas_are_paths_where_they_are_shown():
    from every_figure import FIGURES

    figure = FIGURES["response"]()
    svg, told = inline_svg(figure, "a-")
    elements, panel = ids(ElementTree.fromstring(svg)), told["panels"][0]
    band = figure.axes[0].collections[0]
    group = elements[f"a-{band.get_gid()}"]
    assert not list(group.iter(f"{SVG}use"))
    outline = next(path for path in group.iter(f"{SVG}path") if len(path.get("d")) > 500)
    x, _ = values(outline, {**panel, "y": {"limits": [0, 1], "scale": "linear"}})
    expected = band.get_paths()[0].vertices[:, 0]
    assert_allclose([x.min(), x.max()], [expected.min(), expected.max()], atol=0.01)


def test_a_figure_with_equal_scales_is_shown_as_it_is():
    from every_figure import FIGURES

    text = picture_html(page.Picture(figure=FIGURES["colour"](), caption="c"), 1)
    assert "<svg" in text
    assert "zooms" not in text
    assert "tabindex" not in text
