"""The figure of a comparison: decays aligned at their starts, and the times with their intervals."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from glowledger.diagnose.compared_run import QUANTITIES, ComparedRun
from glowledger.diagnose.comparing import Compared
from glowledger.report import style
from glowledger.report.compare_answers import estimate_words, headline
from glowledger.report.figures_run import time_unit
from glowledger.runs.results import Trend

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST = len(style.SERIES)  # runs drawn
SHOWN = ("endpoint_s", "time_constant_s")
BINS = 120  # points per run: longer runs are averaged, so that runs do not hide each other


def compare_figure(compared: Compared, *, notice: str | None = None) -> Figure:
    """Draw the compared contaminant of all runs from a common start, and their times with 95 % intervals.

    Parameters
    ----------
    compared : Compared
        The answer; the first six runs are drawn.
    notice : str, optional
        Printed along the top edge.

    Returns
    -------
    Figure
        With text alternative, for `style.save_figure`.
    """
    with style.styled():
        runs = compared.runs[:MOST]
        figure = style.new_figure(height_in=5.6 + 0.55 * len(runs))
        above, below = figure.subplots(2, 1, gridspec_kw={"height_ratios": [4.0, 0.8 + 0.5 * len(runs)]})
        unit, scale = time_unit(max(run.result.duration_s for run in runs))
        _draw_trends(above, runs, compared, scale)
        above.set_xlabel(f"Time from the start of each run ({unit})")
        above.set_title(_title(compared), loc="left", fontsize=13)
        _draw_times(below, runs, scale)
        below.set_xlabel(f"Time ({unit}), with 95 % interval")
        style.set_alt_text(figure, describe(compared))
        if notice:
            style.stamp(figure, notice)
        style.settle(figure)
        return figure


def aligned(trend: Trend) -> tuple[np.ndarray, np.ndarray]:
    """Return used frames of a trend, in at most `BINS` means: time from its first frame in s, value."""
    good = trend.used & np.isfinite(trend.value)
    time, value = trend.time_s[good], trend.value[good]
    if not time.size:
        return time, value
    parts = min(BINS, time.size)
    return tuple(np.array([p.mean() for p in np.array_split(x, parts)]) for x in (time - time[0], value))  # type: ignore[return-value]


def _title(compared: Compared) -> str:
    longest = max(len(run.name) for run in compared.runs)  # names beside the lower panel push both to the right
    return "\n".join(_wrapped(headline(compared), max(40, 78 - max(0, longest - 12))))


def _wrapped(text: str, width: int) -> list[str]:
    import textwrap

    return textwrap.wrap(text, width)[:3]


def _draw_trends(axes: Axes, runs: tuple[ComparedRun, ...], compared: Compared, scale: float) -> None:
    for i, run in enumerate(runs):
        trend = next((t for t in run.result.indicators if t.name.partition("/")[0] == compared.main), None)
        if trend is None:
            continue
        time, value = aligned(trend)
        look = style.SERIES[i]
        label = f"{run.name} ({run.gas})" if run.gas else run.name
        axes.plot(
            time / scale, value, color=look.colour, linestyle=look.dash, marker=look.marker, markersize=4.0,
            markevery=max(len(time) // 24, 1), linewidth=1.3, label=label,
        )  # fmt: skip
    references = list(dict.fromkeys(run.result.reference for run in runs))
    axes.set_ylabel(f"{compared.main} over {' or '.join(references)}" if compared.main else "No contaminant")
    axes.set_ylim(bottom=min(0.0, axes.get_ylim()[0]))
    axes.set_xlim(left=0.0)
    if axes.get_legend_handles_labels()[0]:
        axes.legend(loc="upper right")


def _draw_times(axes: Axes, runs: tuple[ComparedRun, ...], scale: float) -> None:
    """Draw endpoint (filled) and time constant (hollow) of each run on a line of its own."""
    known = [e.value for run in runs for q in SHOWN if (e := run.estimates[q]).known]
    far = 1.4 * max(known, default=1.0)
    named: set[str] = set()
    for i, run in enumerate(runs):
        for quantity, step in zip(SHOWN, (0.14, -0.14), strict=True):
            e, look = run.estimates[quantity], style.SERIES[i]
            if not e.known:
                continue
            hollow = quantity == "time_constant_s"
            high = e.high if math.isfinite(e.high) else far
            label = QUANTITIES[quantity][0]
            axes.errorbar(
                e.value / scale, i + step, xerr=[[(e.value - e.low) / scale], [(high - e.value) / scale]],
                fmt=look.marker, color=look.colour, markerfacecolor=style.PAPER if hollow else look.colour,
                markersize=7.5, capsize=4.0, elinewidth=1.6,
            )  # fmt: skip
            if label not in named:
                named.add(label)
                face = style.PAPER if hollow else style.INK
                axes.plot([], [], "o", color=style.INK, markerfacecolor=face, label=label)
        if not any(run.estimates[q].known for q in SHOWN):
            where = axes.get_yaxis_transform()
            axes.text(0.02, i, "no time can be told", transform=where, va="center", color=style.SOFT)
    axes.set_yticks(range(len(runs)), [run.name for run in runs])
    axes.set_ylim(len(runs) - 0.5, -0.5)
    axes.set_xlim(left=0.0)
    axes.grid(visible=True, axis="x")
    if named:
        axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2, borderaxespad=0.2)


def describe(compared: Compared) -> str:
    """Return the text alternative of the figure."""
    main = compared.main or "No contaminant"
    words = [f"{main} of {len(compared.runs)} runs from a common start. {headline(compared)}"]
    for run in compared.runs:
        end, tau = (estimate_words(run.estimates[q], q) for q in SHOWN)
        words.append(f"{run.name}: time to the endpoint {end}, time constant {tau}.")
    return " ".join(words)
