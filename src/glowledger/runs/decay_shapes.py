"""Shapes a contaminant may decay by, on a logarithmic grid of time constants, each with 1 as its top and 0 as its end.

A shape is one exponential, two that share the start, one that rises before it falls, one that falls ever more slowly (a
power of time, a stretched exponential, what diffuses out), or a plateau that then falls exponentially (thick film: flat
while the supply limits, then falling). Everything that has to be known of a shape is its weighted sums with the data;
the sums of one exponential at every time constant give those of all others but those that fall ever more slowly.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import erfcx

Floats = NDArray[np.float64]

STEP = 0.125  # of ln(time constant); the evidence is a smooth curve and is interpolated between the nodes
# Steps from the fast to the slow time constant, and shares of the slow component at the start: few while one
# exponential is as good (ratios 1.9, 3.5, 6.5), many once the data clearly show two
# (a share above 1 is a product that rises before it falls: the fast component is then negative)
RISING = (1.4, 2.5, 20.0)
COARSE = ((5, 10, 15), (0.08, 0.16, 0.3, 0.5, 0.75, *RISING))
DENSE = (
    (4, 6, 8, 10, 11, 12, 13, 14, 15, 17),
    (*(float(a) for a in np.linspace(0.06, 0.9, 13)), 1.15, 1.4, 2.0, 4.0, 20.0),
)
EXTENSION = 17
# Shapes that fall ever more slowly. Powers of time, (1 + t/τ)^-p: gas let go by walls falls about as 1/t, what diffuses
# out of a thick polymer as its root (vacuum practice, e.g. O'Hanlon, A User's Guide to Vacuum Technology, from
# memory), a reaction of second order as 1/t, and rates spread as a Gamma distribution of shape p give the power p
# exactly (its Laplace transform). Stretched exponentials, exp(-(t/τ)^β): rates spread widely, as in disordered matter
# (R. Kohlrausch, Ann. Phys. 167, 56 (1854), from memory). Flux out of a thick body through its surface,
# exp(t/τ) erfc(√(t/τ)) (Crank, The Mathematics of Diffusion, 2nd ed. 1975, section 3.3, from memory).
POWERS = (0.5, 0.6, 0.71, 0.84, 1.0, 1.19, 1.41, 1.68, 2.0, 2.4, 3.0)
STRETCHES = (0.4, 0.5, 0.6, 0.72, 0.86)
SLOW_ROWS = len(POWERS) + len(STRETCHES) + 1
PLATEAUS = 10
NEVER = 1e-15  # prior probability of what is said not to come: its logarithm is finite
STEEPEST = 6.0  # a plateau longer than this many time constants of its fall ended in a step, not in a decay


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Families:
    """The families of shapes; row r of every (rows, k) array is one family over the grid of time constants.

    Attributes
    ----------
    pairs : tuple
        Offsets and shares of the families with two components.
    offset : ndarray of int, shape (r,)
        Steps from the fast to the slow time constant; 0 for one exponential.
    share : ndarray of shape (r,)
        Part of the slow component at the start.
    scale : ndarray of shape (r,)
        Makes the top of the shape 1.
    slow : ndarray of int, shape (r,)
        Which of the shapes that fall ever more slowly; -1 for all others.
    folds : ndarray of shape (r,)
        Fast time constants after which the shape has fallen to the wanted fraction.
    log_prior : ndarray of shape (r,)
        Log of the prior probability of each family.
    """

    pairs: tuple[tuple[int, ...], tuple[float, ...]]
    offset: NDArray[np.int64]
    share: Floats
    scale: Floats
    slow: NDArray[np.int64]
    folds: Floats
    log_prior: Floats

    @property
    def slowing(self) -> NDArray[np.bool_]:
        """Shapes that fall ever more slowly, shape (r,)."""
        return self.slow >= 0

    def left(self, rows: NDArray[np.intp], x: Floats) -> Floats:
        """Return the shapes of some rows, (r,), at times x in fast time constants, shape (r, m)."""
        share, ratio = self.share[rows, None], np.exp(STEP * self.offset[rows, None])
        left = self.scale[rows, None] * ((1 - share) * np.exp(-x) + share * np.exp(-x / ratio))
        for place in np.flatnonzero(self.slowing[rows]):
            left[place] = slow_shape(int(self.slow[rows[place]]), x[place], float(self.folds[0]))
        return np.asarray(left)


def families(
    fraction: float, *, two_component: float, plateau: float, rising: float = 0.0, slowing: float = 0.0,
    dense: bool = False,
) -> Families:
    """List the families: one exponential, two or a rise and a fall, what ever slows down, plateaus (in this order).

    Parameters
    ----------
    fraction : float
        Fraction of the start at which a decay counts as ended.
    two_component, plateau, rising, slowing : float
        Prior probabilities of these groups.
    dense : bool
        Many families with two components instead of few.

    Returns
    -------
    Families
    """
    chosen = DENSE if dense else COARSE
    pairs = [(m, a) for m in chosen[0] for a in chosen[1]]
    others = SLOW_ROWS + PLATEAUS
    offset = np.array([0] + [m for m, _ in pairs] + [0] * others)
    share = np.array([0.0] + [a for _, a in pairs] + [0.0] * others)
    slow = np.concatenate([np.full(1 + len(pairs), -1), np.arange(SLOW_ROWS), np.full(PLATEAUS, -1)])
    rises = share > 1.0
    prior = np.full(len(share), plateau / PLATEAUS)
    prior[slow >= 0] = slowing / SLOW_ROWS
    prior[0] = 1.0 - two_component - plateau - rising - slowing
    prior[(offset > 0) & ~rises] = two_component / max(int(np.sum((offset > 0) & ~rises)), 1)
    prior[rises] = rising / int(rises.sum())
    log_prior = np.log(np.maximum(prior, NEVER))
    scale = 1.0 / _two(top_at(offset, share), offset, share)
    folds = folds_to(fraction, offset, share, scale)
    return Families(
        pairs=chosen, offset=offset, share=share, scale=scale, slow=slow, folds=folds, log_prior=log_prior
    )


def slow_shape(number: int, x: Floats, folds: float) -> Floats:
    """Return a shape that falls ever more slowly, at times x in time constants.

    All end when one exponential would, `folds` time constants on: so every shape ends within a few of the time
    constants on the grid.
    """
    if number < len(POWERS):
        power = POWERS[number]
        return np.asarray(np.exp(-power * np.log1p(x * (np.expm1(folds / power) / folds))))
    if number < SLOW_ROWS - 1:
        return np.asarray(np.exp(-folds * (x / folds) ** STRETCHES[number - len(POWERS)]))
    return np.asarray(erfcx(np.sqrt(x * (_out_of_body(folds) / folds))))


@lru_cache(maxsize=64)
def _out_of_body(folds: float) -> float:
    """Return the t/τ at which exp(t/τ) erfc(√(t/τ)) has fallen to exp(-folds)."""
    from scipy.optimize import brentq

    at: float = brentq(lambda log_x: float(np.log(erfcx(np.exp(0.5 * log_x)))) + folds, -40.0, 40.0)
    return float(np.exp(at))


def slowing(time: Floats, tau: Floats, fraction: float) -> Floats:
    """Return what falls ever more slowly, shape (n, SLOW_ROWS * k), at times (n,) for time constants (k,)."""
    x, folds = time[:, None] / tau, float(np.log(1.0 / fraction))
    return np.concatenate([slow_shape(number, x, folds) for number in range(SLOW_ROWS)], axis=1)


def _two(x: Floats, offset: NDArray[np.int64], share: Floats) -> Floats:
    return np.asarray((1 - share) * np.exp(-x) + share * np.exp(-x * np.exp(-STEP * offset)))


def top_at(offset: NDArray[np.int64], share: Floats) -> Floats:
    """Return where each shape is highest, in fast time constants: 0 unless it rises first."""
    ratio = np.exp(STEP * offset)
    with np.errstate(divide="ignore", invalid="ignore"):
        x = np.log((share - 1.0) * ratio / share) / (1.0 - 1.0 / ratio)
    return np.where((share > 1.0) & np.isfinite(x), np.maximum(x, 0.0), 0.0)


def folds_to(fraction: float, offset: NDArray[np.int64], share: Floats, scale: Floats) -> Floats:
    """Return the time, in fast time constants, at which the shape has fallen to `fraction` of its top.

    Shape (r,), by bisection; ln(1/fraction) exactly for one exponential.
    """
    ratio = np.exp(STEP * offset)
    low = top_at(offset, share)
    high = low + np.log(np.maximum(share, 1.0) * scale / fraction) * ratio
    for _ in range(60):
        middle = 0.5 * (low + high)
        above = scale * _two(middle, offset, share) > fraction
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return np.where(offset == 0, np.log(1.0 / fraction), 0.5 * (low + high))


def grid(shortest: float, longest: float) -> Floats:
    """Return time constants from `shortest` to `longest` on the common logarithmic grid, with the slow extension.

    The last `EXTENSION` values serve slow components only.
    """
    first = np.floor(np.log(shortest) / STEP)
    last = max(np.ceil(np.log(longest) / STEP), first + 4)
    return np.asarray(np.exp(STEP * np.arange(first, last + 1 + EXTENSION)))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ShapeSums:
    """Weighted sums of every shape with the data and the nuisance columns.

    Attributes
    ----------
    with_columns : ndarray of shape (q, r, k)
        Sum of weight times column times shape.
    squared, with_data : ndarray of shape (r, k)
        Sum of weight times shape squared, and times shape times data.
    usable : ndarray of bool, shape (r, k)
        False for a fall so much faster than the wait before it that it is a step, not a decay.
    """

    with_columns: Floats
    squared: Floats
    with_data: Floats
    usable: NDArray[np.bool_]


def shape_sums(
    exponentials: Floats,
    slow: Floats,
    weight: Floats,
    columns: Floats,
    data: Floats,
    onset: Floats,
    time: Floats,
    tau: Floats,
    family: Families,
) -> ShapeSums:
    """Sum every shape with data and columns.

    Parameters
    ----------
    exponentials : ndarray of shape (n, k + extension)
        exp(-time / tau) on the extended grid.
    slow : ndarray of shape (n, SLOW_ROWS * k)
        From `slowing`, without the extension.
    weight, data, time : ndarray of shape (n,)
        Weights, indicator values, times from the start.
    columns : ndarray of shape (n, q)
        Nuisance columns; the first is the floor.
    onset : ndarray of shape (PLATEAUS,)
        Ends of the plateaus, increasing.
    tau : ndarray of shape (k + extension,)
        The grid.
    family : Families
        The shapes.

    Returns
    -------
    ShapeSums
    """
    size = len(tau) - EXTENSION
    rows = np.column_stack([columns * weight[:, None], weight * data]).T  # (q + 1, n)
    linear = rows @ exponentials
    gram = (exponentials * weight[:, None]).T @ exponentials
    fast = np.arange(size)
    late = fast + np.array(family.pairs[0])[:, None]
    share = np.array(family.pairs[1])[:, None]
    scale = family.scale[family.offset > 0].reshape(len(late), -1, 1)
    pairs = (1 - share) * linear[:, None, None, :size] + share * linear[:, late][:, :, None, :]
    squares = (1 - share) ** 2 * gram[fast, fast] + 2 * share * (1 - share) * gram[fast, late][:, None, :]
    squares = (squares + share**2 * gram[late, late][:, None, :]) * scale**2
    pairs = pairs * scale
    flat, flat_squares, usable = _plateau_sums(exponentials[:, :size], rows, weight, onset, time, tau[:size])
    powers, power_squares = (rows @ slow).reshape(len(rows), -1, size), (weight @ slow**2).reshape(-1, size)
    first = np.concatenate([linear[:, None, :size], pairs.reshape(len(rows), -1, size), powers, flat], axis=1)
    smooth = np.ones((first.shape[1] - PLATEAUS, size), dtype=bool)
    return ShapeSums(
        with_columns=first[:-1],
        with_data=first[-1],
        squared=np.concatenate([gram[fast, fast][None], squares.reshape(-1, size), power_squares, flat_squares]),
        usable=np.concatenate([smooth, usable]),
    )


def _plateau_sums(
    exponentials: Floats, rows: Floats, weight: Floats, onset: Floats, time: Floats, tau: Floats
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Sum the shapes that are 1 until an onset and fall from there; one matrix product for all onsets."""
    edges = np.searchsorted(time, onset, side="right")
    segment = np.searchsorted(edges, np.arange(len(time)), side="right")  # 0 before the first onset
    member = (segment[None, :] == np.arange(PLATEAUS + 1)[:, None]).astype(float)
    stacked = rows[:, None, :] * member[None]
    before = np.cumsum(stacked.sum(axis=2), axis=1)[:, :-1]  # (q + 1, b): weight on the plateau
    parts = (stacked.reshape(-1, len(time)) @ exponentials).reshape(len(rows), PLATEAUS + 1, -1)
    after = np.cumsum(parts[:, ::-1], axis=1)[:, ::-1][:, 1:]
    parts_squared = (member * weight) @ exponentials**2
    after_squared = np.cumsum(parts_squared[::-1], axis=0)[::-1][1:]
    wait = onset[:, None] / tau
    usable = (wait < STEEPEST) & (tau > 3.0 * time[-1] / len(time))
    lift = np.exp(np.minimum(wait, 20.0))
    plateau_weight = np.cumsum((member * weight).sum(axis=1))[:-1]
    return before[:, :, None] + after * lift, plateau_weight[:, None] + after_squared * lift**2, usable
