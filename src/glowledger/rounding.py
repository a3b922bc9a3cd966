"""A number with its standard error, as people write them: no more digits than the error carries."""

from __future__ import annotations

import math


def plus_minus(value: float, error: float, unit: str = "") -> str:
    """Return ``value ± error unit``, the error rounded to two digits at most and the value alike.

    Parameters
    ----------
    value, error : float
        The number and its standard error, same unit; NaN gives ``unknown``.
    unit : str
        Follows the number.

    Returns
    -------
    str
        E.g. ``0.412 ± 0.013`` or ``52000 ± 800 counts``. Rounding as in JCGM 100:2008 (GUM) 7.2.6: one or
        two digits of the standard error; here two if it begins with 1 or 2, else one.
    """
    tail = f" {unit}" if unit else ""
    if not math.isfinite(value):
        return "unknown"
    if not (math.isfinite(error) and error > 0):
        return f"{value:.3g}{tail}, error unknown"
    decimals = -math.floor(math.log10(error))
    if float(f"{error:.1e}"[:3]) < 3.0:
        decimals += 1
    rounded_error = round(error, decimals)
    places = max(decimals, 0)
    return f"{round(value, decimals):.{places}f} ± {rounded_error:.{places}f}{tail}"
