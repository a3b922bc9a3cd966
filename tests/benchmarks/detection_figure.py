"""The figure of detection curves: one panel per trace, ours beside what could be detected at all."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from detection_curves import LEAST, Curve, ideal

ACROSS = 4


def draw_curves(path: Path, curves: Sequence[Curve], about: str) -> None:
    """Draw every curve in a panel of its own."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot as plt

    down = -(-len(curves) // ACROSS)
    fig, axes = plt.subplots(
        down, ACROSS, figsize=(15, 3.3 * down + 1.4), sharex=True, sharey=True, squeeze=False, layout="constrained"
    )
    for ax, one in zip(axes.flat, curves, strict=False):
        _panel(ax, one)
    for ax in axes.flat[len(curves) :]:
        ax.set_axis_off()
    handles, labels = axes[0, 0].get_legend_handles_labels()
    fig.legend(handles, labels, loc="outside lower center", ncols=4, fontsize=10)
    for ax in axes[-1]:
        ax.set_xlabel("signal to noise of the ideal detector")
    fig.supylabel("found, %")
    fig.suptitle(f"Detection of a trace in invented (simulated) glows; {about}")
    fig.savefig(path, dpi=100)
    plt.close(fig)


def _panel(ax: Any, one: Curve) -> None:
    strength = np.geomspace(1, 400, 200)
    ax.plot(strength, [100 * ideal(s) for s in strength], "k--", lw=1, label="ideal detector")
    ax.plot(one.strength, 100 * np.array(one.informed), ":", color="0.35", lw=2,
            label="informed observer, templates uncertain")  # fmt: skip
    ax.plot(one.strength, 100 * np.array(one.seen), "s-", color="C1", mfc="none", ms=5, lw=1,
            label="glowledger: present or possible")  # fmt: skip
    ax.plot(one.strength, 100 * np.array(one.present), "o-", color="C0", ms=5, lw=1, label="glowledger: present")
    half = f"half found at × ideal: seen {one.half('seen') / LEAST:.1f}, present {one.half('present') / LEAST:.1f}"
    ax.set(xscale="log", xlim=(1, 400), ylim=(-3, 103))
    ax.set_title(f"{one.name} in {one.base}\n{half}", fontsize=9)
    ax.grid(alpha=0.3)
