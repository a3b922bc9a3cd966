"""Colours of the live page in light and in dark; series differ in colour, dash and marker as in all our figures."""

from __future__ import annotations

from glowledger.report.style import DARK as ON_DARK
from glowledger.report.style import DARK_SERIES, FIT, GOOD, INK, PAPER, RULE, SERIES, SOFT, WARN

# names of the plot library for the markers of `report.style.SERIES`
_MARKER_NAMES = {"o": "circle", "s": "square", "^": "triangle", "D": "diamond", "v": "inverted_triangle", "P": "plus"}
MARKERS = [_MARKER_NAMES[look.marker] for look in SERIES]
# in pixels, for lines two pixels wide
DASHES: list[list[int]] = [
    [] if isinstance(look.dash, str) else [round(2 * part) for part in look.dash[1]] for look in SERIES
]
_NAMED = {"ink": INK, "soft": SOFT, "rule": RULE, "ground": PAPER, "fit": FIT, "good": GOOD, "warn": WARN}

LIGHT: dict[str, object] = {**_NAMED, "series": [look.colour for look in SERIES]}
DARK: dict[str, object] = {
    **{name: ON_DARK[colour] for name, colour in _NAMED.items()}, "series": list(DARK_SERIES),
}  # fmt: skip
