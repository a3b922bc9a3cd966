"""The figure of `bench_findings`: what is against what is said, and found against what an ideal observer could tell."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

INK_TURNS = 0.55  # of the darkest cell: white letters beyond


def draw(
    path: Path,
    matrix: tuple[list[str], list[str], list[list[int]]],
    found: Sequence[tuple[str, int, int, tuple[float, float]]],
    title: str,
) -> None:
    """Draw the matrix of (rows, columns, counts), and (name, found, of, 95 % interval) by what could be told."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot as plt

    rows, columns, counts = matrix
    fig, (left, right) = plt.subplots(
        1, 2, figsize=(15, 0.34 * len(rows) + 3.5), width_ratios=(2.2, 1), layout="constrained"
    )
    total = np.array([[line[0]] for line in counts], dtype=float)
    share = np.array(counts, dtype=float)[:, 1:] / np.maximum(total, 1)
    left.imshow(share, cmap="Greys", vmin=0, vmax=1.2, aspect="auto")
    for i, line in enumerate(counts):
        for j, count in enumerate(line[1:]):
            if count:
                ink = "white" if share[i, j] > INK_TURNS else "black"
                left.text(j, i, str(count), ha="center", va="center", color=ink, fontsize=9)
    left.set_yticks(range(len(rows)), [f"{row}  ({line[0]})" for row, line in zip(rows, counts, strict=True)])
    left.set_xticks(range(len(columns) - 1), columns[1:], rotation=40, ha="right")
    left.set(title="What is (rows, spectra) against what is said (a spectrum may have several findings)")
    y = np.arange(len(found))
    part = np.array([100 * k / max(n, 1) for _, k, n, _ in found])
    ends = np.array([[100 * low, 100 * high] for *_, (low, high) in found])
    right.errorbar(part, y, xerr=np.abs(ends.T - part), fmt="o", color="black", capsize=3)
    right.set_yticks(y, [f"{name}  ({k} of {n})" for name, k, n, _ in found])
    right.axvline(95, color="C3", ls="--", lw=1)
    right.set(xlim=(-3, 103), ylim=(len(found) - 0.5, -0.5), xlabel="found, %, 95 % interval",
              title="By what could be told")  # fmt: skip
    fig.suptitle(title)
    fig.savefig(path, dpi=110)
    plt.close(fig)
