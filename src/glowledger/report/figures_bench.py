"""Figures of the bench: relative response, and how the axis drifts through a run."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from glowledger.bench.model import Response
from glowledger.report import style
from glowledger.report.figures_run import time_unit

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from glowledger.glow.own_reference import DriftCurve

DECADES = [part * 10.0**power for power in range(-5, 1) for part in (1, 2, 5)]


def response_figure(response: Response, other: Response | None = None, *, invented: bool = False) -> Figure:
    """Draw a relative response with its error over wavelength.

    Parameters
    ----------
    response : Response
        What was measured.
    other : Response, optional
        Another one to compare with, e.g. that in the bench.
    invented : bool
        Stamp the figure as made from invented data.

    Returns
    -------
    Figure
        With a text alternative.
    """
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

    low, high = response.usable_nm
    with style.styled():
        figure = style.new_figure(4.6)
        axes = figure.subplots()
        nm = np.linspace(response.at_nm[0], response.at_nm[-1], 600)
        value = response.at(nm)
        error = np.interp(nm, response.at_nm, response.relative_error)
        axes.fill_between(nm, value * np.exp(-error), value * np.exp(error), color=style.RULE, linewidth=0)
        axes.plot(nm, value, color=style.INK, label="measured")
        if other is not None:
            here = (nm >= low) & (nm <= high)
            scale = np.exp(np.median(np.log(value[here] / np.maximum(other.at(nm[here]), 1e-6))))
            axes.plot(nm, scale * other.at(nm), color=style.FIT, linestyle="--", label="in the bench")
        for a, b in ((nm[0], low), (high, nm[-1])):
            if b - a > 1.0:
                style.shade(axes, a, b)
        inside = value[(nm >= low) & (nm <= high)]
        axes.set_yscale("log")
        axes.yaxis.set_major_locator(FixedLocator(DECADES))
        axes.yaxis.set_major_formatter(FuncFormatter(lambda part, _: f"{part:g}"))
        axes.yaxis.set_minor_locator(NullLocator())
        axes.set_ylim(0.3 * float(inside.min()), 2.0 * float(inside.max()))
        axes.set_xlim(nm[0], nm[-1])
        axes.set_xlabel("Wavelength in air (nm)")
        axes.set_ylabel("Counts per photon (relative)")
        axes.set_title(f"Relative response, known from {low:.0f} to {high:.0f} nm")
        if other is not None:
            axes.legend(loc="lower center")
        style.set_alt_text(
            figure,
            "Counts per photon over wavelength with their error as a grey band. Known from "
            f"{low:.0f} to {high:.0f} nm; hatched ranges are not known.",
        )
        if invented:
            style.stamp(figure)
        style.settle(figure)
    return figure


def drift_figure(curve: DriftCurve, *, notice: str | None = None) -> Figure:
    """Draw the drift of the wavelength axis and the line width through a run.

    Parameters
    ----------
    curve : DriftCurve
        From the plasma's own lines.
    notice : str, optional
        Printed along the top edge.

    Returns
    -------
    Figure
        With a text alternative.
    """
    with style.styled():
        figure = style.new_figure(6.4)
        above, below = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
        time = np.where(np.isfinite(curve.time_s), curve.time_s, np.arange(curve.time_s.size))
        known = bool(np.all(np.isfinite(curve.time_s)))
        unit, scale = time_unit(float(np.ptp(time))) if known else ("", 1.0)
        time = time / scale
        for k, nm in enumerate(curve.at_nm):
            look = style.SERIES[k % len(style.SERIES)]
            above.errorbar(
                time, curve.shift_nm[:, k], curve.shift_se_nm[:, k], color=look.colour, linestyle=look.dash,
                marker=look.marker, capsize=2, label=f"at {nm:.0f} nm",
            )  # fmt: skip
        below.errorbar(time, curve.fwhm_nm, curve.fwhm_se_nm, color=style.INK, marker="o", capsize=2)
        above.axhline(0.0, color=style.SOFT, linewidth=1.0)
        above.set_ylabel("Drift of the axis (nm)")
        below.set_ylabel("Line width (nm)")
        below.set_xlabel(f"Time ({unit})" if known else "Block of frames")
        above.set_title("The axis followed by the plasma's own lines")
        figure.legend(loc="outside lower left", ncols=3)
        style.set_alt_text(
            figure,
            "Above the drift of the wavelength axis over time at several wavelengths, below the width of lines. "
            + " ".join(curve.sentences),
        )
        if notice:
            style.stamp(figure, notice)
        style.settle(figure)
    return figure
