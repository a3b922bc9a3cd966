"""The command line: parse, call, print. Physics lives elsewhere; commands are loaded when they are called."""

from __future__ import annotations

import importlib
import os
import sys

import click

from glowledger import __version__
from glowledger.errors import GlowledgerError

# The matrices here are small: threads that wait for each other cost more than they give, on a busy machine
# tenfold. Set before numpy is loaded; whoever sets it himself is obeyed.
os.environ.setdefault("OMP_NUM_THREADS", "1")

# command name -> (module under glowledger.cli, one line of help)
COMMANDS = {
    "tour": ("tour", "Run the whole job on the bundled, invented example."),
    "inspect": ("inspect", "Say what a file holds: axis, frames, times, saturation."),
    "calibrate": ("calibrate", "Find the wavelength of every pixel from a lamp spectrum."),
    "response": ("response", "Measure the relative response from a lamp or the glow itself, and the window."),
    "detector": ("detector", "Measure dark, noise, hot pixels, ceiling and stray light."),
    "convert": ("convert", "Write spectra with a calibrated wavelength axis."),
    "identify": ("identify", "Say which gases and contaminants glow in a spectrum."),
    "track": ("track", "Follow a cleaning run and say whether it is done."),
    "live": ("live", "Show a run on a page of its own while it goes on."),
    "compare": ("compare", "Hold runs or gases beside each other, or plan such a comparison."),
    "colour": ("colour", "Say in which colour a glow is seen, or which gas glows in a colour."),
    "ledger": ("ledger", "Look up what was done and found, run by run."),
    "simulate": ("simulate", "Say what a spectrometer would see of a glow, before you buy it."),
    "tables": ("tables", "Look up lines, lamps and bands."),
}


class LazyGroup(click.Group):
    """A group that imports a command's module only when that command is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the command names in the order of the job."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import and return the command, or None if there is none of that name."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"glowledger.cli.{COMMANDS[cmd_name][0]}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])

    def invoke(self, ctx: click.Context) -> object:
        """Run the command; turn our errors into one paragraph and exit code 3."""
        try:
            return super().invoke(ctx)
        except GlowledgerError as error:
            click.echo(f"error: {error.paragraph()}", err=True)
            sys.exit(3)


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="glowledger")
def main() -> None:
    """Read a plasma's light: which gases glow, and is the part clean yet?

    \b
    Examples:
      glowledger tour
      glowledger identify spectrum.csv
    """
