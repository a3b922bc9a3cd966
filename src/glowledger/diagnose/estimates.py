"""Numbers with 95 % intervals, how two of them differ, and which of many differences hold."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

NAN = float("nan")


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """One number of a run; NaN and a reason where it is not known.

    Attributes
    ----------
    value, low, high : float
        The number and its 95 % interval; an end may be infinite.
    freedom : float
        Degrees of freedom behind the interval; infinite for a normal or posterior interval.
    positive : bool
        A quantity that is positive by its nature and is compared as a ratio.
    events : int
        Events behind a rate, -1 if it is none; then `watched_s` is the time watched.
    reason : str
        Why it is not known, or what to know of it.
    """

    value: float = NAN
    low: float = NAN
    high: float = NAN
    freedom: float = math.inf
    positive: bool = True
    events: int = -1
    watched_s: float = NAN
    reason: str = ""

    @property
    def known(self) -> bool:
        """True if there is a value with an interval, one end of which may be open."""
        return math.isfinite(self.value) and not (math.isnan(self.low) or math.isnan(self.high))

    @property
    def interval(self) -> tuple[float, float]:
        """The 95 % interval."""
        return (self.low, self.high)


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """How the second of two estimates differs from the first.

    Attributes
    ----------
    value, low, high : float
        Second over first for positive quantities, second minus first otherwise, with 95 % interval.
    ratio : bool
        Which of the two it is.
    p : float
        Two-sided probability of a difference at least as large if there were none.
    """

    value: float
    low: float
    high: float
    ratio: bool
    p: float


def difference(first: Estimate, second: Estimate) -> Difference:
    """Compare two independent estimates.

    Parameters
    ----------
    first, second : Estimate
        Both known, of the same quantity.

    Returns
    -------
    Difference

    Notes
    -----
    The interval of the difference is made of the ends of the two that face each other, so that lopsided intervals
    stay lopsided (G. Y. Zou & A. Donner, Statist. Med. 27, 1693 (2008)); ratios on the log scale. Few degrees of
    freedom are joined as by Welch and Satterthwaite (B. L. Welch, Biometrika 34, 28 (1947)). Two rates of events
    are compared exactly, given their sum (J. Przyborowski & H. Wilenski, Biometrika 31, 313 (1940)), with the
    interval of C. J. Clopper & E. S. Pearson, Biometrika 26, 404 (1934).
    """
    if first.events >= 0 and second.events >= 0:
        return _rates(first, second)
    ratio = first.positive and second.positive and first.value > 0 and second.value > 0
    a, b = (_scaled(e, ratio) for e in (first, second))
    gap = b[1] - a[1]
    down, down_freedom = _joined((b[1] - b[0], second.freedom), (a[2] - a[1], first.freedom))
    up, up_freedom = _joined((b[2] - b[1], second.freedom), (a[1] - a[0], first.freedom))
    facing, freedom = (down, down_freedom) if gap > 0 else (up, up_freedom)
    low, high = gap - _quantile(down_freedom) * down, gap + _quantile(up_freedom) * up
    p = _two_sided(abs(gap) / facing, freedom) if facing > 0 else (0.0 if gap else 1.0)
    if ratio:
        gap, low, high = (float(np.exp(x)) for x in (gap, low, high))
    return Difference(value=gap, low=low, high=high, ratio=ratio, p=p)


def _scaled(e: Estimate, ratio: bool) -> tuple[float, float, float]:
    if not ratio:
        return e.low, e.value, e.high
    low = math.log(e.low) if e.low > 0 else -math.inf
    return low, math.log(e.value), math.log(e.high) if math.isfinite(e.high) else math.inf


def _joined(one: tuple[float, float], other: tuple[float, float]) -> tuple[float, float]:
    """Return the standard error of a difference and its degrees of freedom, from 95 % half-widths."""
    errors = [half / _quantile(freedom) for half, freedom in (one, other)]
    variance = sum(e**2 for e in errors)
    if not math.isfinite(variance) or variance <= 0:
        return math.sqrt(variance), math.inf
    doubt = sum(e**4 / f for e, (_, f) in zip(errors, (one, other), strict=True) if math.isfinite(f))
    return math.sqrt(variance), variance**2 / doubt if doubt > 0 else math.inf


def _quantile(freedom: float) -> float:
    from scipy.special import ndtri, stdtrit

    return float(ndtri(0.975) if math.isinf(freedom) else stdtrit(freedom, 0.975))


def _two_sided(t: float, freedom: float) -> float:
    from scipy.special import ndtr, stdtr

    return float(2.0 * (ndtr(-t) if math.isinf(freedom) else stdtr(freedom, -t)))


def _rates(first: Estimate, second: Estimate) -> Difference:
    from scipy.stats import binomtest

    total = first.events + second.events
    expected = second.watched_s / (first.watched_s + second.watched_s)
    if total == 0:
        return Difference(value=NAN, low=0.0, high=math.inf, ratio=True, p=1.0)
    test = binomtest(second.events, total, expected)
    limits = test.proportion_ci(0.95, method="exact")
    times = first.watched_s / second.watched_s

    def odds(x: float) -> float:
        return math.inf if x >= 1.0 else x / (1.0 - x) * times

    value = odds(second.events / total)
    return Difference(value=value, low=odds(float(limits.low)), high=odds(float(limits.high)), ratio=True,
                      p=float(test.pvalue))  # fmt: skip


def holm(p: ArrayLike) -> NDArray[np.float64]:
    """Adjust probabilities for the number of comparisons made, step by step.

    Parameters
    ----------
    p : array_like of shape (m,)
        Of single comparisons.

    Returns
    -------
    ndarray of shape (m,)
        Each may be held against the level for the whole family.

    Notes
    -----
    S. Holm, Scand. J. Statist. 6, 65 (1979): valid whatever the dependence between the comparisons.
    """
    p = np.asarray(p, dtype=np.float64)
    order = np.argsort(p, kind="stable")
    stepped = np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1))
    adjusted = np.empty(len(p))
    adjusted[order] = np.minimum(stepped, 1.0)
    return adjusted
