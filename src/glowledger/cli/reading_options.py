"""The options that settle how a file is read, shared by all commands that read spectra."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any, TypeVar

import click

from glowledger.spectra.options import AXIS_UNITS, LAYOUTS, TIME_UNITS

Command = TypeVar("Command", bound=Callable[..., Any])

_NAMES = ("axis_unit", "delimiter", "decimal", "layout", "time_unit", "ceiling", "exposure_s")


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


_OPTIONS = (
    click.option("--axis-unit", type=click.Choice(AXIS_UNITS), help="Unit of the axis, where the file does not say."),
    click.option("--delimiter", metavar="MARK", help="Mark between columns: comma, semicolon, tab, blank, bar."),
    click.option("--decimal", type=click.Choice([".", ","]), help="Decimal mark."),
    click.option("--layout", type=click.Choice(LAYOUTS), help="What rows and columns are."),
    click.option("--time-unit", type=click.Choice(TIME_UNITS), help="Unit of times that name none [s]."),
    click.option("--ceiling", type=float, metavar="COUNTS", help="Counts at which a pixel is saturated."),
    click.option("--exposure", "exposure_s", type=float, metavar="SECONDS", help="Exposure of every frame."),
)
