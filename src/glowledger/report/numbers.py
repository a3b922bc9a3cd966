"""Numbers as people write them: never more digits than their uncertainty carries."""

from __future__ import annotations

import math


def two_digits(value: float) -> str:
    """Return a number rounded to two significant digits, without an exponent unless it is very large."""
    if not math.isfinite(value):
        return "unknown"
    return f"{float(f'{value:.2g}'):.6g}"


def percent(part: float) -> str:
    """Return a part of the whole in per cent with two significant digits; ``< 0.1 %`` when it is small."""
    if not math.isfinite(part):
        return "unknown"
    hundredfold = 100 * part
    if 0 < hundredfold < 0.1:
        return "< 0.1 %"
    return f"{hundredfold:.0f} %" if hundredfold >= 9.95 else f"{hundredfold:.1f} %"


def sigmas(significance: float, most: float = 30.0) -> str:
    """Return a significance in standard deviations, capped: beyond `most` the exact figure means nothing."""
    if not math.isfinite(significance):
        return f"> {most:.0f} σ" if significance > 0 else "-"
    return f"> {most:.0f} σ" if significance > most else f"{significance:.1f} σ"


def clock(seconds: float) -> str:
    """Return a time as ``45 s``, ``9 min 5 s`` or ``1 h 3 min``; ``unknown`` for NaN."""
    if not math.isfinite(seconds):
        return "never" if seconds > 0 else "unknown"
    sign = "-" if seconds < 0 else ""
    seconds = abs(seconds)
    if seconds < 10 and seconds != round(seconds):
        return f"{sign}{seconds:.1f} s"
    whole = round(seconds)
    hours, minutes, rest = whole // 3600, whole // 60 % 60, whole % 60
    if hours:
        return f"{sign}{hours} h {minutes} min"
    if minutes:
        return f"{sign}{minutes} min {rest} s" if rest else f"{sign}{minutes} min"
    return f"{sign}{rest} s"


def clock_interval(interval_s: tuple[float, float]) -> str:
    """Return an interval of times as ``8 min 30 s to 9 min 35 s``, or an empty string if it is unknown."""
    low, high = interval_s
    if not (math.isfinite(low) or math.isfinite(high)) or math.isnan(high) or math.isnan(low):
        return ""
    if not math.isfinite(high):
        return f"{clock(low)} or later"
    if clock(low) == clock(high) and high > low:  # an interval that vanishes in rounding would claim to have no width
        digits = max(-math.floor(math.log10(high - low)), 0)
        return f"{low:.{digits}f} s to {high:.{digits}f} s"
    return f"{clock(low)} to {clock(high)}"


def counted(number: int, noun: str) -> str:
    """Return ``1 run``, ``2 runs``."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def round_to(value: float, step: float) -> float:
    """Return a value rounded to a multiple of a step."""
    return step * round(value / step) if math.isfinite(value) else value
