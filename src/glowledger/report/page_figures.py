"""Figures in a page: drawings that zoom, or pictures where a drawing would be too large."""

from __future__ import annotations

import base64
import html
import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from glowledger.report import style
from glowledger.report.inline_svg import inline_svg

if TYPE_CHECKING:
    from matplotlib.figure import Figure

LARGEST_SVG = 700_000  # bytes; beyond it a figure is embedded as PNG, so that a page stays below 2 MB
BUTTONS = (
    ("out", "−", "Show more of the axis"), ("in", "+", "Enlarge"), ("left", "◀", "Move to the left"),
    ("right", "▶", "Move to the right"), ("fit", "↕", "Fit the height to what is in view"),
    ("whole", "Whole", "Show the whole figure again"),
)  # fmt: skip
HOW = (
    "Drag over a stretch to enlarge it, drag with Shift to move, double-click for the whole. After a click into the "
    "figure: wheel, + and − zoom, arrows move and stretch, f fits the height, 0 shows the whole."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A figure and the line below it: one to be drawn, or the content of a PNG file with its alternative."""

    caption: str
    figure: Figure | None = None
    content: bytes = b""
    alt: str = ""


def picture_html(picture: Picture, number: int) -> str:
    """Return a figure as HTML.

    Parameters
    ----------
    picture : Picture
        What to show.
    number : int
        Different for every figure of a page.

    Returns
    -------
    str
        A ``<figure>``: a drawing that the script of the page zooms, or an image with a box to enlarge it.
    """
    caption = f"<figcaption>{html.escape(picture.caption, quote=False)}</figcaption>"
    if picture.figure is None:
        return _image(picture.content, picture.alt, caption, number)
    alt = style.alt_text(picture.figure)
    svg, panels = inline_svg(picture.figure, f"f{number}-")
    if len(svg) > LARGEST_SVG:
        return _image(style.figure_bytes(picture.figure, "png"), alt, caption, number)
    named = svg.replace("<svg ", f'<svg role="img" aria-label="{html.escape(alt, quote=True)}" ', 1)
    if not panels["panels"]:
        return f'<figure><div class="frame">{named}</div>\n{caption}</figure>'
    buttons = "".join(
        f'<button type="button" value="{deed}" aria-label="{name}" title="{name}">{sign}</button>'
        for deed, sign, name in BUTTONS
    )
    told = json.dumps(panels, separators=(",", ":")).replace("<", "\\u003c")
    return (
        f'<figure class="zooms"><div class="tools" hidden>{buttons}<output></output></div>\n'
        f'<div class="frame" tabindex="0" role="group" aria-label="Figure {number}. {HOW}">{named}</div>\n'
        f'<script type="application/json">{told}</script>\n{caption}</figure>'
    )


def zoom_script() -> str:
    """Return the script that zooms the figures of a page, as an element."""
    text = Path(__file__).with_name("zoom.js").read_text(encoding="utf-8")
    return f"<script>\n{text}</script>"


def _image(content: bytes, alt: str, caption: str, number: int) -> str:
    source = f"data:image/png;base64,{base64.b64encode(content).decode('ascii')}"
    return (
        f'<figure><input type="checkbox" id="large{number}"> <label for="large{number}">enlarge</label>\n'
        f'<div class="frame"><img src="{source}" alt="{html.escape(alt, quote=True)}"></div>\n{caption}</figure>'
    )
