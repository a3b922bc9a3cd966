"""Gases against each other, from repeated runs in each: the scatter between runs is what a difference has to beat."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from glowledger.diagnose.compared_run import ComparedRun
from glowledger.diagnose.estimates import Difference, holm
from glowledger.diagnose.fair_comparison import END, TIME, causes, obstacles

LEVEL = 0.05
CONFOUNDING = ("power", "pressure", "electrode", "polarity")  # voltage and current follow the gas by themselves
COMPARED = {"endpoint_s": END, "time_constant_s": TIME}


@dataclass(frozen=True, slots=True, kw_only=True)
class GasDifference:
    """One quantity of two gases.

    Attributes
    ----------
    first, second : str
        The gases.
    runs : tuple of int
        Runs of each.
    quantity : str
        ``endpoint_s`` or ``time_constant_s``.
    difference : Difference
        Geometric mean of the second over that of the first.
    p_adjusted : float
        After Holm, over all pairs of gases and quantities that are fair; NaN if it is not.
    unfair : tuple of str
        What makes it unfair.
    """

    first: str
    second: str
    runs: tuple[int, int]
    quantity: str
    difference: Difference
    p_adjusted: float
    unfair: tuple[str, ...]

    @property
    def told(self) -> bool:
        """True if the gases differ by more than their runs scatter."""
        return self.p_adjusted < LEVEL


def logs_by_gas(runs: Sequence[ComparedRun], quantity: str) -> dict[str, NDArray[np.float64]]:
    """Return the logarithms of a positive quantity of all runs where it is known, by gas (empty: not stated)."""
    found: dict[str, list[float]] = {}
    for run in runs:
        e = run.estimates[quantity]
        if e.known and e.value > 0:
            found.setdefault(run.gas, []).append(math.log(e.value))
    return {gas: np.array(values) for gas, values in found.items()}


def gas_differences(runs: Sequence[ComparedRun]) -> tuple[GasDifference, ...]:
    """Compare gases with two runs or more each, by the test on logarithms of B. L. Welch, Biometrika 34, 28 (1947)."""
    found: list[tuple[str, str, tuple[int, int], str, Difference, tuple[str, ...]]] = []
    for quantity, kind in COMPARED.items():
        repeated = {g: v for g, v in logs_by_gas(runs, quantity).items() if g and len(v) >= 2}
        for first, second in combinations(repeated, 2):
            a, b = repeated[first], repeated[second]
            unfair = _unfair(runs, first, second, kind)
            found.append((first, second, (len(a), len(b)), quantity, welch(a, b), unfair))
    fair = [i for i, f in enumerate(found) if not f[5]]
    adjusted = dict(zip(fair, holm([found[i][4].p for i in fair]), strict=True))
    return tuple(
        GasDifference(first=f[0], second=f[1], runs=f[2], quantity=f[3], difference=f[4], unfair=f[5],
                      p_adjusted=float(adjusted.get(i, math.nan)))
        for i, f in enumerate(found)
    )  # fmt: skip


def welch(a: NDArray[np.float64], b: NDArray[np.float64]) -> Difference:
    """Return exp(mean b - mean a) with its 95 % interval, for samples of logarithms of two or more each."""
    from scipy.special import stdtr, stdtrit

    parts = np.array([a.var(ddof=1) / len(a), b.var(ddof=1) / len(b)])
    gap, variance = float(b.mean() - a.mean()), float(parts.sum())
    if variance <= 0:
        return Difference(value=math.exp(gap), low=0.0, high=math.inf, ratio=True, p=1.0)  # scatter unknown
    freedom = variance**2 / float(np.sum(parts**2 / np.array([len(a) - 1, len(b) - 1])))
    half = float(stdtrit(freedom, 0.975)) * math.sqrt(variance)
    p = 2.0 * float(stdtr(freedom, -abs(gap) / math.sqrt(variance)))
    return Difference(value=math.exp(gap), low=math.exp(gap - half), high=math.exp(gap + half), ratio=True, p=p)


def _unfair(runs: Sequence[ComparedRun], first: str, second: str, kind: str) -> tuple[str, ...]:
    pairs = [(a.conditions, b.conditions) for a in runs if a.gas == first for b in runs if b.gas == second]
    texts = [o.text for a, b in pairs for o in obstacles(a, b) if kind in o.spoils]
    also = [name for a, b in pairs for name in causes(a, b)[0] if name in CONFOUNDING]
    if also:
        names = ", ".join(dict.fromkeys(also))
        texts.append(f"Not only the gas differs between these runs but also: {names}.")
    return tuple(dict.fromkeys(texts))
