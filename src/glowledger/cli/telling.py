"""How much is told besides the answer: progress with time left, remarks, details, and in colour or not."""

from __future__ import annotations

import logging
import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import click

from glowledger import progress

KEY = "glowledger.telling"  # in the context shared by all commands of one call
SHOWN_AFTER_S = 1.0  # shorter work needs no bar
QUIET, USUAL, VERBOSE = "quiet", "usual", "verbose"


def _chosen(ctx: click.Context, option: click.Parameter, given: bool) -> None:
    if not given:
        return
    now = QUIET if option.name == QUIET else VERBOSE
    if ctx.meta.setdefault(KEY, now) != now:
        raise click.UsageError("--quiet and --verbose exclude each other.")
    if now == VERBOSE:
        _log_to_stderr(ctx)


def shared_options() -> list[click.Option]:
    """Return the options that the main command and every command under it have."""
    return [
        click.Option(
            ["-q", "--quiet"], is_flag=True, expose_value=False, callback=_chosen,
            help="Say the answer only: no progress, no remarks on files.",
        ),
        click.Option(
            ["-v", "--verbose"], is_flag=True, expose_value=False, callback=_chosen,
            help="Say on stderr how files were understood and how long each step took.",
        ),
    ]  # fmt: skip


def add_shared_options(command: click.Command) -> None:
    """Add the shared options to a command and to those under it, once."""
    if not any(parameter.name == QUIET for parameter in command.params):
        command.params.extend(shared_options())
    for under in getattr(command, "commands", {}).values():
        add_shared_options(under)


def level() -> str:
    """Return 'quiet', 'usual' or 'verbose', as asked for."""
    ctx = click.get_current_context(silent=True)
    return USUAL if ctx is None else str(ctx.meta.get(KEY, USUAL))


def remarks(*texts: str) -> list[str]:
    """Return remarks on what was done besides the answer; none if the user wants quiet."""
    return [] if level() == QUIET else list(texts)


def colour_allowed(stream: Any) -> bool:
    """Return True if a stream is a terminal that may be coloured: NO_COLOR (no-color.org) and TERM are obeyed."""
    if os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb":
        return False
    return bool(getattr(stream, "isatty", bool)())


def say_error(text: str) -> None:
    """Print an error on stderr, its first word in red where that is allowed; the word says it too."""
    head = click.style("error:", fg="red", bold=True) if colour_allowed(sys.stderr) else "error:"
    click.echo(f"{head} {text}", err=True, color=colour_allowed(sys.stderr))


def say_answer(text: str) -> None:
    """Print an answer on stdout; the line that answers, below a title if there is one, in bold where allowed."""
    if colour_allowed(sys.stdout):
        title, gap, below = text.partition("\n\n")
        head, rest = (title + gap, below) if "\n" not in title and below else ("", text)
        first, line_end, rest = rest.partition("\n")
        text = head + click.style(first, bold=True) + line_end + rest
    click.echo(text, color=colour_allowed(sys.stdout))


@contextmanager
def progress_shown(label: str) -> Iterator[None]:
    """Show a bar with the time left on stderr while the block works, if that is a terminal and takes long.

    Parameters
    ----------
    label : str
        What is being done.
    """
    if level() == QUIET or not sys.stderr.isatty():
        yield
        return
    started = time.monotonic()
    bar: Any = click.progressbar(
        length=1000, label=label, show_eta=True, file=sys.stderr, color=colour_allowed(sys.stderr)
    )
    shown = False

    def listener(part: float) -> None:
        nonlocal shown
        if not shown and time.monotonic() - started < SHOWN_AFTER_S:
            return
        if not shown:
            shown = True
            bar.__enter__()
        bar.update(max(0, round(1000 * part) - bar.pos))

    try:
        with progress.listening(listener):
            yield
    finally:
        if shown:
            bar.__exit__(None, None, None)


def _log_to_stderr(ctx: click.Context) -> None:
    """Print what the package logs, until the command ends."""
    logger = logging.getLogger("glowledger")
    handler = logging.StreamHandler(sys.stderr)
    started = time.monotonic()

    class _Elapsed(logging.Formatter):
        def format(self, record: logging.LogRecord) -> str:
            return f"{time.monotonic() - started:6.2f} s  {record.getMessage()}"

    handler.setFormatter(_Elapsed())
    before = logger.level
    logger.addHandler(handler)
    logger.setLevel(logging.INFO)

    def back() -> None:
        logger.removeHandler(handler)
        logger.setLevel(before)

    ctx.find_root().call_on_close(back)
    _log_versions(logger)


def _log_versions(logger: logging.Logger) -> None:
    from importlib.metadata import version

    from glowledger import __version__

    others = ", ".join(f"{name} {version(name)}" for name in ("numpy", "scipy", "astropy"))
    logger.info("glowledger %s, Python %s, %s", __version__, sys.version.split()[0], others)
