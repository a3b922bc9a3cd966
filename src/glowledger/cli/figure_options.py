"""Options of all commands that leave figures and a page in a folder."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from glowledger.report.leaving import Drawn

Command = TypeVar("Command", bound=Callable[..., Any])


def _formats(*usual: str) -> Callable[[Command], Command]:
    return click.option(
        "--figure-format", "formats", type=click.Choice(["png", "svg", "pdf"]), multiple=True, default=usual,
        show_default=" and ".join(usual), help="With -o: format of the figure files; may be given several times.",
    )  # fmt: skip


_PDF = click.option("--pdf", is_flag=True, help="With -o: write the page as a print document (PDF) too.")


def figure_options(function: Command) -> Command:
    """Add the options to a command, which receives them as one object ``drawn``."""

    @functools.wraps(function)
    def gathered(*args: Any, formats: tuple[str, ...], pdf: bool, **kwargs: Any) -> Any:
        return function(*args, drawn=asked(formats, pdf), **kwargs)

    return _formats("png", "svg")(_PDF(gathered))  # type: ignore[return-value]


def format_option(function: Command) -> Command:
    """Add the option of a command that leaves a figure and no page; it receives ``drawn`` too."""

    @functools.wraps(function)
    def gathered(*args: Any, formats: tuple[str, ...], **kwargs: Any) -> Any:
        return function(*args, drawn=asked(formats), **kwargs)

    return _formats("png")(gathered)  # type: ignore[return-value]


def asked(formats: tuple[str, ...], pdf: bool = False) -> Drawn:
    """Return what was asked for, each format once."""
    from glowledger.report.leaving import Drawn

    return Drawn(formats=tuple(dict.fromkeys(formats)), pdf=pdf)
