"""The guides are true: every command and every piece of Python runs, constants and fields are those of the program."""

import ast
import importlib
import json
import re
import shlex
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

import glowledger
from glowledger.cli import main
from glowledger.guide import reference
from glowledger.guide.reading import FOLDER, find_topic, topics

ROOT = Path(__file__).parents[2]
NAMES = [topic.name for topic in topics()]


def blocks(name, language):
    return re.findall(rf"^```{language}\n(.*?)^```", find_topic(name).text(), re.M | re.S)


def commands(name):
    """Return each command of a guide with the lines of output that are shown below it."""
    found = []
    for block in blocks(name, "console"):
        for line in block.splitlines():
            if line.startswith("$ "):
                found.append((line[2:], []))
            else:
                found[-1][1].append(line)
    return found


def invoke(line):
    words = shlex.split(line)
    assert words[0] == "glowledger"
    return CliRunner().invoke(main, words[1:])


@pytest.fixture
def workplace(tmp_path, monkeypatch):
    """Return a folder with the samples, and a bench where a guide does not make its own."""
    shutil.copytree(ROOT / "sample_spectra", tmp_path / "sample_spectra")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize("name", [name for name in NAMES if commands(name)])
def test_the_commands_run_and_say_what_is_shown(name, workplace):
    lines = commands(name)
    if not any("glowledger calibrate" in line for line, _ in lines):
        assert invoke("glowledger calibrate sample_spectra/lamp.csv --lamp cfl --bench bench.toml").exit_code == 0
    for line, shown in lines:
        done = invoke(line)
        assert done.exit_code == 0, f"{line}\n{done.output}"
        said = [re.sub(r"\d+", "#", text) for text in done.stdout.splitlines()]
        for text in shown:  # numbers may change with every improvement; words are promises
            assert text == "..." or re.sub(r"\d+", "#", text) in said, f"{line}\ndoes not say: {text}"


@pytest.mark.parametrize("name", [name for name in NAMES if blocks(name, "python") and name != "python"])
def test_the_python_runs(name, workplace, capsys):
    space = {"__name__": "guide"}
    for number, block in enumerate(blocks(name, "python"), 1):
        exec(compile(block, f"{name}.md, piece {number}", "exec"), space)


def test_the_constants_that_are_quoted_are_those_of_the_program():
    checked = 0
    for topic in topics():
        for place, name, value in re.findall(r"`([a-z_.]+)\.([A-Z][A-Z_0-9]+) = ([^`]+)`", topic.text()):
            module = importlib.import_module(f"glowledger.{place}")
            assert getattr(module, name) == ast.literal_eval(value), f"{topic.file}: {place}.{name}"
            checked += 1
    assert checked > 25


def test_every_command_and_option_that_is_named_exists():
    import click

    for topic in topics():
        text = topic.text()
        for name in re.findall(r"`glowledger ([a-z]+)", text):
            assert main.get_command(click.Context(main), name) is not None, f"{topic.file}: {name}"
        for other in re.findall(r"`glowledger guide ([a-z-]+)`", text.replace("\n", " ")):
            assert find_topic(other).name == other, topic.file
    options = {
        opt
        for name in glowledger_commands()
        for parameter in main.get_command(click.Context(main), name).params
        for opt in parameter.opts
    }
    for topic in topics():
        for option in re.findall(r"`(--[a-z-]+)", topic.text()):
            assert option in options | {"--strict"}, f"{topic.file}: {option}"


def glowledger_commands():
    from glowledger.cli import COMMANDS

    return COMMANDS


def fields(schema):
    """Return the fields that the format reference lists for a schema: all, and those that are always there."""
    text = find_topic("formats").text()
    part = text.split(f"### `{schema}`", 1)[1].split("\n##", 1)[0]
    always, every = set(), {"schema"}
    for item in re.findall(r"^- (`.*?)(?=^- |\Z|\n\n)", part, re.M | re.S):
        head, _, rest = item.partition(":")
        names = set(re.findall(r"`(\w+)`", head))
        every |= names
        always |= set() if rest.strip().startswith("(only") else names
    return every, always


DOCUMENTS = {
    "glowledger/identify/1": "identify sample_spectra/spectrum.csv --species 'Ar I,OH' --json",
    "glowledger/track/1": "track sample_spectra/air_leak.csv --bench bench.toml --ledger ledger.sqlite --json",
    "glowledger/calibrate/1": "calibrate sample_spectra/lamp.csv --lamp cfl --json",
    "glowledger/bench/1": "bench bench.toml --json",
    "glowledger/guide/1": "guide --json",
}


@pytest.mark.parametrize("schema", DOCUMENTS)
def test_documents_have_the_fields_that_the_reference_lists(schema, workplace):
    assert invoke("glowledger calibrate sample_spectra/lamp.csv --lamp cfl --bench bench.toml").exit_code == 0
    document = json.loads(invoke(f"glowledger {DOCUMENTS[schema]}").stdout)
    every, always = fields(schema)
    assert document["schema"] == schema
    assert set(document) <= every
    assert always <= set(document)


def test_the_keys_of_a_bench_file_are_those_that_the_reference_lists(workplace):
    import tomllib

    steps = [
        "calibrate sample_spectra/lamp.csv --lamp cfl --bench bench.toml",
        "detector --dark sample_spectra/dark.csv --bench bench.toml",
        "response sample_spectra/tungsten.csv --temperature 2800 --dark sample_spectra/dark.csv --bench bench.toml",
        "response --window acrylic --bench bench.toml",
    ]
    for step in steps:
        assert invoke(f"glowledger {step}").exit_code == 0
    table = tomllib.loads(Path("bench.toml").read_text(encoding="utf-8"))
    listed = set()
    for section, names in re.findall(r"^\| `(?:\[+(\w+)\]+ )?([\w, ]+)` \|", find_topic("formats").text(), re.M):
        listed |= {(section, name.strip()) for name in names.split(",")}
    for key, value in table.items():
        inner = value[0] if isinstance(value, list) else value
        found = {(key, name) for name in inner} if isinstance(inner, dict) else {("", key)}
        assert found <= listed


def test_the_context_in_the_reference_is_read_as_it_stands(tmp_path):
    from glowledger.ledger.context import NAMES as KNOWN
    from glowledger.ledger.context import read_context

    text = next(block for block in blocks("formats", "toml") if "gauge" in block)
    (tmp_path / "run.toml").write_text(text, encoding="utf-8")
    assert set(read_context(tmp_path).stated()) == set(KNOWN)


def test_the_rate_constants_in_the_reference_are_read_as_they_stand():
    from glowledger.diagnose.rate_constants import parse_rates

    found = parse_rates(next(block for block in blocks("formats", "toml") if "rate_m3_s" in block))
    assert set(found.levels) == {"Ar", "O"}


def test_the_python_reference_is_the_one_of_the_docstrings_and_holds_every_public_name():
    text = reference.FILE.read_text(encoding="utf-8")
    assert text == reference.reference(), "run: python -m glowledger.guide.reference"
    for names in glowledger.INTERFACE.values():
        for name in names:
            assert f"\n### {name}\n" in text


@pytest.mark.parametrize("name", [name for names in glowledger.INTERFACE.values() for name in names])
def test_public_docstrings_say_what_goes_in_and_comes_out(name):
    import inspect

    thing = getattr(glowledger, name)
    text = inspect.getdoc(thing)
    if inspect.isfunction(thing):
        parameters = list(inspect.signature(thing).parameters)
        for parameter in parameters:
            assert re.search(rf"^(?:.*, )?\**{parameter}(?:,.*)?(?: : .*)?$", text, re.M), f"{name}: {parameter}"
        assert not parameters or "Parameters\n---" in text, name
        if inspect.signature(thing).return_annotation not in ("None", None):
            assert "Returns\n---" in text or text.startswith("Return"), name
    elif not issubclass(thing, Exception):
        assert "Attributes\n---" in text or not getattr(thing, "__dataclass_fields__", {}), name


def test_guides_are_readable_on_a_code_host():
    for topic in topics():
        assert topic.text().startswith("# "), topic.file
        prose = [line for line in topic.text().splitlines() if not line.startswith(("|", "-", "$"))]
        assert max(len(line) for line in prose) <= 200, topic.file
        for target in re.findall(r"\]\((?!http)([^)#]+)\)", topic.text()):
            assert (topic.file.parent / target).exists(), f"{topic.file}: {target}"


def test_a_topic_is_found_by_its_beginning_and_a_wrong_one_is_answered_with_names():
    assert invoke("glowledger guide first").stdout.startswith("# A first evening")
    wrong = invoke("glowledger guide theory-colors")
    assert wrong.exit_code == 3
    assert "theory-colour" in wrong.stderr
    assert {path.stem for path in FOLDER.glob("*.md")} == set(NAMES)
