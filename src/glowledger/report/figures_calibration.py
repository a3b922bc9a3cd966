"""The calibration figure: the lamp with its lines named, and how far each line lies off the solution."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from glowledger.bench.outcome import Calibration
from glowledger.bench.shots import mean_spectrum
from glowledger.bench.verdict import lamp_name, parts_seen, sentence
from glowledger.report import style
from glowledger.spectra.frames import Frames
from glowledger.spectra.samples import says_invented

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

NAMED = 14
LABEL_HALF = 0.008  # of the axis: half of the height of a letter


def calibration_figure(calibration: Calibration, frames: list[Frames]) -> Figure:
    """Draw the lamp spectrum over the new wavelength axis, and the residuals of the lines below it.

    Parameters
    ----------
    calibration : Calibration
        With a solution.
    frames : list of Frames
        The lamp spectra as measured.

    Returns
    -------
    Figure
        With a text alternative.
    """
    with style.styled():
        figure = style.new_figure(7.4)
        above, below = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
        _spectrum(above, calibration, frames)
        _residuals(below, calibration, frames[0])
        above.set_title(
            f"{lamp_name(parts_seen(calibration))}: {calibration.matched} lines carry the wavelength axis"
        )
        below.set_xlabel("Wavelength in air (nm)")
        figure.align_ylabels()
        figure.legend(*below.get_legend_handles_labels(), loc="outside lower left", ncols=4)
        style.set_alt_text(
            figure,
            f"Above the lamp spectrum with its strongest lines named, below the distance of each line from the "
            f"solution in nanometres. {sentence(calibration)}",
        )
        if any(says_invented(one) for one in frames):
            style.stamp(figure)
        style.settle(figure)
    return figure


def _spectrum(axes: Axes, calibration: Calibration, frames: list[Frames]) -> None:
    solution = calibration.solution
    if solution is None:
        raise ValueError("a calibration without a solution has no figure")
    tops = []
    for index, one in enumerate(frames):
        counts, _ = mean_spectrum(one)
        nm = solution.nm(one.axis)
        floor = float(np.percentile(counts, 2))
        height = np.maximum(counts - floor, 0.0)
        height = np.sqrt(height / max(float(np.max(height)), 1e-12))
        look = style.SERIES[index % len(style.SERIES)]
        axes.plot(nm, height, color=look.colour, linestyle=look.dash, linewidth=1.0)
        tops.append((nm, height))
    used = [line for line in calibration.lines if line.used]
    named: list[float] = []
    width = abs(float(np.ptp(solution.nm(np.array(solution.domain)))))
    heights = [max(float(np.interp(r.pixel, frames[0].axis, h)) for _, h in tops) for r in used]
    beside = LABEL_HALF * width  # a name must not stand in the flank of a neighbour
    above = [max(float(np.max(h[np.abs(nm - r.wavelength_nm) < beside], initial=0.0)) for nm, h in tops) for r in used]
    for k in np.argsort(heights)[::-1]:
        line = used[k]
        if len(named) >= NAMED or any(abs(line.wavelength_nm - other) < 0.035 * width for other in named):
            continue
        named.append(line.wavelength_nm)
        axes.annotate(
            f"{line.species} {line.wavelength_nm:.1f}", (line.wavelength_nm, max(above[k], heights[k])), xytext=(0, 4),
            textcoords="offset points", rotation=90, ha="center", va="bottom", fontsize=10, color=style.SOFT,
        )  # fmt: skip
    axes.set_ylim(0.0, 1.45)
    axes.set_yticks([])
    axes.set_ylabel("Counts (square-root scale)")


def _residuals(axes: Axes, calibration: Calibration, frames: Frames) -> None:
    solution = calibration.solution
    if solution is None:
        return
    nm = solution.nm(frames.axis)
    curve = 2.0 * np.sqrt(
        np.maximum(solution.standard_error_nm(frames.axis) ** 2 - solution.scatter_nm**2, 0.0)
    )
    used = [line for line in calibration.lines if line.used]
    unused = [line for line in calibration.lines if not line.used]
    reach = 1.35 * max([abs(r.residual_nm) + r.error_nm for r in used] + [0.15 * calibration.fwhm_nm])
    axes.fill_between(
        nm, -np.minimum(curve, 3 * reach), np.minimum(curve, 3 * reach), color=style.RULE, linewidth=0,
        label="solution, 95 %",
    )  # fmt: skip
    axes.axhline(0.0, color=style.SOFT, linewidth=1.0)
    axes.errorbar(
        [r.wavelength_nm for r in used], [r.residual_nm for r in used], [r.error_nm for r in used], fmt="o",
        color=style.INK, markersize=4.5, linewidth=1.0, label="used",
    )  # fmt: skip
    shown = [r for r in unused if abs(r.residual_nm) < reach]
    if shown:
        axes.plot(
            [r.wavelength_nm for r in shown], [r.residual_nm for r in shown], "x", color=style.FIT, label="not used",
        )  # fmt: skip
    low, high = sorted((float(nm[0]), float(nm[-1])))
    first, last = calibration.range_nm or (low, high)
    for a, b in ((low, first), (last, high)):
        if b > a:
            style.shade(axes, a, b, label="extrapolated" if a == low or first <= low else None)
    axes.set_ylim(-reach, reach)
    axes.set_xlim(low, high)
    axes.set_ylabel("Line − solution (nm)")
