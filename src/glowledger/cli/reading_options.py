"""The options that settle how a file is read, shared by all commands that read spectra."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any, TypeVar

import click

from glowledger.spectra.options import AXIS_UNITS, DELIMITERS, LAYOUTS, TIME_UNITS, ReadingOptions

Command = TypeVar("Command", bound=Callable[..., Any])

_NAMES = ("axis_unit", "delimiter", "decimal", "layout", "time_unit", "ceiling", "exposure_s", "interval_s")


def _delimiter(_context: click.Context, _parameter: click.Parameter, value: str | None) -> str | None:
    try:
        return ReadingOptions(delimiter=value).delimiter
    except ValueError as error:
        raise click.BadParameter(str(error)) from None


_OPTIONS = (
    click.option(
        "--axis-unit", type=click.Choice(AXIS_UNITS), help="Unit of the axis, where the file does not say."
    ),
    click.option(
        "--delimiter",
        metavar="MARK",
        callback=_delimiter,
        help=f"Mark between columns: one character, or one of {', '.join(DELIMITERS)}.",
    ),
    click.option("--decimal", type=click.Choice([".", ","]), help="Decimal mark."),
    click.option("--layout", type=click.Choice(LAYOUTS), help="What rows and columns are."),
    click.option("--time-unit", type=click.Choice(TIME_UNITS), help="Unit of times that name none [s]."),
    click.option(
        "--ceiling",
        type=click.FloatRange(min=0, min_open=True),
        metavar="COUNTS",
        help="Counts at and above which a pixel is saturated.",
    ),
    click.option(
        "--exposure",
        "exposure_s",
        type=click.FloatRange(min=0, min_open=True),
        metavar="SECONDS",
        help="Exposure of every frame, where the file does not say.",
    ),
    click.option(
        "--interval",
        "interval_s",
        type=click.FloatRange(min=0, min_open=True),
        metavar="SECONDS",
        help="Time from one frame to the next, where the files tell no times.",
    ),
)


def reading_options(function: Command) -> Command:
    """Add the reading options to a command, which receives them as one dict ``reading``.

    The dict holds keyword arguments of `glowledger.spectra.reading.read_spectra`.
    """

    @functools.wraps(function)
    def gathered(*args: Any, **kwargs: Any) -> Any:
        kwargs["reading"] = {name: kwargs.pop(name) for name in _NAMES}
        return function(*args, **kwargs)

    for option in reversed(_OPTIONS):
        gathered = option(gathered)
    return gathered  # type: ignore[return-value]
