"""What a user may say about a file to settle how it is read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

AxisUnit = Literal["pixel", "nm", "nm_vacuum", "angstrom", "angstrom_vacuum", "um", "cm-1", "eV"]
Layout = Literal["two-column", "wide", "transposed", "long", "counts-only"]

AXIS_UNITS: tuple[str, ...] = ("pixel", "nm", "nm_vacuum", "angstrom", "angstrom_vacuum", "um", "cm-1", "eV")
LAYOUTS: tuple[str, ...] = ("two-column", "wide", "transposed", "long", "counts-only")
TIME_UNITS: tuple[str, ...] = ("ms", "s", "min", "h")
DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t", "blank": " ", "bar": "|"}
SECONDS = {"us": 1e-6, "ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingOptions:
    """Everything a user may state; None means: find out.

    Attributes
    ----------
    axis_unit : str or None
        One of `AXIS_UNITS`.
    delimiter : str or None
        The character between columns, or one of the names in `DELIMITERS`.
    decimal : str or None
        '.' or ','.
    layout : str or None
        One of `LAYOUTS`.
    time_unit : str or None
        One of `TIME_UNITS`, for times that name no unit.
    ceiling : float or None
        Counts at and above which a pixel is saturated.
    exposure_s : float or None
        Exposure of every frame, s.
    interval_s : float or None
        Time from one frame to the next, s, where the files tell no times.
    """

    axis_unit: str | None = None
    delimiter: str | None = None
    decimal: str | None = None
    layout: str | None = None
    time_unit: str | None = None
    ceiling: float | None = None
    exposure_s: float | None = None
    interval_s: float | None = None

    def __post_init__(self) -> None:
        known = {"axis_unit": AXIS_UNITS, "layout": LAYOUTS, "time_unit": TIME_UNITS, "decimal": (".", ",")}
        for name, choices in known.items():
            value = getattr(self, name)
            if value is not None and value not in choices:
                raise ValueError(f"{name} is {value!r}, expected one of {', '.join(choices)}")
        if self.delimiter is not None:
            mark = DELIMITERS.get(self.delimiter, self.delimiter)
            if mark == "\\t":
                mark = "\t"
            if len(mark) != 1:
                raise ValueError(
                    f"delimiter is {self.delimiter!r}, expected one character or {', '.join(DELIMITERS)}"
                )
            object.__setattr__(self, "delimiter", mark)
