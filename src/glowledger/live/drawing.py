"""The figures and the frame of the live page; the one module that knows the plot library.

The figures are described here and drawn in the browser by the library's own script, which is served from this
machine. Their sources are empty: `page/draw.js` fills them with the news.
"""

from __future__ import annotations

import html
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from glowledger import __version__
from glowledger.live.looks import DARK, DASHES, LIGHT, MARKERS
from glowledger.live.remarks import LONGEST
from glowledger.report.sentences import LIGHT_ONLY, NO_INTERLOCK

if TYPE_CHECKING:
    from bokeh.plotting import figure as Figure

PAGE = Path(__file__).with_name("page") / "page.html"
BAND = 0.22  # opacity of intervals


def bokeh_script() -> bytes:
    """Return the script of the plot library, as it was installed."""
    from bokeh.settings import settings

    return (Path(settings.bokehjs_path()) / "js" / "bokeh.min.js").read_bytes()


def page_html(name: str, build: str) -> str:
    """Return the page of a run.

    Parameters
    ----------
    name : str
        What is followed; shown as the title.
    build : str
        Mark of this version of the page.
    """
    given = {
        "build": build, "light": LIGHT, "dark": DARK, "dashes": DASHES, "markers": MARKERS,
        "figures": {"trend": _item(trend_figure()), "spectrum": _item(spectrum_figure())},
    }  # fmt: skip
    # a '<' inside a script element could end it
    data = json.dumps(given, separators=(",", ":")).replace("<", "\\u003c")
    fields = {
        "NAME": html.escape(name), "BUILD": build, "VERSION": html.escape(__version__), "LONGEST": str(LONGEST),
        "NO_INTERLOCK": html.escape(NO_INTERLOCK), "LIGHT_ONLY": html.escape(LIGHT_ONLY), "GIVEN": data,
    }  # fmt: skip
    page = PAGE.read_text(encoding="utf-8")
    for field, text in fields.items():
        page = page.replace(f"{{{{{field}}}}}", text)
    return page


def _item(figure: Figure) -> dict[str, Any]:
    from bokeh.embed import json_item

    return dict(json_item(figure))


def _empty(name: str, x_label: str, y_label: str) -> Figure:
    """Return an empty figure that fills its place on the page."""
    from bokeh.models import Range1d
    from bokeh.plotting import figure

    drawn = figure(
        name=name, sizing_mode="stretch_both", min_height=180, min_width=260, tools="xbox_zoom",
        active_drag="xbox_zoom", toolbar_location=None, x_range=Range1d(0, 1), y_range=Range1d(0, 1),
        output_backend="canvas", x_axis_label=x_label, y_axis_label=y_label, min_border_left=4, min_border_right=14,
        min_border_top=8,
    )  # fmt: skip
    drawn.xgrid.visible = False
    drawn.outline_line_color = None
    for axis in (drawn.xaxis[0], drawn.yaxis[0]):
        axis.axis_label_text_font_style = "normal"
        axis.axis_label_text_font_size = "15px"
        axis.major_label_text_font_size = "15px"
        axis.minor_tick_line_color = None
    return drawn


def _spoken(dash: list[int]) -> str:
    return " ".join(map(str, dash)) or "solid"


def trend_figure() -> Figure:
    """Return the empty figure of the indicators: bands, lines and markers per series, events, endpoint."""
    from bokeh.models import BoxAnnotation, ColumnDataSource

    drawn = _empty("trend", "Time (s)", "Part of its start")
    drawn.add_layout(BoxAnnotation(name="endpoint", visible=False, fill_alpha=0.10, line_alpha=0.0, hatch_pattern="\\",
                                   hatch_alpha=0.35, hatch_scale=18.0))  # fmt: skip
    drawn.vspan(x="x", source=ColumnDataSource({"x": []}, name="declared"), name="declared", line_width=2,
                line_dash="8 4")  # fmt: skip
    events = ColumnDataSource({"x": [], "y": [], "text": [], "side": [], "dx": []}, name="events")
    drawn.vspan(x="x", source=events, name="event lines", line_width=1.5, line_dash="2 3")
    for i, (dash, marker) in enumerate(zip(DASHES, MARKERS, strict=True)):
        band = ColumnDataSource({"x": [], "y": [], "low": [], "high": []}, name=f"band {i}")
        drawn.varea("x", "low", "high", source=band, name=f"band {i}", fill_alpha=BAND)
        drawn.line("x", "y", source=band, name=f"line {i}", line_width=2, line_dash=_spoken(dash))
        dots = ColumnDataSource({"x": [], "y": [], "low": [], "high": []}, name=f"dots {i}")
        drawn.segment("x", "low", "x", "high", source=dots, name=f"bars {i}", line_width=1.2)
        drawn.scatter("x", "y", source=dots, name=f"dots {i}", marker=marker, size=8)
        aside = ColumnDataSource({"x": [], "y": []}, name=f"aside {i}")
        drawn.scatter("x", "y", source=aside, name=f"aside {i}", marker=marker, size=9, fill_alpha=0.0, line_width=1.5)
    flashes = ColumnDataSource({"x": [], "y": []}, name="flashes")
    drawn.scatter("x", "y", source=flashes, name="flashes", marker="inverted_triangle", size=12)
    drawn.text("x", "y", text="text", source=events, name="event words", angle=0.0, text_align="side",
               x_offset="dx", y_offset=14, text_font_size="13px")  # fmt: skip
    return drawn


def spectrum_figure() -> Figure:
    """Return the empty figure of the latest spectrum: counts, fit, and features with labels that stand upright."""
    import math

    from bokeh.models import ColumnDataSource

    drawn = _empty("spectrum", "Wavelength in air (nm)", "Counts")
    light = ColumnDataSource({"x": [], "counts": []}, name="counts")
    drawn.line("x", "counts", source=light, name="counts", line_width=1.6)
    fit = ColumnDataSource({"x": [], "fit": []}, name="fit")
    drawn.line("x", "fit", source=fit, name="fit", line_width=1.6, line_dash="6 3")
    labels = ColumnDataSource({"x": [], "y": [], "foot": [], "head": [], "text": [], "dx": []}, name="labels")
    drawn.segment("x", "foot", "x", "head", source=labels, name="poles", line_width=1)
    drawn.text(
        "x", "y", text="text", source=labels, name="labels", angle=math.pi / 2, text_font_size="13px",
        text_baseline="middle", x_offset="dx",
    )  # fmt: skip
    return drawn
