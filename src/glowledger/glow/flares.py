"""Species measured one at a time, beside the joint ones: what each has alone, and when several flare up together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.nonnegative import solve_nonnegative

FLARE_SIGMA = 5.0
# by which a flare is beyond doubt: in between, ever more of what the joint species took of its light is given back
SURE_FLARE_SIGMA = 50.0
NOTED = 0.05  # of a species' light missing in one frame, from which on it is measured there by the rest


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Flares:
    """How light of the a species measured one at a time shows; s species in all, p pixels.

    Attributes
    ----------
    own : ndarray of int, shape (a,)
        Which of all species they are.
    patterns : ndarray of shape (a, p)
        Their typical light, per count.
    left : ndarray of shape (a, p)
        What the joint columns leave of it.
    measure : ndarray of shape (a, p)
        Counts of each, were it the only one, per count in each pixel.
    taken : ndarray of shape (s, a)
        Counts that the joint species take for theirs, per count of each.
    weight : ndarray of shape (p,)
        Inverse variance of single frames.
    template : ndarray of shape (p,)
        Variance that errors in the templates of the others may bring about in every frame.
    """

    own: NDArray[np.intp]
    patterns: NDArray[np.float64]
    left: NDArray[np.float64]
    measure: NDArray[np.float64]
    taken: NDArray[np.float64]
    weight: NDArray[np.float64]
    template: NDArray[np.float64]

    @property
    def doubt(self) -> NDArray[np.float64]:
        """Counts of each that `template` stands for, shape (a,)."""
        return np.asarray(np.sqrt(self.measure**2 @ self.template))

    def shared(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return counts ≥ 0 of the species, shape (n, a), when they share what is there.

        Parameters
        ----------
        values : ndarray of shape (n, a)
            Counts of each as if it were the only one.
        """
        gram = self.left @ (self.weight[:, None] * self.left.T)
        return solve_nonnegative(gram, (values * np.diag(gram)).T).T


def flares(
    own: NDArray[np.intp], patterns: NDArray[np.float64], columns: NDArray[np.float64], solve: NDArray[np.float64],
    joint: NDArray[np.float64], weight: NDArray[np.float64], template: NDArray[np.float64],
) -> Flares:
    """Return how such species show beside joint columns.

    Parameters
    ----------
    own, patterns, weight, template
        As in `Flares`; zeros for a pattern make a species that the joint ones can copy wholly: it measures nothing.
    columns, solve : ndarray of shape (p, c) and (c, p)
        Joint columns and their least squares.
    joint : ndarray of shape (s, p)
        Counts of each joint species per count in each pixel, zeros for the others.
    """
    left = patterns - (patterns @ solve.T) @ columns.T
    information = left**2 @ weight
    told = information > 1e-9 * (patterns**2 @ weight)
    left = np.where(told[:, None], left, 0.0)
    measure = weight * left / np.where(told, information, 1.0)[:, None]
    measure -= (measure @ columns) @ solve
    return Flares(
        own=own, patterns=patterns, left=left, measure=measure, taken=joint @ patterns.T, weight=weight,
        template=template,
    )  # fmt: skip
