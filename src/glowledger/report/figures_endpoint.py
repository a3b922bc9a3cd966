"""The figure of where a run stands between stopping too early and waiting too long."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from glowledger.report import style
from glowledger.report.endpoint_answers import standing
from glowledger.report.figures_run import time_unit
from glowledger.runs.operating_point import OperatingPoint
from glowledger.runs.results import RunResult

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

LEAST = 0.0005  # smaller risks are drawn here
SURE = 0.995  # the figure begins where the run is not yet certain to go on


def operating_figure(
    point: OperatingPoint, result: RunResult, title: str, *, notice: str | None = None
) -> Figure:
    """Draw the probability of stopping too early over time, and the times that accepted risks give.

    Parameters
    ----------
    point : OperatingPoint
        The trade-off.
    result : RunResult
        The answer on the run.
    title : str
        What the run is.
    notice : str, optional
        Printed along the top edge.

    Returns
    -------
    Figure
        With text alternative.
    """
    with style.styled():
        figure = style.new_figure(height_in=5.6)
        axes = figure.add_subplot()
        unit, scale = time_unit(result.duration_s)
        _draw_risk(axes, point, scale)
        _draw_stops(axes, point, scale)
        marked_s = _draw_end(axes, point, result, scale)
        _draw_interval(axes, result, scale)
        _limits(axes, point, marked_s, scale)
        axes.set_xlabel(f"Time of stopping ({unit})")
        axes.set_ylabel("Probability of being too early (%)")
        axes.set_title(title, loc="left", pad=30)
        said = standing(point, result.endpoint)
        axes.text(0.0, 1.012, said, transform=axes.transAxes, va="bottom", fontsize=12.5)
        figure.legend(loc="outside lower left", ncols=2)
        style.set_alt_text(figure, f"{title}: probability that stopping is too early, over time. {said}")
        if notice:
            style.stamp(figure, notice)
        style.settle(figure)
        return figure


def _draw_risk(axes: Axes, point: OperatingPoint, scale: float) -> None:
    risk = 100 * np.clip(point.early, LEAST, 1.0)
    axes.step(point.time_s / scale, risk, where="post", color=style.SOFT, linewidth=1.3, label="as judged at the time")


def _draw_stops(axes: Axes, point: OperatingPoint, scale: float) -> None:
    known = np.isfinite(point.stop_s)
    look = style.SERIES[0]
    axes.plot(
        point.stop_s[known] / scale, 100 * point.risks[known], color=look.colour, marker=look.marker, linestyle="-",
        label=f"{point.indicator} done, if this risk is accepted" if known.any() else None,
    )  # fmt: skip
    axes.axhline(
        100 * point.accepted, color=style.FIT, linestyle="--", linewidth=1.4,
        label=f"accepted here: {100 * point.accepted:g} %",
    )  # fmt: skip


def _draw_end(axes: Axes, point: OperatingPoint, result: RunResult, scale: float) -> float:
    """Mark when the run was declared done, which may be later than its slowest indicator by itself, or its last frame.

    Returns that time, s.
    """
    end = result.endpoint
    reached = end.verdict == "reached" and math.isfinite(end.declared_at_s)
    at = (end.declared_at_s, point.accepted) if reached else (point.time_s[-1], max(point.now, LEAST))
    name = "this run: declared" if reached else "this run: last frame"
    axes.plot(
        [at[0] / scale], [100 * at[1]], linestyle="none", marker="*", markersize=17, color=style.FIT,
        markeredgecolor=style.INK, label=name, zorder=5,
    )  # fmt: skip
    return float(at[0])


def _draw_interval(axes: Axes, result: RunResult, scale: float) -> None:
    low, high = result.endpoint.interval_s
    if math.isfinite(low) and math.isfinite(high):
        axes.axvspan(
            low / scale, high / scale, facecolor=style.GOOD, alpha=0.16, hatch="\\\\", edgecolor=style.GOOD,
            linewidth=0, label="endpoint, 95 %", zorder=0.4,
        )  # fmt: skip


def _limits(axes: Axes, point: OperatingPoint, marked_s: float, scale: float) -> None:
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

    doubtful = point.time_s[point.early < SURE]
    first = float(doubtful[0]) if doubtful.size else float(point.time_s[0])
    last = float(np.nanmax(np.append(point.stop_s, marked_s)))
    spare = max(0.08 * (last - first), 0.01 * (point.time_s[-1] - point.time_s[0]), 1e-9)
    axes.set_xlim((first - spare) / scale, (last + spare) / scale)
    axes.set_yscale("log")
    axes.set_ylim(100 * LEAST * 0.8, 130)
    axes.yaxis.set_major_locator(FixedLocator([0.1, 1, 5, 10, 50, 100]))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda part, _: f"{part:g}"))
    axes.yaxis.set_minor_locator(NullLocator())
