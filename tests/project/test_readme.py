"""The README's two commands, and that the check script runs the second."""

import re
import shlex
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


def commands():
    """Return the lines of all code blocks of the README."""
    blocks = re.findall(r"^```\w*\n(.*?)^```", (ROOT / "README.md").read_text(encoding="utf-8"), re.M | re.S)
    return [block.strip() for block in blocks]


def test_the_readme_has_exactly_two_commands_of_one_line_each():
    assert len(commands()) == 2
    assert all("\n" not in command for command in commands())
    assert commands()[0].endswith("glowledger tour")
    assert "-m pytest" in commands()[1]


@pytest.mark.parametrize("number", [0, 1])
def test_the_commands_need_only_python_and_what_they_install(number):
    for part in commands()[number].split(" && "):
        words = shlex.split(part)
        assert words[0] == "python3" or words[0].startswith(".venv/bin/"), part


def test_the_check_script_takes_its_command_from_the_readme():
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "README.md" in script
    assert script.startswith("#!/usr/bin/env bash\n")
    assert "set -euo pipefail" in script


def test_the_names_of_all_commands_stand_in_the_readme():
    from glowledger.cli import COMMANDS

    text = (ROOT / "README.md").read_text(encoding="utf-8")
    missing = [name for name in COMMANDS if f"`{name}`" not in text and f"glowledger {name}" not in text]
    assert not missing
