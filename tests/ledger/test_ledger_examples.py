"""The examples in the help of every command under ``glowledger ledger`` run on a ledger with two runs."""

import json
import re
import shlex
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from glowledger.cli import main
from glowledger.cli.ledger import command

SAMPLES = Path(__file__).parents[2] / "sample_spectra"


def invoke(*words):
    return CliRunner().invoke(main, [str(word) for word in words])


@pytest.fixture(scope="module")
def workshop(tmp_path_factory):
    """Return a folder with two followed runs, a ledger of each name that the examples use, and an archive."""
    folder = tmp_path_factory.mktemp("workshop")
    for run, out in (("air_leak.csv", "cleaned_tuesday"), ("blank_run.csv", "cleaned_friday")):
        shutil.copy(SAMPLES / run, folder / run)
        bench = folder / "bench.toml"
        if not bench.exists():
            invoke("calibrate", SAMPLES / "lamp.csv", "--lamp", "cfl", "--bench", bench)
        words = ["track", folder / run, "--bench", bench, "--dark", SAMPLES / "dark.csv", "-o", folder / out]
        done = invoke(*words, "--ledger", folder / "ledger.sqlite")
        assert done.exit_code == 0, done.output
    shutil.copytree(SAMPLES, folder / "archive")
    for out in ("cleaned_tuesday", "cleaned_friday"):
        assert invoke("ledger", "add", folder / out, "--file", folder / "workshop.sqlite").exit_code == 0
    return folder


@pytest.mark.parametrize("name", command.commands)
def test_the_examples_run(name, workshop, monkeypatch):
    monkeypatch.chdir(workshop)
    _, _, block = re.sub(r"(?m)^\s*\b\x08", "", command.commands[name].help or "").rpartition("Examples:")
    examples = [line.strip() for line in block.splitlines() if line.strip()]
    assert len(examples) == 2
    for line in examples:
        words = shlex.split(line)
        assert words[:3] == ["glowledger", "ledger", name]
        done = invoke(*words[1:])
        assert done.exit_code == 0, f"{line}\n{done.output}"
        if "--json" in words:
            assert json.loads(done.stdout)["schema"] == "glowledger/ledger/1"
