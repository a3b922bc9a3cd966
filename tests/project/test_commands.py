"""Every command: it explains itself, and the examples in its help run on the bundled samples."""

import json
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import click
import pytest

from glowledger.cli import COMMANDS, main

ROOT = Path(__file__).parents[2]


def command(name):
    return main.get_command(click.Context(main), name)


def walked(one):
    """Yield a command and the commands under it."""
    yield one
    for under in getattr(one, "commands", {}).values():
        yield from walked(under)


def help_of(name):
    return command(name).get_help(click.Context(command(name), info_name=f"glowledger {name}"))


def examples(name):
    """Return the lines below 'Examples:' at the end of a command's help."""
    text = re.sub(r"(?m)^\s*\b\x08", "", command(name).help or "")
    _, _, block = text.rpartition("Examples:")
    return [line.strip() for line in block.splitlines() if line.strip()]


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_explains_itself_and_its_options(name):
    assert help_of(name).startswith("Usage:")
    assert command(name).get_short_help_str()
    for one in walked(command(name)):
        assert one.help or one.short_help, f"{name} {one.name}: no help"
        for parameter in one.params:
            if isinstance(parameter, click.Option):
                assert parameter.help, f"{name} {parameter.opts}: no help"
                assert parameter.help.endswith((".", "]", ")")), f"{name} {parameter.opts}: not a sentence"
    names = {opt for parameter in command(name).params for opt in parameter.opts}
    assert "--json" in names


@pytest.mark.parametrize("name", COMMANDS)
def test_every_help_ends_with_two_examples_or_more(name):
    assert len(examples(name)) >= 2
    assert all(line.startswith(f"glowledger {name}") for line in examples(name))
    assert help_of(name).rstrip().rpartition("Examples:")[2].count("Options:") == 1


@pytest.fixture(scope="module")
def bench_for_examples(tmp_path_factory):
    """Return a folder with the samples, and a bench.toml as the first example of calibrate makes it."""
    folder = tmp_path_factory.mktemp("examples")
    shutil.copytree(ROOT / "sample_spectra", folder / "sample_spectra")
    done = run(examples("calibrate")[0], folder)
    assert done.returncode == 0, done.stderr
    assert (folder / "bench.toml").is_file(), "the first example of calibrate makes the bench the others use"
    return folder


def run(line, folder):
    words = [sys.executable, "-m", "glowledger", *shlex.split(line)[1:]]
    return subprocess.run(words, cwd=folder, capture_output=True, text=True, stdin=subprocess.DEVNULL)


@pytest.mark.parametrize("name", [name for name in COMMANDS if name != "tour"])  # test_tour.py runs that in its own way
def test_the_examples_run(name, bench_for_examples):
    for line in examples(name):
        done = run(line, bench_for_examples)
        assert done.returncode == 0, f"{line}\n{done.stderr}"
        assert done.stdout.strip() or "-o" in line, line
        assert "Traceback" not in done.stderr
        if "--json" in line:
            assert json.loads(done.stdout)["schema"].startswith(f"glowledger/{name}/")


def test_an_unknown_command_is_a_usage_error():
    done = run("glowledger polish", ROOT)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr


def test_the_version_is_the_one_of_the_package():
    from importlib.metadata import version

    done = run("glowledger --version", ROOT)
    assert done.stdout.split()[-1] == version("glowledger")
