"""The figure of `bench_identification`: false claims, detection, coverage and temperatures on one sheet."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

LEAST = 3  # values of a species below which its coverage says nothing
MARKERS = "osD^v<>ph"


def draw(path: Path, bag: Any, curves: list[Any]) -> None:
    """Draw all parts that have data; parts without stay empty."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot as plt

    fig, axes = plt.subplots(2, 2, figsize=(13, 10), layout="constrained")
    _false_claims(axes[0, 0], bag)
    _detection(axes[0, 1], curves)
    _coverage(axes[1, 0], bag)
    _temperatures(axes[1, 1], bag)
    spectra = sum(t.spectra for t in bag.tallies.values())
    fig.suptitle(f"Identification judged on {spectra} invented (simulated) spectra of {len(bag.tallies)} kinds of glow")
    fig.savefig(path, dpi=130)
    plt.close(fig)


def _false_claims(ax: Any, bag: Any) -> None:
    names = list(bag.tallies)
    false = [100 * bag.tallies[n].spectra_with_false / max(bag.tallies[n].spectra, 1) for n in names]
    found = [100 * bag.tallies[n].strong_present / max(bag.tallies[n].strong, 1) for n in names]
    seen = [100 * bag.tallies[n].strong_seen / max(bag.tallies[n].strong, 1) for n in names]
    y = np.arange(len(names))
    ax.barh(y, false, height=0.5, color="0.25", label="spectra with a false claim of presence")
    ax.plot(found, y, "o", color="C0", mec="k", ms=6, label="strong species called present")
    ax.plot(seen, y, "|", color="k", ms=12, label="strong species called present or possible")
    ax.axvline(1.0, color="C3", ls="--", lw=1, label="goal for false claims: 1 %")
    ax.set(yticks=y, yticklabels=names, xlabel="%", xlim=(-2, 105), title="False claims, and strong species found")
    ax.invert_yaxis()
    ax.legend(fontsize=8, loc="lower left", bbox_to_anchor=(0.05, 0.0))


def _detection(ax: Any, curves: list[Any]) -> None:
    from detection_curves import ideal

    for number, one in enumerate(curves):
        style = {"marker": MARKERS[number % 9], "color": f"C{number % 10}", "lw": 1, "ms": 4}
        ax.plot(one.strength, [100 * part for part in one.seen], label=f"{one.name} in {one.base}", **style)
    strength = np.geomspace(1, 300, 200)
    ax.plot(strength, [100 * ideal(s) for s in strength], "k--", lw=1, label="ideal detector")
    ax.set(xscale="log", xlabel="signal to noise of the ideal detector (matched filter)",
           ylabel="present or possible, %", title="Detection of a trace against its strength")  # fmt: skip
    ax.legend(fontsize=7)


def _coverage(ax: Any, bag: Any) -> None:
    names = [n for n in sorted(bag.pulls, key=lambda k: -len(bag.pulls[k])) if len(bag.pulls[n]) >= LEAST]
    if names:
        every = np.concatenate([bag.pulls[n] for n in bag.pulls])
        rows = [("all", every), *((n, np.array(bag.pulls[n])) for n in names)]
        y = np.arange(len(rows))
        for width, marker, label in ((1.0, "o", "68 %"), (1.96, "s", "95 %")):
            share = np.array([np.mean(np.abs(p) < width) for _, p in rows])
            error = np.sqrt(np.maximum(share * (1 - share), 0.02) / [p.size for _, p in rows])
            ax.errorbar(100 * share, y, xerr=100 * error, fmt=marker, ms=5, lw=1, mec="k", label=f"{label} intervals")
        ax.set(yticks=y, yticklabels=[f"{n} ({p.size})" for n, p in rows])
        ax.invert_yaxis()
    ax.axvline(68.3, color="C0", lw=1)
    ax.axvline(95, color="C1", lw=1)
    ax.set(xlabel="intervals of counts that hold the truth, %", xlim=(0, 105), title="Coverage")
    ax.legend(fontsize=8, loc="lower left")


def _temperatures(ax: Any, bag: Any) -> None:
    for number, name in enumerate(sorted({row[0] for row in bag.heat})):
        rows = np.array([row[1:] for row in bag.heat if row[0] == name], dtype=float)
        error = np.abs(rows[:, 2:].T - rows[:, 1])
        bias = 100 * np.median(rows[:, 1] / rows[:, 0] - 1)
        ax.errorbar(rows[:, 0], rows[:, 1], yerr=error, fmt=MARKERS[number % 9], ms=5, lw=0.8, mec="k",
                    label=f"{name}: {len(rows)}, bias {bias:+.0f} %")  # fmt: skip
    line = np.array([250.0, 1700.0])
    ax.plot(line, line, "k-", lw=1)
    ax.set(xscale="log", yscale="log", xlabel="true rotational temperature, K", ylabel="found, K, with 68 % interval",
           title="Rotational temperatures")  # fmt: skip
    if bag.heat:
        ax.legend(fontsize=8)
