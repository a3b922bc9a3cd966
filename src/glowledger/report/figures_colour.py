"""The figure of a glow's colour: swatch, place on the chromaticity diagram, gases beside it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from glowledger.diagnose.observer import chromaticity, observer_at
from glowledger.diagnose.srgb import D65_XY, RGB_TO_XYZ, to_hex
from glowledger.report.colour_answers import ColourAnswer
from glowledger.report.style import INK, PAPER, RULE, SOFT, new_figure, set_alt_text, stamp, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.patches import Rectangle

GASES_SHOWN = 6
LETTERS = "ABCDEF"
NAMED_NM = (450, 480, 500, 520, 540, 560, 580, 600, 620, 700)


def colour_figure(answer: ColourAnswer, *, notice: object = None) -> Figure:
    """Draw a colour: a swatch, its place on the CIE 1931 diagram, and the gases that come near.

    Parameters
    ----------
    answer : ColourAnswer
        Of the colour command.
    notice : str, optional
        Printed along the top, e.g. that data are invented.

    Returns
    -------
    Figure
        With a text alternative.
    """
    with styled():
        figure = new_figure(6.4)
        figure.set_layout_engine("none")  # equal scales on the left fix the boxes
        _diagram(figure.add_axes((0.075, 0.105, 0.46, 0.78)), answer)
        _swatches(figure.add_axes((0.565, 0.105, 0.42, 0.78)), answer)
        figure.text(0.01, 0.975, answer.subject, ha="left", va="top", fontsize=15, fontweight="bold")
        set_alt_text(figure, _alternative(answer))
        if notice:
            stamp(figure, str(notice))
    return figure


def _diagram(axes: Axes, answer: ColourAnswer) -> None:
    """Draw the CIE 1931 diagram with the colour, its spread and the nearest gases."""
    nm = np.arange(400, 701)
    locus = chromaticity(observer_at(nm))
    axes.fill(*locus.T, facecolor=PAPER, edgecolor=SOFT, linewidth=1.2, zorder=1)
    gamut = chromaticity(RGB_TO_XYZ.T)
    axes.fill(*gamut.T, facecolor="none", edgecolor=SOFT, linewidth=0.9, linestyle=(0, (4, 3)), zorder=2)
    axes.annotate(
        "what a\nscreen\nshows", (0.21, 0.28), xytext=(0.10, 0.36), fontsize=10, color=SOFT, ha="center",
        arrowprops={"arrowstyle": "-", "color": SOFT, "linewidth": 0.7},
    )  # fmt: skip
    for wavelength in NAMED_NM:
        x, y = chromaticity(observer_at(float(wavelength)))
        away = np.array([x, y]) - D65_XY
        away = away / np.hypot(*away) * 13
        axes.annotate(
            str(wavelength), (x, y), xytext=tuple(away), textcoords="offset points", ha="center", va="center",
            fontsize=10, color=SOFT,
        )  # fmt: skip
        axes.plot(x, y, marker=".", color=SOFT, markersize=5, zorder=3)
    axes.plot(*D65_XY, marker="+", color=SOFT, markersize=9, zorder=3)
    _points(axes, answer)
    axes.set(xlim=(-0.08, 0.82), ylim=(-0.06, 0.92), xlabel="CIE 1931 x", ylabel="CIE 1931 y")
    axes.set_aspect("equal")
    axes.grid(visible=True, axis="both", color=RULE, linewidth=0.5)


def _points(axes: Axes, answer: ColourAnswer) -> None:
    """Draw the colour with its 95 % region, and lettered gases whose letters keep apart."""
    places = [answer.xyz[:2] / answer.xyz.sum()]
    places += [chromaticity(RGB_TO_XYZ @ np.array(g.srgb_linear)) for g in answer.match.gases[:GASES_SHOWN]]
    spread = answer.estimate or answer.colour
    if spread is not None and np.isfinite(spread.xy_covariance).all():
        axes.plot(*_ellipse(spread.xy, spread.xy_covariance).T, color=INK, linewidth=1.0, zorder=5)
    for place, gas, letter in zip(places[1:], answer.match.gases, LETTERS, strict=False):
        axes.plot(*place, marker="o", markersize=7, color=to_hex(gas.srgb_linear), markeredgecolor=INK,
                  markeredgewidth=0.8, zorder=4, label=letter)  # fmt: skip
    axes.plot(*places[0], marker="*", markersize=17, color=answer.srgb, markeredgecolor=INK,
              markeredgewidth=1.1, zorder=6)  # fmt: skip
    spots = _apart(np.array([*places, D65_XY]))
    for spot, place, letter in zip(spots[1:], places[1:], LETTERS, strict=False):
        axes.annotate(
            letter, place, xytext=tuple(spot), textcoords="data", fontsize=12, fontweight="bold", ha="center",
            va="center", zorder=7, arrowprops={"arrowstyle": "-", "color": SOFT, "linewidth": 0.7},
        )  # fmt: skip


def _ellipse(centre: NDArray[np.float64], covariance: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the outline of the 95 % region of a chromaticity (χ² of two degrees of freedom, 5.99)."""
    values, vectors = np.linalg.eigh(covariance)
    angle = np.linspace(0, 2 * np.pi, 120)
    circle = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    return np.asarray(centre + circle * np.sqrt(np.maximum(values, 0) * 5.99) @ vectors.T)


def _apart(places: NDArray[np.float64], gap: float = 0.055) -> NDArray[np.float64]:
    """Return spots for letters near their places, no two closer than a gap, none on a marker."""
    spots = places + np.array([0.0, gap])
    for _ in range(200):
        push = np.zeros_like(spots)
        for others in (spots, places):
            away = spots[:, None, :] - others[None, :, :]
            distance = np.hypot(away[..., 0], away[..., 1])
            if others is spots:
                np.fill_diagonal(distance, np.inf)
            near = np.clip(gap - distance, 0, None)
            safe = np.where(distance > 1e-9, distance, 1.0)[..., None]
            direction = np.where((distance > 1e-9)[..., None], away / safe, [1.0, 0.0])
            push += (near[..., None] * direction).sum(axis=1)
        if np.abs(push).max() < 1e-4:
            break
        spots = spots + 0.5 * push
    return spots


def _swatches(axes: Axes, answer: ColourAnswer) -> None:
    """Draw the colour large, and the gases' colours below it with their differences."""
    axes.set(xlim=(0, 1), ylim=(0, 1))
    axes.axis("off")
    axes.add_patch(_box(0.0, 0.70, 1.0, 0.30, answer.srgb))
    words = answer.srgb if answer.colour is None else f"{answer.colour.hue.name}, {answer.srgb}"
    if answer.colour is not None and answer.colour.light == "recorded" and answer.estimate is not None:
        words += " (light as recorded)"
    axes.text(0.0, 0.645, words, fontsize=13, va="center")
    axes.text(0.0, 0.575, "Computed glows, nearest first", fontsize=12, color=SOFT, va="center")
    axes.text(1.0, 0.575, "ΔE 2000", fontsize=12, color=SOFT, va="center", ha="right")
    for row, (gas, letter) in enumerate(zip(answer.match.gases, LETTERS, strict=False)):
        height = 0.495 - 0.088 * row
        axes.text(0.0, height, letter, fontsize=12, fontweight="bold", va="center")
        axes.add_patch(_box(0.06, height - 0.033, 0.10, 0.066, to_hex(gas.srgb_linear)))
        ink, words = (INK, "") if gas.fits else (SOFT, "no fit  ")
        axes.text(0.19, height, f"{gas.plain}, {gas.region}", fontsize=11.5, va="center", color=ink)
        axes.text(1.0, height, f"{words}{gas.delta_e:.1f}", fontsize=11.5, va="center", ha="right", color=ink)
    spread = answer.estimate or answer.colour
    legend = "Star: the colour. Cross: daylight white."
    if spread is not None:
        legend += "\nOutline: 95 % region of the " + (
            "true light (detector assumed)." if answer.estimate is not None else "colour."
        )
    axes.text(0.0, -0.03, legend, fontsize=10.5, color=SOFT, va="top", linespacing=1.4)


def _box(x: float, y: float, width: float, height: float, colour: str) -> Rectangle:
    from matplotlib.patches import Rectangle

    return Rectangle((x, y), width, height, facecolor=colour, edgecolor=INK, linewidth=1.0)


def _alternative(answer: ColourAnswer) -> str:
    x, y = answer.xyz[:2] / answer.xyz.sum()
    said = "" if answer.colour is None else f"{answer.colour.description} "
    near = ", ".join(f"{g.plain} {g.delta_e:.0f}" for g in answer.match.gases[:3])
    return (
        f"Swatch {answer.srgb} and its place on the CIE 1931 diagram, x {x:.3f}, y {y:.3f}. {said}"
        f"{answer.match.description} Nearest computed glows by colour difference: {near}."
    )
