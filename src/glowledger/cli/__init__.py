"""The command line: parse, call, print. Physics lives elsewhere; commands are loaded when they are called."""

from __future__ import annotations

import difflib
import importlib
import os
import sys

import click

from glowledger import __version__
from glowledger.cli.telling import add_shared_options, say_error, shared_options
from glowledger.errors import GlowledgerError

# The matrices here are small: threads that wait for each other cost more than they give, on a busy machine
# tenfold. Set before numpy is loaded, whatever is set for the machine as a whole.
os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1", MKL_NUM_THREADS="1")

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
    "bench": ("bench", "Say what is known of your spectrometer, and what to do next."),
    "guide": ("guide", "Read the guides: first evening, choosing, theory, formats, Python."),
}
SHELLS = ("bash", "zsh", "fish")


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
        add_shared_options(command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command; one that is misspelt is answered with the nearest names."""
        if args and not args[0].startswith("-") and args[0] not in COMMANDS:
            near = difflib.get_close_matches(args[0].casefold(), COMMANDS, n=3, cutoff=0.5)
            known = f"did you mean {' or '.join(near)}?" if near else f"there are {', '.join(COMMANDS)}."
            ctx.fail(f"no command is called '{args[0]}': {known}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])

    def invoke(self, ctx: click.Context) -> object:
        """Run the command; turn our errors into one paragraph and exit code 3."""
        try:
            return super().invoke(ctx)
        except GlowledgerError as error:
            say_error(error.paragraph())
            sys.exit(3)


def _print_completion(ctx: click.Context, _: click.Parameter, shell: str | None) -> None:
    """Print the completion script of a shell, as click makes it, and end."""
    if shell is None or ctx.resilient_parsing:
        return
    from click.shell_completion import get_completion_class

    found = get_completion_class(shell)
    if found is None:
        raise click.BadParameter(f"there is no completion for {shell}.")
    click.echo(found(main, {}, "glowledger", "_GLOWLEDGER_COMPLETE").source())
    ctx.exit()


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="glowledger")
@click.option(
    "--completion", type=click.Choice(SHELLS), callback=_print_completion, expose_value=False, is_eager=True,
    help="Print the script that lets this shell complete commands, options and files.",
)  # fmt: skip
def main() -> None:
    """Read a plasma's light: which gases glow, and is the part clean yet?

    New here? 'glowledger guide first-evening' leads from an unpacked spectrometer to a first answer.

    \b
    Examples:
      glowledger tour
      glowledger identify spectrum.csv
      eval "$(glowledger --completion bash)"
    """


main.params.extend(shared_options())
