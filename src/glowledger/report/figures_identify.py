"""The figure of one identified spectrum: data, fit, labelled features, doubtful places, residual."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.results import Feature, Fit
from glowledger.report import style
from glowledger.report.flags import flag_rows
from glowledger.report.inline_svg import FINE

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.text import Text

Scale = Literal["sqrt", "linear", "log"]

LABEL_POINTS = 10.5
ROWS = 11  # of labels; they take up to LABEL_PART of the height of the panel
LABEL_PART = 0.5
OVERLAP_PART = 0.2  # two species overlap where each gives this part of the emission ...
OVERLAP_SIGMA = 3.0  # ... and the emission stands this far above the noise


@dataclass(frozen=True, slots=True)
class Mark:
    """One feature to label."""

    text: str
    wavelength_nm: float
    sure: bool


def spectrum_figure(
    fit: Fit,
    title: str,
    *,
    scale: Scale = "sqrt",
    marks: Mapping[str, NDArray[np.bool_]] | None = None,
    notice: str | None = None,
) -> Figure:
    """Draw one identified spectrum.

    Parameters
    ----------
    fit : Fit
        The forward fit.
    title : str
        What the spectrum is, e.g. the name of its file.
    scale : {'sqrt', 'linear', 'log'}
        Of the counts. On the square-root scale photon noise is equally high everywhere, so weak features
        can be judged beside strong ones; 'log' is linear below the noise.
    marks : mapping of str to ndarray of bool, shape (p,), optional
        Stretches to hatch and their meaning, e.g. saturated or blocked pixels; by default those which the
        fit did not use.
    notice : str, optional
        Printed along the top edge, e.g. `style.INVENTED`.

    Returns
    -------
    Figure
        With text alternative, for `style.save_figure`.
    """
    with style.styled():
        figure = style.new_figure(height_in=7.8)
        grid = figure.add_gridspec(2, 1, height_ratios=[4.0, 1.0])
        spectrum, residual = figure.add_subplot(grid[0]), figure.add_subplot(grid[1])
        residual.sharex(spectrum)
        _draw_spectrum(spectrum, fit, scale)
        _draw_residual(residual, fit)
        _draw_marks(spectrum, residual, fit, marks)
        spectrum.set_title(title, loc="left", pad=30)
        spectrum.text(0.0, 1.012, _headline(fit), transform=spectrum.transAxes, va="bottom", fontsize=12.5)
        spectrum.tick_params(labelbottom=False)
        residual.set_xlabel("Wavelength in air (nm)")
        figure.align_ylabels()
        style.set_alt_text(figure, describe(fit, title))
        if notice:
            style.stamp(figure, notice)
        left_out = _draw_flags(figure, spectrum, fit, scale)
        _draw_legend(figure, spectrum, left_out)
        style.settle(figure)
        return figure


def ranked_marks(fit: Fit) -> list[Mark]:
    """Return the features to label, most important first.

    The strongest two of every species come first, sure species before doubtful ones; the rest follow by their
    counts.
    """
    found = [(s, v == "present") for v in ("present", "possible") for s in fit.species if s.verdict == v]
    first = [(s.features[k], sure) for k in range(2) for s, sure in found if k < len(s.features)]
    rest = [(feature, sure) for s, sure in found for feature in s.features[2:]]
    rest.sort(key=lambda item: -item[0].counts)
    return [Mark(_label(feature, sure), feature.wavelength_nm, sure) for feature, sure in [*first, *rest]]


def overlapped(fit: Fit) -> NDArray[np.bool_]:
    """Return the pixels in which two species or more share significant light, shape (p,)."""
    if not fit.species_model:
        return np.zeros(fit.axis_nm.shape, dtype=bool)
    parts = np.stack(list(fit.species_model.values()))
    total = parts.sum(axis=0)
    bright = total > OVERLAP_SIGMA * fit.standard_deviation
    several = (parts > OVERLAP_PART * total).sum(axis=0) > 1
    return np.asarray(bright & several)


def describe(fit: Fit, title: str) -> str:
    """Return the text alternative of the figure."""
    low, high = float(fit.axis_nm[0]), float(fit.axis_nm[-1])
    lines = [
        f"{s.name} (strongest at {s.features[0].wavelength_nm:.1f} nm)" if s.features else s.name
        for s in fit.species
        if s.verdict == "present"
    ]
    seen = f"Labelled as present: {', '.join(lines)}." if lines else "No species is labelled as present."
    return (
        f"Spectrum of {title} from {low:.0f} to {high:.0f} nm with the fitted model and, below, their "
        f"difference in standard deviations. {seen} Reduced chi-square {fit.chi2_reduced:.2f}."
    )


def _headline(fit: Fit) -> str:
    present = [s.name for s in fit.species if s.verdict == "present"]
    possible = [s.name for s in fit.species if s.verdict == "possible"]
    parts = [f"Present: {_some(present)}" if present else "No species is certain"]
    if possible:
        parts.append(f"possible: {_some(possible)}")
    return " · ".join(parts)


def _some(names: list[str], most: int = 9) -> str:
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")


def _label(feature: Feature, sure: bool) -> str:
    shared = "*" if feature.overlaps and not feature.clean else ""
    return f"{feature.label}{shared}{'' if sure else ' ?'}"


def _draw_spectrum(axes: Axes, fit: Fit, scale: Scale) -> None:
    nm = fit.axis_nm
    model = np.where(fit.used, fit.model, np.nan)
    axes.plot(nm, model, color=style.FIT, alpha=0.6, linewidth=3.4, label="fit")  # wide, under the thin data
    axes.step(nm, fit.data, where="mid", color=style.INK, linewidth=0.9, label="measured")
    axes.plot(nm, fit.background, color=style.SOFT, linewidth=1.2, dashes=(1, 1.5), label="background")
    axes.set_xlim(nm[0], nm[-1])
    noise = float(np.nanmedian(fit.standard_deviation)) or 1.0
    if scale == "sqrt":
        axes.set_yscale("function", functions=(_signed_sqrt, _signed_square))
        axes.set_ylabel("Counts (square-root scale)")
    elif scale == "log":
        axes.set_yscale("asinh", linear_width=3 * noise)
        axes.set_ylabel("Counts (logarithmic scale)")
    else:
        axes.set_ylabel("Counts")


def _draw_residual(axes: Axes, fit: Fit) -> None:
    with np.errstate(divide="ignore", invalid="ignore"):
        pull = np.where(fit.used, (fit.data - fit.model) / fit.standard_deviation, np.nan)
    finite = np.abs(pull[np.isfinite(pull)])
    limit = float(np.clip(np.percentile(finite, 99.5), 4.0, 12.0)) if finite.size else 4.0
    axes.axhspan(-2, 2, facecolor=style.RULE, alpha=0.6, linewidth=0)
    axes.step(fit.axis_nm, pull, where="mid", color=style.INK, linewidth=0.8)
    for sign, marker in ((1, "^"), (-1, "v")):
        outside = sign * pull > limit
        axes.plot(fit.axis_nm[outside], np.full(outside.sum(), sign * limit * 0.92), marker, color=style.FIT)
    axes.set_ylim(-limit, limit)
    step = 2 if limit <= 6 else 5
    axes.set_yticks([k * step for k in range(-2, 3) if abs(k * step) < 0.9 * limit])  # none at the very edge
    axes.set_ylabel("Residual (σ)")


def _draw_marks(
    spectrum: Axes, residual: Axes, fit: Fit, marks: Mapping[str, NDArray[np.bool_]] | None
) -> None:
    marks = {"not used in the fit": ~fit.used} if marks is None else marks
    for (name, where), hatch in zip(marks.items(), ("///", "xxx", "\\\\\\", "+++"), strict=False):
        for count, (low, high) in enumerate(stretches(fit.axis_nm, where)):
            for axes in (spectrum, residual):
                shown = name if count == 0 and axes is spectrum else None
                style.shade(axes, low, high, label=shown, hatch=hatch)
    widened = 0.4 * fit.fwhm_nm  # so that a narrow place can be seen
    for count, (low, high) in enumerate(stretches(fit.axis_nm, overlapped(fit))):
        spectrum.axvspan(
            low - widened, high + widened, ymax=0.025, facecolor=style.PAPER, edgecolor=style.WARN,
            linewidth=0, hatch="||||||", label="species overlap" if count == 0 else None,
        )  # fmt: skip


def stretches(axis_nm: NDArray[np.float64], where: NDArray[np.bool_]) -> list[tuple[float, float]]:
    """Return the stretches of the axis in which `where` is true, from edge to edge of their pixels, nm."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], where, [False]]).astype(int)))
    middle = (axis_nm[1:] + axis_nm[:-1]) / 2
    bounds = np.concatenate([[axis_nm[0]], middle, [axis_nm[-1]]])
    return [(float(bounds[a]), float(bounds[b])) for a, b in edges.reshape(-1, 2)]


def _draw_flags(figure: Figure, axes: Axes, fit: Fit, scale: Scale) -> int:
    """Label the features; return how many found no room."""
    marks = [m for m in ranked_marks(fit) if fit.axis_nm[0] <= m.wavelength_nm <= fit.axis_nm[-1]]
    top = float(np.nanmax(np.where(fit.used, np.fmax(fit.data, fit.model), 0.0), initial=1.0))
    floor = float(min(0.0, np.nanpercentile(fit.data, 1)))
    _leave_room(axes, floor, top, LABEL_PART if marks else 0.06)
    if not marks:
        return 0
    figure.draw_without_rendering()  # settles the layout, so that widths in pixels mean something
    texts = [_flag_text(figure, axes, mark) for mark in marks]
    spans = [text.get_window_extent() for text in texts]
    widths = np.array([span.width for span in spans]) + 6.0
    nm = np.array([mark.wavelength_nm for mark in marks])
    start, end = float(fit.axis_nm[0]), float(fit.axis_nm[-1])
    # where the axis must end for each label to fit in before its end
    needed = start + (nm - start) / (1 - widths / axes.bbox.width)
    axes.set_xlim(start, max(end, float(needed.max())))
    poles = axes.transData.transform(np.column_stack([nm, np.full(nm.size, top)]))[:, 0]
    room = axes.bbox.height * (LABEL_PART - 0.06)
    step = 1.18 * max(span.height for span in spans)
    rows = flag_rows(poles, widths, np.arange(nm.size), rows=int(min(ROWS, room // step)))
    base = 1 - (rows.max() + 1) * step / axes.bbox.height
    _leave_room(axes, floor, top, 1 - base + 0.04)
    for rank, (mark, text, row) in enumerate(zip(marks, texts, rows, strict=True)):
        foot = _foot(axes, _height_near(fit, mark.wavelength_nm))
        text.set_gid(f"flag_{rank}_{round(foot * FINE)}")  # a page that zooms sets the labels anew, those left out too
        if row < 0:
            text.set_visible(False)
            continue
        height = base + row * step / axes.bbox.height
        text.set_position((mark.wavelength_nm, height))
        _draw_pole(axes, mark, foot, height + 0.8 * step / axes.bbox.height, f"flagpole_{rank}")
    return int((rows < 0).sum())


def _flag_text(figure: Figure, axes: Axes, mark: Mark) -> Text:
    from matplotlib.transforms import blended_transform_factory, offset_copy

    place = blended_transform_factory(axes.transData, axes.transAxes)
    return axes.text(
        mark.wavelength_nm, 1.0, mark.text, fontsize=LABEL_POINTS, va="bottom", ha="left",
        transform=offset_copy(place, fig=figure, x=2.5, units="points"),
        color=style.INK if mark.sure else style.SOFT, fontstyle="normal" if mark.sure else "italic",
    )  # fmt: skip


def _foot(axes: Axes, peak: float) -> float:
    """Return the height of the data as part of the panel."""
    low, high = axes.get_ylim()
    scale = axes.yaxis.get_transform().transform
    return float((scale(np.array([peak]))[0] - scale(np.array([low]))[0]) / np.ptp(scale(np.array([low, high]))))


def _draw_pole(axes: Axes, mark: Mark, foot: float, height: float, name: str) -> None:
    """Draw a thin line from just above the data to the upper edge of the label."""
    axes.plot(
        [mark.wavelength_nm] * 2, [min(foot + 0.008, height), height], color=style.SOFT, linewidth=0.8,
        linestyle="-" if mark.sure else (0, (2, 2)), transform=axes.get_xaxis_transform(), marker="", gid=name,
    )  # fmt: skip


def _height_near(fit: Fit, nm: float) -> float:
    near = np.abs(fit.axis_nm - nm) <= max(fit.fwhm_nm, 1e-9)
    near[np.argmin(np.abs(fit.axis_nm - nm))] = True
    return float(np.nanmax(np.fmax(fit.data[near], fit.model[near])))


def _leave_room(axes: Axes, floor: float, top: float, part: float) -> None:
    """Set the vertical limits so that data end below the upper `part` of the panel."""
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

    transform = axes.yaxis.get_transform()
    low, high = transform.transform(np.array([floor, top]))
    low -= 0.04 * (high - low)
    ceiling = low + (high - low) / (1 - part)
    limits = transform.inverted().transform(np.array([low, ceiling]))
    axes.set_ylim(*limits)
    axes.yaxis.set_major_locator(FixedLocator(_ticks(low, high, transform.inverted().transform)))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.yaxis.set_major_formatter(FuncFormatter(lambda counts, _: f"{counts:,.10g}".replace(",", "\u2009")))


def _ticks(low: float, high: float, counts_at: Callable[[NDArray[np.float64]], NDArray[np.float64]]) -> list[float]:
    """Return round counts about evenly apart on the panel, between two heights of the scale."""
    even = counts_at(np.linspace(max(low, 0.0), high, 7))[1:]
    power = 10.0 ** np.floor(np.log10(even))
    steps = np.array([1.0, 2.0, 3.0, 5.0, 10.0])
    rounded = [p * steps[np.argmin(np.abs(steps - e / p))] for e, p in zip(even, power, strict=True)]
    limit = counts_at(np.array([high]))[0] * 1.02
    return [0.0, *sorted({float(r) for r in rounded if r <= limit})]


def _draw_legend(figure: Figure, axes: Axes, left_out: int) -> None:
    handles, labels = axes.get_legend_handles_labels()
    note = "* shares its place with another species  ·  ? possible, not certain"
    if left_out:
        note += f"  ·  {left_out} weaker features have no label here"
    columns = len(labels) if sum(map(len, labels)) < 75 else (len(labels) + 1) // 2
    legend = figure.legend(
        handles, labels, loc="outside lower left", ncols=columns, fontsize=11, title=note, columnspacing=1.4,
        alignment="left",
    )  # fmt: skip
    legend.get_title().set_fontsize(11)


def _signed_sqrt(counts: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.sign(counts) * np.sqrt(np.abs(counts))


def _signed_square(root: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.sign(root) * root**2
