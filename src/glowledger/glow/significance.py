"""From χ² lost to standard deviations, where what was dropped are amounts that cannot be negative."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

POSSIBLE_SIGMA = 3.0  # of a whole species
FALSE_DISCOVERY = 0.01  # expected part of false claims among claims: Benjamini & Hochberg, JRSS B 57, 289 (1995)


def significance(loss: float, levels: int) -> float:
    """Return the equivalent Gaussian significance of a χ² loss with `levels` amounts bounded at zero.

    Parameters
    ----------
    loss : float
        χ² lost without them.
    levels : int
        How many amounts.

    Returns
    -------
    float
        One-sided standard deviations. Under no light the loss is a mixture of χ² of 0 to `levels` degrees
        of freedom; the binomial mixture of independent amounts is used (Self & Liang, JASA 82, 605 (1987),
        from memory).
    """
    from scipy.special import gammaincc, ndtri_exp

    if levels == 0 or loss <= 0:
        return 0.0
    half, log_gamma, log_binomial = _mixture(levels)
    tail = gammaincc(half, loss / 2)
    if tail[0] > 0:  # the least of them
        tail = np.log(tail)
    else:  # far out the library's tail underflows: leading term of the incomplete gamma function (DLMF 8.11.2)
        far = (half - 1) * np.log(loss / 2) - loss / 2 - log_gamma
        tail = np.where(tail > 0, np.log(np.maximum(tail, np.finfo(float).tiny)), far)
    terms = tail + log_binomial
    highest = terms.max()
    return float(max(-ndtri_exp(highest + np.log(np.exp(terms - highest).sum())), 0.0))


@lru_cache(maxsize=256)
def _mixture(levels: int) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return half the degrees of freedom from one up, ln Γ of them, and the logarithms of their parts in a mixture."""
    from scipy.special import gammaln

    dof = np.arange(1, levels + 1)
    parts = gammaln(levels + 1) - gammaln(dof + 1) - gammaln(levels - dof + 1) - levels * np.log(2)
    return dof / 2, gammaln(dof / 2), parts


def significance_needed(significances: NDArray[np.float64]) -> float:
    """Return the significance above which claims have a false-discovery rate of `FALSE_DISCOVERY`.

    Parameters
    ----------
    significances : ndarray of shape (s,)
        Of every species tested.

    Returns
    -------
    float
        One-sided standard deviations; never below `POSSIBLE_SIGMA`.
    """
    from scipy.special import ndtr, ndtri

    p = np.sort(ndtr(-significances))
    allowed = FALSE_DISCOVERY * np.arange(1, p.size + 1) / max(p.size, 1)
    passing = np.flatnonzero(p <= allowed)
    cut = allowed[passing[-1]] if passing.size else FALSE_DISCOVERY / max(p.size, 1)
    return float(max(-ndtri(cut), POSSIBLE_SIGMA))
