"""The figure of one run: indicators over time, flashes, conditions, endpoint."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from glowledger.report import style
from glowledger.report.flags import flag_rows
from glowledger.report.numbers import clock
from glowledger.report.sentences import verdict_sentence
from glowledger.runs.results import RunResult, Trend

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST = 6  # indicators drawn: as many as there are styles
MARKS = 1000  # frames up to which each has its own mark; beyond, marks are means, and the figure says of how many
REGIME_ROWS = 5  # of names of conditions
BARS = 150  # standard errors are drawn up to this many frames, as a band beyond


def run_figure(
    result: RunResult, title: str, *, notice: str | None = None, marks_s: Sequence[float] = ()
) -> Figure:
    """Draw the indicators of a run, each as part of its first level.

    Parameters
    ----------
    result : RunResult
        Everything the run says.
    title : str
        What the run is.
    notice : str, optional
        Printed along the top edge.
    marks_s : sequence of float, optional
        When someone marked something, seconds.

    Returns
    -------
    Figure
        With text alternative, for `style.save_figure`.
    """
    from matplotlib.ticker import MaxNLocator

    with style.styled():
        figure = style.new_figure(height_in=6.4)
        axes = figure.add_subplot()
        shown = drawn_trends(result)
        unit, scale = time_unit(result.duration_s)
        tops = [_draw_trend(axes, trend, i, scale) for i, trend in enumerate(shown)]
        _limits(axes, tops)
        _draw_endpoint(axes, result, scale)
        _draw_flashes(axes, result, scale)
        _draw_marks(axes, [at / scale for at in marks_s])
        axes.set_title(title, loc="left", pad=30)
        axes.text(
            0.0,
            1.012,
            verdict_sentence(result.endpoint),
            transform=axes.transAxes,
            va="bottom",
            fontsize=12.5,
        )
        axes.xaxis.set_major_locator(MaxNLocator(8, steps=[1, 2, 2.5, 5, 10]))
        axes.set_xlabel(f"Time ({unit})")
        axes.set_ylabel(f"Light over that of {result.reference or 'the reference'}, start = 1")
        if axes.get_legend_handles_labels()[0]:
            count = max((frames_in_mark(trend) for trend in shown), default=1)
            note = f"each mark is the mean of {count} frames" if count > 1 else None
            figure.legend(loc="outside lower left", ncols=4, title=note, title_fontsize=11, alignment="left")
        style.set_alt_text(figure, describe(result, title))
        if notice:
            style.stamp(figure, notice)
        _draw_regimes(figure, axes, result, scale)  # last: names are placed by their width on the finished figure
        style.settle(figure)
        return figure


def time_unit(duration_s: float) -> tuple[str, float]:
    """Return the unit of the time axis and its seconds."""
    if duration_s > 3 * 3600:
        return "h", 3600.0
    return ("min", 60.0) if duration_s > 600 else ("s", 1.0)


def drawn_trends(result: RunResult) -> list[Trend]:
    """Return the indicators to draw: the deciding one first, then those with a verdict, then the others."""

    def rank(trend: Trend) -> tuple[bool, bool]:
        verdict = result.endpoints[trend.name].verdict if trend.name in result.endpoints else "cannot tell"
        return (trend.name != result.endpoint.indicator, verdict == "cannot tell")

    return sorted(result.indicators, key=rank)[:MOST]


def first_level(trend: Trend) -> float:
    """Return the median of the first five used frames; 1 if that is not positive."""
    good = trend.value[trend.used & np.isfinite(trend.value)]
    level = float(np.median(good[:5])) if len(good) else 1.0
    return level if level > 0 else 1.0


def _draw_trend(axes: Axes, trend: Trend, index: int, scale: float) -> float:
    """Draw one indicator; return a height that holds nearly all of it."""
    look = style.SERIES[index]
    level = first_level(trend)
    time, value, error = trend.time_s / scale, trend.value / level, trend.standard_error / level
    used = trend.used & np.isfinite(value)
    aside = ~trend.used & np.isfinite(value)
    top = float(np.percentile(value[used], 99)) if used.any() else 1.0
    size = 4.0 if used.sum() < 200 else 2.6
    in_mark = frames_in_mark(trend)
    x, y, e = (means(column[used], in_mark) for column in (time, value, error))
    e = e / np.sqrt(in_mark)
    axes.plot(x, y, linestyle="none", marker=look.marker, markersize=size, color=look.colour, label=trend.name)
    if x.size <= BARS:
        axes.errorbar(x, y, yerr=e, fmt="none", ecolor=look.colour, elinewidth=0.8, alpha=0.6)
    else:
        axes.fill_between(x, y - e, y + e, color=look.colour, alpha=0.18, linewidth=0)
    axes.plot(
        means(time[aside], in_mark), means(value[aside], in_mark), linestyle="none", marker=look.marker,
        markersize=size + 2, color=look.colour, markerfacecolor="none",
    )  # fmt: skip
    return top


def frames_in_mark(trend: Trend) -> int:
    """Return how many frames one mark of the figure stands for: 1, or more where the run is long."""
    return max(1, math.ceil(trend.time_s.size / MARKS))


def means(values: NDArray[np.float64], count: int) -> NDArray[np.float64]:
    """Return the means of so many consecutive values, shape (n,) to (n / count,); the last may be of fewer."""
    if count == 1 or not values.size:
        return values
    starts = np.arange(0, values.size, count)
    return np.asarray(np.add.reduceat(values, starts) / np.diff([*starts, values.size]))


def _limits(axes: Axes, tops: list[float]) -> None:
    top = 1.25 * max([*tops, 1.0])
    low = min(0.0, axes.get_ylim()[0])
    axes.set_ylim(max(low, -0.3 * top), top)


def _draw_endpoint(axes: Axes, result: RunResult, scale: float) -> None:
    end = result.endpoint
    low, high = (edge / scale for edge in end.interval_s)
    last = axes.get_xlim()[1]
    if math.isfinite(low) and low < 4 * last:
        end_of_band = min(high, 2 * last) if math.isfinite(high) else 2 * last
        axes.axvspan(
            low, end_of_band, facecolor=style.GOOD, alpha=0.16, hatch="\\\\", edgecolor=style.GOOD,
            linewidth=0, label="endpoint, 95 %", zorder=0.4,
        )  # fmt: skip
        axes.set_xlim(right=max(last, min(high, 1.5 * last) if math.isfinite(high) else last))
    if math.isfinite(end.declared_at_s):
        said = end.declared_at_s / scale
        axes.axvline(said, color=style.GOOD, linestyle="--", linewidth=1.8, label="reached: declared here")


def _draw_regimes(figure: Figure, axes: Axes, result: RunResult, scale: float) -> None:
    """Mark where conditions changed and why; where names find no room they are in the text of the page only."""
    later = result.regimes[1:]
    texts = []
    for regime in later:
        if regime.why.startswith("plasma out"):
            style.shade(axes, regime.start_s / scale, regime.end_s / scale)
        axes.axvline(regime.start_s / scale, color=style.SOFT, linestyle=":", linewidth=1.4)
        texts.append(axes.text(
            regime.start_s / scale, 0.0, regime.why, transform=axes.get_xaxis_transform(), va="top", fontsize=10.5,
            color=style.SOFT, clip_on=True, zorder=4,
            bbox={"facecolor": style.PAPER, "edgecolor": "none", "pad": 1.5},
        ))  # fmt: skip
    if not texts:
        return
    figure.draw_without_rendering()
    spans = [text.get_window_extent() for text in texts]
    rows = flag_rows([box.x0 for box in spans], [box.width for box in spans], range(len(spans)), rows=REGIME_ROWS)
    step = 1.5 * spans[0].height / axes.bbox.height
    for text, row in zip(texts, rows, strict=True):
        text.set_y(0.95 - step * (rows.max() - row))
        text.set_visible(row >= 0)


def _draw_flashes(axes: Axes, result: RunResult, scale: float) -> None:
    if not result.flashes:
        return
    axes.plot(
        [f.time_s / scale for f in result.flashes], [0.985] * len(result.flashes), linestyle="none", marker="v",
        markersize=8, color=style.WARN, label=f"flashes ({len(result.flashes)})", clip_on=False,
        transform=axes.get_xaxis_transform(),
    )  # fmt: skip


def _draw_marks(axes: Axes, at: list[float]) -> None:
    if at:
        axes.plot(
            at, [0.015] * len(at), linestyle="none", marker="D", markersize=7, color=style.INK, clip_on=False,
            label=f"marks ({len(at)})", transform=axes.get_xaxis_transform(),
        )  # fmt: skip


def describe(result: RunResult, title: str) -> str:
    """Return the text alternative of the figure."""
    names = ", ".join(trend.name for trend in drawn_trends(result)) or "no indicator"
    words = [f"{title}: {names} over {clock(result.duration_s)}.", verdict_sentence(result.endpoint)]
    words.append(f"{len(result.flashes)} flashes, {len(result.regimes)} stretches of steady conditions.")
    return " ".join(words)
