"""Which comparisons of two runs are fair: what differs between them, and what that spoils."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from glowledger.diagnose.feed import Feed

LEVEL, TIME, END, FLASH = "level", "time", "endpoint", "flashes"
ALL = (LEVEL, TIME, END, FLASH)
EXPOSURE_FACTOR = 1.2  # exposures or intervals between frames that differ by more see other flashes; our choice
SAME = 0.05  # relative difference of a stated power or pressure that counts as none; our choice


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """Under what a run was recorded and judged; empty text and NaN where nobody said.

    Attributes
    ----------
    feed : Feed or None
        Process gas.
    power_w, power_se_w, pressure_pa, pressure_se_pa : float
        Power and gas pressure with standard errors (NaN where not stated).
    pressure_reason : str
        Why the pressure is not known, or how it was corrected.
    exposure_s, cadence_s : float
        Exposure of a frame and time between frames.
    words : dict of str to str
        ``window``, ``bench``, ``reference``, ``criterion``, ``electrode``, ``polarity``, ``part`` and the like.
    """

    feed: Feed | None = None
    power_w: float = math.nan
    power_se_w: float = math.nan
    pressure_pa: float = math.nan
    pressure_se_pa: float = math.nan
    pressure_reason: str = ""
    exposure_s: float = math.nan
    cadence_s: float = math.nan
    words: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Obstacle:
    """Something that two runs do not share.

    Attributes
    ----------
    about : str
        What differs.
    spoils : tuple of str
        Kinds of quantities whose comparison it makes unfair.
    text : str
        One plain sentence.
    """

    about: str
    spoils: tuple[str, ...]
    text: str


# what is stated in words -> (plain name, what a difference spoils, why)
_WORDS: dict[str, tuple[str, tuple[str, ...], str]] = {
    "window": ("window", (LEVEL,), "each passes another part of the light, and colours its ratios"),
    "bench": ("bench", (LEVEL,), "another calibration or spectrometer weighs wavelengths differently"),
    "reference": ("reference", (LEVEL,), "the levels are parts of different things"),
    "criterion": ("criterion", (END,), "the endpoints answer different questions"),
    "electrode": ("electrode (geometry)", ALL, "the plasma reaches the part differently"),
    "polarity": ("polarity", (LEVEL, FLASH), "other parts of the glow are seen, and other surfaces are sputtered"),
}
_SHINES, _BRIEF = "the same amount then shines differently", "brief flashes are not seen equally well"
_CAUSES = ("part", "electrode", "polarity", "voltage", "current", "flow")
_NAMES = {"part": "part and its soiling"}


def obstacles(a: Conditions, b: Conditions) -> tuple[Obstacle, ...]:
    """Return what makes comparisons of two runs unfair, as far as it was stated."""
    found = []
    for key, (name, spoils, why) in _WORDS.items():
        one, other = a.words.get(key, ""), b.words.get(key, "")
        if one and other and one.casefold() != other.casefold():
            what = "different calibration files" if key == "bench" else f"{one} against {other}"
            found.append(Obstacle(about=name, spoils=spoils, text=f"The {name} differs ({what}): {why}."))
    if _gases_differ(a, b):
        why = "another gas excites the same molecules differently, so a ratio of light is no ratio of amounts"
        found.append(Obstacle(about="gas", spoils=(LEVEL,), text=f"The gas differs ({a.feed}, {b.feed}): {why}."))
    for name, x, y, unit, factor, spoils, why in (
        ("power", a.power_w, b.power_w, "W", 1.0 + SAME, (LEVEL,), _SHINES),
        ("pressure", a.pressure_pa, b.pressure_pa, "Pa", 1.0 + SAME, (LEVEL,), _SHINES),
        ("exposure", a.exposure_s, b.exposure_s, "s", EXPOSURE_FACTOR, (FLASH,), _BRIEF),
        ("time between frames", a.cadence_s, b.cadence_s, "s", EXPOSURE_FACTOR, (FLASH,), _BRIEF),
    ):
        if _apart(x, y, factor):
            text = f"The {name} differs ({x:.3g} against {y:.3g} {unit}): {why}."
            found.append(Obstacle(about=name, spoils=spoils, text=text))
    return tuple(found)


def causes(a: Conditions, b: Conditions) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return which causes of a difference between two runs differ, and which are not stated for both."""
    differ, unsaid = [], []
    if a.feed is None or b.feed is None:
        unsaid.append("gas")
    elif _gases_differ(a, b):
        differ.append("gas")
    for name, x, y in (("power", a.power_w, b.power_w), ("pressure", a.pressure_pa, b.pressure_pa)):
        if not (math.isfinite(x) and math.isfinite(y)):
            unsaid.append(name)
        elif _apart(x, y, 1.0 + SAME):
            differ.append(name)
    for name in _CAUSES:
        one, other = a.words.get(name, ""), b.words.get(name, "")
        if one and other and one.casefold() != other.casefold():
            differ.append(_NAMES.get(name, name))
        elif name in ("part", "electrode") and not (one and other):
            unsaid.append(_NAMES.get(name, name))
    return tuple(differ), tuple(unsaid)


def _gases_differ(a: Conditions, b: Conditions) -> bool:
    return a.feed is not None and b.feed is not None and str(a.feed) != str(b.feed)


def _apart(one: float, other: float, factor: float) -> bool:
    if not (math.isfinite(one) and math.isfinite(other)) or min(one, other) <= 0:
        return False
    return max(one, other) > factor * min(one, other)
