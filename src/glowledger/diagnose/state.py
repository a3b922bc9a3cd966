"""One reading of the plasma's state: a value with its interval, what it means and what it does not."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.results import Fit

SEEN = 3.0  # an amplitude below this many standard errors enters no ratio as a number


@dataclass(frozen=True, slots=True, kw_only=True)
class StateReading:
    """A quantity derived from the light; cannot be built without its reason.

    Attributes
    ----------
    name : str
        What it is: ``Ar 4p excitation temperature``, ``O/Ar actinometry ratio``.
    value, standard_error : float
        NaN where it cannot be told.
    interval : tuple of float
        95 % interval; may be one-sided (infinite) where only a limit is known.
    unit : str
        ``K``, ``m^-3`` or ``1`` for a ratio.
    told : bool
        False if the answer is 'cannot tell'.
    reason : str
        What the number means, or why there is none.
    cautions : tuple of str
        What it must not be taken for, and what could bias it.
    sources : tuple of str
        Where the method comes from.
    """

    name: str
    value: float
    standard_error: float
    interval: tuple[float, float]
    unit: str
    told: bool
    reason: str
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not self.reason:
            raise ValueError(f"the reading of {self.name} has no reason")


def untold(
    name: str,
    unit: str,
    reason: str,
    *,
    interval: tuple[float, float] = (float("nan"), float("nan")),
    cautions: tuple[str, ...] = (),
    sources: tuple[str, ...] = (),
) -> StateReading:
    """Return a 'cannot tell' reading with its reason, and a limit where one is known."""
    nan = float("nan")
    return StateReading(
        name=name, value=nan, standard_error=nan, interval=interval, unit=unit, told=False,
        reason=reason, cautions=cautions, sources=sources,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Ratio:
    """A ratio of two amplitudes with Fieller's interval.

    Attributes
    ----------
    value, standard_error : float
        Plain ratio, and its standard error to first order.
    interval : tuple of float
        95 % interval, never below zero; the upper end is infinite if the denominator may be zero.
    """

    value: float
    standard_error: float
    interval: tuple[float, float]


def ratio_of(top: float, bottom: float, top_variance: float, bottom_variance: float, covariance: float = 0.0) -> Ratio:
    """Return a ratio of two noisy, non-negative amplitudes.

    Parameters
    ----------
    top, bottom : float
        The amplitudes.
    top_variance, bottom_variance, covariance : float
        Their covariance.

    Returns
    -------
    Ratio

    Notes
    -----
    Fieller, J. R. Stat. Soc. B 16, 175 (1954): the interval holds every ρ for which top - ρ·bottom lies
    within 1.96 of its standard errors of zero; no division by a noisy number enters it.
    """
    z2 = 1.959964**2
    a = bottom**2 - z2 * bottom_variance
    b = -2 * (top * bottom - z2 * covariance)
    c = top**2 - z2 * top_variance
    value = top / bottom if bottom > 0 else float("nan")
    relative = top_variance + value**2 * bottom_variance - 2 * value * covariance if bottom > 0 else float("nan")
    error = float(np.sqrt(max(relative, 0.0))) / bottom if bottom > 0 else float("nan")
    discriminant = b**2 - 4 * a * c
    if a <= 0:  # the denominator may be zero: only a lower end, and only if top surely is not
        low = 0.0
        if c > 0 and discriminant > 0:
            low = max((-b + np.sqrt(discriminant)) / (2 * a), (-b - np.sqrt(discriminant)) / (2 * a))
        return Ratio(value=value, standard_error=error, interval=(max(float(low), 0.0), float("inf")))
    root = np.sqrt(max(discriminant, 0.0))
    low, high = (-b - root) / (2 * a), (-b + root) / (2 * a)
    return Ratio(value=value, standard_error=error, interval=(max(float(low), 0.0), max(float(high), 0.0)))


def emitter_rows(fit: Fit, pattern: str) -> NDArray[np.intp]:
    """Return the numbers of the emitters whose label matches a regular expression from its start."""
    return np.array([i for i, label in enumerate(fit.emitter_labels) if re.match(pattern, label)], dtype=int)


def summed_amplitude(fit: Fit, rows: NDArray[np.intp]) -> tuple[float, float]:
    """Return the counts of some emitters together and their variance."""
    return float(fit.amplitude[rows].sum()), float(fit.covariance[np.ix_(rows, rows)].sum())


def ratio_in_fit(fit: Fit, top: NDArray[np.intp], bottom: NDArray[np.intp]) -> Ratio:
    """Return the ratio of two groups of emitters of one fit, their covariance included."""
    a, va = summed_amplitude(fit, top)
    b, vb = summed_amplitude(fit, bottom)
    return ratio_of(a, b, va, vb, float(fit.covariance[np.ix_(top, bottom)].sum()))
