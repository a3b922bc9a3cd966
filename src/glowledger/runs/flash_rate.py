"""Flashes per minute with exact Poisson limits, and whether their rate is rising."""

from __future__ import annotations

from scipy.special import bdtrc, chdtri

RISING = 0.001  # one-sided probability below which a rise is called


def poisson_interval(events: int, duration_s: float, level: float = 0.95) -> tuple[float, float]:
    """Return the exact interval of a Poisson rate, events per minute.

    Parameters
    ----------
    events : int
        Events seen.
    duration_s : float
        Time watched, s, > 0.
    level : float
        Confidence level.

    Returns
    -------
    low, high : float

    Notes
    -----
    F. Garwood, Biometrika 28, 437 (1936): chi-squared quantiles with 2n and 2n + 2 degrees of freedom.
    """
    tail = 0.5 * (1.0 - level)
    low = 0.5 * float(chdtri(2 * events, 1.0 - tail)) if events else 0.0
    high = 0.5 * float(chdtri(2 * events + 2, tail))
    return low * 60.0 / duration_s, high * 60.0 / duration_s


def rising(times_s: list[float], start_s: float, now_s: float) -> bool:
    """Say whether flashes came more often lately than before.

    The last third of the time is compared with the two thirds before it; given the number of flashes, that in the
    last third is binomial with probability 1/3 if the rate is constant (Przyborowski & Wilenski, Biometrika 31,
    313 (1940)).
    """
    n = len(times_s)
    if n < 5 or now_s <= start_s:
        return False
    border = start_s + (now_s - start_s) * 2.0 / 3.0
    late = sum(t >= border for t in times_s)
    return late > 0 and float(bdtrc(late - 1, n, 1.0 / 3.0)) < RISING
