"""A figure as SVG inside a page: small, in the colours of the page, and told apart for the script that zooms it.

The script of the page (`zoom.js`) moves what stands for data and leaves lettering, line widths and marks at their
size. What moves how is found here from the transforms of the figure, and goes along as JSON.
"""

from __future__ import annotations

import io
import re
from collections import Counter
from typing import TYPE_CHECKING, Any

import numpy as np

from glowledger.report import style

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.transforms import Transform

POINTS = 72.0  # to an inch: the user unit of the SVG
FONTS = "'DejaVu Sans', Verdana, sans-serif"  # Verdana is as wide, so labels keep apart where DejaVu is missing
FINE = 10_000  # steps in which the height of a feature is told in the name of its label
SHARED_STYLE = 3  # a style used more often than this becomes a class


def inline_svg(figure: Figure, prefix: str) -> tuple[str, dict[str, Any]]:
    """Return a figure as an ``<svg>`` element and what the script needs to zoom it.

    Parameters
    ----------
    figure : Figure
        As `style.new_figure` makes it.
    prefix : str
        Put before every id, so that several figures fit in one page.

    Returns
    -------
    svg : str
        With every point of the data: lines are not simplified.
    panels : dict
        ``{"panels": [...]}``: box in the units of the SVG, limits, scale, which parts move in x, y or both.
    """
    import matplotlib

    with style.styled():
        matplotlib.rcParams.update({"svg.fonttype": "none", "path.simplify": False})
        style.settle(figure)
        panels = [_panel(figure, axes, number, prefix) for number, axes in enumerate(figure.axes)]
        stream = io.StringIO()
        figure.savefig(stream, format="svg", metadata={"Date": None})
    svg = stream.getvalue()
    body = svg[svg.index("<g id=") : svg.rindex("</svg>")]
    width, height = figure.get_size_inches() * POINTS
    head = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" focusable="false">'
    return head + _classes(_prefixed(_areas_in_place(_short(body)), prefix), prefix) + "</svg>", {
        "panels": [panel for panel in panels if panel]
    }


def _panel(figure: Figure, axes: Axes, number: int, prefix: str) -> dict[str, Any] | None:
    """Give every part that moves an id, and describe the panel; None if nothing in it can be zoomed."""
    if not axes.axison or axes.get_aspect() != "auto":
        return None
    height = float(figure.get_figheight()) * POINTS
    dots = POINTS / figure.dpi
    box = axes.bbox
    axes.xaxis.set_gid(f"axis{number}x")
    axes.yaxis.set_gid(f"axis{number}y")
    joined = axes.get_shared_x_axes().joined
    first = next(i for i, other in enumerate(figure.axes) if other is axes or joined(other, axes))
    return {
        "box": [_number(v * dots) for v in (box.x0, box.x1)]
        + [_number(height - v * dots) for v in (box.y1, box.y0)],
        "group": first,
        "x": _scale(axes, "x") | {"axis": f"{prefix}axis{number}x"},
        "y": _scale(axes, "y") | {"axis": f"{prefix}axis{number}y"},
        "parts": _parts(axes, number, prefix, dots, height),
        "flags": _flags(axes, prefix, dots, height),
    }


def _scale(axes: Axes, which: str) -> dict[str, Any]:
    """Describe one axis: limits, scale, label, whether it has ticks and a grid."""
    axis = axes.xaxis if which == "x" else axes.yaxis
    labels = [label for label in axis.get_ticklabels() if label.get_visible() and label.get_text()]
    numeric = all(re.fullmatch(r"[-−\d.,\s\u2009]+", label.get_text()) for label in labels)
    kind = str(axis.get_scale())
    found: dict[str, Any] = {
        "limits": [float(v) for v in (axes.get_xlim() if which == "x" else axes.get_ylim())],
        "scale": "sqrt" if kind == "function" else kind,
        "label": axis.get_label_text(),
        "moves": numeric and bool(axis.get_ticklocs().size),
        "labels": bool(labels),
        "grid": any(line.get_visible() for line in axis.get_gridlines()),
    }
    if kind == "asinh":
        found["width"] = float(vars(axis.get_transform())["linear_width"])
    return found


def _parts(axes: Axes, number: int, prefix: str, dots: float, height: float) -> list[list[Any]]:
    """Return ``[id, moves in x, moves in y]`` of every part, with the anchor ``x, y`` of lettering."""
    from matplotlib.collections import Collection
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch
    from matplotlib.text import Annotation, Text

    parts: list[list[Any]] = []
    for k, artist in enumerate(axes.get_children()):
        if artist is axes.patch or not artist.get_visible() or (artist.get_gid() or "").startswith("flag"):
            continue
        if not isinstance(artist, (Line2D, Collection, Patch, Text)) or artist in axes.spines.values():
            continue
        moves = _moves(axes, artist)
        if not any(moves):
            continue
        gid = f"part{number}-{k}"
        artist.set_gid(gid)
        part: list[Any] = [prefix + gid, *map(int, moves)]
        if isinstance(artist, Text):
            at = artist.xy if isinstance(artist, Annotation) else artist.get_position()
            frame = axes.transData if isinstance(artist, Annotation) else artist.get_transform()
            x, y = frame.transform(at) * dots
            part += [_number(x), _number(height - y)]
        parts.append(part)
    return parts


def _moves(axes: Axes, artist: Artist) -> tuple[bool, bool]:
    from matplotlib.patches import Patch
    from matplotlib.text import Annotation

    if isinstance(artist, Annotation):
        return (artist.xycoords == "data",) * 2
    transform: Transform = artist.get_data_transform() if isinstance(artist, Patch) else artist.get_transform()
    name = "contains_branch_separately"
    if not hasattr(transform, name):
        name = "contains_branch_seperately"  # so spelled before matplotlib 3.11
    in_x, in_y = getattr(transform, name)(axes.transData)
    return bool(in_x), bool(in_y)


def _flags(axes: Axes, prefix: str, dots: float, height: float) -> list[dict[str, Any]]:
    """Return the labelled features, most important first, those without room included."""
    found = []
    for text in axes.texts:
        gid = text.get_gid() or ""
        if not gid.startswith("flag"):
            continue
        _, rank, peak = gid.split("_")
        nm, _ = text.get_position()
        low, high = axes.bbox.y0 * dots, axes.bbox.y1 * dots
        x = axes.transData.transform((nm, axes.get_ylim()[0]))[0] * dots
        found.append((int(rank), {
            "text": text.get_text(), "x": _number(x), "y": _number(height - (low + int(peak) / FINE * (high - low))),
            "sure": text.get_fontstyle() == "normal", "size": float(text.get_fontsize()),
            "shown": bool(text.get_visible()), "id": prefix + gid,
        }))  # fmt: skip
    return [flag for _, flag in sorted(found, key=lambda item: item[0])]


def _number(value: float) -> float:
    return round(float(np.asarray(value)), 3)


def _short(svg: str) -> str:
    """Round coordinates to 1/1000 of a point, which is far below a pixel at any zoom, and drop spare blanks."""

    def tag(found: re.Match[str]) -> str:
        text = re.sub(r"-?\d+\.\d{4,}", lambda m: f"{float(m[0]):.3f}".rstrip("0").rstrip("."), found[0])
        text = re.sub(r" ?\n ?", " ", text).replace(' "', '"')
        if re.search(r" [CQ] ", text):
            return text
        return re.sub(r"(?<=\d) L (?=[-\d])", " ", text)  # after a move, further pairs are lines by themselves

    svg = re.sub(r"<[^>]*>", tag, svg)
    svg = re.sub(r">\s+<", "><", svg)
    svg = re.sub(r' transform="rotate\(-0 [^"]*"', "", svg).replace("xlink:href", "href")
    svg = re.sub(r"<!--.*?-->", "", svg, flags=re.S)
    return svg.replace("'DejaVu Sans'", FONTS)


def _areas_in_place(svg: str) -> str:
    """Put filled areas where they are shown; they come as marks drawn elsewhere, and marks keep their size."""

    def area(use: re.Match[str]) -> str:
        drawn = re.search(rf'<path id="{use[1]}" d="([^"]*)"[^>]*/>', svg)
        if drawn is None:
            return use[0]
        numbers = iter(range(10**9))
        shifted = re.sub(
            r"-?\d+(?:\.\d+)?",
            lambda n: n[0] if next(numbers) % 2 == 0 else f"{float(n[0]) + float(use[2]):.3f}".rstrip("0").rstrip("."),
            drawn[1],
        )
        return f'<path d="{shifted}"{use[3]}/>'

    moved = re.sub(r'<use href="#(\w+)" x="0" y="([\d.]+)"([^>]*?)/>', area, svg)
    gone = set(re.findall(r'<path id="(\w+)"', moved)) - set(re.findall(r'href="#(\w+)"', moved))
    return re.sub(r'<path id="(\w+)" [^>]*/>', lambda one: "" if one[1] in gone else one[0], moved)


def _prefixed(svg: str, prefix: str) -> str:
    """Put a prefix before every id and every reference to one."""
    svg = re.sub(r'\bid="', f'id="{prefix}', svg)
    return svg.replace('href="#', f'href="#{prefix}').replace("url(#", f"url(#{prefix}")


def _classes(svg: str, prefix: str) -> str:
    """Replace styles that recur by classes, and the colours of our style by variables of the page."""
    recurring = [text for text, count in Counter(re.findall(r'style="([^"]*)"', svg)).items() if count > SHARED_STYLE]
    names = {text: f"{prefix}s{i}" for i, text in enumerate(recurring)}
    svg = re.sub(
        r'style="([^"]*)"', lambda m: f'class="{names[m[1]]}"' if m[1] in names else f'style="{m[1]}"', svg
    )
    rules = "".join(f".{name}{{{text}}}" for text, name in names.items())
    svg = f"<style>.{prefix}all *{{stroke-linejoin:round;stroke-linecap:butt}}{rules}</style>{svg}"
    svg = svg.replace(f'<g id="{prefix}figure_', f'<g class="{prefix}all" id="{prefix}figure_', 1)
    for colour, name in style.variables().items():
        svg = svg.replace(colour, f"var({name})")
    return svg
