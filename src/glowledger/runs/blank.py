"""Equality with a blank run of the clean empty chamber: two one-sided tests (Schuirmann 1987)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from glowledger.runs.decay import estimate_noise
from glowledger.runs.decay_follower import DecayFollower

WINDOW = 30  # latest frames compared with the blank


@dataclass(frozen=True, slots=True, kw_only=True)
class Blank:
    """Level of an indicator in the blank run.

    Attributes
    ----------
    level, standard_error : float
        Mean and its standard error.
    margin : float
        Largest difference that counts as equal, in the unit of the indicator.
    """

    level: float
    standard_error: float
    margin: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Equivalence:
    """Outcome of the comparison.

    Attributes
    ----------
    difference, standard_error : float
        Latest level less blank.
    low, high : float
        Interval that has to lie within plus and minus `margin`.
    margin : float
        As in the blank.
    equal : bool
        True if it does.
    """

    difference: float
    standard_error: float
    low: float
    high: float
    margin: float
    equal: bool

    def sentence(self, name: str) -> str:
        """Say how the indicator compares with the blank."""
        what = "equals" if self.equal else "is not shown to equal"
        return (
            f"{name} {what} the blank: difference {self.difference:.3g} (interval {self.low:.3g} to {self.high:.3g}), "
            f"margin {self.margin:.3g}."
        )


def level_of(value: np.ndarray, standard_error: np.ndarray | None = None) -> tuple[float, float]:
    """Return the robust mean of a steady stretch and its standard error, correlation of the noise included.

    Parameters
    ----------
    value : ndarray of shape (n,)
        Values; not finite ones are left out.
    standard_error : ndarray of shape (n,), optional
        Relative precision.

    Returns
    -------
    mean, standard_error : float
        NaN for fewer than 4 values.
    """
    good = np.isfinite(value)
    y = np.asarray(value, dtype=float)[good]
    if len(y) < 4:
        return float("nan"), float("nan")
    precision = np.ones(len(y)) if standard_error is None else 1.0 / np.asarray(standard_error)[good] ** 2
    precision = precision / np.median(precision)
    mean, weight = float(np.median(y)), np.ones(len(y))
    follows = np.ones(len(y), dtype=bool)
    for _ in range(4):
        noise, weight = estimate_noise((y - mean) * np.sqrt(precision), follows, 1)
        mean = float(np.average(y, weights=precision * weight))
    return mean, float(np.sqrt(noise.variance / np.sum(precision * weight)))


def compare_with_blank(decay: DecayFollower, blank: Blank, assurance: float) -> Equivalence | None:
    """Test the latest frames against the blank.

    Parameters
    ----------
    decay : DecayFollower
        Frames so far.
    blank : Blank
        Level of the clean empty chamber.
    assurance : float
        1 less the size of each one-sided test.

    Returns
    -------
    Equivalence or None
        None while there are fewer than 8 bins.

    Notes
    -----
    D. J. Schuirmann, J. Pharmacokinet. Biopharm. 15, 657 (1987): equality within the margin is shown at level
    alpha if the 1 - 2 alpha interval of the difference lies within it.
    """
    if len(decay.time) < 8:
        return None
    late = slice(-WINDOW, None)
    value, precision = np.array(decay.value[late]), np.array(decay.precision[late])
    mean, error = level_of(value, 1.0 / np.sqrt(precision))
    difference = mean - blank.level
    total = float(np.hypot(error, blank.standard_error))
    reach = float(stdtrit(len(value) - 1, assurance)) * total
    low, high = difference - reach, difference + reach
    return Equivalence(
        difference=difference,
        standard_error=total,
        low=low,
        high=high,
        margin=blank.margin,
        equal=low > -blank.margin and high < blank.margin,
    )
