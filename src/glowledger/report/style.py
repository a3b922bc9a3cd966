"""The one look of all figures: sizes, colours that also work in grey, saving with a text alternative.

Figures are made without pyplot, so no window system, backend or global setting is touched.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from glowledger import __version__
from glowledger.errors import WriteError
from glowledger.report.writing import write_bytes

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK = "#16202c"  # text, axes, data
SOFT = "#5b6673"  # secondary text, leader lines; 5.8:1 on paper
RULE = "#cfd5db"  # grid and rules
PAPER = "#ffffff"
FIT = "#c2410c"  # the model; beside INK it differs in hue, lightness and dash
WARN = "#8a5a00"  # cautions, always with a hatch or a word
GOOD = "#0f6b5c"  # 'reached', always with the word

INVENTED = "Invented data, for demonstration only"


@dataclass(frozen=True, slots=True)
class SeriesStyle:
    """How one of several series is drawn: each differs in colour, lightness, dash and marker."""

    colour: str
    dash: str | tuple[int, tuple[float, ...]]
    marker: str


# On paper all have a contrast of 3:1 or more, and neighbours differ by 10 or more in CIE lightness,
# so a grey print keeps them apart.
SERIES = (
    SeriesStyle("#12355b", "-", "o"),
    SeriesStyle("#d07a26", (0, (6.0, 2.0)), "s"),
    SeriesStyle("#17746e", (0, (1.5, 1.5)), "^"),
    SeriesStyle("#5f93c4", (0, (8.0, 2.0, 1.5, 2.0)), "D"),
    SeriesStyle("#7a2e5d", (0, (3.5, 1.5)), "v"),
    SeriesStyle("#a3852a", (0, (5.0, 1.5, 1.5, 1.5, 1.5, 1.5)), "P"),
)

# The same on a dark page: same order, same dashes and markers. Files of figures are always on paper.
DARK = {
    INK: "#e8e6df", SOFT: "#a9b0b8", RULE: "#3a434d", PAPER: "#1d232a", FIT: "#f08a4b", WARN: "#f0c368",
    GOOD: "#56c4ae",
}  # fmt: skip
DARK_SERIES = ("#a9cdf2", "#d68436", "#7ad6cb", "#6b9fd0", "#eab3d5", "#b3953a")

WIDTH_IN = 10.0  # full width of a page or a screen column

SETTINGS: dict[Any, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 12.0,
    "axes.titlesize": 15.0,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.titlepad": 10.0,
    "axes.labelsize": 13.0,
    "axes.labelcolor": INK,
    "axes.edgecolor": SOFT,
    "axes.facecolor": PAPER,
    "axes.linewidth": 1.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.grid.axis": "y",
    "axes.axisbelow": True,
    "axes.unicode_minus": True,
    "axes.formatter.useoffset": False,
    "grid.color": RULE,
    "grid.linewidth": 0.7,
    "text.color": INK,
    "text.parse_math": False,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.labelsize": 12.0,
    "ytick.labelsize": 12.0,
    "lines.linewidth": 1.6,
    "lines.markersize": 5.0,
    "legend.frameon": False,
    "legend.fontsize": 12.0,
    "hatch.linewidth": 0.8,
    "figure.facecolor": PAPER,
    "figure.dpi": 100.0,
    "savefig.facecolor": PAPER,
    "savefig.dpi": 150.0,
    "svg.fonttype": "path",  # the same picture on every machine; the text is in the alternative
    "svg.hashsalt": "glowledger",
    "pdf.fonttype": 42,
}

KINDS = {".png": "png", ".svg": "svg", ".pdf": "pdf"}


def variables() -> dict[str, str]:
    """Return the name that each colour of a figure has in a page, by the colour on paper."""
    names = {INK: "ink", SOFT: "soft", RULE: "rule", PAPER: "paper", FIT: "fit", WARN: "warn", GOOD: "good"}
    names |= {one.colour: f"series{i}" for i, one in enumerate(SERIES)}
    return {colour: f"--figure-{name}" for colour, name in names.items()}


def variables_css() -> str:
    """Return the colours of figures as CSS: for paper and light screens, and for dark screens."""
    dark = DARK | dict(zip((one.colour for one in SERIES), DARK_SERIES, strict=True))
    named = variables()
    light_rules = "".join(f"{name}:{colour};" for colour, name in named.items())
    dark_rules = "".join(f"{name}:{dark[colour]};" for colour, name in named.items())
    return (
        f":root{{{light_rules}}}\n"
        f"@media screen and (prefers-color-scheme: dark){{:root{{{dark_rules}}}}}\n"
    )


@contextmanager
def styled() -> Iterator[None]:
    """Draw in our style inside a ``with`` block; the settings of the caller come back after it."""
    import matplotlib

    with matplotlib.rc_context():
        matplotlib.rcdefaults()  # leaves the backend alone
        matplotlib.rcParams.update(SETTINGS)
        yield


def new_figure(height_in: float = 5.0, width_in: float = WIDTH_IN) -> Figure:
    """Return an empty figure with its own canvas; call inside `styled`.

    Parameters
    ----------
    height_in, width_in : float
        Size in inches; 100 pixels to an inch on screen.

    Returns
    -------
    Figure
        A matplotlib figure with constrained layout.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in), layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def set_alt_text(figure: Figure, text: str) -> None:
    """Attach the text alternative of a figure: what it shows and what follows from it."""
    figure.set_label(text)


def alt_text(figure: Figure) -> str:
    """Return the text alternative of a figure, or an empty string."""
    return str(figure.get_label() or "")


def stamp(figure: Figure, text: str = INVENTED) -> None:
    """Print a notice in a strip along the top of a figure, e.g. that its data are invented."""
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    strip = 0.36 / figure.get_figheight()
    engine = figure.get_layout_engine()
    if isinstance(engine, ConstrainedLayoutEngine):
        engine.set(rect=(0.0, 0.0, 1.0, 1.0 - strip))  # nothing else comes up here
    figure.text(
        0.992, 1.0 - strip / 2, text, ha="right", va="center", fontsize=10, fontstyle="italic", color=WARN,
        bbox={"facecolor": PAPER, "edgecolor": WARN, "linewidth": 0.8, "boxstyle": "round,pad=0.25"},
    ).set_in_layout(False)  # fmt: skip
    note = f"{text}."
    if note not in alt_text(figure):
        set_alt_text(figure, f"{alt_text(figure)} {note}".strip())


def shade(axes: Axes, low: float, high: float, *, label: str | None = None, hatch: str = "///") -> None:
    """Mark a stretch of the horizontal axis by a hatch and a pale ground, so that it shows in grey too."""
    axes.axvspan(
        low, high, facecolor=RULE, alpha=0.45, hatch=hatch, edgecolor=SOFT, linewidth=0, label=label,
        zorder=0.5,
    )  # fmt: skip


def settle(figure: Figure) -> None:
    """Lay the figure out once and for all; a second layout would move everything a little."""
    if figure.get_layout_engine() is not None:
        figure.draw_without_rendering()
        figure.set_layout_engine("none")


def figure_bytes(figure: Figure, kind: str = "png") -> bytes:
    """Return a figure as a file in memory.

    Parameters
    ----------
    figure : Figure
        Any matplotlib figure; its text alternative goes into the file's metadata.
    kind : {'png', 'svg', 'pdf'}
        The format.

    Returns
    -------
    bytes
        The same bytes for the same figure: no date is written.
    """
    alt = alt_text(figure)
    metadata: dict[str, dict[str, str | None]] = {
        "png": {"Description": alt, "Software": f"glowledger {__version__}"},
        "svg": {"Description": alt, "Creator": f"glowledger {__version__}", "Date": None},
        "pdf": {"Subject": alt, "Creator": f"glowledger {__version__}", "CreationDate": None},
    }
    stream = io.BytesIO()
    with styled():
        settle(figure)
        figure.savefig(stream, format=kind, metadata=metadata[kind])
    return stream.getvalue()


def save_figure(figure: Figure, path: str | Path) -> Path:
    """Save a figure as PNG, SVG or PDF by the extension of its path, whole or not at all.

    Parameters
    ----------
    figure : Figure
        Any matplotlib figure.
    path : str or Path
        Ends in ``.png``, ``.svg`` or ``.pdf``.

    Returns
    -------
    Path
        `path`.

    Raises
    ------
    WriteError
        If the extension is another, or the file cannot be written.
    """
    path = Path(path)
    kind = KINDS.get(path.suffix.lower())
    if kind is None:
        raise WriteError(
            f"'{path.suffix}' is no figure format known here.", mend=f"Use {', '.join(KINDS)}.", file=path
        )
    return write_bytes(path, figure_bytes(figure, kind))
