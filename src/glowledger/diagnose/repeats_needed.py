"""How many repeats it takes to see a difference between gases: power of the two-sample t test.

J. Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd ed. (1988), chapter 2, with the exact
noncentral t distribution instead of its tables.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

NODES, REACH = 160, 8.5  # nodes and reach in standard deviations of the sum: 1e-9 from n = 2 on
LARGEST = 1e5  # effect up to which the smallest visible one is looked for
MOST = 1000  # repeats per gas beyond which a plan is no plan


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """How much runs under the same conditions differ, as standard deviation of the logarithm.

    Attributes
    ----------
    value, low, high : float
        About a relative scatter, with 95 % interval; the interval is NaN where the value was stated.
    freedom : int
        Runs less groups; 0 where the value was stated.
    source : str
        Where it comes from.
    """

    value: float
    low: float = math.nan
    high: float = math.nan
    freedom: int = 0
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeats:
    """Repeats per gas for one scatter.

    Attributes
    ----------
    scatter : float
        Standard deviation of the logarithm.
    effect : float
        Difference of logarithms over scatter (Cohen's d).
    needed : int or None
        Runs per gas; None if more than `MOST`.
    """

    scatter: float
    effect: float
    needed: int | None


def t_test_power(effect: float, n: int, alpha: float = 0.05) -> float:
    """Return the power of the two-sided two-sample t test.

    Parameters
    ----------
    effect : float
        Difference of the means over the standard deviation within groups (Cohen's d).
    n : int
        Size of each of the two groups, at least 2.
    alpha : float
        Two-sided level.

    Returns
    -------
    float

    Notes
    -----
    t is noncentral with 2n - 2 degrees of freedom and noncentrality d·sqrt(n/2) (Cohen 1988, section 2.2 and 12.8).
    Its tails are summed as normal tails over the distribution of the estimated standard deviation, which never
    fails for large noncentralities, unlike the series in use for it.
    """
    from scipy.special import gammainccinv, gammaincinv, ndtr, stdtrit

    freedom = 2.0 * n - 2.0
    limit = float(stdtrit(freedom, 1.0 - alpha / 2.0))
    away = effect * math.sqrt(n / 2.0)
    node, weight = np.polynomial.legendre.leggauss(NODES)
    z = REACH * node  # standard normal scale of the estimated standard deviation
    low, high = gammaincinv(0.5 * freedom, ndtr(z)), gammainccinv(0.5 * freedom, ndtr(-z))
    spread = np.sqrt(2.0 * np.where(z < 0, low, high) / freedom)
    seen = ndtr(away - limit * spread) + ndtr(-away - limit * spread)
    return float(REACH * (weight * np.exp(-0.5 * z**2)) @ seen / math.sqrt(2.0 * math.pi))


def repeats_per_group(effect: float, *, power: float = 0.8, alpha: float = 0.05) -> int | None:
    """Return the smallest size of each of two groups that reaches a power; None beyond `MOST`."""
    effect = abs(effect)
    if not effect > 0 or t_test_power(effect, MOST, alpha) < power:
        return None
    low, high = 1, MOST  # power grows with n: halve
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if t_test_power(effect, middle, alpha) >= power else (middle, high)
    return high


def smallest_effect(n: int, *, power: float = 0.8, alpha: float = 0.05) -> float:
    """Return the effect (Cohen's d) that groups of `n` see with a power."""
    from scipy.optimize import brentq

    return float(brentq(lambda d: t_test_power(d, n, alpha) - power, 0.0, LARGEST))


def log_scatter(groups: Sequence[NDArray[np.float64]]) -> Scatter | None:
    """Return the scatter of logarithms within groups, pooled; None without a group of two.

    Parameters
    ----------
    groups : sequence of ndarray
        Logarithms of a quantity of runs under the same conditions, a group per gas.

    Returns
    -------
    Scatter or None
        Interval from the chi-squared distribution of the variance.
    """
    from scipy.special import chdtri

    several = [g for g in groups if len(g) >= 2]
    freedom = sum(len(g) - 1 for g in several)
    squares = float(sum(np.sum((g - g.mean()) ** 2) for g in several))
    if freedom < 1 or squares <= 0:
        return None
    low, high = (math.sqrt(squares / float(chdtri(freedom, tail))) for tail in (0.025, 0.975))
    return Scatter(
        value=math.sqrt(squares / freedom), low=low, high=high, freedom=freedom,
        source=f"scatter of {sum(len(g) for g in several)} earlier runs",
    )  # fmt: skip


def scatter_from_relative(relative: float) -> Scatter:
    """Return a stated relative scatter (standard deviation over mean) as one of the logarithm (log-normal)."""
    return Scatter(value=math.sqrt(math.log1p(relative**2)), source="as stated")


def repeats_for(
    relative_difference: float, scatter: float, *, gases: int = 2, power: float = 0.8, alpha: float = 0.05
) -> Repeats:
    """Return the repeats per gas to see a relative difference.

    Parameters
    ----------
    relative_difference : float
        E.g. 0.2: one gas takes 20 % longer than the other.
    scatter : float
        Standard deviation of the logarithm between runs.
    gases : int
        Gases compared, each with each; the level is divided by the number of pairs, the strictest step of Holm.
    power, alpha : float
        Probability to see it, level for all pairs together.
    """
    pairs = gases * (gases - 1) // 2
    effect = math.log1p(relative_difference) / scatter
    return Repeats(
        scatter=scatter, effect=effect, needed=repeats_per_group(effect, power=power, alpha=alpha / max(pairs, 1))
    )


def smallest_difference(n: int, scatter: float, *, gases: int = 2, power: float = 0.8, alpha: float = 0.05) -> float:
    """Return the relative difference that `n` runs per gas see with a power, inf beyond all reason."""
    pairs = max(gases * (gases - 1) // 2, 1)
    gap = scatter * smallest_effect(n, power=power, alpha=alpha / pairs)
    return math.expm1(gap) if gap < 700.0 else math.inf
